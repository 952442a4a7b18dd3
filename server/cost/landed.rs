//! What a lot's green cost at the door, by the same reckoning as the value of the stock. A lot that has not come yet costs what its record says.

use std::collections::HashMap;

use super::amount::Amount;
use crate::audit::value;
use crate::day::Day;
use crate::ids::{LotId, SiteId};
use crate::mass::Mass;
use crate::refusal::Outcome;
use crate::setup::{self, Lot};
use crate::store::{Read, Receipts};

/// What lots cost, landed: an amount for a mass of each.
#[derive(Debug, Default)]
pub struct Landed {
    of: HashMap<LotId, (Amount, Mass)>,
}

impl Landed {
    /// Reads it, as known now, with the bills that count up to a day.
    ///
    /// # Errors
    /// [`crate::refusal::Refusal::Conflict`] for amounts beyond all measure; [`crate::store::StoreError`] when the database fails.
    pub async fn read(
        tx: &mut dyn Read,
        site: SiteId,
        currency: &str,
        until: Day,
    ) -> Outcome<Self> {
        let mut landed = Self::default();
        for (lot, (minor, mass)) in value::lot_costs(tx, site, until).await? {
            landed.of.insert(lot, (Amount::minor(minor), mass));
        }
        let came = tx.receipts(site, None).await?;
        for lot in setup::all::<Lot>(tx, site).await? {
            let id = LotId(lot.id);
            let is_here = |one: &Receipts| one.lot == id && one.mass.is_positive();
            if !came.iter().any(is_here) {
                landed.expect(id, &lot.fields, currency);
            }
        }
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
}
