//! Changes that reach back, refits, and the state built again from the rows.

use super::{Learner, Planned};
use crate::loss::filter::{Change, Filter, Row};
use crate::loss::fit;
use crate::loss::settings::{Settings, Spreads};

/// Batches between checkpoints.
const CHECKPOINT: usize = 512;
/// Batches from one refit to the next: a sixteenth of the history while it is young, then a quarter, at most 4,096.
fn batches_to_refit(batches: usize) -> usize {
    if batches < 2048 {
        (batches / 16).max(1)
    } else {
        (batches / 4).min(4096)
    }
}

impl Learner {
    pub(super) fn plan(&mut self, planned: Planned) {
        let place = self.planned.partition_point(|p| p.row <= planned.row);
        self.planned.insert(place, planned);
    }

    /// Plans that the lot's or roaster's effect of a row gets variance before that row.
    pub(super) fn open_at(&mut self, place: usize, lot: bool, variance: f64) {
        let row = &self.rows[place];
        let change = if lot {
            Change::OpenLot {
                delivery: row.delivery,
                lot: row.lot,
                variance,
            }
        } else {
            Change::OpenRoaster {
                roaster: row.roaster,
                variance,
            }
        };
        self.plan(Planned {
            row: place,
            fact: self.folded,
            decision: true,
            change,
        });
    }

    pub(super) fn after_batch(&mut self) {
        let rows = self.rows.len();
        let teaches = self.rows.last().is_some_and(|row| row.counts);
        self.state.teaching += usize::from(teaches);
        let refit = teaches && self.state.teaching == self.state.next_refit;
        if refit {
            self.state.next_refit += batches_to_refit(self.state.teaching);
            self.refit();
        }
        if rows.is_multiple_of(CHECKPOINT) && !refit {
            self.snapshots
                .push_back_mut((rows, self.state.filter.clone()));
        }
        if rows.is_multiple_of(CHECKPOINT) || refit {
            self.keep_checkpoint();
        }
    }

    pub(super) fn refit(&mut self) {
        self.state.fit = self.fitted(self.state.fit.clone(), &self.settings, fit::ENOUGH);
        let estimates: Vec<f64> = self.state.fit.numbers().collect();
        for value in estimates {
            self.digest(value.to_bits());
        }
        self.rebuild(0);
    }

    /// Builds the filter again from the rows, from the last snapshot that a change at `place` leaves valid.
    pub(super) fn rebuild(&mut self, place: usize) {
        let stand = |&(row, _): &(usize, Filter)| place > 0 && row <= place;
        while self.snapshots.last().is_some_and(|last| !stand(last)) {
            self.snapshots.drop_last_mut();
        }
        let (start, mut filter) = self
            .snapshots
            .last()
            .cloned()
            .unwrap_or_else(|| (0, Filter::new(&self.settings)));
        let mut changes = Changes::from(&self.planned, start);
        let spreads = &self.state.fit.spreads;
        for at in start..self.rows.len() {
            if at.is_multiple_of(CHECKPOINT) && at > start {
                self.snapshots.push_back_mut((at, filter.clone()));
            }
            let row = &self.rows[at];
            changes.open(&mut filter, at, row, spreads, &self.settings);
            if self.judged[at].learned {
                let look = filter.look(row);
                let noise_sd = spreads.of_style(row.style);
                filter.learn(
                    row,
                    &look,
                    row.log_yield - look.mean,
                    (noise_sd * noise_sd * row.shares + row.weighing) * self.judged[at].dilution,
                );
            }
        }
        changes.apply(&mut filter, self.rows.len(), false, spreads);
        self.state.filter = filter;
    }
}

/// Walks along the planned changes beside the rows.
pub(in crate::loss) struct Changes<'a> {
    planned: &'a [Planned],
}

impl<'a> Changes<'a> {
    /// The changes from a row on.
    pub fn from(planned: &'a [Planned], row: usize) -> Self {
        Self {
            planned: &planned[planned.partition_point(|p| p.row < row)..],
        }
    }

    fn apply(&mut self, filter: &mut Filter, row: usize, decisions: bool, spreads: &Spreads) {
        while let Some((first, rest)) = self.planned.split_first() {
            if first.row != row || first.decision != decisions {
                break;
            }
            filter.apply(&first.change, spreads);
            self.planned = rest;
        }
    }

    /// Opens a row's effects with the events before it and the decisions at it.
    pub fn open(
        &mut self,
        filter: &mut Filter,
        at: usize,
        row: &Row,
        spreads: &Spreads,
        settings: &Settings,
    ) {
        self.apply(filter, at, false, spreads);
        filter.open(row, spreads, settings);
        self.apply(filter, at, true, spreads);
    }
}
