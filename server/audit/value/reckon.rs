//! What each lot cost at one moment, and where that cost has gone: the one reckoning that the value and what roasted coffee costs go by.
//!
//! A lot bears its own bills, and of those that its delivery's lots have in common a share by what the supplier brought of each. What comes
//! home from another site, or is made up from other lots, brings its cost along and bears nothing of them. A lot for which no bill counts cost
//! what its record says. Coffee of a customer is only roasted: it cost nothing.

use std::collections::{BTreeMap, HashMap, HashSet};

use super::costs::{Billed, Costs};
use super::passed::Passed;
use super::worth::{Gone, Masses, at, into_blends, minor, share};
use crate::day::Day;
use crate::ids::{DeliveryId, LotId};
use crate::refusal::Outcome;
use crate::setup::{Kept, Lot};

/// Blends that went into one another in a circle settle in so many rounds.
const ROUNDS: usize = 64;

/// What one lot's cost has become.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Then {
    /// All that it cost, other lots' green in it included, minor units.
    pub cost: i64,
    /// Of that, what came with other lots' green.
    pub from_others: i64,
    /// Of that, what other sites have taken in.
    pub passed: i64,
    /// The milligrams that the rest is shared by: what came, less what dried and what other sites have taken in.
    pub base: i64,
    /// Green in store, milligrams.
    pub store_mg: i64,
    /// Where the cost has gone.
    pub shares: [i64; 10],
}

/// All that is known of the lots at one moment.
pub struct Moment<'a> {
    /// Their bills.
    pub costs: &'a Costs,
    /// What other sites have taken in of them.
    pub passed: &'a Passed,
    /// The lots, in order of their ids.
    pub lots: &'a [Kept<Lot>],
    /// Their masses at the end of the day.
    pub masses: &'a HashMap<LotId, Masses>,
    /// The day.
    pub day: Day,
    /// The day up to which bills count.
    pub bills_until: Day,
}

