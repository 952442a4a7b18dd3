//! What stands at the packing bench: the bins of roasted coffee, and the shelf of the shop.

use std::collections::{BTreeMap, HashMap};

use serde::Serialize;
use uuid::Uuid;

use super::bags;
use super::label::label_code;
use super::roasted::{Roasted, all, runs};
use super::shipment::shelf;
use crate::day::Day;
use crate::floor::view::Named;
use crate::ids::{BatchId, PostingId, ProductId, SiteId};
use crate::mass::Mass;
use crate::setup::{self, Coffee, Kept, Lot, Product, Record, Roaster, ShelfLevel, Style};
use crate::store::{Read, StoreError};
use crate::text::Name;

/// A batch in a bin.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct BinBatch {
    /// The batch.
    pub batch: BatchId,
    /// How much is left of it.
    pub mass_g: Mass,
}

/// A bin: what is left of a run. Batches on hold stand apart, as a bin of their own.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct BinView {
    /// Its lot.
    pub lot: Named,
    /// Its coffee.
    pub coffee: Named,
    /// Its size grade.
    pub grade: Name,
    /// Its style.
    pub style: Named,
    /// The roaster.
    pub roaster: Named,
    /// The day it was roasted.
    pub day: Day,
    /// The first day on which it has rested.
    pub rested_on: Day,
    /// How much is in it.
    pub mass_g: Mass,
    /// Whether its batches are on hold, or their delivery is.
    pub hold: bool,
    /// Its batches.
    pub batches: Vec<BinBatch>,
}

/// A product on the shelf of the shop.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ShelfLine {
    /// The product.
    pub product: Named,
    /// How the coffee is ground; null for whole beans.
    pub grind: Option<Name>,
    /// Bags that stand there.
    pub bags: u32,
    /// Bags that ought to; null where no level is set.
    pub level: Option<u32>,
    /// Of which packings they are, the oldest first.
    pub packings: Vec<ShelfPacking>,
}

/// Bags of one packing on the shelf.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ShelfPacking {
    /// The packing.
    pub packing: PostingId,
    /// The code on its label.
    pub code: String,
    /// How many of its bags stand there.
    pub bags: u32,
}

/// All bins, oldest first.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn bins(tx: &mut dyn Read, site: SiteId) -> Result<Vec<BinView>, StoreError> {
    let stock = all(tx, site).await?;
    let names = Names {
        lots: by_id(setup::all::<Lot>(tx, site).await?),
        coffees: by_id(setup::all::<Coffee>(tx, site).await?),
        styles: by_id(setup::all::<Style>(tx, site).await?),
        roasters: by_id(setup::all::<Roaster>(tx, site).await?),
    };
    let mut bins = Vec::new();
    for held in [false, true] {
        let ours: Vec<Roasted> = stock
            .iter()
            .filter(|(_, hold)| *hold == held)
            .map(|(roasted, _)| *roasted)
            .collect();
        for run in runs(&ours) {
            let first = run.first();
            let bin = names.bin(first).map(|bin| BinView {
                mass_g: run.mass(),
                hold: held,
                batches: run
                    .batches
                    .iter()
                    .map(|roasted| BinBatch {
                        batch: roasted.batch,
                        mass_g: roasted.mass,
                    })
                    .collect(),
                ..bin
            });
            bins.push(bin.ok_or_else(|| {
                StoreError::Damaged(format!("batch {} names what is not there", first.batch))
            })?);
        }
    }
    bins.sort_by_key(|bin| (bin.day, bin.batches.first().map(|batch| batch.batch)));
    Ok(bins)
}

fn by_id<R: Record>(kept: Vec<Kept<R>>) -> HashMap<Uuid, R> {
    kept.into_iter()
        .map(|kept| (kept.id, kept.fields))
        .collect()
}

struct Names {
    lots: HashMap<Uuid, Lot>,
    coffees: HashMap<Uuid, Coffee>,
    styles: HashMap<Uuid, Style>,
    roasters: HashMap<Uuid, Roaster>,
}

impl Names {
    fn bin(&self, first: &Roasted) -> Option<BinView> {
        let named = |id: Uuid, name: &Name| Named {
            id,
            name: name.clone(),
        };
        let lot = self.lots.get(&first.lot.0)?;
        let coffee = self.coffees.get(&first.coffee.0)?;
        let style = self.styles.get(&first.style.0)?;
        let roaster = self.roasters.get(&first.roaster.0)?;
        Some(BinView {
            lot: named(first.lot.0, &lot.name),
            coffee: named(first.coffee.0, &coffee.name),
            grade: lot.grade.clone(),
            style: named(first.style.0, &style.name),
            roaster: named(first.roaster.0, &roaster.name),
            day: first.day,
            rested_on: first.day.plus(i64::from(style.rest_days)),
            mass_g: Mass::ZERO,
            hold: false,
            batches: Vec::new(),
        })
    }
}

/// The shelf of the shop: what stands there and what ought to, by product and grind.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn shelf_lines(tx: &mut dyn Read, site: SiteId) -> Result<Vec<ShelfLine>, StoreError> {
    let mut lines: BTreeMap<(ProductId, Option<Name>), (u32, Option<u32>)> = BTreeMap::new();
    let standing = bags::standing(tx, site).await?;
    for (filled, bags) in shelf(&standing) {
        lines.entry(filled).or_default().0 = bags;
    }
    for level in setup::all::<ShelfLevel>(tx, site).await? {
        let level = level.fields;
        if !level.retired {
            lines.entry((level.product, level.grind)).or_default().1 = Some(level.bags);
        }
    }
    let products = by_id(setup::all::<Product>(tx, site).await?);
    let mut found: Vec<ShelfLine> = lines
        .into_iter()
        .filter_map(|((product, grind), (bags, level))| {
            let name = products.get(&product.0)?.name.clone();
            let ours = standing
                .iter()
                .filter(|of| of.order.is_none() && of.product == product && of.grind == grind);
            let packings = ours.map(|of| ShelfPacking {
                packing: of.packing,
                code: label_code(of.packing),
                bags: of.bags,
            });
            Some(ShelfLine {
                packings: packings.collect(),
                product: Named {
                    id: product.0,
                    name,
                },
                grind,
                bags,
                level,
            })
        })
        .collect();
    found.sort_by(|a, b| (&a.product.name, &a.grind).cmp(&(&b.product.name, &b.grind)));
    Ok(found)
}
