//! What is left of prices: per product, per number of bags and in all, before and after a change that is thought of.

use std::collections::HashMap;

use serde::{Deserialize, Serialize};

use super::amount::Amount;
use super::{Costs, ProductMargin};
use crate::app::App;
use crate::day::Day;
use crate::ids::{CoffeeId, DestinationId, ProductId};
use crate::refusal::{Outcome, Refusal};
use crate::setup::Product;
use crate::store::Read;

/// A coffee that takes the place of another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Swap {
    /// The coffee that is given up.
    pub coffee: CoffeeId,
    /// The coffee in its place.
    pub with: CoffeeId,
}

/// Another price of a product.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OtherPrice {
    /// The product.
    pub product: ProductId,
    /// What a bag would be sold for, minor units.
    #[schema(minimum = 0, maximum = 9_007_199_254_740_991i64)]
    pub minor: i64,
}

/// Bags of one product in a parcel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ParcelBags {
    /// The product.
    pub product: ProductId,
    /// How many bags.
    #[schema(minimum = 1, maximum = 100_000)]
    pub bags: u32,
}

/// Parcels of the same contents.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Parcel {
    /// What is in one.
    #[schema(min_items = 1, max_items = 100)]
    pub bags: Vec<ParcelBags>,
    /// How many there are.
    #[schema(minimum = 1, maximum = 1_000_000)]
    pub parcels: u32,
    /// Where they go, where postage differs by that.
    #[serde(default)]
    pub destination: Option<DestinationId>,
}

/// What margins are wanted.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MarginQuestion {
    /// The day whose prices hold; today unless said.
    #[serde(default)]
    pub day: Option<Day>,
    /// Coffees that would take the place of others.
    #[serde(default)]
    #[schema(max_items = 50)]
    pub swaps: Vec<Swap>,
    /// Prices that would be others.
    #[serde(default)]
    #[schema(max_items = 500)]
    pub prices: Vec<OtherPrice>,
    /// The parcels of a dispatch.
    #[serde(default)]
    #[schema(max_items = 5000)]
    pub parcels: Vec<Parcel>,
}

/// A product before and after.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ProductChange {
    /// As it is.
    pub before: ProductMargin,
    /// As it would be.
    pub after: ProductMargin,
}

/// What all parcels of one number of bags cost and leave, minor units.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct SetMargin {
    /// What their bags cost.
    pub bags_minor: Option<i64>,
    /// What it costs to send them.
    pub postage_minor: Option<i64>,
    /// What is paid for them: the price of the set where one is said, else that of the bags.
    pub paid_minor: Option<i64>,
    /// Paid less both.
    pub margin_minor: Option<i64>,
}

/// Parcels of one number of bags, before and after.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct SetChange {
    /// How many bags are in each.
    pub bags: u32,
    /// How many parcels there are.
    pub parcels: u32,
    /// As it is.
    pub before: SetMargin,
    /// As it would be.
    pub after: SetMargin,
}

/// Margins before and after.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Margins {
    /// The day.
    pub day: Day,
    /// The currency of all amounts (ISO 4217).
    pub currency: String,
    /// The products that the change touches, or that are in the parcels.
    pub products: Vec<ProductChange>,
    /// Parcels by number of bags.
    pub sets: Vec<SetChange>,
    /// All parcels together.
    pub total: SetChange,
}

/// Amounts of parcels, unrounded.
#[derive(Clone, Copy)]
pub(super) struct Sums {
    pub(super) bags: Option<Amount>,
    pub(super) postage: Option<Amount>,
    pub(super) paid: Option<Amount>,
}

impl Default for Sums {
    fn default() -> Self {
        let nothing = Some(Amount::default());
        Self {
            bags: nothing,
            postage: nothing,
            paid: nothing,
        }
    }
}

