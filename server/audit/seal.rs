//! Seals of closings: made when a period is closed, kept in the log as the leaf after the closing, and checked against the log.

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::leaf;
use crate::app::App;
use crate::book::leaf::{Act, Closing, Entry, Leaf};
use crate::book::merkle::{self, Frontier, Hash, TreeHead};
use crate::book::seal::{Checkpoint, PublicKey, SealError, origin};
use crate::book::{Book, Remark, damaged};
use crate::day::{Day, Instant};
use crate::ids::{ClosingId, SiteId};
use crate::refusal::{Outcome, Refusal};
use crate::store::{JournalFilter, Read, StoreError};

/// What the leaf of a seal holds.
#[derive(Debug, Serialize, Deserialize)]
struct Kept {
    key: String,
    note: String,
}

/// Seals the log up to and with the closing that was just booked.
pub(super) async fn seal(book: &mut Book, app: &App, closing: &Closing) -> Outcome<()> {
    let name = origin(book.site());
    let size = u64::try_from(book.size()).unwrap_or_default();
    let checkpoint = Checkpoint::of_closing(book.site(), size, book.root(), closing);
    let kept = Kept {
        note: app.seal_key.sign(&name, &checkpoint.text()),
        key: app.seal_key.public(name).to_string(),
    };
    let happened_at = book.now();
    book.remark(Remark {
        id: app.clock.new_id(),
        kind: "closing",
        subject: closing.id,
        act: Act::Seal,
        happened_at,
        reason: None,
        before: Value::Null,
        after: json!(kept),
    })
    .await?;
    Ok(())
}

/// A seal that was made.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct SealView {
    /// The closing with which it was made.
    pub closing: ClosingId,
    /// The last day of the closed period.
    pub to_day: Day,
    /// When.
    pub made_at: Instant,
    /// Leaves in the log then.
    pub size: u64,
    /// The log's root then, hex.
    pub root: String,
    /// The public key that it was signed for.
    pub key: String,
    /// The key's fingerprint: SHA-256 of its text, hex.
    pub fingerprint: String,
    /// The seal itself: a signed note, to be kept outside the house.
    pub note: String,
}

/// All seals, and the public key that the next one is signed for.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Seals {
    /// The public key: whoever checks a seal needs it, from a hand they trust.
    pub key: String,
    /// The seals, oldest first.
    pub items: Vec<SealView>,
}

/// All seals.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn seals(tx: &mut dyn Read, site: SiteId, key: &PublicKey) -> Result<Seals, StoreError> {
    let closings = tx.closings(site).await?;
    let filter = JournalFilter {
        kind: Some("closing".to_owned()),
        ..JournalFilter::default()
    };
    let mut items = Vec::new();
    for row in tx.journal(site, &filter, i64::MAX).await?.iter().rev() {
        let Leaf::Entry(entry) = serde_json::from_str(&row.leaf).map_err(damaged)? else {
            continue;
        };
        let of = closings.iter().find(|row| row.id == entry.subject);
        let (Act::Seal, Some(of)) = (entry.act, of) else {
            continue;
        };
        let kept: Kept = serde_json::from_value(entry.after).map_err(damaged)?;
        let said = kept
            .checkpoint()
            .map_err(|e| StoreError::Damaged(e.to_string()))?;
        items.push(SealView {
            closing: ClosingId(of.id),
            to_day: of.to_day,
            made_at: Instant::from_ms(entry.head.recorded_at),
            size: said.size,
            root: hex::encode(said.root),
            fingerprint: hex::encode(Sha256::digest(kept.key.as_bytes())),
            key: kept.key,
            note: kept.note,
        });
    }
    Ok(Seals {
        key: key.to_string(),
        items,
    })
}

impl Kept {
    fn checkpoint(&self) -> Result<Checkpoint, SealError> {
        let key: PublicKey = self.key.parse()?;
        Checkpoint::read(key.open(&self.note)?)
    }
}

