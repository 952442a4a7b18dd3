//! What green cost beside its price on the sacks: the lines of a delivery's bills, and write-downs.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{Delivery, Link, Lot, Record, fault, find, unless};
use crate::day::Day;
use crate::ids::{DeliveryId, LotId, SiteId};
use crate::money::{MOST, Money, Rate};
use crate::refusal::FieldError;
use crate::store::{Read, StoreError};
use crate::text::{Name, Note};

/// What a cost line is for. All of them are part of what green costs at the door (IAS 2.11).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CostKind {
    /// The coffee itself.
    Coffee,
    /// Carriage, insurance and handling on the way.
    Freight,
    /// Import duties and other taxes that are not given back.
    Duty,
    /// Anything else that brought it here.
    Other,
}

/// A line of a delivery's costs. It may come long after the coffee, and be changed: what it changes counts from the first open day on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CostLine {
    /// The delivery.
    pub delivery: DeliveryId,
    /// The one lot it is for; else all lots of the delivery share it by what the supplier brought of each.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lot: Option<LotId>,
    /// What it is for.
    pub kind: CostKind,
    /// The day of the bill.
    pub day: Day,
    /// How much, in the currency of the bill.
    pub amount: Money,
    /// Units of the site's currency that one of the bill's was worth; needed where they differ.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rate: Option<Rate>,
    /// A credit note: it takes off instead of adding.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub credit: bool,
    /// The number on the bill.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<Name>,
    /// A remark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
    /// It was a mistake, and counts for nothing.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl CostLine {
    /// What it adds to the cost of its delivery in the site's currency, minor units: negative for a credit note, nothing when retired;
    /// none where the rate is missing or the amount beyond all measure.
    #[must_use]
    pub fn adds(&self, currency: &str) -> Option<i64> {
        if self.retired {
            return Some(0);
        }
        let minor = match self.rate {
            _ if self.amount.currency == currency => Some(self.amount.minor),
            Some(rate) => rate.convert(self.amount.minor, &self.amount.currency, currency),
            None => None,
        };
        minor.map(|minor| if self.credit { -minor } else { minor })
    }
}

impl CostLine {
    /// What all bills of the site and this one come to, credit notes taken for bills, minor units.
    async fn with_others(
        &self,
        tx: &mut dyn Read,
        (site, id): (SiteId, Uuid),
        currency: &str,
    ) -> Result<i128, StoreError> {
        let lines = super::all::<Self>(tx, site).await?.into_iter();
        let others = lines.filter(|kept| kept.id != id).map(|kept| kept.fields);
        let adds = |line: &Self| i128::from(line.adds(currency).unwrap_or_default().abs());
        Ok(adds(self) + others.map(|line| adds(&line)).sum::<i128>())
    }
}

#[async_trait]
impl Record for CostLine {
    const KIND: &'static str = "cost_line";

    fn label(&self) -> Option<String> {
        None
    }

    fn day(&self) -> Option<Day> {
        Some(self.day)
    }

    fn links(&self) -> Vec<Link> {
        let mut links = vec![Link::new("/delivery", Delivery::KIND, self.delivery)];
        links.extend(self.lot.map(|lot| Link::new("/lot", Lot::KIND, lot)));
        links
    }

    fn faults(&self) -> Vec<FieldError> {
        if self.amount.minor == 0 {
            vec![fault("/amount/minor", "more than nothing")]
        } else {
            Vec::new()
        }
    }

    async fn faults_beside(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        id: Uuid,
        _before: Option<&Self>,
    ) -> Result<Vec<FieldError>, StoreError> {
        let mut faults = Vec::new();
        if let Some(lot) = self.lot
            && let Some(lot) = find::<Lot>(tx, site, lot).await?
            && lot.fields.delivery != self.delivery
        {
            faults.push(fault("/lot", "this lot came with another delivery"));
        }
        let home = currency(tx, site).await?;
        if self.amount.currency != home && self.rate.is_none() {
            faults.push(fault(
                "/rate",
                format!(
                    "say how many {home} one {} was worth: the books are kept in {home}",
                    self.amount.currency
                ),
            ));
        } else if self.amount.currency == home && self.rate.is_some() {
            faults.push(fault(
                "/rate",
                format!("leave it out: the bill is in {home} already"),
            ));
        } else if self.adds(&home).is_none() {
            faults.push(fault("/rate", "the amount is too large at this rate"));
        } else if self.with_others(tx, (site, id), &home).await? > i128::from(MOST) {
            faults.push(fault(
                "/amount/minor",
                "with this the bills come to more than can be reckoned: look for digits too many",
            ));
        }
        Ok(faults)
    }
}

/// The currency in which the site's books are kept.
async fn currency(tx: &mut dyn Read, site: SiteId) -> Result<String, StoreError> {
    Ok(super::site(tx, site).await?.fields.currency)
}

/// Green that is worth less than it cost (IAS 2.28): what is taken off the value of what is left of a lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WriteDown {
    /// The lot.
    pub lot: LotId,
    /// The day it counts from.
    pub day: Day,
    /// By how much, in the site's currency.
    pub amount: Money,
    /// Why it is worth less.
    pub reason: Note,
    /// Taken back: it is worth its cost again (IAS 2.33).
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

#[async_trait]
impl Record for WriteDown {
    const KIND: &'static str = "write_down";

    fn label(&self) -> Option<String> {
        None
    }

    fn day(&self) -> Option<Day> {
        Some(self.day)
    }

    fn links(&self) -> Vec<Link> {
        vec![Link::new("/lot", Lot::KIND, self.lot)]
    }

    fn faults(&self) -> Vec<FieldError> {
        if self.amount.minor == 0 {
            vec![fault("/amount/minor", "more than nothing")]
        } else {
            Vec::new()
        }
    }

    async fn faults_beside(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        _id: Uuid,
        _before: Option<&Self>,
    ) -> Result<Vec<FieldError>, StoreError> {
        let home = currency(tx, site).await?;
        if self.amount.currency == home {
            Ok(Vec::new())
        } else {
            Ok(vec![fault(
                "/amount/currency",
                format!("the books are kept in {home}"),
            )])
        }
    }
}
