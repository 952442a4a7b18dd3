//! What a lot's cost has become: green in store, coffee under way, coffee sold, and what was lost. Pure: masses and money in, money out.
//!
//! Every gram of a lot carries the same cost (specific identification of the lot, IAS 2.23), shared by the mass that was there to be
//! roasted: what came, less what dried, which is a normal loss and stays in the cost of the rest (IAS 2.12 and 2.16). Roasting loss is
//! normal too: roasted coffee carries the cost of the green that went into it. What was scrapped, spilled or is missing is expense.
//!
//! ```text
//!     value of green in store = cost x store / (received + blended in - dried)
//! ```
//!
//! It follows that a cost line that comes late is split between the green that is left and the coffee that has been used.

use std::collections::BTreeMap;

use crate::book::leaf::Kind;
use crate::ids::LotId;
use crate::mass::MassRange;
use crate::money::{MOST, half_even};
use crate::refusal::{Outcome, Refusal};
use crate::store::LotFlow;

/// An amount that was reckoned, in minor units.
///
/// # Errors
/// [`Refusal::Conflict`] beyond 2^53: such an amount is a bill with digits too many.
pub fn minor(exact: i128) -> Outcome<i64> {
    i64::try_from(exact)
        .ok()
        .filter(|minor| (-MOST..=MOST).contains(minor))
        .ok_or_else(|| {
            Refusal::conflict(format!(
                "the amounts come to more than can be reckoned, which is {MOST} of the smallest unit: look for a bill with digits too many"
            ))
        })
}

fn milligrams(exact: i128) -> Outcome<i64> {
    i64::try_from(exact).map_err(|_| MassRange.into())
}

/// Where cost can have gone, in the order in which coffee goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Gone {
    /// Green in storerooms.
    Store,
    /// Green weighed in.
    Batch,
    /// Roasted, not yet in bags.
    Roasted,
    /// In bags.
    Packed,
    /// Sold.
    Shipped,
    /// Samples.
    Sample,
    /// Spilled, scrapped, swept up.
    Waste,
    /// Missing by count, less found.
    Variance,
    /// Into blend lots.
    Blended,
    /// Sent to other sites.
    Sent,
}

/// All of them.
pub const ALL: [Gone; 10] = [
    Gone::Store,
    Gone::Batch,
    Gone::Roasted,
    Gone::Packed,
    Gone::Shipped,
    Gone::Sample,
    Gone::Waste,
    Gone::Variance,
    Gone::Blended,
    Gone::Sent,
];

/// The masses of one lot up to a day, in milligrams. Those of roasted coffee are as roasted.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Masses {
    /// Received from a supplier less returned.
    pub received: i64,
    /// Taken in from other sites.
    pub arrived: i64,
    /// Made up from other lots.
    pub made: i64,
    /// Dried in the store.
    pub dried: i64,
    /// Green where it has gone, roasted coffee left out.
    green: [i64; 10],
    /// Roasted coffee where it has gone.
    roasted: [i64; 10],
    /// Lost in roasting.
    roasting_loss: i64,
    /// What went into each blend lot.
    pub blends: BTreeMap<LotId, i64>,
}

impl Masses {
    /// The masses of a lot's flows.
    #[must_use]
    pub fn of(lot: LotId, flows: &[LotFlow]) -> Self {
        let mut masses = Self::default();
        for flow in flows {
            masses.add(lot, flow);
        }
        masses
    }

    fn add(&mut self, lot: LotId, flow: &LotFlow) {
        let mg = flow.mass.mg();
        match (flow.from.as_str(), flow.to.as_str()) {
            ("store", "store") => {}
            ("store", other) => {
                self.green[at(Gone::Store)] -= mg;
                self.leave_store(lot, flow, other, mg);
            }
            (other, "store") => {
                self.green[at(Gone::Store)] += mg;
                self.leave_store(lot, flow, other, -mg);
            }
            (from, to) => {
                self.pass(from, to, mg);
            }
        }
    }

