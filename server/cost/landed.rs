//! What a lot's green cost at the door.
//!
//! The lines of a delivery's bills are for one lot, or shared among its lots by what came of each. A lot without any has the cost that its
//! record says. A blend made before roasting costs what its parts cost, by mass.

use std::collections::HashMap;

use super::amount::Amount;
use crate::book::place::Place;
use crate::day::Day;
use crate::ids::{DeliveryId, LotId, SiteId};
use crate::mass::Mass;
use crate::setup::{self, CostLine, Lot};
use crate::store::{Read, StoreError};

/// What lots cost, landed: an amount for all that came of each.
#[derive(Debug, Default)]
pub struct Landed {
    of: HashMap<LotId, (Amount, Mass)>,
}

impl Landed {
    /// Reads it, as known now, with the bills of days up to one.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn read(
        tx: &mut dyn Read,
        site: SiteId,
        currency: &str,
        until: Day,
    ) -> Result<Self, StoreError> {
        let lots = setup::all::<Lot>(tx, site).await?;
        let lots: HashMap<LotId, Lot> = lots
            .into_iter()
            .map(|lot| (lot.id.into(), lot.fields))
            .collect();
        let mut came: HashMap<LotId, Mass> = HashMap::new();
        for receipts in tx.receipts(site, None).await? {
            if !matches!(receipts.from, Place::Blended(_)) {
                let all = came.entry(receipts.lot).or_default();
                *all = all.plus(receipts.mass).unwrap_or(Mass::MAX);
            }
        }
        let lines: Vec<CostLine> = setup::all::<CostLine>(tx, site)
            .await?
            .into_iter()
            .map(|line| line.fields)
            .filter(|line| line.day <= until)
            .collect();
        let mut landed = Self::default();
        for (id, lot) in &lots {
            let mass = came.get(id).copied().unwrap_or_default();
            if !mass.is_positive() {
                landed.expect(*id, lot, currency);
                continue;
            }
            // Coffee of a customer is only roasted: it cost nothing.
            if lot.owned_by.is_some() {
                landed.of.insert(*id, (Amount::default(), mass));
                continue;
            }
            if let Some(amount) = lot_cost((*id, lot), &lots, &came, &lines, currency) {
                landed.of.insert(*id, (amount, mass));
            }
        }
        landed.blend(tx, site).await?;
        Ok(landed)
    }

    /// A lot that has not come yet costs what its record says for what is expected of it.
    fn expect(&mut self, id: LotId, lot: &Lot, currency: &str) {
        let said = lot.landed_cost.as_ref();
        let said = said.filter(|cost| cost.currency == currency && lot.expected_g.is_positive());
        if let Some(cost) = said {
            let cost = (Amount::minor(cost.minor), lot.expected_g);
            self.of.insert(id, cost);
        }
    }

    /// What a mass of a lot's green cost; none where nobody has said.
    #[must_use]
    pub fn of(&self, lot: LotId, green: Mass) -> Option<Amount> {
        let (amount, mass) = self.of.get(&lot)?;
        Some(amount.part(green, *mass))
    }

    /// Blends made before roasting cost what went into them; a blend of blends comes out in as many rounds as it is deep.
    async fn blend(&mut self, tx: &mut dyn Read, site: SiteId) -> Result<(), StoreError> {
        let mut parts: HashMap<LotId, Vec<(LotId, Mass)>> = HashMap::new();
        for standing in tx.standing(site, "blended").await? {
            if let Place::Blended(blend) = standing.place
                && standing.lot != blend
            {
                let of = parts.entry(blend).or_default();
                of.push((standing.lot, standing.mass));
            }
        }
        for _ in 0..parts.len() {
            for (blend, parts) in &parts {
                let costs: Option<Vec<Amount>> = parts
                    .iter()
                    .map(|(lot, mass)| self.of(*lot, *mass))
                    .collect();
                let mass = Mass::sum(parts.iter().map(|(_, mass)| *mass)).unwrap_or_default();
                if let Some(costs) = costs.filter(|_| mass.is_positive()) {
                    self.of.insert(*blend, (costs.into_iter().sum(), mass));
                }
            }
        }
        Ok(())
    }
}

/// What all that came of a lot cost; none where nobody has said.
fn lot_cost(
    (id, lot): (LotId, &Lot),
    lots: &HashMap<LotId, Lot>,
    came: &HashMap<LotId, Mass>,
    lines: &[CostLine],
    currency: &str,
) -> Option<Amount> {
    let share = |line: &CostLine| -> Option<Amount> {
        let all = Amount::minor(line.adds(currency)?);
        match line.lot {
            Some(_) => Some(all),
            None => Some(all.part(
                came.get(&id).copied().unwrap_or_default(),
                of_delivery(lot.delivery, lots, came),
            )),
        }
    };
    let ours: Vec<&CostLine> = lines
        .iter()
        .filter(|line| {
            !line.retired && line.delivery == lot.delivery && line.lot.is_none_or(|of| of == id)
        })
        .collect();
    if ours.is_empty() {
        let said = lot.landed_cost.as_ref()?;
        return (said.currency == currency).then(|| Amount::minor(said.minor));
    }
    ours.into_iter().map(share).sum::<Option<Amount>>()
}

/// All that came with a delivery.
fn of_delivery(
    delivery: DeliveryId,
    lots: &HashMap<LotId, Lot>,
    came: &HashMap<LotId, Mass>,
) -> Mass {
    let ours = lots.iter().filter(|(_, lot)| lot.delivery == delivery);
    let masses = ours.map(|(id, _)| came.get(id).copied().unwrap_or_default());
    Mass::sum(masses).unwrap_or(Mass::MAX)
}
