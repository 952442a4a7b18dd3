//! Where coffee came from and where it went: from a lot, delivery, batch, packing, shipment or order, with the mass on every way.
//!
//! It follows movements and nothing else: whatever is packed from whichever batches, what moved tells. Undone postings cancel out.

mod csv;
mod graph;
mod names;
mod picture;
mod touched;

pub use csv::csv;
pub use picture::picture;
pub use touched::{Touched, TouchedBags, TouchedOrder};

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::book::leaf::words;
use crate::book::place::Place;
use crate::day::Day;
use crate::floor::view::Named;
use crate::ids::{LotId, OrderId, PostingId, SiteId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Delivery, Lot, Order};
use crate::sites::record;
use crate::store::{Read, Sendings, Standing, StoreError};
use crate::text::Name;
use graph::{Graph, Node, Towards, node};
pub(in crate::audit) use names::Names;

words! {
    /// What a trace begins with.
    Subject {
        /// A lot.
        Lot = "lot",
        /// A delivery.
        Delivery = "delivery",
        /// A batch.
        Batch = "batch",
        /// One filling of bags.
        Packing = "packing",
        /// What left the house at once.
        Shipment = "shipment",
        /// An order.
        Order = "order",
    }
}

words! {
    /// Which way a trace goes.
    Direction {
        /// Where it came from.
        Backward = "backward",
        /// Where it went.
        Forward = "forward",
        /// Both.
        Both = "both",
    }
}

/// Where coffee was: a lot at a place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Stop {
    /// The place's word.
    pub place: String,
    /// The place's key: a delivery, storeroom, batch, packing, shipment or blend lot; null where the place has none.
    pub key: Option<Uuid>,
    /// Whose coffee.
    pub lot: LotId,
    /// The lot's name.
    pub lot_name: Name,
    /// What people call it.
    pub name: String,
    /// The first day on which any came or went.
    pub day: Day,
    /// Whether the trace begins here.
    pub start: bool,
    /// What stands there now.
    pub stands_g: Mass,
}

/// How much of a lot went from one stop to another, less what came back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Leg {
    /// The number of the stop it left, from 0.
    pub from: usize,
    /// The number of the stop it came to.
    pub to: usize,
    /// Whose coffee.
    pub lot: LotId,
    /// How much.
    pub mass_g: Mass,
    /// The first day on which any went.
    pub day: Day,
}

/// Where coffee came from and went.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Trace {
    /// What it begins with.
    pub of: Subject,
    /// Which one.
    pub id: Uuid,
    /// What people call it.
    pub name: String,
    /// Which way it goes.
    pub direction: Direction,
    /// Where the coffee was, in the order in which it came there.
    pub stops: Vec<Stop>,
    /// What went between them.
    pub legs: Vec<Leg>,
    /// What must be looked at if something is wrong with it.
    pub touched: Touched,
    /// Where it goes on at other sites, by the lots as which they took it in, or from which they sent it.
    pub elsewhere: Vec<Elsewhere>,
}

/// What another site tells of coffee that went there, or came from there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Elsewhere {
    /// The site.
    pub site: Named,
    /// What it tells.
    #[schema(no_recursion)]
    pub trace: Trace,
}

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub struct Asked {
    /// What it begins with.
    pub of: Subject,
    /// Which one.
    pub id: Uuid,
    /// Which way it goes.
    pub direction: Direction,
    /// Whether whoever asks may know for whom other sites packed.
    pub orders_elsewhere: bool,
}

/// Whether a trace names the orders that bags were packed for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::audit) enum Orders {
    /// By number and customer.
    Named,
    /// It only says that there is one.
    Unnamed,
}

/// Traces coffee.
///
/// # Errors
/// [`Refusal::NotFound`] if there is nothing of that kind and id.
pub async fn trace(tx: &mut dyn Read, site: SiteId, asked: Asked) -> Outcome<Trace> {
    let mut trace = at_one(tx, site, asked, Orders::Named).await?;
    let orders = if asked.orders_elsewhere {
        Orders::Named
    } else {
        Orders::Unnamed
    };
    let mut seen = BTreeSet::from([LotId(asked.id)]);
    trace.elsewhere = elsewhere(tx, site, (&trace, orders), &mut seen).await?;
    Ok(trace)
}

