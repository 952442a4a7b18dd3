//! Orders that are not written down yet: those of dispatches whose list is still open, and of standing orders.
//!
//! Their ids follow from what they come from, so that an order keeps its id when it is written down.

use std::collections::{BTreeMap, HashSet};

use sha2::{Digest, Sha256};
use uuid::Uuid;

use super::parcels::{Parcel, ship_day_of, totals};
use super::roll::{Roll, is_frozen};
use crate::app::App;
use crate::book::{Book, damaged};
use crate::day::Day;
use crate::ids::{DestinationId, DispatchId, OrderId, ProductId, SiteId, StandingOrderId};
use crate::refusal::{Outcome, Refusal};
use crate::setup::{
    self, Dispatch, Expected, Kept, Order, OrderLine, Part, Product, Record, ShipDay,
    StandingOrder, Subscription,
};
use crate::store::{Read, StoreError};
use crate::text::Name;

/// The most characters of a name.
const NAME: usize = 120;
/// No plan looks further ahead for what is to come.
const AHEAD_DAYS: i64 = 500;

/// Orders that are to come.
#[derive(Default)]
pub struct Coming {
    /// They, as they would be written down now, with their ship days.
    pub orders: Vec<(Kept<Order>, ShipDay)>,
    /// Dispatches whose list is still open: orders that are written down for them say no more than was known then.
    pub open: HashSet<DispatchId>,
}

impl Coming {
    /// Reads those that leave from one day to another.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn read(
        app: &App,
        tx: &mut dyn Read,
        from: Day,
        to: Day,
    ) -> Result<Self, StoreError> {
        let site = app.site;
        let mut coming = Self::default();
        let dispatches = dispatches(tx, site, from, to).await?;
        let mut open = Vec::new();
        for dispatch in dispatches {
            if !is_frozen(tx, site, dispatch.id.into()).await? {
                coming.open.insert(dispatch.id.into());
                open.push(dispatch);
            }
        }
        open.retain(|dispatch| !dispatch.fields.cancelled);
        if !open.is_empty() {
            let roll = Roll::read(app, tx).await?;
            let products = setup::all::<Product>(tx, site).await?;
            for (n, dispatch) in open.iter().enumerate() {
                // A lost parcel goes out once: with the first dispatch of its subscription.
                let first = open[..n]
                    .iter()
                    .all(|other| other.fields.subscription != dispatch.fields.subscription);
                let mut parcels = roll.list(&dispatch.fields, None).parcels;
                parcels.retain(|parcel| first || parcel.replaces.is_none());
                coming.take_dispatch(&roll, &products, dispatch, &parcels);
            }
        }
        coming.take_standing(tx, site, from, to).await?;
        Ok(coming)
    }

    /// Reads those of standing orders alone.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn standing(
        tx: &mut dyn Read,
        site: SiteId,
        from: Day,
        to: Day,
    ) -> Result<Self, StoreError> {
        let mut coming = Self::default();
        coming.take_standing(tx, site, from, to).await?;
        Ok(coming)
    }

    fn take_dispatch(
        &mut self,
        roll: &Roll,
        products: &[Kept<Product>],
        dispatch: &Kept<Dispatch>,
        parcels: &[Parcel],
    ) {
        let Some(subscription) = roll.subscriptions.get(&dispatch.fields.subscription) else {
            return;
        };
        let ship = ship_day_of(subscription, dispatch.fields.ship_day);
        let orders = orders_of(roll, products, dispatch, parcels);
        self.orders
            .extend(orders.into_iter().map(|order| (order, ship.clone())));
    }

    async fn take_standing(
        &mut self,
        tx: &mut dyn Read,
        site: SiteId,
        from: Day,
        to: Day,
    ) -> Result<(), StoreError> {
        for kept in setup::all::<StandingOrder>(tx, site).await? {
            let id = StandingOrderId(kept.id);
            for day in kept.fields.days(from, to) {
                let order = standing_id(id, day);
                if setup::find::<Order>(tx, site, order).await?.is_some() {
                    continue;
                }
                let ships = &kept.fields.ships;
                let ship = ShipDay {
                    day,
                    packing_day: ships.packing_day(day),
                    carrier_at: ships.carrier_at,
                    note: None,
                    retired: false,
                };
                self.orders.push((standing_order(&kept, order, day), ship));
            }
        }
        Ok(())
    }
}