impl Sums {
    pub(super) fn plus(self, other: Self) -> Self {
        let add = |a: Option<Amount>, b: Option<Amount>| a.zip(b).map(|(a, b)| a.plus(b));
        Self {
            bags: add(self.bags, other.bags),
            postage: add(self.postage, other.postage),
            paid: add(self.paid, other.paid),
        }
    }

    pub(super) fn times(self, n: u32) -> Self {
        let times = |amount: Option<Amount>| amount.map(|amount| amount.times(i64::from(n)));
        Self {
            bags: times(self.bags),
            postage: times(self.postage),
            paid: times(self.paid),
        }
    }

    pub(super) fn margin(self) -> SetMargin {
        let cost = self.bags.zip(self.postage).map(|(a, b)| a.plus(b));
        let margin = self.paid.zip(cost).map(|(paid, cost)| paid.minus(cost));
        SetMargin {
            bags_minor: self.bags.map(Amount::rounded),
            postage_minor: self.postage.map(Amount::rounded),
            paid_minor: self.paid.map(Amount::rounded),
            margin_minor: margin.map(Amount::rounded),
        }
    }
}

/// The products as they are, or as they would be, with what a bag costs and is sold for.
struct Side<'a> {
    costs: &'a Costs,
    products: HashMap<ProductId, (Product, Option<Amount>)>,
}

impl<'a> Side<'a> {
    fn new(costs: &'a Costs, swaps: &[Swap], prices: &[OtherPrice]) -> Self {
        let products = costs.products.iter().map(|(id, product)| {
            let other = prices.iter().find(|price| price.product == *id);
            let price = other.map(|price| Amount::minor(price.minor));
            let product = swapped(product, swaps);
            (*id, (product, price.or_else(|| costs.price(*id))))
        });
        Self {
            costs,
            products: products.collect(),
        }
    }

    fn margin(&self, id: ProductId) -> Option<ProductMargin> {
        let (product, price) = self.products.get(&id)?;
        Some(self.costs.margin_of(id, product, *price))
    }

    /// One parcel.
    fn parcel(&self, parcel: &Parcel, count: u32) -> Sums {
        let mut sums = Sums {
            postage: self.costs.postage(count, parcel.destination),
            ..Sums::default()
        };
        for line in &parcel.bags {
            let Some((product, price)) = self.products.get(&line.product) else {
                continue;
            };
            let line = Sums {
                bags: self.costs.bag_cost(product),
                postage: Some(Amount::default()),
                paid: *price,
            }
            .times(line.bags);
            sums = sums.plus(line);
        }
        Sums {
            paid: self.costs.set_price(count).or(sums.paid),
            ..sums
        }
    }
}

/// A product with other coffees in it.
fn swapped(product: &Product, swaps: &[Swap]) -> Product {
    let mut changed = product.clone();
    for part in &mut changed.parts {
        if let Some(swap) = swaps.iter().find(|swap| swap.coffee == part.coffee) {
            part.coffee = swap.with;
            // Lots that were named were the other coffee's.
            changed.lots = None;
        }
    }
    changed
}

/// Margins before and after a change.
///
/// # Errors
/// [`Refusal::Invalid`] for what is not there or too much.
pub async fn margins(app: &App, tx: &mut dyn Read, question: &MarginQuestion) -> Outcome<Margins> {
    let costs = Costs::read(app, tx, question.day).await?;
    question.check(&costs)?;
    let before = Side::new(&costs, &[], &[]);
    let after = Side::new(&costs, &question.swaps, &question.prices);
    let mut sets: std::collections::BTreeMap<u32, (u32, Sums, Sums)> =
        std::collections::BTreeMap::new();
    for parcel in &question.parcels {
        let count = parcel.bags.iter().map(|line| line.bags).sum();
        let of = sets.entry(count).or_default();
        of.0 = of.0.saturating_add(parcel.parcels);
        of.1 =
            of.1.plus(before.parcel(parcel, count).times(parcel.parcels));
        of.2 = of.2.plus(after.parcel(parcel, count).times(parcel.parcels));
    }
    let mut total = (0_u32, 0_u32, Sums::default(), Sums::default());
    for (bags, (parcels, before, after)) in &sets {
        total.0 = total.0.saturating_add(bags.saturating_mul(*parcels));
        total.1 = total.1.saturating_add(*parcels);
        total.2 = total.2.plus(*before);
        total.3 = total.3.plus(*after);
    }
    Ok(Margins {
        day: costs.day,
        currency: costs.currency.clone(),
        products: question.products(&costs, &before, &after),
        sets: sets
            .into_iter()
            .map(|(bags, (parcels, before, after))| SetChange {
                bags,
                parcels,
                before: before.margin(),
                after: after.margin(),
            })
            .collect(),
        total: SetChange {
            bags: total.0,
            parcels: total.1,
            before: total.2.margin(),
            after: total.3.margin(),
        },
    })
}

