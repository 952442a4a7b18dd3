//! What lots cost, as the journal tells it: who wrote which bill when, and from which day it counts.

use std::collections::{BTreeMap, HashMap};

use serde_json::Value;
use uuid::Uuid;

use crate::audit::journal::puts;
use crate::book::damaged;
use crate::book::leaf::Entry;
use crate::day::{Day, Instant, Zone};
use crate::ids::{DeliveryId, LotId, SiteId};
use crate::setup::{CostLine, Lot, Record, WriteDown};
use crate::store::{Read, StoreError};

/// A change of what a lot or delivery cost.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Cost {
    /// The day from which it counts.
    day: Day,
    /// The delivery whose lots share it.
    delivery: DeliveryId,
    /// The one lot it is for.
    lot: Option<LotId>,
    /// In the site's currency, minor units.
    minor: i64,
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
    minor: i64,
}

/// All that the journal says of costs up to a place in the log.
#[derive(Debug, Default)]
pub struct Costs {
    bills: Vec<Cost>,
    downs: Vec<Down>,
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

    /// What a lot cost up to the end of a day: its own lines, and its share of what its delivery's lots have in common by what came of
    /// each; its own landed cost where there is no line.
    #[must_use]
    pub fn of(
        &self,
        lot: LotId,
        delivery: DeliveryId,
        came: &BTreeMap<LotId, i64>,
        on: Day,
    ) -> i64 {
        let lines: Vec<&Cost> = self
            .bills
            .iter()
            .filter(|c| c.delivery == delivery && c.lot.is_none_or(|of| of == lot))
            .collect();
        if lines.is_empty() {
            return self.landed_on(lot, on);
        }
        let then = lines.iter().filter(|cost| cost.day <= on);
        let (mut own, mut common) = (0, 0);
        for cost in then {
            if cost.lot.is_some() {
                own += cost.minor;
            } else {
                common += cost.minor;
            }
        }
        own + shared(common, lot, came)
    }

    /// What of a lot is still written down on a day, where `store` tells what was left of it at the end of a day.
    #[must_use]
    pub fn written_down(&self, lot: LotId, on: Day, store: impl Fn(Day) -> i64) -> i64 {
        let then = self.downs.iter().filter(|d| d.lot == lot && d.day <= on);
        let left = i128::from(store(on));
        then.map(|down| {
            let was = i128::from(store(down.of)).max(1);
            let part = i128::from(down.minor) * left.min(was) / was;
            i64::try_from(part).unwrap_or(0)
        })
        .sum()
    }

    /// The days of a lot's write-downs.
    pub fn days_of_downs(&self) -> impl Iterator<Item = (LotId, Day)> {
        self.downs.iter().map(|down| (down.lot, down.of))
    }

    /// What was written down of a lot from a day on up to another, less what was taken back.
    #[must_use]
    pub fn downs_between(&self, lot: LotId, from: Option<Day>, to: Day) -> i64 {
        self.downs
            .iter()
            .filter(|d| d.lot == lot && d.day <= to && from.is_none_or(|from| d.day >= from))
            .map(|d| d.minor)
            .sum()
    }

    fn landed_on(&self, lot: LotId, on: Day) -> i64 {
        let said = self.landed.get(&lot);
        said.into_iter()
            .flatten()
            .rfind(|landed| landed.day <= on)
            .map_or(0, |landed| landed.minor)
    }

    fn add_line(&mut self, entry: &Entry, currency: &str) -> Result<(), StoreError> {
        for (value, sign) in [(&entry.before, -1), (&entry.after, 1)] {
            let Some(line) = read::<CostLine>(value)? else {
                continue;
            };
            let Some(minor) = line.adds(currency) else {
                self.unreadable.push(entry.subject);
                continue;
            };
            self.bills.push(Cost {
                day: counts_from(entry, line.day),
                delivery: line.delivery,
                lot: line.lot,
                minor: sign * minor,
            });
        }
        Ok(())
    }

    fn add_down(&mut self, entry: &Entry) -> Result<(), StoreError> {
        for (value, sign) in [(&entry.before, -1), (&entry.after, 1)] {
            let down = read::<WriteDown>(value)?.filter(|down| !down.retired);
            self.downs.extend(down.map(|down| Down {
                day: counts_from(entry, down.day),
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
                0
            }
            cost => cost.as_ref().map_or(0, |cost| cost.minor),
        };
        let said = self.landed.entry(LotId(entry.subject)).or_default();
        if said.last().map_or(0, |last| last.minor) != minor {
            said.push(Landed { day, minor });
        }
        Ok(())
    }
}

/// A lot's share of what its delivery's lots have in common, to the last minor unit: what rounding leaves goes to the first.
fn shared(common: i64, lot: LotId, came: &BTreeMap<LotId, i64>) -> i64 {
    let all: i128 = came.values().map(|mg| i128::from(*mg)).sum();
    let share = |mg: i64| {
        let exact = i128::from(common) * i128::from(mg);
        i64::try_from(exact.div_euclid(all.max(1))).unwrap_or(0)
    };
    let first = came.keys().next() == Some(&lot);
    let own = came.get(&lot).map_or(0, |mg| share(*mg));
    if all <= 0 {
        return if first { common } else { 0 };
    }
    let left = common - came.values().map(|mg| share(*mg)).sum::<i64>();
    own + if first { left } else { 0 }
}

/// The day from which an entry counts: a closed period takes nothing more.
fn counts_from(entry: &Entry, day: Day) -> Day {
    entry.open_from.map_or(day, |open| open.max(day))
}

fn read<R: Record>(value: &Value) -> Result<Option<R>, StoreError> {
    if value.is_null() {
        return Ok(None);
    }
    serde_json::from_value(value.clone())
        .map(Some)
        .map_err(damaged)
}
