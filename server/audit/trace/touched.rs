//! What must be looked at if something is wrong with what a trace begins with: a mock recall.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use uuid::Uuid;

use super::{Orders, Stop};
use crate::day::Day;
use crate::ids::{OrderId, PostingId, ProductId, SiteId};
use crate::mass::Mass;
use crate::refusal::Outcome;
use crate::setup::{self, Order, Product};
use crate::store::{BagsRow, PostedBags, Read};
use crate::text::Name;

/// Bags of a product.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct TouchedBags {
    /// The product.
    pub product: ProductId,
    /// Its name.
    pub name: Name,
    /// How many were packed.
    pub packed: u32,
    /// How many of them have left the house.
    pub shipped: u32,
}

/// An order with bags that hold some of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct TouchedOrder {
    /// The order; null for bags on the shelf.
    pub order: Option<OrderId>,
    /// Its number; null too where it is another site's and whoever asks may not know for whom that packed.
    pub number: Option<Name>,
    /// Who wanted it, told as its number is.
    pub customer: Option<Name>,
    /// When it left, or is to leave, the house.
    pub ship_day: Option<Day>,
    /// Its bags.
    pub bags: Vec<TouchedBags>,
}

impl TouchedOrder {
    /// The same without its number and who wanted it.
    fn unnamed(self) -> Self {
        Self {
            number: None,
            customer: None,
            ..self
        }
    }
}

/// What stands at one kind of place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct TouchedPlace {
    /// The place's word.
    pub place: String,
    /// How many places of this kind.
    pub stops: u32,
    /// What stands there now.
    pub stands_g: Mass,
}

/// What a trace touches.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Touched {
    /// Batches.
    pub batches: u32,
    /// Orders with bags that hold some of it, and the shelf.
    pub orders: Vec<TouchedOrder>,
    /// Where it stands now, by kind of place.
    pub places: Vec<TouchedPlace>,
}

pub(super) async fn touched(
    tx: &mut dyn Read,
    site: SiteId,
    stops: &[Stop],
    named: Orders,
) -> Outcome<Touched> {
    let batches: BTreeSet<_> = stops
        .iter()
        .filter(|stop| ["batch", "roasted"].contains(&stop.place.as_str()))
        .map(|stop| stop.key)
        .collect();
    let reached = Reached::by(stops);
    let mut bags = ByOrder::new();
    let packings: Vec<PostingId> = reached.packings.iter().copied().collect();
    for posted in tx.bags_of_postings(site, &packings).await? {
        add(&mut bags, &posted, 0);
    }
    for row in tx.bags_allotted(site, &packings).await? {
        allot(&mut bags, &row);
    }
    let shipments: Vec<PostingId> = reached.shipments.iter().copied().collect();
    for posted in tx.bags_of_postings(site, &shipments).await? {
        if reached.holds(&posted) {
            add(&mut bags, &posted, 1);
        }
    }
    let mut orders = named_as_kept(tx, site, bags).await?;
    if named == Orders::Unnamed {
        orders = orders.into_iter().map(TouchedOrder::unnamed).collect();
    }
    orders.sort_by_key(|order| (order.ship_day, order.order));
    Ok(Touched {
        batches: u32::try_from(batches.len()).unwrap_or(u32::MAX),
        orders,
        places: places(stops)?,
    })
}

/// What a trace reached of bags.
struct Reached {
    packings: BTreeSet<PostingId>,
    shipments: BTreeSet<PostingId>,
    /// The shipments with which it begins.
    begins: BTreeSet<PostingId>,
}

impl Reached {
    fn by(stops: &[Stop]) -> Self {
        let of = |word: &str, begins: bool| {
            let at = stops.iter().filter(|stop| stop.place == word);
            let at = at.filter(|stop| stop.start || !begins);
            at.filter_map(|stop| stop.key.map(PostingId)).collect()
        };
        Self {
            packings: of("packed", false),
            shipments: of("shipped", false),
            begins: of("shipped", true),
        }
    }

    /// Whether shipped bags are of what is traced, for others left with the same shipment. What does not say of which packing it is, may be.
    fn holds(&self, shipped: &PostedBags) -> bool {
        let of_packing = match shipped.bags.packing {
            Some(packing) => self.packings.contains(&packing),
            None => !self.packings.is_empty(),
        };
        of_packing || self.begins.contains(&shipped.posting)
    }
}

/// Bags packed and shipped, by order and product.
type ByOrder = BTreeMap<Option<OrderId>, BTreeMap<ProductId, [u32; 2]>>;

/// Bags that were packed (0) or shipped (1).
fn add(bags: &mut ByOrder, posted: &PostedBags, side: usize) {
    let products = bags.entry(posted.bags.order).or_default();
    products.entry(posted.bags.product).or_default()[side] += posted.bags.bags;
}

/// Bags that were packed for the shelf stand with the order that has them.
fn allot(bags: &mut ByOrder, row: &BagsRow) {
    if let Some(shelf) = bags.get_mut(&None)
        && let Some([packed, _]) = shelf.get_mut(&row.product)
    {
        *packed = packed.saturating_sub(row.bags);
        shelf.retain(|_, bags| *bags != [0, 0]);
    }
    bags.retain(|_, products| !products.is_empty());
    let products = bags.entry(row.order).or_default();
    products.entry(row.product).or_default()[0] += row.bags;
}

/// The orders, and the products of their bags, as they are kept.
async fn named_as_kept(
    tx: &mut dyn Read,
    site: SiteId,
    bags: ByOrder,
) -> Outcome<Vec<TouchedOrder>> {
    let wanted: Vec<Uuid> = bags.keys().flatten().map(|order| order.0).collect();
    let kept = setup::some::<Order>(tx, site, &wanted).await?;
    let mut orders = Vec::with_capacity(bags.len());
    for (order, products) in bags {
        let mut bags = Vec::new();
        for (product, [packed, shipped]) in products {
            let name = setup::need::<Product>(tx, site, product).await?.fields.name;
            bags.push(TouchedBags {
                product,
                name,
                packed,
                shipped,
            });
        }
        let of = order.and_then(|order| kept.get(&order.0));
        orders.push(TouchedOrder {
            order,
            ship_day: of.map(|order| order.ship_day),
            number: of.map(|order| order.number.clone()),
            customer: of.map(|order| order.customer.clone()),
            bags,
        });
    }
    Ok(orders)
}

fn places(stops: &[Stop]) -> Outcome<Vec<TouchedPlace>> {
    let mut sums: BTreeMap<&str, (u32, Mass)> = BTreeMap::new();
    for stop in stops {
        let (count, stands) = sums.entry(&stop.place).or_insert((0, Mass::ZERO));
        *count += 1;
        *stands = stands.plus(stop.stands_g)?;
    }
    let place = |(place, (stops, stands_g)): (&str, (u32, Mass))| TouchedPlace {
        place: place.to_owned(),
        stops,
        stands_g,
    };
    Ok(sums.into_iter().map(place).collect())
}