impl Moment<'_> {
    /// What the cost of each lot has become.
    ///
    /// # Errors
    /// [`crate::refusal::Refusal::Conflict`] for amounts beyond all measure.
    pub fn all(&self) -> Outcome<HashMap<LotId, Then>> {
        let own = self.own()?;
        let mut given: HashMap<LotId, i64> = HashMap::new();
        let mut done = HashMap::new();
        // A blend's cost is that of the green in it, so the lots in it come first; a blend of blends takes a further round.
        for _ in 0..self.lots.len().max(ROUNDS) {
            done.clear();
            for lot in self.lots.iter().map(|lot| LotId(lot.id)) {
                let own = own.get(&lot).copied().unwrap_or_default();
                let from_others = given.get(&lot).copied().unwrap_or_default();
                done.insert(lot, self.one(lot, own, from_others)?);
            }
            let now = self.given(&done)?;
            if now == given {
                break;
            }
            given = now;
        }
        Ok(done)
    }

    /// The lots of which somebody has said what all of it cost.
    ///
    /// # Errors
    /// As [`Moment::all`].
    pub fn known(&self) -> Outcome<HashSet<LotId>> {
        let own = self.own()?;
        let mut parts: HashMap<LotId, Vec<LotId>> = HashMap::new();
        for (lot, masses) in self.masses {
            for (blend, _) in masses.blends.iter().filter(|(_, mg)| **mg > 0) {
                parts.entry(*blend).or_default().push(*lot);
            }
        }
        let mut known: HashSet<LotId> = HashSet::new();
        loop {
            let before = known.len();
            for (lot, masses) in self.masses {
                let bought = masses.received + masses.arrived > 0;
                let parts = parts.get(lot).into_iter().flatten();
                if (own.contains_key(lot) || !bought)
                    && parts.copied().all(|of| known.contains(&of))
                {
                    known.insert(*lot);
                }
            }
            if known.len() == before {
                return Ok(known);
            }
        }
    }

    fn one(&self, lot: LotId, own: i64, from_others: i64) -> Outcome<Then> {
        let cost = minor(i128::from(own) + i128::from(from_others))?;
        let Some(masses) = self.masses.get(&lot) else {
            return Ok(Then {
                cost,
                from_others,
                ..Then::default()
            });
        };
        let (passed_mg, passed) = self.passed.of(lot, self.day)?;
        let base = masses.base() - passed_mg;
        let rest = minor(i128::from(cost) - i128::from(passed))?;
        let mut green = masses.as_green()?;
        green[at(Gone::Sent)] -= passed_mg;
        let mut shares = share(rest, &green, base)?;
        shares[at(Gone::Sent)] += passed;
        if base <= 0 && passed_mg > 0 {
            // All of it is at other sites: what it cost besides went the same way.
            shares[at(Gone::Sent)] += rest;
        }
        Ok(Then {
            cost,
            from_others,
            passed,
            base,
            store_mg: masses.store(),
            shares,
        })
    }

    /// What each lot cost by itself, other lots' green left out; none where nobody has said.
    fn own(&self) -> Outcome<HashMap<LotId, i64>> {
        let billed = self.costs.billed(self.bills_until);
        let of = |delivery, lot| billed.get(&(delivery, lot)).copied().unwrap_or_default();
        let mut common = HashMap::new();
        for (delivery, weights) in self.weights() {
            common.extend(shared(of(delivery, None).minor, &weights));
        }
        let mut own = HashMap::new();
        for lot in self.lots {
            let (id, delivery) = (LotId(lot.id), lot.fields.delivery);
            let bills: [Billed; 2] = [of(delivery, None), of(delivery, Some(id))];
            let cost = if lot.fields.owned_by.is_some() {
                Some(0)
            } else if bills.iter().all(|bills| bills.bills <= 0) {
                self.costs.said(id, self.day)
            } else {
                let share = common.get(&id).copied().unwrap_or_default();
                Some(minor(bills[1].minor + share)?)
            };
            own.extend(cost.map(|cost| (id, cost)));
        }
        Ok(own)
    }

    /// What the lots of each delivery bear their common bills by: what its supplier brought of each. Of what no supplier brought it is what came
    /// from another site; and where nothing came but green of other lots, that. Customers' own lots bear nothing.
    fn weights(&self) -> HashMap<DeliveryId, BTreeMap<LotId, i64>> {
        let mut lots: HashMap<DeliveryId, Vec<LotId>> = HashMap::new();
        for lot in self.lots.iter().filter(|lot| lot.fields.owned_by.is_none()) {
            let of = lots.entry(lot.fields.delivery).or_default();
            of.push(LotId(lot.id));
        }
        let by = |lots: &[LotId], mass: fn(&Masses) -> i64| -> BTreeMap<LotId, i64> {
            let mass = |lot| self.masses.get(lot).map_or(0, mass).max(0);
            lots.iter().map(|lot| (*lot, mass(lot))).collect()
        };
        let bought = |of: &Masses| {
            if of.received > 0 {
                of.received
            } else {
                of.arrived
            }
        };
        lots.into_iter()
            .map(|(delivery, lots)| {
                let bought = by(&lots, bought);
                if bought.values().any(|mg| *mg > 0) {
                    (delivery, bought)
                } else {
                    (delivery, by(&lots, |of| of.made))
                }
            })
            .collect()
    }

    /// What each blend lot was given by others, at their cost.
    fn given(&self, done: &HashMap<LotId, Then>) -> Outcome<HashMap<LotId, i64>> {
        let mut given: HashMap<LotId, i128> = HashMap::new();
        for (lot, then) in done {
            let Some(masses) = self.masses.get(lot) else {
                continue;
            };
            let all = then.shares[at(Gone::Blended)];
            let unit = (then.cost - then.passed, then.base);
            for (blend, cost) in into_blends(all, unit, &masses.blends)? {
                *given.entry(blend).or_default() += i128::from(cost);
            }
        }
        let given = given.into_iter().filter(|(_, cost)| *cost != 0);
        given.map(|(lot, cost)| Ok((lot, minor(cost)?))).collect()
    }
}

