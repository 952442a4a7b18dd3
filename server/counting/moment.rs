//! What the book had at a moment, as it is known now: what tablets sent late is in it, and what was undone is not.

use std::collections::{BTreeMap, HashMap};

use super::session::Session;
use crate::book::leaf::{Kind, Leaf};
use crate::book::place::Place;
use crate::book::{damaged, need_posting};
use crate::day::{Instant, Zone};
use crate::floor::batch::Batch;
use crate::ids::{BatchId, LotId, PostingId, SiteId};
use crate::mass::{Mass, MassRange};
use crate::store::{Read, Since, StoreError};

/// One lot at one place.
pub type Account = (LotId, Place);

/// The moment of a count.
#[derive(Debug)]
struct Moment {
    at: Instant,
    /// Place in the log of its opening: what was booked after it, as of the same moment, moved after it.
    opened: i64,
    /// What the count itself booked.
    own: Vec<PostingId>,
}

impl Moment {
    async fn of(tx: &mut dyn Read, site: SiteId, session: &Session) -> Result<Self, StoreError> {
        let opened = session.opened().ok_or_else(|| {
            StoreError::Damaged(format!("the count {} was never opened", session.id))
        })?;
        let leaf = tx.entry_leaf(site, opened.by).await?;
        let position = match serde_json::from_str(&leaf.unwrap_or_default()).map_err(damaged)? {
            Leaf::Entry(entry) => entry.head.position,
            _ => 0,
        };
        Ok(Self {
            at: opened.at,
            opened: position,
            own: session.postings(),
        })
    }

    /// Whether what happened at an instant moved after it.
    fn is_before(&self, happened_at: Instant, since: &Since) -> bool {
        let booked_after = since.position > self.opened && !self.own.contains(&since.posting);
        happened_at > self.at || (happened_at == self.at && booked_after)
    }
}

/// What becomes of a count's own postings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Own {
    /// They belong to its moment.
    Kept,
    /// It is as if it had booked nothing.
    LeftOut,
}

/// What has moved after a moment, account by account.
#[derive(Debug, Default)]
pub struct Later {
    /// What it added; negative what it took.
    changes: BTreeMap<Account, Mass>,
}

impl Later {
    /// What moved after the moment of a count.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn than(
        tx: &mut dyn Read,
        site: SiteId,
        zone: Zone,
        session: &Session,
        own: Own,
    ) -> Result<Self, StoreError> {
        let moment = Moment::of(tx, site, session).await?;
        let mut later = Self::default();
        let mut corrected = HashMap::new();
        // What happens on a day counts on that day or on a later one.
        for since in tx.changes_since(site, zone.day(moment.at)).await? {
            let happened_at = if since.kind == Kind::Correct.word() {
                really(tx, site, since.posting, since.happened_at, &mut corrected).await?
            } else {
                since.happened_at
            };
            let left_out = own == Own::LeftOut && moment.own.contains(&since.posting);
            if left_out || moment.is_before(happened_at, &since) {
                let change = later.changes.entry((since.lot, since.place)).or_default();
                *change = change.plus(since.change).map_err(beyond)?;
            }
        }
        Ok(later)
    }

    /// What one account had then.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn before(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        (lot, place): Account,
    ) -> Result<Mass, StoreError> {
        let now = tx.balance(site, lot, place).await?;
        self.took_off(now, (lot, place))
    }

    /// What all accounts at one kind of place had then, unless that was nothing.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn all_before(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        place: &str,
    ) -> Result<BTreeMap<Account, Mass>, StoreError> {
        let mut then: BTreeMap<Account, Mass> = BTreeMap::new();
        for standing in tx.standing(site, place).await? {
            then.insert((standing.lot, standing.place), standing.mass);
        }
        let moved = self.changes.keys().filter(|(_, at)| at.word() == place);
        for account in moved {
            then.entry(*account).or_default();
        }
        for (account, mass) in &mut then {
            *mass = self.took_off(*mass, *account)?;
        }
        then.retain(|_, mass| *mass != Mass::ZERO);
        Ok(then)
    }

    fn took_off(&self, now: Mass, account: Account) -> Result<Mass, StoreError> {
        let change = self.changes.get(&account).copied().unwrap_or_default();
        now.minus(change).map_err(beyond)
    }
}

/// When a correction's coffee really moved: when its batch was weighed in.
pub async fn really(
    tx: &mut dyn Read,
    site: SiteId,
    posting: PostingId,
    booked: Instant,
    known: &mut HashMap<PostingId, Instant>,
) -> Result<Instant, StoreError> {
    if let Some(at) = known.get(&posting) {
        return Ok(*at);
    }
    let facts = need_posting(tx, site, posting).await?.facts;
    let batch = serde_json::from_value::<BatchId>(facts["steps"][0]["batch"].clone());
    let row = match batch {
        Ok(batch) => tx.batch(site, batch).await?,
        Err(_) => None,
    };
    let batch = row.as_ref().map(Batch::of_row).transpose()?;
    let at = batch
        .as_ref()
        .and_then(Batch::weighed_in)
        .map_or(booked, |weighed| weighed.at);
    known.insert(posting, at);
    Ok(at)
}

/// A mass beyond all measure in the store.
pub fn beyond(error: MassRange) -> StoreError {
    StoreError::Damaged(error.to_string())
}