/// A proof that the log only added to what it was at an earlier size (RFC 6962, section 2.1.2).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Consistency {
    /// The earlier size.
    pub old: u64,
    /// The later size.
    pub new: u64,
    /// The nodes of the proof, hex, in order.
    pub nodes: Vec<String>,
}

impl Consistency {
    /// Whether it shows that the later head only added to the earlier.
    #[must_use]
    pub fn shows(&self, old: TreeHead, new: TreeHead) -> bool {
        let node = |text: &String| hex::decode(text).ok()?.try_into().ok();
        let nodes: Option<Vec<Hash>> = self.nodes.iter().map(node).collect();
        (self.old, self.new) == (old.0, new.0)
            && nodes.is_some_and(|nodes| merkle::is_consistent(old, new, &nodes))
    }
}

/// Proves that the log at one size only added to what it was at an earlier one.
///
/// # Errors
/// [`Refusal::Invalid`] when the log has never had such sizes.
pub async fn consistency(
    tx: &mut dyn Read,
    site: SiteId,
    old: u32,
    new: u32,
) -> Outcome<Consistency> {
    let size = tx.head(site).await?.map_or(0, |head| head.size);
    if i64::from(new) > size || old > new {
        return Err(Refusal::field(
            "/new",
            format!("two sizes of the log, the smaller as old, the larger as new, at most {size}"),
        ));
    }
    let mut hashes: Vec<Hash> = Vec::new();
    while hashes.len() < new as usize {
        let from = i64::try_from(hashes.len()).unwrap_or(i64::MAX);
        let rows = tx.leaves(site, from, 2_000).await?;
        if rows.is_empty() {
            return Err(StoreError::Damaged("the log is shorter than its head".to_owned()).into());
        }
        for row in rows {
            let hash = row.hash.try_into();
            hashes.push(hash.map_err(|_| StoreError::Damaged("no SHA-256".to_owned()))?);
        }
    }
    hashes.truncate(new as usize);
    let proof = merkle::consistency(&hashes, old as usize).unwrap_or_default();
    Ok(Consistency {
        old: old.into(),
        new: new.into(),
        nodes: proof.iter().map(hex::encode).collect(),
    })
}

/// Compares seals with a log that is read past them, leaf by leaf: those that are kept in it, and those that were given from outside.
#[derive(Default)]
pub struct Watch {
    last: Option<(Closing, TreeHead)>,
    given: Vec<Given>,
    hashes: Vec<Hash>,
    size: u64,
}

/// A seal from outside.
struct Given {
    said: Checkpoint,
    fault: Option<&'static str>,
    reached: bool,
}

/// What became of a seal from outside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SealCheck {
    /// The seal.
    pub seal: Checkpoint,
    /// What does not hold; none if it holds.
    pub fault: Option<String>,
}

impl std::fmt::Display for SealCheck {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let of = self.seal.lines.first().map_or("", String::as_str);
        write!(f, "Seal at {} leaves ({of}): ", self.seal.size)?;
        match &self.fault {
            None => writeln!(f, "holds"),
            Some(fault) => writeln!(f, "does NOT hold: {fault}"),
        }
    }
}

impl Watch {
    /// Watches for these seals of this log as well.
    #[must_use]
    pub fn of(given: Vec<Checkpoint>) -> Self {
        let given = given.into_iter().map(|said| Given {
            said,
            fault: None,
            reached: false,
        });
        Self {
            given: given.collect(),
            ..Self::default()
        }
    }

