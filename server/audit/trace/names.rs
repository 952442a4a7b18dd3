//! What people call the places on a way.

use std::collections::{BTreeSet, HashMap};

use uuid::Uuid;

use super::Orders;
use crate::book::damaged;
use crate::book::place::Place;
use crate::ids::{BatchId, LotId, PostingId, SiteId};
use crate::setup::{self, Delivery, Kept, Lot, Order, Product, Record, Roaster, Storeroom, Style};
use crate::sites::record;
use crate::store::{PostedBags, Read, Sendings, StoreError};
use crate::text::Name;

/// Names by place and lot.
pub(in crate::audit) struct Names {
    lots: HashMap<Uuid, Name>,
    keys: HashMap<Uuid, String>,
}

impl Names {
    /// Reads what these places are called.
    pub async fn read(
        tx: &mut dyn Read,
        site: SiteId,
        places: &[Place],
        orders: Orders,
    ) -> Result<Self, StoreError> {
        let lots = by_id(tx, site, |lot: Lot| lot.name).await?;
        let mut keys: HashMap<Uuid, String> = HashMap::new();
        keys.extend(lots.iter().map(|(lot, name)| (*lot, name.to_string())));
        keys.extend(by_id(tx, site, |room: Storeroom| room.name.to_string()).await?);
        let delivery = |delivery: Delivery| format!("{} {}", delivery.supplier, delivery.reference);
        keys.extend(by_id(tx, site, delivery).await?);
        keys.extend(batches(tx, site, places).await?);
        keys.extend(bags(tx, site, places, orders).await?);
        keys.extend(other_sites(tx, site, places).await?);
        Ok(Self { lots, keys })
    }

    /// What a place is called.
    pub fn of(&self, place: Place) -> String {
        let name = self.keys.get(&place.key()).cloned();
        name.unwrap_or_else(|| place.label().to_owned())
    }

    /// What a lot is called.
    pub fn lot(&self, lot: LotId) -> Result<Name, StoreError> {
        let name = self.lots.get(&lot.0).cloned();
        name.ok_or_else(|| StoreError::Damaged(format!("coffee of no lot: {lot}")))
    }
}

/// Something of all records of a kind, by their ids.
async fn by_id<R: Record, W>(
    tx: &mut dyn Read,
    site: SiteId,
    what: impl Fn(R) -> W,
) -> Result<HashMap<Uuid, W>, StoreError> {
    let all: Vec<Kept<R>> = setup::all(tx, site).await?;
    let named = all.into_iter().map(|kept| (kept.id, what(kept.fields)));
    Ok(named.collect())
}

/// Batches by day, style and roaster.
async fn batches(
    tx: &mut dyn Read,
    site: SiteId,
    places: &[Place],
) -> Result<HashMap<Uuid, String>, StoreError> {
    let mut ids: Vec<BatchId> = places
        .iter()
        .filter_map(|place| match place {
            Place::Batch(id) | Place::Roasted(id) => Some(*id),
            _ => None,
        })
        .collect();
    ids.sort_unstable();
    ids.dedup();
    let mut names = HashMap::new();
    if ids.is_empty() {
        return Ok(names);
    }
    let styles = by_id(tx, site, |style: Style| style.name.to_string()).await?;
    let roasters = by_id(tx, site, |roaster: Roaster| roaster.name.to_string()).await?;
    for row in tx.batches_by_id(site, &ids).await? {
        let named = |of: &HashMap<Uuid, String>, id: Uuid| of.get(&id).cloned().unwrap_or_default();
        let (style, roaster) = (named(&styles, row.style), named(&roasters, row.roaster));
        names.insert(row.id.0, format!("{} {style}, {roaster}", row.day));
    }
    Ok(names)
}

/// What went to other sites or came from them, by the other site's name.
async fn other_sites(
    tx: &mut dyn Read,
    site: SiteId,
    places: &[Place],
) -> Result<HashMap<Uuid, String>, StoreError> {
    let mut names = HashMap::new();
    for place in places {
        let Place::Transit(sending) = place else {
            continue;
        };
        let name = if let Some(text) = tx.posting_leaf(site, *sending).await? {
            let leaf: serde_json::Value = serde_json::from_str(&text).map_err(damaged)?;
            let to = serde_json::from_value(leaf["facts"]["to"].clone()).map_err(damaged)?;
            format!("to {}", record(tx, to).await?.name)
        } else {
            let ends = tx.in_transit(Sendings::One(*sending)).await?;
            let from = ends.iter().find(|(other, _)| *other != site);
            let Some((from, _)) = from else { continue };
            format!("from {}", record(tx, *from).await?.name)
        };
        names.insert(sending.0, name);
    }
    Ok(names)
}

/// Packings and shipments by their bags and orders.
async fn bags(
    tx: &mut dyn Read,
    site: SiteId,
    places: &[Place],
    orders: Orders,
) -> Result<HashMap<Uuid, String>, StoreError> {
    let ids: Vec<PostingId> = places
        .iter()
        .filter_map(|place| match place {
            Place::Packed(id) | Place::Shipped(id) => Some(*id),
            _ => None,
        })
        .collect();
    let mut names: HashMap<Uuid, String> = HashMap::new();
    if ids.is_empty() {
        return Ok(names);
    }
    let products = by_id(tx, site, |product: Product| product.name.to_string()).await?;
    let filled = tx.bags_of_postings(site, &ids).await?;
    let orders = match orders {
        Orders::Named => {
            let wanted = filled.iter().filter_map(|posted| posted.bags.order);
            let wanted: BTreeSet<Uuid> = wanted.map(|order| order.0).collect();
            setup::some(tx, site, &Vec::from_iter(wanted)).await?
        }
        Orders::Unnamed => HashMap::new(),
    };
    for PostedBags { posting, bags, .. } in filled {
        let product = products.get(&bags.product.0).cloned().unwrap_or_default();
        let order = match bags.order.map(|order| orders.get(&order.0)) {
            None => String::new(),
            Some(None) => " for an order".to_owned(),
            Some(Some(Order { number, .. })) => format!(" for {number}"),
        };
        let line = format!("{} \u{d7} {product}{order}", bags.bags);
        let name = names.entry(posting.0).or_default();
        if !name.is_empty() {
            name.push_str(", ");
        }
        name.push_str(&line);
    }
    Ok(names)
}
