//! What things are sold for and cost, each from a day on until the next says otherwise.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{Destination, Link, Product, Record, Roaster, fault, find, unless};
use crate::day::Day;
use crate::ids::{DestinationId, ProductId, RoasterId, SiteId};
use crate::mass::Mass;
use crate::money::Money;
use crate::refusal::FieldError;
use crate::store::{Read, StoreError};

/// What a tariff is for.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum TariffKind {
    /// What a bag of a product is sold for.
    Bag,
    /// What a subscriber pays for so many bags of one dispatch, carriage included.
    Set,
    /// What a minute of a roaster costs: work, gas, wear.
    RoasterMinute,
    /// What the empty bag costs: bag, valve, label, work of filling.
    Packaging,
    /// What a parcel of up to so many bags costs to send.
    Postage,
}

/// A price or a cost that holds from a day on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Tariff {
    /// What it is for.
    pub kind: TariffKind,
    /// The product, for the price of a bag.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub product: Option<ProductId>,
    /// The roaster, for its minute.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub roaster: Option<RoasterId>,
    /// The label weight of the bag, for packaging.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bag_g: Option<Mass>,
    /// How many bags, for a set and for postage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 100_000)]
    pub bags: Option<u32>,
    /// Where the parcel goes, for postage; left out for wherever nothing else is said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub destination: Option<DestinationId>,
    /// The first day on which it holds.
    pub from_day: Day,
    /// How much, in the site's currency.
    pub amount: Money,
    /// It was a mistake, and holds for nothing.
    #[serde(default, skip_serializing_if = "unless::set")]
    pub retired: bool,
}

impl Tariff {
    /// What it is about, beside its kind.
    #[must_use]
    pub fn about(&self) -> String {
        let parts = [
            self.product.map(|product| product.to_string()),
            self.roaster.map(|roaster| roaster.to_string()),
            self.bag_g.map(|bag| bag.mg().to_string()),
            self.bags.map(|bags| bags.to_string()),
            self.destination
                .map(|destination| format!(" {destination}")),
        ];
        parts.into_iter().flatten().collect()
    }

    /// What it is for, in words.
    async fn in_words(&self, tx: &mut dyn Read, site: SiteId) -> Result<String, StoreError> {
        let bags = self.bags.unwrap_or_default();
        let plural = if bags == 1 { "bag" } else { "bags" };
        Ok(match (self.kind, self.product, self.roaster) {
            (TariffKind::Bag, Some(product), _) => {
                let of = find::<Product>(tx, site, product).await?;
                let name = of.map_or_else(String::new, |kept| kept.fields.name.to_string());
                format!("the price of {name}")
            }
            (TariffKind::RoasterMinute, _, Some(roaster)) => {
                let of = find::<Roaster>(tx, site, roaster).await?;
                let name = of.map_or_else(String::new, |kept| kept.fields.name.to_string());
                format!("what a minute of {name} costs")
            }
            (TariffKind::Packaging, ..) => {
                let bag = self.bag_g.unwrap_or_default();
                format!("what the packaging of a {bag} bag costs")
            }
            (TariffKind::Postage, ..) => {
                let to = match self.destination {
                    Some(destination) => find::<Destination>(tx, site, destination).await?,
                    None => None,
                };
                let to = to.map_or_else(String::new, |kept| format!(" to {}", kept.fields.name));
                format!("the postage of {bags} {plural}{to}")
            }
            _ => format!("the price of {bags} {plural}"),
        })
    }

    /// The fields that its kind needs, and those that it has.
    fn fields(&self) -> [(&'static str, bool, bool); 4] {
        use TariffKind::{Bag, Packaging, Postage, RoasterMinute, Set};
        [
            ("/product", self.kind == Bag, self.product.is_some()),
            (
                "/roaster",
                self.kind == RoasterMinute,
                self.roaster.is_some(),
            ),
            ("/bag_g", self.kind == Packaging, self.bag_g.is_some()),
            (
                "/bags",
                matches!(self.kind, Set | Postage),
                self.bags.is_some(),
            ),
        ]
    }
}

#[async_trait]
impl Record for Tariff {
    const KIND: &'static str = "tariff";
    const LABEL_AT: &'static str = "/from_day";

    /// One for each thing and day; a mistake leaves its place to another.
    fn label(&self) -> Option<String> {
        (!self.retired).then(|| format!("{:?} {} {}", self.kind, self.about(), self.from_day))
    }

    async fn taken(&self, tx: &mut dyn Read, site: SiteId) -> Result<String, StoreError> {
        let what = self.in_words(tx, site).await?;
        Ok(format!(
            "{what} from {} on is said already: change that one, or choose another day",
            self.from_day
        ))
    }

    fn day(&self) -> Option<Day> {
        Some(self.from_day)
    }

    fn links(&self) -> Vec<Link> {
        let product = self
            .product
            .map(|product| Link::new("/product", Product::KIND, product));
        let roaster = self
            .roaster
            .map(|roaster| Link::new("/roaster", Roaster::KIND, roaster));
        let destination = self
            .destination
            .map(|destination| Link::new("/destination", Destination::KIND, destination));
        let links = product.into_iter().chain(roaster);
        links.chain(destination).collect()
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = Vec::new();
        for (pointer, needed, there) in self.fields() {
            if needed && !there {
                faults.push(fault(pointer, "say this for a tariff of this kind"));
            }
            if there && !needed {
                faults.push(fault(
                    pointer,
                    "leave this out: it does not go with a tariff of this kind",
                ));
            }
        }
        if self.destination.is_some() && self.kind != TariffKind::Postage {
            faults.push(fault(
                "/destination",
                "leave this out: only postage differs by where a parcel goes",
            ));
        }
        if self.bags.is_some_and(|bags| !(1..=100_000).contains(&bags)) {
            faults.push(fault("/bags", "a whole number of bags, at least 1"));
        }
        if self.bag_g.is_some_and(|bag| !bag.is_positive()) {
            faults.push(fault("/bag_g", "more than nothing"));
        }
        faults
    }

    async fn faults_beside(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        _id: Uuid,
        _before: Option<&Self>,
    ) -> Result<Vec<FieldError>, StoreError> {
        let home = super::site(tx, site).await?.fields.currency;
        Ok(if self.amount.currency == home {
            Vec::new()
        } else {
            vec![fault(
                "/amount/currency",
                format!("the books are kept in {home}"),
            )]
        })
    }
}
