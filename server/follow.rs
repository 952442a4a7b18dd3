//! Follows the log after each commit, whichever server made it: tells open pages what changed, and brings the learner up to it.
//!
//! What changed is read from the leaves themselves, so that it is the same for a commit of this process and for one that another server
//! made. Each server follows for itself and answers from its own memory: there is nothing to hand over when one dies.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;
use std::time::Duration;

use futures_util::StreamExt;
use serde::Serialize;
use tokio::sync::{broadcast, watch};

use crate::book::damaged;
use crate::book::leaf::{Leaf, Posting};
use crate::book::place::Place;
use crate::expect::{Expect, past};
use crate::floor::batch;
use crate::ids::{BatchId, LotId, SiteId};
use crate::store::{Commits, LogRow, Store, StoreError};

/// Tells open pages what changed.
#[derive(Debug, Clone, Serialize)]
pub struct Changed {
    /// Kinds of things.
    pub kinds: BTreeSet<String>,
}

/// Looks at the log as often as this even when nobody has said that it grew: a word can be lost with its connection.
const AT_LEAST: Duration = Duration::from_secs(10);
/// Waits this long when the book could not be read.
const AFTER_FAULT: Duration = Duration::from_secs(1);
/// After a commit, whoever made it, it waits so long for further ones, which it then follows together, and which it would only be in the way of; unless
/// somebody waits for the learner.
const TOGETHER: Duration = Duration::from_millis(25);
/// Leaves read at a time.
pub const PAGE: i64 = 1_000;

/// Brings pages and the learner up to each commit, one after the other.
pub struct Follower {
    /// The database.
    pub store: Arc<dyn Store>,
    /// The site whose log it follows.
    pub site: SiteId,
    /// The learner.
    pub expect: Arc<Expect>,
    /// Where pages listen.
    pub changes: broadcast::Sender<Changed>,
}

impl Follower {
    /// Follows until nobody of this process can write any more.
    pub async fn run(self, mut written: watch::Receiver<i64>, mut commits: Commits) {
        loop {
            let pause = match self.follow().await {
                Ok(()) => AT_LEAST,
                Err(error) => {
                    tracing::error!(%error, "the book could not be followed; trying again");
                    if let StoreError::Away(_) = error {
                        self.tell(BTreeSet::from(["away".to_owned()]));
                    }
                    AFTER_FAULT
                }
            };
            tokio::select! {
                more = written.changed() => if more.is_err() { return },
                Some(()) = commits.next() => {}
                () = tokio::time::sleep(pause) => {}
            }
            tokio::select! {
                () = tokio::time::sleep(TOGETHER) => {}
                () = self.expect.awaited() => {}
            }
        }
    }

    /// Follows all leaves that are there.
    async fn follow(&self) -> Result<(), StoreError> {
        loop {
            let mut tx = self.store.read().await?;
            let leaves = tx.leaves(self.site, self.expect.followed(), PAGE).await?;
            if leaves.is_empty() {
                drop(tx);
                self.write_down().await;
                return Ok(());
            }
            let news = News::of(&leaves)?;
            self.tell(news.kinds.clone());
            self.expect
                .follow(&mut *tx, self.site, &leaves, &news)
                .await?;
            self.tell(BTreeSet::from(["loss".to_owned()]));
            if i64::try_from(leaves.len()).is_ok_and(|read| read < PAGE) {
                return Ok(());
            }
        }
    }

    /// What cannot be written down now is written down after the next commit.
    async fn write_down(&self) {
        if let Err(error) = self.expect.write_if_due(&*self.store, self.site).await {
            tracing::warn!(%error, "what was learned could not be written down");
        }
    }

    fn tell(&self, kinds: BTreeSet<String>) {
        // Nobody listening is no fault.
        let _ = self.changes.send(Changed { kinds });
    }
}

/// What leaves of the log changed.
#[derive(Debug, Default)]
pub struct News {
    /// Kinds of things, as pages know them.
    pub kinds: BTreeSet<String>,
    /// Batches of which something more is known, or something is taken back.
    pub batches: BTreeSet<BatchId>,
    /// Lots of which green went into or out of the stores, or out of a batch: they may be used up, or no longer.
    pub taken: BTreeSet<LotId>,
    /// Lots of which green came from outside or went back: they may age from another day.
    pub came: BTreeSet<LotId>,
    /// Whether anything changed on which what was learned depends as a whole.
    pub everything: bool,
}

/// Records on which what was learned depends as a whole.
const LEARNED_FROM: [&str; 5] = ["lot", "style", "roaster", "site", past::KIND];

impl News {
    /// Reads it from leaves.
    ///
    /// # Errors
    /// [`StoreError`] for a leaf that is none.
    pub fn of(leaves: &[LogRow]) -> Result<Self, StoreError> {
        let mut news = Self::default();
        let mut steps = HashMap::new();
        for row in leaves {
            let leaf: Leaf = serde_json::from_str(&row.leaf).map_err(damaged)?;
            batch::follow(&mut steps, &leaf);
            news.add(&leaf);
        }
        news.batches.extend(steps.into_keys().map(BatchId));
        Ok(news)
    }

    fn add(&mut self, leaf: &Leaf) {
        match leaf {
            Leaf::Posting(posting) => self.add_posting(posting),
            Leaf::Entry(entry) => {
                self.everything |= LEARNED_FROM.contains(&entry.kind.as_str());
                let kind = if entry.kind == "command" {
                    "unsettled"
                } else {
                    &entry.kind
                };
                self.kinds.insert(kind.to_owned());
            }
            Leaf::Closing(_) => {
                self.kinds.insert("closings".to_owned());
            }
        }
    }

    fn add_posting(&mut self, posting: &Posting) {
        self.kinds.insert("postings".to_owned());
        self.kinds.insert("lots".to_owned());
        if posting.facts.get("bags").is_some() {
            self.kinds.insert("order".to_owned());
        }
        for movement in &posting.movements {
            if matches!(movement.from, Place::Batch(_)) || matches!(movement.to, Place::Batch(_)) {
                self.kinds.insert("batch".to_owned());
            }
            if is_outside(movement.from) || is_outside(movement.to) {
                self.came.insert(movement.lot);
            }
            match (movement.from, movement.to) {
                (Place::Store(_), Place::Store(_)) => {}
                (Place::Store(_) | Place::Batch(_), _) | (_, Place::Store(_)) => {
                    self.taken.insert(movement.lot);
                }
                _ => {}
            }
        }
    }
}

/// Where a lot's green comes from.
const fn is_outside(place: Place) -> bool {
    matches!(
        place,
        Place::Supplier(_) | Place::Blended(_) | Place::Transit(_)
    )
}