/// What lots have in common by weight, to the last minor unit: what rounding leaves goes to the first, as all of it does before anything came.
fn shared(common: i128, weights: &BTreeMap<LotId, i64>) -> BTreeMap<LotId, i128> {
    let all: i128 = weights.values().map(|mg| i128::from(*mg)).sum();
    let share = |mg: &i64| (common * i128::from(*mg)).div_euclid(all.max(1));
    let mut shares: BTreeMap<LotId, i128> =
        weights.iter().map(|(lot, mg)| (*lot, share(mg))).collect();
    let left = common - shares.values().sum::<i128>();
    if let Some(mut first) = shares.first_entry() {
        *first.get_mut() += left;
    }
    shares
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;
    use uuid::Uuid;

    use super::super::costs::Cost;
    use super::super::passed::Change;
    use super::*;
    use crate::book::leaf::Kind;
    use crate::mass::Mass;
    use crate::store::LotFlow;

    const LOTS: usize = 5;

    fn id(n: usize) -> Uuid {
        Uuid::from_u128(u128::try_from(n).unwrap() + 1)
    }

    fn today() -> Day {
        "2026-11-25".parse().unwrap()
    }

    /// Three lots of one delivery and two of another.
    fn lots() -> Vec<Kept<Lot>> {
        let packing = json!({"kind": "jute", "sacks": 0, "sack_g": 0, "loose_g": 0});
        let lot = |n: usize| {
            Kept {
            id: id(n),
            revision: 1,
            fields: serde_json::from_value(json!({"name": format!("Lot {n}"), "delivery": id(100 + n / 3), "coffee": id(200), "grade": "AA",
                "storeroom": id(300), "expected_g": 0, "packing": packing, "moisture": [], "claims": [], "use_rank": 0}))
            .unwrap(),
        }
        };
        (0..LOTS).map(lot).collect()
    }

    /// Something that happened to a lot.
    type Done = (usize, u8, u16, usize);

    /// Received, dried, roasted, wasted, missing, blended into a later lot, sent, come home.
    fn flows((lot, what, grams, other): Done) -> Vec<LotFlow> {
        let flow = |lot: usize, kind: Kind, (from, from_key), (to, to_key)| LotFlow {
            lot: LotId(id(lot)),
            kind: kind.word().to_owned(),
            from: String::from(from),
            from_key,
            to: String::from(to),
            to_key,
            mass: Mass::from_grams(i64::from(grams) + 1).unwrap(),
        };
        let (store, nil) = (("store", id(300)), Uuid::nil());
        match what {
            0..3 => vec![flow(lot, Kind::Receive, ("supplier", nil), store)],
            3 => vec![flow(lot, Kind::Dry, store, ("air", nil))],
            4 => vec![
                flow(lot, Kind::WeighIn, store, ("batch", nil)),
                flow(lot, Kind::WeighOut, ("batch", nil), ("roasted", nil)),
            ],
            5 => vec![flow(lot, Kind::Waste, store, ("waste", nil))],
            6 => vec![flow(lot, Kind::Count, store, ("variance", nil))],
            7 if other > lot => {
                let into = ("blended", id(other));
                vec![
                    flow(lot, Kind::Blend, store, into),
                    flow(other, Kind::Blend, into, store),
                ]
            }
            8 => vec![flow(lot, Kind::Arrive, ("transit", nil), store)],
            _ => vec![flow(lot, Kind::Dispatch, store, ("transit", nil))],
        }
    }

    proptest! {
        /// What all lots cost is what all bills come to; each lot's cost is somewhere, once; what went into blends is what they were given.
        #[test]
        fn cost_is_neither_made_nor_lost(
            done in prop::collection::vec((0..LOTS, 0_u8..10, any::<u16>(), 0..LOTS), 0..30),
            bills in prop::collection::vec((0..LOTS, any::<bool>(), -1_000_000_i64..10_000_000), 0..8),
            taken in prop::collection::vec((0..LOTS, 0_i64..20_000_000, 0_i64..200_000), 0..4),
        ) {
            let lots = lots();
            let mut by_lot: HashMap<LotId, Vec<LotFlow>> = HashMap::new();
            for flow in done.into_iter().flat_map(flows) {
                by_lot.entry(flow.lot).or_default().push(flow);
            }
            let masses = by_lot.into_iter().map(|(lot, flows)| (lot, Masses::of(lot, &flows))).collect();
            let mut costs = Costs::default();
            costs.bills = bills.iter().map(|(lot, common, minor)| Cost {
                day: today(),
                delivery: lots[*lot].fields.delivery,
                lot: (!common).then_some(LotId(id(*lot))),
                minor: *minor,
                bills: 1,
            }).collect();
            let change = |(lot, mg, minor)| Change { day: today(), lot: LotId(id(lot)), mg, minor };
            let passed = Passed(taken.into_iter().map(change).collect());
            let moment = Moment { costs: &costs, passed: &passed, lots: &lots, masses: &masses, day: today(), bills_until: today() };
            // A few grams of a lot of which tons went through have costs beyond all measure, and are refused.
            let Ok(all) = moment.all() else { return Ok(()) };
            let sum = |of: fn(&Then) -> i64| all.values().map(of).sum::<i64>();
            let billed: i64 = bills.iter().map(|(_, _, minor)| minor).sum();
            prop_assert_eq!(sum(|then| then.cost - then.from_others), billed);
            prop_assert_eq!(sum(|then| then.from_others), sum(|then| then.shares[at(Gone::Blended)]));
            for then in all.values() {
                let shared = then.shares.iter().sum::<i64>();
                prop_assert!(shared == then.cost || (shared == 0 && then.base <= 0));
            }
        }
    }
}