/// What one site's own book tells.
async fn at_one(tx: &mut dyn Read, site: SiteId, asked: Asked, orders: Orders) -> Outcome<Trace> {
    let name = named(tx, site, asked).await?;
    let keys = keys(tx, site, asked).await?;
    let mut lots = BTreeSet::new();
    if asked.of == Subject::Lot {
        lots.insert(LotId(asked.id));
    } else {
        for key in &keys {
            lots.extend(tx.lots_at(site, *key).await?);
        }
    }
    let graph = read(tx, site, lots, asked.direction).await?;
    let start: BTreeSet<Node> = graph
        .nodes()
        .into_iter()
        .filter(|(lot, place)| begins(asked, &keys, *lot, *place))
        .collect();
    let edges = followed(&graph, asked, &keys, &start);
    let (stops, legs) = laid_out(tx, site, (&graph, orders), &start, &edges).await?;
    let touched = touched::touched(tx, site, &stops, orders).await?;
    Ok(Trace {
        of: asked.of,
        id: asked.id,
        name,
        direction: asked.direction,
        stops,
        legs,
        touched,
        elsewhere: Vec::new(),
    })
}

/// The edges that a trace goes along.
fn followed(graph: &Graph, asked: Asked, keys: &[Uuid], start: &BTreeSet<Node>) -> BTreeSet<usize> {
    let mut edges = BTreeSet::new();
    if asked.direction != Direction::Forward {
        edges.extend(graph.reach(start, Towards::Source));
    }
    let onward = graph.reach(start, Towards::End).into_iter();
    if asked.of == Subject::Order {
        // Bags of other orders may have left with its own, or be of the same packing: it goes no further than to its own shipments.
        let own = |at: &usize| keys.contains(&graph.edge(*at).to.1.key());
        edges.extend(onward.filter(own));
    } else if asked.direction != Direction::Backward {
        edges.extend(onward);
    }
    edges
}

/// What other sites tell of what a trace reached between the sites; and what further ones tell of that. Each lot
/// is told once, though it may have gone to and fro.
async fn elsewhere(
    tx: &mut dyn Read,
    site: SiteId,
    (trace, orders): (&Trace, Orders),
    seen: &mut BTreeSet<LotId>,
) -> Outcome<Vec<Elsewhere>> {
    seen.extend(trace.stops.iter().map(|stop| stop.lot));
    let between = trace.stops.iter().filter(|stop| stop.place == "transit");
    let mut there = BTreeMap::new();
    for sending in between.filter_map(|stop| stop.key) {
        let ends = tx.in_transit(Sendings::One(PostingId(sending))).await?;
        // Where the other site sent it, it came from there; else it went there.
        let way = |end: &Standing| {
            if end.mass.is_positive() {
                Direction::Backward
            } else {
                Direction::Forward
            }
        };
        there.extend(
            ends.iter()
                .filter(|(other, _)| *other != site)
                .map(|(other, end)| ((*other, end.lot), way(end))),
        );
    }
    let mut found = Vec::new();
    for ((other, lot), direction) in there {
        if !seen.insert(lot) {
            continue;
        }
        let asked = Asked {
            of: Subject::Lot,
            id: lot.0,
            direction,
            orders_elsewhere: orders == Orders::Named,
        };
        let mut further = at_one(tx, other, asked, orders).await?;
        further.elsewhere = Box::pin(elsewhere(tx, other, (&further, orders), seen)).await?;
        found.push(Elsewhere {
            site: Named {
                id: other.0,
                name: record(tx, other).await?.name,
            },
            trace: further,
        });
    }
    Ok(found)
}

/// What people call what it begins with, which must be there.
async fn named(tx: &mut dyn Read, site: SiteId, asked: Asked) -> Outcome<String> {
    let id = asked.id;
    let missing = || Refusal::NotFound(asked.of.word(), id);
    Ok(match asked.of {
        Subject::Lot => setup::need::<Lot>(tx, site, id)
            .await?
            .fields
            .name
            .to_string(),
        Subject::Delivery => {
            let delivery = setup::need::<Delivery>(tx, site, id).await?.fields;
            format!("{} {}", delivery.supplier, delivery.reference)
        }
        Subject::Order => {
            let order = setup::need::<Order>(tx, site, id).await?.fields;
            format!("{}, {}", order.number, order.customer)
        }
        Subject::Batch => {
            tx.batch(site, id.into()).await?.ok_or_else(missing)?;
            let names = Names::read(tx, site, &[Place::Roasted(id.into())], Orders::Named).await?;
            names.of(Place::Roasted(id.into()))
        }
        Subject::Packing | Subject::Shipment => {
            let place = if asked.of == Subject::Packing {
                Place::Packed(id.into())
            } else {
                Place::Shipped(id.into())
            };
            if tx.lots_at(site, id).await?.is_empty() {
                return Err(missing());
            }
            Names::read(tx, site, &[place], Orders::Named)
                .await?
                .of(place)
        }
    })
}

/// The keys of the places where it begins.
async fn keys(tx: &mut dyn Read, site: SiteId, asked: Asked) -> Result<Vec<Uuid>, StoreError> {
    Ok(match asked.of {
        Subject::Order => tx
            .postings_of_order(site, OrderId(asked.id))
            .await?
            .into_iter()
            .map(|PostingId(id)| id)
            .collect(),
        _ => vec![asked.id],
    })
}

