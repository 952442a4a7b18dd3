//! What other sites have taken in of what this one sent. From then on it is worth what the bill there says, and what is left here bears the
//! rest: a bill that comes later, drying and another receipt of the lot are about what is left.

use std::collections::HashMap;

use serde::Deserialize;
use uuid::Uuid;

use super::costs::read;
use super::worth::minor;
use crate::audit::journal::puts;
use crate::book::damaged;
use crate::day::{Day, Instant, Zone};
use crate::ids::{LotId, SiteId};
use crate::refusal::{Confirm, Outcome};
use crate::setup::{self, CostLine, Record};
use crate::store::{Read, StoreError};

/// A change of what was taken in: of its mass, or of its bill.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Change {
    /// The day on which the other site wrote it, which no period here has closed yet.
    pub day: Day,
    /// The sender's lot.
    pub lot: LotId,
    pub mg: i64,
    pub minor: i64,
}

/// All that other sites have taken in.
#[derive(Debug, Default)]
pub struct Passed(pub(super) Vec<Change>);

/// What an arrival says of its cost.
#[derive(Deserialize)]
struct Facts {
    bill: Option<Uuid>,
    #[serde(default)]
    confirmed: Vec<Confirm>,
}

impl Passed {
    /// Reads it, as it was before a moment; all of it unless that is said.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn read(
        tx: &mut dyn Read,
        site: SiteId,
        zone: Zone,
        before: Option<Instant>,
    ) -> Result<Self, StoreError> {
        let known = |at: Instant| before.is_none_or(|before| at < before);
        let mut passed = Self::default();
        let mut bills: HashMap<SiteId, HashMap<Uuid, LotId>> = HashMap::new();
        for taken in tx.taken_in(site).await? {
            let facts: Facts = serde_json::from_str(&taken.facts).map_err(damaged)?;
            // Somebody there enters what it cost here, so that it goes on costing that.
            let by_hand = facts.bill.is_none() && facts.confirmed.contains(&Confirm::CostUnknown);
            if by_hand || !known(taken.recorded_at) {
                continue;
            }
            passed.0.push(Change {
                day: zone.day(taken.recorded_at),
                lot: taken.lot,
                mg: taken.mass.mg(),
                minor: 0,
            });
            let there = bills.entry(taken.by).or_default();
            there.extend(facts.bill.map(|bill| (bill, taken.lot)));
        }
        for (there, bills) in bills {
            passed.add_bills(tx, (there, &bills), zone, known).await?;
        }
        Ok(passed)
    }

    async fn add_bills(
        &mut self,
        tx: &mut dyn Read,
        (there, bills): (SiteId, &HashMap<Uuid, LotId>),
        zone: Zone,
        known: impl Fn(Instant) -> bool,
    ) -> Result<(), StoreError> {
        let currency = setup::site(tx, there).await?.fields.currency;
        for entry in puts(tx, there, CostLine::KIND, None).await? {
            let at = Instant::from_ms(entry.head.recorded_at);
            let Some(lot) = bills.get(&entry.subject).filter(|_| known(at)) else {
                continue;
            };
            for (line, sign) in [(&entry.before, -1), (&entry.after, 1)] {
                let line = read::<CostLine>(line)?;
                let adds = line.and_then(|line| line.adds(&currency));
                self.0.extend(adds.map(|minor| Change {
                    day: zone.day(at),
                    lot: *lot,
                    mg: 0,
                    minor: sign * minor,
                }));
            }
        }
        Ok(())
    }

    /// How many milligrams of a lot others had taken in by the end of a day, and what they were worth, minor units.
    ///
    /// # Errors
    /// [`crate::refusal::Refusal::Conflict`] beyond all measure.
    pub fn of(&self, lot: LotId, on: Day) -> Outcome<(i64, i64)> {
        let then = self.0.iter().filter(|one| one.lot == lot && one.day <= on);
        let (mut mg, mut worth) = (0, 0);
        for change in then {
            mg += change.mg;
            worth += i128::from(change.minor);
        }
        Ok((mg, minor(worth)?))
    }
}