impl MarginQuestion {
    fn check(&self, costs: &Costs) -> Outcome<()> {
        if self.parcels.len() > 5_000 || self.swaps.len() > 50 || self.prices.len() > 500 {
            return Err(Refusal::field(
                "",
                "at most 5000 kinds of parcels, 50 swaps and 500 prices",
            ));
        }
        for (i, swap) in self.swaps.iter().enumerate() {
            for (name, coffee) in [("coffee", swap.coffee), ("with", swap.with)] {
                if !costs.coffees.contains_key(&coffee) {
                    return Err(Refusal::field(
                        &format!("/swaps/{i}/{name}"),
                        "there is no such coffee",
                    ));
                }
            }
        }
        for (i, price) in self.prices.iter().enumerate() {
            if !(0..=9_007_199_254_740_991).contains(&price.minor) {
                return Err(Refusal::field(
                    &format!("/prices/{i}/minor"),
                    "whole minor units, nothing or more",
                ));
            }
            product_there(costs, price.product, &format!("/prices/{i}/product"))?;
        }
        for (i, parcel) in self.parcels.iter().enumerate() {
            if parcel.bags.is_empty() || parcel.bags.len() > 100 {
                return Err(Refusal::field(
                    &format!("/parcels/{i}/bags"),
                    "one to 100 lines",
                ));
            }
            if !(1..=1_000_000).contains(&parcel.parcels) {
                return Err(Refusal::field(
                    &format!("/parcels/{i}/parcels"),
                    "a whole number of parcels, at least 1",
                ));
            }
            for (j, line) in parcel.bags.iter().enumerate() {
                let at = format!("/parcels/{i}/bags/{j}");
                if !(1..=100_000).contains(&line.bags) {
                    return Err(Refusal::field(
                        &format!("{at}/bags"),
                        "a whole number of bags, at least 1",
                    ));
                }
                product_there(costs, line.product, &format!("{at}/product"))?;
            }
        }
        Ok(())
    }

    /// The products that the change touches, or that are in the parcels, by name.
    fn products(&self, costs: &Costs, before: &Side<'_>, after: &Side<'_>) -> Vec<ProductChange> {
        let in_parcels = |id: ProductId| {
            let mut lines = self.parcels.iter().flat_map(|parcel| &parcel.bags);
            lines.any(|line| line.product == id)
        };
        let touched = |id: ProductId, product: &Product| {
            self.prices.iter().any(|price| price.product == id)
                || swapped(product, &self.swaps) != *product
        };
        let mut changes: Vec<ProductChange> = costs
            .sold()
            .filter(|(id, product)| in_parcels(*id) || touched(*id, product))
            .filter_map(|(id, _)| {
                Some(ProductChange {
                    before: before.margin(id)?,
                    after: after.margin(id)?,
                })
            })
            .collect();
        changes.sort_by(|a, b| a.before.product.name.cmp(&b.before.product.name));
        changes
    }
}

fn product_there(costs: &Costs, product: ProductId, at: &str) -> Outcome<()> {
    if costs.products.contains_key(&product) {
        Ok(())
    } else {
        Err(Refusal::field(at, "there is no such product"))
    }
}