/// Dispatches that leave from one day to another, in order of their days.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn dispatches(
    tx: &mut dyn Read,
    site: SiteId,
    from: Day,
    to: Day,
) -> Result<Vec<Kept<Dispatch>>, StoreError> {
    let rows = tx.records_of_days(site, Dispatch::KIND, from, to).await?;
    rows.into_iter()
        .map(|row| {
            Ok(Kept {
                id: row.id,
                revision: row.revision,
                fields: serde_json::from_str(&row.body).map_err(damaged)?,
            })
        })
        .collect()
}

/// The orders of parcels: one for each destination.
#[must_use]
pub fn orders_of(
    roll: &Roll,
    products: &[Kept<Product>],
    dispatch: &Kept<Dispatch>,
    parcels: &[Parcel],
) -> Vec<Kept<Order>> {
    let Some(subscription) = roll.subscriptions.get(&dispatch.fields.subscription) else {
        return Vec::new();
    };
    let mut orders = Vec::new();
    for (destination, bags) in totals(parcels) {
        let mut by_product: BTreeMap<ProductId, u64> = BTreeMap::new();
        for ((coffee, style), bags) in bags {
            let parts = roll.blends.parts(coffee);
            let sold = products.iter().map(|kept| (kept.id.into(), &kept.fields));
            if let Some(product) = product_of(sold, subscription, &parts, style) {
                *by_product.entry(product).or_default() += bags;
            }
        }
        let to = roll.destinations.get(&destination);
        let name = to.map_or("", |to| to.name.as_str());
        let lines = by_product
            .into_iter()
            .zip(1..)
            .map(|((product, bags), line)| OrderLine {
                line,
                product,
                bags: u32::try_from(bags).unwrap_or(u32::MAX),
                grind: None,
            })
            .collect::<Vec<_>>();
        let day = dispatch.fields.ship_day;
        let number = name_of(&format!("{day} {name}, {}", subscription.name));
        let (Some(number), Some(customer)) = (number, name_of(&format!("Subscribers, {name}")))
        else {
            continue;
        };
        if lines.is_empty() {
            continue;
        }
        orders.push(Kept {
            id: dispatch_order_id(dispatch.id.into(), destination).0,
            revision: 0,
            fields: Order {
                number,
                customer,
                ship_day: day,
                transit_days: to.map_or(0, |to| to.transit_days),
                priority: subscription.priority,
                lines,
                cancelled: false,
                note: None,
                dispatch: Some(dispatch.id.into()),
                standing: None,
            },
        });
    }
    orders
}

/// The product that is a bag of coffees in their shares, in a style: one that is sold, if there is one.
#[must_use]
pub fn product_of<'a>(
    products: impl IntoIterator<Item = (ProductId, &'a Product)>,
    subscription: &Subscription,
    parts: &[Part],
    style: crate::ids::StyleId,
) -> Option<ProductId> {
    products
        .into_iter()
        .filter(|(_, product)| product.is_bag_of(parts, style, subscription.bag_g))
        .min_by_key(|(id, product)| (product.retired, product.lots.is_some(), *id))
        .map(|(id, _)| id)
}

fn standing_order(kept: &Kept<StandingOrder>, id: OrderId, day: Day) -> Kept<Order> {
    let fields = &kept.fields;
    Kept {
        id: id.0,
        revision: 0,
        fields: Order {
            number: name_of(&format!("{} {day}", fields.number))
                .unwrap_or_else(|| fields.number.clone()),
            customer: fields.customer.clone(),
            ship_day: day,
            transit_days: fields.transit_days,
            priority: fields.priority,
            lines: fields.lines.clone(),
            cancelled: false,
            note: fields.note.clone(),
            dispatch: None,
            standing: Some(kept.id.into()),
        },
    }
}

fn name_of(text: &str) -> Option<Name> {
    Name::new(&text.chars().take(NAME).collect::<String>()).ok()
}