    /// Takes the next leaf, with its hash and the tree that ends with it. Answers what is wrong with a seal that is kept in it.
    pub fn leaf(&mut self, leaf: &Leaf, hash: Hash, tree: &Frontier) -> Option<String> {
        self.size = tree.size();
        if self.given.len() > 1 {
            self.hashes.push(hash);
        }
        let mut fault = None;
        match leaf {
            Leaf::Closing(closing) => {
                self.last = Some((closing.clone(), (tree.size(), tree.root())));
            }
            Leaf::Entry(entry) if entry.act == Act::Seal => fault = self.kept(entry),
            _ => {}
        }
        let closing = if let Leaf::Closing(closing) = leaf {
            Some(closing)
        } else {
            None
        };
        for given in self.given.iter_mut().filter(|g| g.said.size == tree.size()) {
            given.reached = true;
            given.fault = differs(&given.said, closing, (tree.size(), tree.root()), leaf);
        }
        fault
    }

    /// What is wrong with a seal in the log.
    fn kept(&self, entry: &Entry) -> Option<String> {
        let Ok(kept) = serde_json::from_value::<Kept>(entry.after.clone()) else {
            return Some("it is no seal".to_owned());
        };
        let said = match kept.checkpoint() {
            Ok(said) => said,
            Err(error) => return Some(format!("its seal: {error}")),
        };
        let Some((closing, (size, root))) = &self.last else {
            return Some("its seal is of no closing".to_owned());
        };
        let right = Checkpoint::of_closing(entry.head.site, *size, *root, closing);
        (closing.id != entry.subject || said != right)
            .then(|| "its seal is not of the log up to its closing".to_owned())
    }

    /// What became of the seals from outside, by size.
    #[must_use]
    pub fn finish(mut self) -> Vec<SealCheck> {
        self.given.sort_by_key(|given| given.said.size);
        let mut before: Option<TreeHead> = None;
        let mut checks = Vec::new();
        for given in &self.given {
            let head = (given.said.size, given.said.root);
            let fault = given.fault.map(ToOwned::to_owned);
            let fault = fault.or_else(|| {
                (!given.reached).then(|| {
                    format!(
                        "the log has {} leaves only: it ends before what was sealed",
                        self.size
                    )
                })
            });
            let fault = fault.or_else(|| {
                let added = before.is_none_or(|before| self.only_added(before, head));
                (!added).then(|| "it does not only add to the seal before it".to_owned())
            });
            before = Some(head);
            checks.push(SealCheck {
                seal: given.said.clone(),
                fault,
            });
        }
        checks
    }

    /// Whether a proof from the leaves shows that the later head only added to the earlier.
    fn only_added(&self, old: TreeHead, new: TreeHead) -> bool {
        let size = |n: u64| usize::try_from(n).unwrap_or(usize::MAX);
        let leaves = self.hashes.get(..size(new.0));
        let proof = leaves.and_then(|leaves| merkle::consistency(leaves, size(old.0)));
        proof.is_some_and(|proof| merkle::is_consistent(old, new, &proof))
    }
}

/// How the log at a seal's size differs from what the seal says.
fn differs(
    said: &Checkpoint,
    closing: Option<&Closing>,
    (size, root): TreeHead,
    leaf: &Leaf,
) -> Option<&'static str> {
    if said.root != root {
        return Some("the leaves give another root: the log was changed before what was sealed");
    }
    let right = closing.map(|c| Checkpoint::of_closing(leaf.head().site, size, root, c));
    (right.as_ref() != Some(said))
        .then_some("what it says stood in the house is not what the closing says")
}

/// Checks seals from outside against the log of a site.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn check(
    tx: &mut dyn Read,
    site: SiteId,
    given: Vec<Checkpoint>,
) -> Result<Vec<SealCheck>, StoreError> {
    let mut watch = Watch::of(given);
    let mut tree = Frontier::default();
    let mut position = 0;
    loop {
        let page = tx.leaves(site, position, 2_000).await?;
        let Some(last) = page.last() else {
            return Ok(watch.finish());
        };
        position = last.position + 1;
        for row in &page {
            let hash = merkle::leaf_hash(row.leaf.as_bytes());
            tree.push(hash);
            let _ = watch.leaf(&leaf(row)?, hash, &tree);
        }
    }
}
