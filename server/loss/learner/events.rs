//! What happened besides batches: readings of moisture, adjusted scales, closed notices, lots used up.

use super::{Planned, Reading, entry};
use crate::loss::drift::{Standing, Watch};
use crate::loss::filter::Change;
use crate::loss::history::{self, Channel, Happening};
use crate::loss::learner::Learner;
use crate::loss::moisture;

impl Learner {
    pub(super) fn fold_event(&mut self, id: &str, minute: i64, what: &Happening) {
        for byte in id.bytes() {
            self.digest(u64::from(byte));
        }
        match what {
            Happening::Moisture { lot, reading, sd } => self.fold_reading(
                lot,
                Reading {
                    value: *reading,
                    sd: *sd,
                    minute,
                },
            ),
            Happening::ScaleAdjusted { roaster } | Happening::RoasterChanged { roaster } => {
                let roaster = self.names.roasters.number(roaster);
                entry(&mut self.state.roasters, roaster).watch = Watch::default();
                let variance = self.settings.event_sd * self.settings.event_sd;
                self.change_now(Change::OpenRoaster { roaster, variance });
            }
            Happening::NoticeClosed { channel, changed } => self.close_notice(channel, *changed),
            Happening::LotLeft { lot, with_delivery } => {
                let lot = self.names.lots.number(lot);
                let known = entry(&mut self.state.lots, lot);
                known.watch = Watch::default();
                if let Some(delivery) = known.delivery.take() {
                    self.change_now(Change::Leave {
                        delivery,
                        lot,
                        with_delivery: *with_delivery,
                    });
                }
            }
        }
        self.folded += 1;
    }

    /// Applies a change at this place, and plans it for every rebuild.
    pub(super) fn change_now(&mut self, change: Change) {
        self.state.filter.apply(&change, &self.state.fit.spreads);
        let row = self.rows.len();
        self.plan(Planned {
            row,
            fact: self.folded,
            decision: false,
            change,
        });
    }

    pub(super) fn fold_reading(&mut self, id: &str, reading: Reading) {
        let lot = self.names.lots.number(id);
        let known = entry(&mut self.state.lots, lot);
        let before = known.reading.replace(reading);
        let (Some(delivery), Some(received)) = (known.delivery, known.received) else {
            return;
        };
        let before_offset = moisture::offset(&self.settings, before.map(|r| (r.value, r.sd)));
        let since = before.map_or(received, |r| r.minute.max(received));
        let after = moisture::offset(&self.settings, Some((reading.value, reading.sd)));
        let dry = 1.0 - reading.value;
        self.change_now(Change::Remeasured {
            delivery,
            lot,
            before: before_offset,
            after: after.mean,
            age: history::days(since, reading.minute) / 30.0,
            reading: libm::log(dry),
            reading_variance: reading.sd * reading.sd / (dry * dry),
        });
    }

    pub(super) fn close_notice(&mut self, channel: &Channel, changed: bool) {
        let Some(place) = self
            .state
            .notices
            .iter()
            .rposition(|n| &n.channel == channel && n.waits())
        else {
            return;
        };
        let notice = &mut self.state.notices[place];
        let follow = changed && notice.standing != Standing::Followed;
        notice.standing = Standing::Closed;
        let (since, size) = (notice.since_place, notice.size);
        match channel {
            Channel::Lot(id) => {
                entry(&mut self.state.lots, self.names.lots.number(id)).watch = Watch::default();
            }
            Channel::Roaster(id) => {
                entry(&mut self.state.roasters, self.names.roasters.number(id)).watch =
                    Watch::default();
            }
        }
        if follow && since < self.rows.len() {
            self.open_at(since, matches!(channel, Channel::Lot(_)), size * size);
            self.rebuild(since);
        }
    }
}