/// Whether the trace begins at a node.
fn begins(asked: Asked, keys: &[Uuid], lot: LotId, place: Place) -> bool {
    match asked.of {
        Subject::Lot => lot.0 == asked.id && matches!(place, Place::Store(_) | Place::Blended(_)),
        Subject::Delivery => matches!(place, Place::Supplier(_)) && keys.contains(&place.key()),
        Subject::Batch => {
            matches!(place, Place::Batch(_) | Place::Roasted(_)) && keys.contains(&place.key())
        }
        Subject::Packing | Subject::Order => {
            matches!(place, Place::Packed(_)) && keys.contains(&place.key())
        }
        Subject::Shipment => matches!(place, Place::Shipped(_)) && keys.contains(&place.key()),
    }
}

/// Reads what went of these lots, of the blends made of them, and of what they were blended from, as far as the direction goes.
async fn read(
    tx: &mut dyn Read,
    site: SiteId,
    lots: BTreeSet<LotId>,
    direction: Direction,
) -> Result<Graph, StoreError> {
    let mut ways = Vec::new();
    let mut known = BTreeSet::new();
    let mut open = lots;
    while !open.is_empty() {
        let next: Vec<LotId> = open.iter().copied().collect();
        let read = tx.ways(site, &next).await?;
        known.append(&mut open);
        for way in &read {
            for place in [way.from, way.to] {
                let Place::Blended(blend) = place else {
                    continue;
                };
                if way.lot != blend && direction != Direction::Backward {
                    open.insert(blend);
                }
                if way.lot == blend && direction != Direction::Forward {
                    open.extend(tx.lots_at(site, blend.0).await?);
                }
            }
        }
        open.retain(|lot| !known.contains(lot));
        ways.extend(read);
    }
    Ok(Graph::new(&ways))
}

/// Stops and legs of what was reached, in the order of days.
async fn laid_out(
    tx: &mut dyn Read,
    site: SiteId,
    (graph, orders): (&Graph, Orders),
    start: &BTreeSet<Node>,
    edges: &BTreeSet<usize>,
) -> Outcome<(Vec<Stop>, Vec<Leg>)> {
    let mut days: BTreeMap<Node, Day> = BTreeMap::new();
    for edge in edges.iter().map(|at| graph.edge(*at)) {
        for end in [edge.from, edge.to] {
            let day = days.entry(end).or_insert(edge.day);
            *day = edge.day.min(*day);
        }
    }
    let lots: BTreeSet<LotId> = days.keys().map(|(lot, _)| *lot).collect();
    let mut standing = BTreeMap::new();
    for lot in lots {
        for stands in tx.standing_of_lot(site, lot).await? {
            // A blend's own account stands against those of the lots that went into it.
            if !matches!(stands.place, Place::Blended(_)) {
                standing.insert(node(lot, stands.place), stands.mass);
            }
        }
    }
    let places: Vec<Place> = days.keys().map(|(_, place)| *place).collect();
    let names = Names::read(tx, site, &places, orders).await?;
    let mut order: Vec<(Day, u8, Node)> = days
        .iter()
        .map(|(at, day)| (*day, rank(at.1), *at))
        .collect();
    order.sort_unstable();
    let numbers: BTreeMap<Node, usize> = order.iter().enumerate().map(|(i, o)| (o.2, i)).collect();
    let mut stops = Vec::with_capacity(order.len());
    for (day, _, at) in &order {
        let (lot, place) = *at;
        stops.push(Stop {
            place: place.word().to_owned(),
            key: Some(place.key()).filter(|key| !key.is_nil()),
            lot,
            lot_name: names.lot(lot)?,
            name: names.of(place),
            day: *day,
            start: start.contains(at),
            stands_g: standing.get(at).copied().unwrap_or(Mass::ZERO),
        });
    }
    let leg = |at: &usize| {
        let edge = graph.edge(*at);
        Leg {
            from: numbers[&edge.from],
            to: numbers[&edge.to],
            lot: edge.lot,
            mass_g: edge.mass,
            day: edge.day,
        }
    };
    let mut legs: Vec<Leg> = edges.iter().map(leg).collect();
    legs.sort_by_key(|leg| (leg.from, leg.to, leg.lot));
    Ok((stops, legs))
}

/// How far on its way coffee is at a place.
const fn rank(place: Place) -> u8 {
    match place {
        Place::Supplier(_) => 0,
        Place::Store(_) => 1,
        Place::Blended(_) => 2,
        Place::Transit(_) => 3,
        Place::Batch(_) => 4,
        Place::Roasted(_) => 5,
        Place::Packed(_) => 6,
        Place::Shipped(_) => 7,
        Place::Sample | Place::Waste | Place::Air | Place::Variance => 8,
    }
}