    /// Green left the store for a place, or came back from it where negative.
    fn leave_store(&mut self, lot: LotId, flow: &LotFlow, other: &str, mg: i64) {
        let key = if flow.from == "store" {
            flow.to_key
        } else {
            flow.from_key
        };
        match other {
            "supplier" => self.received -= mg,
            "blended" if key == lot.0 => self.made -= mg,
            "blended" => {
                self.green[at(Gone::Blended)] += mg;
                *self.blends.entry(LotId(key)).or_default() += mg;
            }
            "batch" => self.green[at(Gone::Batch)] += mg,
            "sample" => self.green[at(Gone::Sample)] += mg,
            "waste" => self.green[at(Gone::Waste)] += mg,
            "variance" => self.green[at(Gone::Variance)] += mg,
            "transit" if flow.kind == Kind::Arrive.word() => self.arrived -= mg,
            "transit" => self.green[at(Gone::Sent)] += mg,
            // A correction takes green straight to where its batch's coffee has gone on to.
            "air" if flow.kind == Kind::Correct.word() => self.roasting_loss += mg,
            "air" => self.dried += mg,
            "roasted" => self.roasted[at(Gone::Roasted)] += mg,
            "packed" => self.roasted[at(Gone::Packed)] += mg,
            "shipped" => self.roasted[at(Gone::Shipped)] += mg,
            _ => {}
        }
    }

    /// Coffee went on from one place to another, storerooms left out.
    fn pass(&mut self, from: &str, to: &str, mg: i64) {
        match (from, to) {
            ("batch", "air") => self.roasting_loss += mg,
            ("air", "batch") => self.roasting_loss -= mg,
            ("batch", "roasted") => self.roasted[at(Gone::Roasted)] += mg,
            ("roasted", "batch") => self.roasted[at(Gone::Roasted)] -= mg,
            ("batch", other) => self.green[gone(other)] += mg,
            (other, "batch") => self.green[gone(other)] -= mg,
            // A correction changes what a batch lost after its coffee has gone on.
            ("air", other) => {
                self.roasting_loss -= mg;
                self.roasted[gone(other)] += mg;
                return;
            }
            (other, "air") => {
                self.roasting_loss += mg;
                self.roasted[gone(other)] -= mg;
                return;
            }
            _ => {
                self.roasted[gone(from)] -= mg;
                self.roasted[gone(to)] += mg;
                return;
            }
        }
        if from == "batch" {
            self.green[at(Gone::Batch)] -= mg;
        } else {
            self.green[at(Gone::Batch)] += mg;
        }
    }

    /// Green in store, in milligrams.
    #[must_use]
    pub fn store(&self) -> i64 {
        self.green[at(Gone::Store)]
    }

    /// What was there to be roasted: what came less what dried.
    #[must_use]
    pub fn base(&self) -> i64 {
        self.received + self.arrived + self.made - self.dried
    }

    /// The mass at each of them, as green: roasted coffee as the green that went into it. They sum to the base.
    ///
    /// # Errors
    /// [`Refusal::Invalid`] beyond all measure.
    pub fn as_green(&self) -> Outcome<[i64; 10]> {
        let out: i64 = self.roasted.iter().sum();
        let into = out + self.roasting_loss;
        let mut shares = self.green;
        if out <= 0 {
            // Nothing roasted is left: what it lost is waste.
            shares[at(Gone::Waste)] += into;
            return Ok(shares);
        }
        let mut left = into;
        let mut largest = at(Gone::Shipped);
        for gone in ALL.map(at) {
            let exact = i128::from(self.roasted[gone]) * i128::from(into);
            let share = milligrams(half_even(exact, i128::from(out)))?;
            shares[gone] += share;
            left -= share;
            if self.roasted[gone].abs() > self.roasted[largest].abs() {
                largest = gone;
            }
        }
        shares[largest] += left;
        Ok(shares)
    }
}

/// Its place among all.
pub(super) fn at(gone: Gone) -> usize {
    ALL.iter().position(|one| *one == gone).unwrap_or(0)
}

/// Where coffee at a place is counted.
fn gone(place: &str) -> usize {
    at(match place {
        "roasted" => Gone::Roasted,
        "packed" => Gone::Packed,
        "shipped" => Gone::Shipped,
        "sample" => Gone::Sample,
        "waste" => Gone::Waste,
        _ => Gone::Variance,
    })
}

