//! A dispatch's list is frozen at its cut-off: who gets what no longer changes by itself, and its orders are written down.

use std::collections::HashSet;

use async_trait::async_trait;
use serde::Serialize;
use uuid::Uuid;

use super::coming::{dispatch_order_id, orders_of, put, write_down};
use super::parcels::ship_day_of;
use super::roll::{List, Roll, frozen};
use crate::app::App;
use crate::book::Book;
use crate::command::{Command, Common, command};
use crate::ids::{DestinationId, DispatchId, OrderId, SubscriberId};
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Dispatch, Kept, Order, Product, Replacement, Subscriber};

command! {
    /// The list of a dispatch is frozen.
    Freeze {
        /// The dispatch.
        dispatch: DispatchId,
    }
}

command! {
    /// A subscriber is let into a frozen list as they are now, or taken out of it.
    LetIn {
        /// The dispatch.
        dispatch: DispatchId,
        /// The subscriber.
        subscriber: SubscriberId,
    }
}

/// What a frozen list holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Frozen {
    /// The dispatch.
    pub dispatch: DispatchId,
    /// How many parcels.
    pub parcels: u64,
    /// How many bags are in them.
    pub bags: u64,
    /// How many subscribers are left out.
    pub left_out: usize,
    /// Its orders, one for each destination.
    pub orders: Vec<OrderId>,
}

#[async_trait]
impl Command for Freeze {
    const NAME: &'static str = "freezes";
    type Answer = Frozen;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, _id: Uuid) -> Outcome<Frozen> {
        let site = book.site();
        let dispatch = named(book, self.dispatch).await?;
        if frozen(book.tx(), site, self.dispatch).await?.is_some() {
            return Err(Refusal::conflict(
                "the list of this dispatch is frozen already: let subscribers in one by one",
            ));
        }
        let roll = Roll::read(app, book.tx()).await?;
        let list = roll.list(&dispatch.fields, None);
        for part in list.parts(self.dispatch, 0, book.now(), &[]) {
            put(book, app, app.clock.new_id(), None, part).await?;
        }
        for lost in list.replaces().collect::<Vec<_>>() {
            let kept = setup::need::<Replacement>(book.tx(), site, lost).await?;
            let fields = Replacement {
                sent_with: Some(self.dispatch),
                ..kept.fields
            };
            put(book, app, lost, Some(kept.revision), fields).await?;
        }
        answer(book, app, &roll, &dispatch, &list).await
    }
}

#[async_trait]
impl Command for LetIn {
    const NAME: &'static str = "let-ins";
    type Answer = Frozen;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, _id: Uuid) -> Outcome<Frozen> {
        let site = book.site();
        let dispatch = named(book, self.dispatch).await?;
        let subscriber =
            setup::named::<Subscriber>(book.tx(), site, "/subscriber", self.subscriber).await?;
        if subscriber.fields.subscription != dispatch.fields.subscription {
            return Err(Refusal::field(
                "/subscriber",
                "this subscriber takes another subscription",
            ));
        }
        let Some((_, parts)) = frozen(book.tx(), site, self.dispatch).await? else {
            return Err(Refusal::conflict(
                "the list of this dispatch is still open: the subscriber is on it as they are",
            ));
        };
        let roll = Roll::read(app, book.tx()).await?;
        let now = roll.list_of(&dispatch.fields, self.subscriber);
        for part in now.parts(self.dispatch, parts, book.now(), &[self.subscriber]) {
            put(book, app, app.clock.new_id(), None, part).await?;
        }
        let list = frozen(book.tx(), site, self.dispatch).await?;
        let list = list.map(|(list, _)| list).unwrap_or_default();
        answer(book, app, &roll, &dispatch, &list).await
    }
}

/// A dispatch that is not called off.
async fn named(book: &mut Book, id: DispatchId) -> Outcome<Kept<Dispatch>> {
    let site = book.site();
    let dispatch = setup::named::<Dispatch>(book.tx(), site, "/dispatch", id).await?;
    if dispatch.fields.cancelled {
        return Err(Refusal::conflict("this dispatch is called off"));
    }
    Ok(dispatch)
}

/// Writes the orders of a frozen list down, and answers what it holds.
async fn answer(
    book: &mut Book,
    app: &App,
    roll: &Roll,
    dispatch: &Kept<Dispatch>,
    list: &List,
) -> Outcome<Frozen> {
    let site = book.site();
    let id = DispatchId(dispatch.id);
    let products = setup::all::<Product>(book.tx(), site).await?;
    let subscription = roll.subscriptions.get(&dispatch.fields.subscription);
    let ship = subscription
        .map(|subscription| ship_day_of(subscription, dispatch.fields.ship_day))
        .ok_or_else(|| Refusal::conflict("this dispatch has no subscription"))?;
    let orders = orders_of(roll, &products, dispatch, &list.parcels);
    let orders = orders.into_iter().map(|order| (order, ship.clone()));
    let orders = write_down(book, app, orders.collect()).await?;
    call_off_others(book, app, roll, id, &orders).await?;
    Ok(Frozen {
        dispatch: id,
        parcels: list.count(),
        bags: list.bags(),
        left_out: list.left_out.len(),
        orders,
    })
}

/// Orders of the dispatch to destinations where nothing goes any more are called off.
async fn call_off_others(
    book: &mut Book,
    app: &App,
    roll: &Roll,
    dispatch: DispatchId,
    orders: &[OrderId],
) -> Outcome<()> {
    let site = book.site();
    let kept: HashSet<OrderId> = orders.iter().copied().collect();
    let destinations: Vec<DestinationId> = roll.destinations.keys().copied().collect();
    for destination in destinations {
        let order = dispatch_order_id(dispatch, destination);
        if kept.contains(&order) {
            continue;
        }
        if let Some(before) = setup::find::<Order>(book.tx(), site, order).await?
            && !before.fields.cancelled
        {
            let fields = Order {
                cancelled: true,
                ..before.fields
            };
            put(book, app, order.0, Some(before.revision), fields).await?;
        }
    }
    Ok(())
}
