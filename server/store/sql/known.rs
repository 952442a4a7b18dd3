//! What a transaction knows without asking: what it has read or written itself.
//!
//! Whoever has a site's head is alone in changing what follows from its log. So what was read or written in a turn holds until the turn ends,
//! and in later turns as long as the log's root is the same: a root is of one log only, whichever server wrote it.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Arc, Mutex, PoisonError};

use uuid::Uuid;

use super::super::super::{BatchRow, Change, ClosingRow, CountRow, HeadRow, Receipts, RecordRow};
use crate::book::place::Place;
use crate::day::Instant;
use crate::ids::{BatchId, LotId, SiteId};
use crate::mass::Mass;

/// The most that is known of each kind of thing: beyond that it begins anew.
const MOST: usize = 1_000;

/// What a transaction knows. All but records is of the site whose head it has.
#[derive(Debug, Default)]
pub(super) struct Known {
    head: Option<(SiteId, HeadRow)>,
    records: HashMap<(SiteId, Uuid), Option<RecordRow>>,
    batches: HashMap<BatchId, BatchRow>,
    balances: HashMap<(LotId, Place), Mass>,
    receipts: HashMap<LotId, Vec<Receipts>>,
    closings: Option<Vec<ClosingRow>>,
    /// No count was frozen from this moment on.
    uncounted: Option<Instant>,
}

/// Keeps what the last turn knew for the next, with the site and the root of its log.
#[derive(Debug, Clone, Default)]
pub(in super::super) struct Keeper(Arc<Mutex<Option<Known>>>);

impl Keeper {
    /// What is still true of a site with this head.
    pub(super) fn take(&self, site: SiteId, head: HeadRow) -> Known {
        let kept = self.0.lock().unwrap_or_else(PoisonError::into_inner).take();
        let same = |of: SiteId, then: &HeadRow| of == site && then.root == head.root;
        let kept = kept.filter(|kept| matches!(&kept.head, Some((of, then)) if same(*of, then)));
        Known {
            head: Some((site, head)),
            ..kept.unwrap_or_default()
        }
    }

    /// Keeps what a turn knew that is now lasting.
    pub(super) fn keep(&self, mut known: Known) {
        if let Some((site, _)) = known.head {
            known.records.retain(|(of, _), _| *of == site);
            *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(known);
        }
    }
}

impl Known {
    /// The head of a site's log, for whoever has it.
    pub(super) fn head(&self, site: SiteId) -> Option<&HeadRow> {
        let (of, head) = self.head.as_ref()?;
        (*of == site).then_some(head)
    }

    pub(super) fn set_head(&mut self, site: SiteId, head: &HeadRow) {
        self.head = Some((site, head.clone()));
    }

    /// Whether it is known if there is a record, and which.
    pub(super) fn record(&self, site: SiteId, id: Uuid) -> Option<&Option<RecordRow>> {
        self.records.get(&(site, id))
    }

    pub(super) fn set_record(&mut self, site: SiteId, id: Uuid, row: Option<RecordRow>) {
        note(&mut self.records, (site, id), row);
    }

    pub(super) fn forget_record(&mut self, site: SiteId, id: Uuid) {
        self.records.remove(&(site, id));
    }

    pub(super) fn batch(&self, site: SiteId, id: BatchId) -> Option<&BatchRow> {
        self.head(site)?;
        self.batches.get(&id)
    }

    pub(super) fn set_batch(&mut self, site: SiteId, row: &BatchRow) {
        if self.head(site).is_some() {
            note(&mut self.batches, row.id, row.clone());
        }
    }

    pub(super) fn balance(&self, site: SiteId, lot: LotId, at: Place) -> Option<Mass> {
        self.head(site)?;
        self.balances.get(&(lot, at)).copied()
    }

    pub(super) fn set_balance(&mut self, site: SiteId, lot: LotId, at: Place, mass: Mass) {
        if self.head(site).is_some() {
            note(&mut self.balances, (lot, at), mass);
        }
    }

    pub(super) fn receipts(&self, site: SiteId, lot: LotId) -> Option<&Vec<Receipts>> {
        self.head(site)?;
        self.receipts.get(&lot)
    }

    pub(super) fn set_receipts(&mut self, site: SiteId, lot: LotId, rows: &[Receipts]) {
        if self.head(site).is_some() {
            note(&mut self.receipts, lot, rows.to_vec());
        }
    }

    /// Coffee moves: what came of a lot is read again where it is part of that.
    pub(super) fn moves(&mut self, changes: &[Change]) {
        let outside = |place| {
            matches!(
                place,
                Place::Supplier(_) | Place::Blended(_) | Place::Transit(_)
            )
        };
        for change in changes.iter().filter(|change| outside(change.place)) {
            self.receipts.remove(&change.lot);
        }
    }