/// A cost shared by masses that sum to `base`, to the last minor unit: what rounding leaves goes where most is.
///
/// # Errors
/// [`Refusal::Conflict`] beyond all measure.
pub fn share(cost: i64, masses: &[i64; 10], base: i64) -> Outcome<[i64; 10]> {
    let mut shares = [0; 10];
    if base <= 0 {
        return Ok(shares);
    }
    for (share, mass) in shares.iter_mut().zip(masses) {
        *share = part(cost, *mass, base)?;
    }
    let largest = (0..10).max_by_key(|i| masses[*i]).unwrap_or(0);
    shares[largest] += cost - shares.iter().sum::<i64>();
    Ok(shares)
}

/// A part of a cost by mass, to the nearest minor unit, for a whole of more than nothing.
///
/// # Errors
/// [`Refusal::Conflict`] beyond all measure.
pub fn part(cost: i64, mass: i64, whole: i64) -> Outcome<i64> {
    let exact = i128::from(cost) * i128::from(mass);
    minor(half_even(exact, i128::from(whole)))
}

/// What of a lot's cost went into each blend lot, so that together it is all that went into blends: what rounding leaves goes with the most.
///
/// # Errors
/// [`Refusal::Conflict`] beyond all measure.
pub fn into_blends(
    all: i64,
    (cost, base): (i64, i64),
    blends: &BTreeMap<LotId, i64>,
) -> Outcome<BTreeMap<LotId, i64>> {
    if base <= 0 {
        return Ok(BTreeMap::new());
    }
    let mut parts = BTreeMap::new();
    for (blend, mass) in blends {
        parts.insert(*blend, part(cost, *mass, base)?);
    }
    let left = all - parts.values().sum::<i64>();
    let most = blends.iter().max_by_key(|(_, mass)| mass.abs());
    if let Some(part) = most.and_then(|(blend, _)| parts.get_mut(blend)) {
        *part += left;
    }
    Ok(parts)
}

/// What is at one of them.
#[must_use]
pub fn of(shares: &[i64; 10], gone: Gone) -> i64 {
    shares[at(gone)]
}

/// Green of one coffee lot by lot, oldest first: its cost, what was there to be roasted and what is left, in minor units and milligrams.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Layer {
    /// Cost of all of it.
    pub cost: i64,
    /// What was there to be roasted.
    pub base: i64,
    /// What is left in store.
    pub store: i64,
}

/// The value of what is left of a coffee at the weighted average of its lots (IAS 2.27).
///
/// # Errors
/// [`Refusal::Conflict`] beyond all measure.
pub fn weighted_average(layers: &[Layer]) -> Outcome<i64> {
    let cost: i128 = layers.iter().map(|l| i128::from(l.cost)).sum();
    let base: i128 = layers.iter().map(|l| i128::from(l.base)).sum();
    let store: i128 = layers.iter().map(|l| i128::from(l.store)).sum();
    if base <= 0 {
        return Ok(0);
    }
    minor(half_even(i128::from(minor(cost)?) * store, base))
}

/// The value of what is left of a coffee when what came first is taken to be used first (IAS 2.27).
///
/// # Errors
/// [`Refusal::Conflict`] beyond all measure.
pub fn first_in_first_out(layers: &[Layer]) -> Outcome<i64> {
    let mut left: i64 = layers.iter().map(|l| l.store).sum();
    let mut value = 0;
    for layer in layers.iter().rev().filter(|layer| layer.base > 0) {
        let mass = left.clamp(0, layer.base);
        value += i128::from(part(layer.cost, mass, layer.base)?);
        left -= mass;
    }
    minor(value)
}

#[cfg(test)]
mod tests {
    use uuid::Uuid;

    use super::*;
    use crate::mass::Mass;

    fn flow(kind: Kind, from: &str, to: &str, grams: i64) -> LotFlow {
        LotFlow {
            lot: LotId(Uuid::nil()),
            kind: kind.word().to_owned(),
            from: from.to_owned(),
            from_key: Uuid::nil(),
            to: to.to_owned(),
            to_key: Uuid::nil(),
            mass: Mass::from_grams(grams).unwrap(),
        }
    }

