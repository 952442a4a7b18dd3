//! Roasted coffee that may be bagged.

use std::collections::{HashMap, HashSet};

use crate::book::place::Place;
use crate::day::Day;
use crate::ids::{BatchId, CoffeeId, LotId, SiteId, StyleId};
use crate::mass::Mass;
use crate::setup::{self, Delivery, Lot};
use crate::store::{Read, StoreError};

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
    /// When it was roasted.
    pub day: Day,
    /// How much is left of it.
    pub mass: Mass,
}

/// All roasted coffee that may be bagged: not of a batch or a delivery that is on hold. Oldest first.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn roasted(tx: &mut dyn Read, site: SiteId) -> Result<Vec<Roasted>, StoreError> {
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
    let mut found = Vec::new();
    for standing in tx.standing(site, "roasted").await? {
        let Place::Roasted(batch) = standing.place else {
            continue;
        };
        let Some(row) = tx.batch(batch).await?.filter(|row| !row.held) else {
            continue;
        };
        let Some(lot) = lots.get(&standing.lot) else {
            continue;
        };
        if standing.mass.is_positive() && !on_hold.contains(&lot.delivery.0) {
            found.push(Roasted {
                batch,
                lot: standing.lot,
                coffee: lot.coffee,
                style: StyleId(row.style),
                day: row.day,
                mass: standing.mass,
            });
        }
    }
    found.sort_by_key(|roasted| (roasted.day, roasted.batch));
    Ok(found)
}
