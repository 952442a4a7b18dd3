//! Roasted coffee that may be bagged, batch by batch and run by run.
//!
//! The batches of one lot and style on one roaster and day are a **run**: they share a bin. Whoever takes from the bin takes of each batch in
//! proportion to what is left of it, so that a recall of one batch takes in every bag that holds some of it.

use std::collections::{HashMap, HashSet};

use crate::book::place::Place;
use crate::day::Day;
use crate::floor::batch::State;
use crate::ids::{BatchId, CoffeeId, LotId, RoasterId, SiteId, StyleId};
use crate::mass::Mass;
use crate::setup::{self, Delivery, Lot};
use crate::store::{BatchRow, Read, Standing, StoreError};

/// Roasted coffee of a batch, not yet bagged and not on hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Roasted {
    /// The batch.
    pub batch: BatchId,
    /// Its lot.
    pub lot: LotId,
    /// Its coffee.
    pub coffee: CoffeeId,
    /// Its style.
    pub style: StyleId,
    /// Its roaster.
    pub roaster: RoasterId,
    /// When it was roasted.
    pub day: Day,
    /// How much is left of it.
    pub mass: Mass,
}

impl Roasted {
    /// Whether two batches share a bin.
    #[must_use]
    pub fn shares_bin(&self, other: &Self) -> bool {
        let bin = |of: &Self| (of.day, of.lot, of.style, of.roaster);
        bin(self) == bin(other)
    }
}

/// The batches that share a bin; at least one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Run {
    /// Its batches, in order of their ids.
    pub batches: Vec<Roasted>,
}

impl Run {
    /// What lies in the bin.
    #[must_use]
    pub fn mass(&self) -> Mass {
        let masses = self.batches.iter().map(|batch| batch.mass);
        Mass::sum(masses).unwrap_or(Mass::MAX)
    }

    /// Its first batch, which says lot, style, roaster and day.
    #[must_use]
    pub fn first(&self) -> &Roasted {
        &self.batches[0]
    }

    /// Each batch's share of what is taken from the bin, to the milligram: never more than is left of it where no more is taken than lies
    /// there.
    #[must_use]
    pub fn shares(&self, taken: Mass) -> Vec<(BatchId, Mass)> {
        let left: Vec<Mass> = self.batches.iter().map(|batch| batch.mass).collect();
        let ids = self.batches.iter().map(|batch| batch.batch);
        ids.zip(taken.split(&left)).collect()
    }
}

/// Roasted coffee bin by bin, in the order of each bin's first batch.
#[must_use]
pub fn runs(stock: &[Roasted]) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    for roasted in stock {
        match runs.iter_mut().find(|run| run.first().shares_bin(roasted)) {
            Some(run) => run.batches.push(*roasted),
            None => runs.push(Run {
                batches: vec![*roasted],
            }),
        }
    }
    runs
}

/// All roasted coffee that may be bagged: not of a batch or a delivery that is on hold. Oldest first.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn roasted(tx: &mut dyn Read, site: SiteId) -> Result<Vec<Roasted>, StoreError> {
    let stock = all(tx, site).await?;
    let free = stock.into_iter().filter(|(_, held)| !held);
    Ok(free.map(|(roasted, _)| roasted).collect())
}

/// All roasted coffee, and whether its batch or delivery is on hold. Oldest first.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn all(tx: &mut dyn Read, site: SiteId) -> Result<Vec<(Roasted, bool)>, StoreError> {
    let on_hold: HashSet<_> = setup::all::<Delivery>(tx, site)
        .await?
        .into_iter()
        .filter(|delivery| delivery.fields.hold.is_some())
        .map(|delivery| delivery.id)
        .collect();
    let lots: HashMap<LotId, Lot> = setup::all::<Lot>(tx, site)
        .await?
        .into_iter()
        .map(|lot| (lot.id.into(), lot.fields))
        .collect();
    let mut left: HashMap<BatchId, Standing> = HashMap::new();
    for standing in tx.standing(site, "roasted").await? {
        if let Place::Roasted(batch) = standing.place
            && standing.mass.is_positive()
        {
            left.insert(batch, standing);
        }
    }
    let ids: Vec<BatchId> = left.keys().copied().collect();
    let mut found = Vec::new();
    for row in tx.batches_by_id(site, &ids).await? {
        let standing = &left[&row.id];
        if let Some(lot) = lots.get(&standing.lot) {
            let held = row.held || on_hold.contains(&lot.delivery.0);
            found.push((of_row(&row, lot.coffee, standing.mass), held));
        }
    }
    found.sort_by_key(|(roasted, _)| (roasted.day, roasted.batch));
    Ok(found)
}