    pub(super) fn closings(&self, site: SiteId) -> Option<&Vec<ClosingRow>> {
        self.head(site)?;
        self.closings.as_ref()
    }

    pub(super) fn set_closings(&mut self, site: SiteId, rows: &[ClosingRow]) {
        if self.head(site).is_some() {
            self.closings = Some(rows.to_vec());
        }
    }

    pub(super) fn forget_closings(&mut self) {
        self.closings = None;
    }

    /// Whether it is known that no count was frozen from a moment on.
    pub(super) fn is_uncounted(&self, site: SiteId, from: Instant) -> bool {
        let since = self.uncounted.filter(|_| self.head(site).is_some());
        since.is_some_and(|since| since <= from)
    }

    pub(super) fn set_uncounted(&mut self, site: SiteId, from: Instant, rows: &[CountRow]) {
        if rows.is_empty() && self.head(site).is_some() {
            self.uncounted = Some(from);
        }
    }

    pub(super) fn forget_uncounted(&mut self) {
        self.uncounted = None;
    }
}

fn note<K: Eq + Hash, V>(known: &mut HashMap<K, V>, key: K, value: V) {
    if known.len() >= MOST {
        known.clear();
    }
    known.insert(key, value);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn head(root: u8) -> HeadRow {
        HeadRow {
            size: 7,
            recorded_at: Instant::from_ms(0),
            frontier: Vec::new(),
            root: vec![root; 32],
        }
    }

    fn ids() -> [Uuid; 4] {
        [1, 2, 3, 4].map(Uuid::from_u128)
    }

    /// A turn on a site that knew a balance and a record of its own and one of another site.
    fn turn(keeper: &Keeper) -> Known {
        let [ours, theirs, lot, record] = ids();
        let mut known = keeper.take(SiteId(ours), head(1));
        known.set_balance(SiteId(ours), LotId(lot), Place::Air, Mass::MAX);
        known.set_balance(SiteId(theirs), LotId(record), Place::Air, Mass::MAX);
        known.set_record(SiteId(ours), record, None);
        known.set_record(SiteId(theirs), record, None);
        known
    }

    #[test]
    fn the_same_root_means_the_same_book() {
        let [ours, theirs, lot, record] = ids();
        let keeper = Keeper::default();
        keeper.keep(turn(&keeper));
        let known = keeper.take(SiteId(ours), head(1));
        let balance = known.balance(SiteId(ours), LotId(lot), Place::Air);
        assert_eq!(balance, Some(Mass::MAX));
        assert_eq!(known.record(SiteId(ours), record), Some(&None));
        // Another site's log goes on without this one.
        assert_eq!(known.record(SiteId(theirs), record), None);
        assert_eq!(
            known.balance(SiteId(theirs), LotId(record), Place::Air),
            None
        );
        assert_eq!(known.balance(SiteId(ours), LotId(record), Place::Air), None);
    }

    #[test]
    fn another_root_or_site_knows_nothing() {
        let [ours, theirs, lot, record] = ids();
        for (site, root) in [(ours, 2), (theirs, 1)] {
            let keeper = Keeper::default();
            keeper.keep(turn(&keeper));
            let known = keeper.take(SiteId(site), head(root));
            assert_eq!(known.balance(SiteId(site), LotId(lot), Place::Air), None);
            assert_eq!(known.record(SiteId(site), record), None);
        }
    }

    /// A turn that is undone hands nothing on, not even what the one before knew.
    #[test]
    fn what_was_undone_is_not_kept() {
        let [ours, _, lot, _] = ids();
        let keeper = Keeper::default();
        keeper.keep(turn(&keeper));
        drop(turn(&keeper));
        let known = keeper.take(SiteId(ours), head(1));
        assert_eq!(known.balance(SiteId(ours), LotId(lot), Place::Air), None);
    }

    #[test]
    fn without_a_head_nothing_is_known_but_records() {
        let [ours, _, lot, record] = ids();
        let mut known = Known::default();
        known.set_balance(SiteId(ours), LotId(lot), Place::Air, Mass::MAX);
        known.set_record(SiteId(ours), record, None);
        assert_eq!(known.balance(SiteId(ours), LotId(lot), Place::Air), None);
        assert_eq!(known.record(SiteId(ours), record), Some(&None));
    }

    #[test]
    fn it_begins_anew_before_it_grows_without_end() {
        let mut known = HashMap::new();
        for n in 0..MOST + 10 {
            note(&mut known, n, ());
        }
        assert_eq!(known.len(), 10);
        assert!(known.contains_key(&(MOST + 9)));
    }
}
