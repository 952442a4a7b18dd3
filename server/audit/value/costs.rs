//! What lots cost, as the journal tells it: who wrote which bill when, and from which day it counts.

use std::collections::HashMap;

use serde_json::Value;
use uuid::Uuid;

use super::worth::minor;
use crate::audit::journal::puts;
use crate::book::damaged;
use crate::book::leaf::Entry;
use crate::day::{Day, Instant, Zone};
use crate::ids::{DeliveryId, LotId, SiteId};
use crate::refusal::Outcome;
use crate::setup::{CostLine, Lot, Record, WriteDown};
use crate::store::{Read, StoreError};

/// A change of what a lot or delivery cost.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Cost {
    /// The day from which it counts.
    pub day: Day,
    /// The delivery whose lots share it.
    pub delivery: DeliveryId,
    /// The one lot it is for.
    pub lot: Option<LotId>,
    /// In the site's currency, minor units.
    pub minor: i64,
    /// How many bills more count: one less where one was changed, for what it was before.
    pub bills: i64,
}

/// The bills that count for a lot alone, or for a delivery's lots in common.
#[derive(Debug, Clone, Copy, Default)]
pub struct Billed {
    /// How many count.
    pub bills: i64,
    /// What they come to, minor units.
    pub minor: i128,
}

/// A change of what was written down.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Down {
    /// The day from which it counts.
    day: Day,
    /// The day of the write-down, whose green it is about.
    of: Day,
    lot: LotId,
    minor: i64,
}

/// A lot's own landed cost from a day on.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Landed {
    day: Day,
    minor: Option<i64>,
}

/// All that the journal says of costs up to a place in the log.
#[derive(Debug, Default)]
pub struct Costs {
    pub(super) bills: Vec<Cost>,
    downs: Vec<Down>,
    /// From which day each bill and write-down counts as it was written last.
    since: HashMap<Uuid, Day>,
    landed: HashMap<LotId, Vec<Landed>>,
    /// Bills and lots whose cost is in another currency than the books, and without a rate.
    pub unreadable: Vec<Uuid>,
}

impl Costs {
    /// Reads them as the first `known` leaves say.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn read(
        tx: &mut dyn Read,
        site: SiteId,
        zone: Zone,
        currency: &str,
        known: Option<i64>,
    ) -> Result<Self, StoreError> {
        let mut costs = Self::default();
        for entry in puts(tx, site, CostLine::KIND, known).await? {
            costs.add_line(&entry, currency)?;
        }
        for entry in puts(tx, site, WriteDown::KIND, known).await? {
            costs.add_down(&entry)?;
        }
        for entry in puts(tx, site, Lot::KIND, known).await? {
            let day = zone.day(Instant::from_ms(entry.head.recorded_at));
            costs.add_landed(&entry, day, currency)?;
        }
        Ok(costs)
    }

    /// The bills that count up to the end of a day, by the delivery and the one lot they are for.
    #[must_use]
    pub fn billed(&self, on: Day) -> HashMap<(DeliveryId, Option<LotId>), Billed> {
        let mut billed: HashMap<_, Billed> = HashMap::new();
        for bill in self.bills.iter().filter(|bill| bill.day <= on) {
            let of = billed.entry((bill.delivery, bill.lot)).or_default();
            of.bills += bill.bills;
            of.minor += i128::from(bill.minor);
        }
        billed
    }

    /// What of a lot is still written down on a day, where `store` tells what was left of it at the end of a day.
    ///
    /// # Errors
    /// [`crate::refusal::Refusal::Conflict`] beyond all measure.
    pub fn written_down(&self, lot: LotId, on: Day, store: impl Fn(Day) -> i64) -> Outcome<i64> {
        let then = self.downs.iter().filter(|d| d.lot == lot && d.day <= on);
        let left = i128::from(store(on));
        let parts = then.map(|down| {
            let was = i128::from(store(down.of)).max(1);
            i128::from(down.minor) * left.clamp(0, was) / was
        });
        minor(parts.sum())
    }

    /// The days of write-downs.
    pub fn days_of_downs(&self) -> impl Iterator<Item = Day> {
        self.downs.iter().map(|down| down.of)
    }

    /// What was written down of a lot from a day on up to another, less what was taken back.
    ///
    /// # Errors
    /// [`crate::refusal::Refusal::Conflict`] beyond all measure.
    pub fn downs_between(&self, lot: LotId, from: Option<Day>, to: Day) -> Outcome<i64> {
        let downs = self
            .downs
            .iter()
            .filter(|d| d.lot == lot && d.day <= to && from.is_none_or(|from| d.day >= from));
        minor(downs.map(|d| i128::from(d.minor)).sum())
    }

    /// What a lot's record said on a day that all of it cost.
    #[must_use]
    pub fn said(&self, lot: LotId, on: Day) -> Option<i64> {
        let said = self.landed.get(&lot)?;
        said.iter().rfind(|landed| landed.day <= on)?.minor
    }

    /// From which day an entry's record counts as it was before, and from which as it is now: a closed period takes nothing more, and what was
    /// counted is taken off from no earlier day than the one from which it was.
    fn days(&mut self, entry: &Entry, day: Day) -> (Day, Day) {
        let open = |day: Day| entry.open_from.map_or(day, |open| open.max(day));
        let now = open(day);
        let before = self.since.insert(entry.subject, now).unwrap_or(now);
        (open(before), now)
    }

    fn add_line(&mut self, entry: &Entry, currency: &str) -> Result<(), StoreError> {
        let (before, after) = (read(&entry.before)?, read::<CostLine>(&entry.after)?);
        let Some(day) = after.as_ref().map(|line| line.day) else {
            return Ok(());
        };
        let (off, on) = self.days(entry, day);
        for (line, day, sign) in [(before, off, -1), (after, on, 1)] {
            let Some(line) = line else {
                continue;
            };
            let Some(minor) = line.adds(currency) else {
                self.unreadable.push(entry.subject);
                continue;
            };
            self.bills.push(Cost {
                day,
                delivery: line.delivery,
                lot: line.lot,
                minor: sign * minor,
                bills: if line.retired { 0 } else { sign },
            });
        }
        Ok(())
    }

    fn add_down(&mut self, entry: &Entry) -> Result<(), StoreError> {
        let (before, after) = (read(&entry.before)?, read::<WriteDown>(&entry.after)?);
        let Some(day) = after.as_ref().map(|down| down.day) else {
            return Ok(());
        };
        let (off, on) = self.days(entry, day);
        for (down, day, sign) in [(before, off, -1), (after, on, 1)] {
            let down = down.filter(|down| !down.retired);
            self.downs.extend(down.map(|down| Down {
                day,
                of: down.day,
                lot: down.lot,
                minor: sign * down.amount.minor,
            }));
        }
        Ok(())
    }

    fn add_landed(&mut self, entry: &Entry, day: Day, currency: &str) -> Result<(), StoreError> {
        let Some(lot) = read::<Lot>(&entry.after)? else {
            return Ok(());
        };
        let minor = match &lot.landed_cost {
            Some(cost) if cost.currency != currency => {
                self.unreadable.push(entry.subject);
                None
            }
            cost => cost.as_ref().map(|cost| cost.minor),
        };
        let said = self.landed.entry(LotId(entry.subject)).or_default();
        if said.last().and_then(|last| last.minor) != minor {
            said.push(Landed { day, minor });
        }
        Ok(())
    }
}

pub(super) fn read<R: Record>(value: &Value) -> Result<Option<R>, StoreError> {
    if value.is_null() {
        return Ok(None);
    }
    serde_json::from_value(value.clone())
        .map(Some)
        .map_err(damaged)
}