/// A batch of which so much is left.
#[must_use]
pub fn of_row(row: &BatchRow, coffee: CoffeeId, mass: Mass) -> Roasted {
    Roasted {
        batch: row.id,
        lot: row.lot,
        coffee,
        style: StyleId(row.style),
        roaster: RoasterId(row.roaster),
        day: row.day,
        mass,
    }
}

/// The bin that a batch was weighed out into, held batches left out unless the batch itself is held; none where it was not weighed out.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn bin(
    tx: &mut dyn Read,
    site: SiteId,
    batch: BatchId,
) -> Result<Option<Run>, StoreError> {
    let Some(row) = tx.batch(site, batch).await? else {
        return Ok(None);
    };
    let lot = setup::find::<Lot>(tx, site, row.lot).await?;
    let Some(lot) = lot.filter(|_| row.state == State::WeighedOut.word()) else {
        return Ok(None);
    };
    let left = tx.balance(site, row.lot, Place::Roasted(batch)).await?;
    let own = of_row(&row, lot.fields.coffee, left);
    let mut batches: Vec<Roasted> = roasted(tx, site).await?;
    batches.retain(|other| other.shares_bin(&own) && !row.held);
    if batches.iter().all(|other| other.batch != batch) {
        batches.push(own);
    }
    batches.sort_by_key(|roasted| roasted.batch);
    Ok(Some(Run { batches }))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn roasted(n: u128, roaster: u128, mg: i64) -> Roasted {
        let id = uuid::Uuid::from_u128;
        Roasted {
            batch: id(n).into(),
            lot: id(1).into(),
            coffee: id(2).into(),
            style: id(3).into(),
            roaster: id(roaster).into(),
            day: "2026-11-25".parse().unwrap(),
            mass: Mass::from_mg(mg).unwrap(),
        }
    }

    #[test]
    fn batches_of_one_roaster_share_a_bin() {
        let stock = [roasted(1, 8, 5), roasted(2, 9, 5), roasted(3, 8, 5)];
        let found = runs(&stock);
        let ids = |run: &Run| {
            run.batches
                .iter()
                .map(|b| b.batch.0.as_u128())
                .collect::<Vec<_>>()
        };
        assert_eq!(
            found.iter().map(ids).collect::<Vec<_>>(),
            [vec![1, 3], vec![2]]
        );
    }

    proptest! {
        /// Shares add to what was taken, to the milligram, and no batch gives more than is left of it.
        #[test]
        fn shares_add_up(left in prop::collection::vec(0i64..50_000_000, 1..8), part in 0.0..=1.0f64) {
            let stock: Vec<Roasted> = left.iter().zip(1..).map(|(mg, n)| roasted(n, 9, *mg)).collect();
            let run = &runs(&stock)[0];
            let ppm = i64::from(crate::fraction::Fraction::nearest(part).ppm());
            let taken = Mass::from_mg(run.mass().mg() / 1_000_000 * ppm + run.mass().mg() % 1_000_000 * ppm / 1_000_000).unwrap();
            let shares = run.shares(taken);
            prop_assert_eq!(Mass::sum(shares.iter().map(|(_, mass)| *mass)).unwrap(), taken);
            for ((_, share), batch) in shares.iter().zip(&run.batches) {
                prop_assert!(*share <= batch.mass && *share >= Mass::ZERO, "{share} of {}", batch.mass);
            }
        }
    }
}
