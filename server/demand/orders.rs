//! Orders as they are answered: with what has been packed and shipped of each line.

use std::collections::HashMap;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::book::leaf::{Kind, words};
use crate::day::Day;
use crate::ids::{DispatchId, OrderId, ProductId, SiteId, StandingOrderId};
use crate::setup::{Kept, Order};
use crate::store::{Read, StoreError};
use crate::text::{Name, Note};

words! {
    /// How far an order has come.
    OrderState {
        /// Not all of it is packed.
        Open = "open",
        /// All of it is packed.
        Packed = "packed",
        /// All of it has left the house.
        Shipped = "shipped",
        /// Called off.
        Cancelled = "cancelled",
    }
}

/// A line of an order with what has become of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct LineView {
    /// Its number in the order.
    pub line: u16,
    /// What is wanted.
    pub product: ProductId,
    /// How many bags.
    pub bags: u32,
    /// How the coffee is to be ground; left out for whole beans.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(required = false)]
    pub grind: Option<Name>,
    /// How many of them are packed, the shipped ones with them; without those that came back and are to be replaced.
    pub packed_bags: u32,
    /// How many of them have left; without those that came back and are to be replaced.
    pub shipped_bags: u32,
}

/// An order as it is answered.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct OrderView {
    /// Its id.
    pub id: Uuid,
    /// How often it has been written: what If-Match expects.
    pub revision: i64,
    /// Its number, by which it is known.
    pub number: Name,
    /// Who wants it.
    pub customer: Name,
    /// When it leaves the house.
    pub ship_day: Day,
    /// Days on the way.
    pub transit_days: u16,
    /// Weight of what would be short.
    pub priority: u16,
    /// What is wanted, packed and shipped.
    pub lines: Vec<LineView>,
    /// Called off.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub cancelled: bool,
    /// A remark.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(required = false)]
    pub note: Option<Note>,
    /// The dispatch that it is part of.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(required = false)]
    pub dispatch: Option<DispatchId>,
    /// The standing order that it comes from.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(required = false)]
    pub standing: Option<StandingOrderId>,
    /// How far it has come.
    pub state: OrderState,
}

/// A product in a grind: what a bag is.
type Filled = (ProductId, Option<Name>);

/// How many bags have been packed and shipped for orders, less what was undone, thrown away, or came back to be replaced.
#[derive(Debug, Clone, Default)]
pub struct Progress(HashMap<OrderId, HashMap<Filled, Bags>>);

#[derive(Debug, Clone, Copy, Default)]
struct Bags {
    packed: u32,
    shipped: u32,
}

impl Progress {
    /// Reads what has become of orders.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn of(
        tx: &mut dyn Read,
        site: SiteId,
        orders: &[Kept<Order>],
    ) -> Result<Self, StoreError> {
        let ids: Vec<OrderId> = orders.iter().map(|order| order.id.into()).collect();
        let mut progress = Self::default();
        for sum in tx.bags_of_orders(site, &ids).await? {
            let filled = progress.0.entry(sum.order).or_default();
            let bags = filled.entry((sum.product, sum.grind)).or_default();
            let count = u32::try_from(sum.bags).unwrap_or(u32::MAX);
            // Kinds come in alphabetical order: what was packed before what was thrown away of it.
            match Kind::of_word(&sum.kind) {
                Some(Kind::Allot | Kind::Pack) => bags.packed += count,
                Some(Kind::Ship) => bags.shipped = count,
                // Only what the order gets others for has a line of its own.
                Some(Kind::TakeBack) => {
                    bags.packed = bags.packed.saturating_sub(count);
                    bags.shipped = bags.shipped.saturating_sub(count);
                }
                Some(Kind::Waste) => bags.packed = bags.packed.saturating_sub(count),
                _ => {}
            }
        }
        Ok(progress)
    }

    /// The lines of an order. Bags fill the lines of their product and grind in order of line; what is over stands with the last.
    #[must_use]
    pub fn lines(&self, order: &Kept<Order>) -> Vec<LineView> {
        let mut left = self.0.get(&order.id.into()).cloned().unwrap_or_default();
        let mut lines: Vec<_> = order.fields.lines.iter().collect();
        lines.sort_by_key(|line| line.line);
        let mut views: Vec<LineView> = Vec::with_capacity(lines.len());
        for (i, line) in lines.iter().enumerate() {
            let last = !lines[i + 1..]
                .iter()
                .any(|other| (other.product, &other.grind) == (line.product, &line.grind));
            let mut take = |of: fn(&mut Bags) -> &mut u32| {
                let filled = (line.product, line.grind.clone());
                let left = of(left.entry(filled).or_default());
                let taken = if last { *left } else { line.bags.min(*left) };
                *left -= taken;
                taken
            };
            views.push(LineView {
                line: line.line,
                product: line.product,
                bags: line.bags,
                grind: line.grind.clone(),
                packed_bags: take(|bags| &mut bags.packed),
                shipped_bags: take(|bags| &mut bags.shipped),
            });
        }
        views
    }

    /// An order as it is answered.
    #[must_use]
    pub fn view(&self, order: Kept<Order>) -> OrderView {
        let lines = self.lines(&order);
        let Kept {
            id,
            revision,
            fields,
        } = order;
        let all = |made: fn(&LineView) -> u32| lines.iter().all(|line| made(line) >= line.bags);
        let state = if fields.cancelled {
            OrderState::Cancelled
        } else if all(|line| line.shipped_bags) {
            OrderState::Shipped
        } else if all(|line| line.packed_bags) {
            OrderState::Packed
        } else {
            OrderState::Open
        };
        OrderView {
            id,
            revision,
            number: fields.number,
            customer: fields.customer,
            ship_day: fields.ship_day,
            transit_days: fields.transit_days,
            priority: fields.priority,
            lines,
            cancelled: fields.cancelled,
            note: fields.note,
            dispatch: fields.dispatch,
            standing: fields.standing,
            state,
        }
    }
}

/// Orders as they are answered.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn views(
    tx: &mut dyn Read,
    site: SiteId,
    orders: Vec<Kept<Order>>,
) -> Result<Vec<OrderView>, StoreError> {
    let progress = Progress::of(tx, site, &orders).await?;
    Ok(orders
        .into_iter()
        .map(|order| progress.view(order))
        .collect())
}