    /// Worked by hand: 1,000 kg at 6,000.00; 200 kg roasted to 170 kg of which 100 kg are sold; 10 kg spilled; 5 kg missing.
    #[test]
    fn roasting_loss_stays_in_the_cost() {
        let flows = [
            flow(Kind::Receive, "supplier", "store", 1_000_000),
            flow(Kind::WeighIn, "store", "batch", 200_000),
            flow(Kind::WeighOut, "batch", "roasted", 170_000),
            flow(Kind::WeighOut, "batch", "air", 30_000),
            flow(Kind::Pack, "roasted", "packed", 100_000),
            flow(Kind::Ship, "packed", "shipped", 100_000),
            flow(Kind::Waste, "store", "waste", 10_000),
            flow(Kind::Count, "store", "variance", 5_000),
        ];
        let masses = Masses::of(LotId(Uuid::nil()), &flows);
        assert_eq!(masses.base(), 1_000_000_000);
        let green = masses.as_green().unwrap();
        assert_eq!(green.iter().sum::<i64>(), masses.base());
        let value = share(600_000, &green, masses.base()).unwrap();
        assert_eq!(value.iter().sum::<i64>(), 600_000);
        assert_eq!(of(&value, Gone::Store), 471_000);
        // 200 kg of green cost 1,200.00: 100 of 170 kg of it sold.
        assert_eq!(of(&value, Gone::Shipped), 70_588);
        assert_eq!(of(&value, Gone::Roasted), 49_412);
        assert_eq!(
            (of(&value, Gone::Waste), of(&value, Gone::Variance)),
            (6_000, 3_000)
        );
    }

    /// What dries makes the rest dearer and is no expense.
    #[test]
    fn drying_stays_in_the_cost() {
        let flows = [
            flow(Kind::Receive, "supplier", "store", 1_000),
            flow(Kind::Dry, "store", "air", 20),
        ];
        let masses = Masses::of(LotId(Uuid::nil()), &flows);
        let green = masses.as_green().unwrap();
        let value = share(98_000, &green, masses.base()).unwrap();
        assert_eq!(of(&value, Gone::Store), 98_000);
    }

    /// A scrapped batch is expense as green; one whose roasted coffee is all thrown away, with what it lost.
    #[test]
    fn scrap_is_expense() {
        let mut flows = vec![
            flow(Kind::Receive, "supplier", "store", 100_000),
            flow(Kind::WeighIn, "store", "batch", 20_000),
            flow(Kind::Scrap, "batch", "waste", 10_000),
            flow(Kind::WeighOut, "batch", "roasted", 8_500),
            flow(Kind::WeighOut, "batch", "air", 1_500),
        ];
        let of_flows = |flows: &[LotFlow]| {
            let masses = Masses::of(LotId(Uuid::nil()), flows);
            let green = masses.as_green().unwrap();
            assert_eq!(green.iter().sum::<i64>(), masses.base());
            share(100_000, &green, masses.base()).unwrap()
        };
        let value = of_flows(&flows);
        assert_eq!(
            (of(&value, Gone::Waste), of(&value, Gone::Roasted)),
            (10_000, 10_000)
        );
        flows.push(flow(Kind::Scrap, "roasted", "waste", 8_500));
        let value = of_flows(&flows);
        assert_eq!(
            (of(&value, Gone::Waste), of(&value, Gone::Roasted)),
            (20_000, 0)
        );
    }

    /// Two lots, 100 kg at 500.00 and 100 kg at 700.00, 120 kg left: at the average 720.00; first in first out 100 at 7.00 and 20 at 5.00.
    #[test]
    fn average_and_first_in_first_out() {
        let layer = |cost, store| Layer {
            cost,
            base: 100_000_000,
            store,
        };
        let layers = [layer(50_000, 50_000_000), layer(70_000, 70_000_000)];
        let both = |layers: &[Layer]| {
            let average = weighted_average(layers).unwrap();
            (average, first_in_first_out(layers).unwrap())
        };
        assert_eq!((both(&layers), both(&[])), ((72_000, 80_000), (0, 0)));
    }

    /// What cannot be said is not said to be nothing.
    #[test]
    fn an_amount_beyond_measure_is_refused() {
        assert_eq!(
            minor(-9_007_199_254_740_991).unwrap(),
            -9_007_199_254_740_991
        );
        assert!(minor(9_007_199_254_740_992).is_err());
        assert!(part(i64::MAX, 2, 1).is_err());
        let layer = Layer {
            cost: 9_000_000_000_000_000,
            base: 1,
            store: 1,
        };
        assert!(weighted_average(&[layer, layer]).is_err());
        assert!(first_in_first_out(&[layer, layer]).is_err());
    }
}