/// The order of a dispatch to a destination.
#[must_use]
pub fn dispatch_order_id(dispatch: DispatchId, destination: DestinationId) -> OrderId {
    derived(dispatch.0, destination.0.as_bytes())
}

/// The order of a standing order on a ship day.
#[must_use]
pub fn standing_id(standing: StandingOrderId, day: Day) -> OrderId {
    derived(standing.0, day.to_string().as_bytes())
}

/// An id that follows from another and a name (RFC 9562, version 8).
fn derived(from: Uuid, name: &[u8]) -> OrderId {
    let digest = Sha256::new()
        .chain_update(from.as_bytes())
        .chain_update(name)
        .finalize();
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    OrderId(uuid::Builder::from_custom_bytes(bytes).into_uuid())
}

/// Writes orders down that are to come, and their ship days where there are none. What already stands so is left.
///
/// # Errors
/// [`Refusal`] where one does not fit what is there.
pub async fn write_down(
    book: &mut Book,
    app: &App,
    orders: Vec<(Kept<Order>, ShipDay)>,
) -> Outcome<Vec<OrderId>> {
    let site = book.site();
    let mut written = Vec::new();
    for (order, ship) in orders {
        let label = ship.day.to_string();
        let known = book
            .tx()
            .record_labelled(site, ShipDay::KIND, &label)
            .await?;
        if known.is_none() {
            put(book, app, app.clock.new_id(), None, ship).await?;
        }
        let before = setup::find::<Order>(book.tx(), site, order.id).await?;
        let mut fields = order.fields;
        if let Some(before) = &before {
            fields.lines = renumbered(&fields.lines, &before.fields.lines);
            fields.note.clone_from(&before.fields.note);
        }
        written.push(OrderId(order.id));
        if before.as_ref().is_none_or(|before| before.fields != fields) {
            let revision = before.map(|before| before.revision);
            put(book, app, order.id, revision, fields).await?;
        }
    }
    Ok(written)
}

/// Writes down those of the named orders that are still to come.
///
/// # Errors
/// [`Refusal`] where one does not fit what is there.
pub async fn write_down_named(
    book: &mut Book,
    app: &App,
    named: &HashSet<OrderId>,
    today: Day,
) -> Outcome<()> {
    let site = book.site();
    let mut missing = false;
    for id in named {
        missing |= setup::find::<Order>(book.tx(), site, *id).await?.is_none();
    }
    if !missing {
        return Ok(());
    }
    let mut coming = Coming::read(app, book.tx(), today, today.plus(AHEAD_DAYS)).await?;
    coming
        .orders
        .retain(|(order, _)| named.contains(&order.id.into()));
    write_down(book, app, coming.orders).await?;
    Ok(())
}

/// Lines keep the numbers that their products had.
fn renumbered(lines: &[OrderLine], before: &[OrderLine]) -> Vec<OrderLine> {
    let mut next = before.iter().map(|line| line.line).max().unwrap_or(0);
    let mut lines: Vec<OrderLine> = lines
        .iter()
        .map(|line| {
            let known = before
                .iter()
                .find(|old| old.product == line.product && old.grind == line.grind);
            let number = known.map_or_else(
                || {
                    next = next.saturating_add(1);
                    next
                },
                |old| old.line,
            );
            OrderLine {
                line: number,
                ..line.clone()
            }
        })
        .collect();
    lines.sort_by_key(|line| line.line);
    lines
}

/// Writes a record as a command of the book does.
pub(super) async fn put<R: Record>(
    book: &mut Book,
    app: &App,
    id: Uuid,
    revision: Option<i64>,
    fields: R,
) -> Outcome<Kept<R>> {
    let expected = revision.map_or(Expected::Nothing, Expected::Revision);
    let written = setup::put(book, id, expected, fields, app.clock.new_id()).await;
    match written {
        Ok((kept, _)) => Ok(kept),
        // What the program writes by itself has no fields on a form: it is told as what does not fit.
        Err(Refusal::Invalid(faults)) => {
            let told: Vec<String> = faults.into_iter().map(|fault| fault.detail).collect();
            Err(Refusal::conflict(told.join("; ")))
        }
        Err(other) => Err(other),
    }
}
