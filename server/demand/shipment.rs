//! Bags leave the house: packed -> shipped, for one order or for all of a ship day, less what stays behind; or over the counter of the shop.

use std::collections::HashMap;

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use uuid::Uuid;

use super::bags::{self, Leaving};
use crate::app::App;
use crate::book::leaf::Kind;
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::day::Day;
use crate::green::Posted;
use crate::ids::{OrderId, PostingId, ProductId};
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Order, Product, Record};
use crate::store::{BagsRow, BagsStanding};
use crate::text::Name;

/// What stays behind of an order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StaysBehind {
    /// The order.
    pub order: OrderId,
    /// Bags of this product alone; left out: all that is packed for the order.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub product: Option<ProductId>,
    /// Bags of this packing alone; left out: those packed last stay, so that the oldest leave.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub packing: Option<PostingId>,
    /// So many of them; left out: all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 1_000_000)]
    pub bags: Option<u32>,
}

command! {
    /// What is packed for an order, or for all orders of a ship day, left the house.
    Shipment {
        /// The order; left out where a ship day is given.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        order: Option<OrderId>,
        /// The ship day of which everything packed left.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        ship_day: Option<Day>,
        /// What stays behind.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        #[schema(max_items = 1000)]
        except: Vec<StaysBehind>,
    }
}

command! {
    /// Bags were sold over the counter, from the shelf.
    CounterSale {
        /// The product.
        product: ProductId,
        /// How many bags.
        #[schema(minimum = 1, maximum = 1_000_000)]
        bags: u32,
        /// How the coffee in them is ground; left out for whole beans.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        grind: Option<Name>,
        /// The packing that they are of; left out: the oldest.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        packing: Option<PostingId>,
    }
}

#[async_trait]
impl Command for Shipment {
    const NAME: &'static str = "shipments";
    type Answer = Posted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Posted> {
        let site = book.site();
        let (orders, facts, whom) = self.whom(book).await?;
        let standing = bags::standing(book.tx(), site).await?;
        let (leaving, stayed) = self.leaving(standing, &orders)?;
        if leaving.is_empty() {
            return Err(Refusal::conflict(format!(
                "nothing is packed for {whom} that has not left: pack first"
            )));
        }
        let mut facts = facts;
        if !stayed.is_empty() {
            facts["stayed"] = json!(stayed);
        }
        leave(book, id, self.common(), &leaving, facts).await
    }
}

impl Shipment {
    /// The orders that ship, what the posting says of them, and how people call them.
    async fn whom(&self, book: &mut Book) -> Outcome<(Vec<OrderId>, Value, String)> {
        let site = book.site();
        match (self.order, self.ship_day) {
            (Some(order), None) => {
                let kept = setup::named::<Order>(book.tx(), site, "/order", order).await?;
                let whom = format!("order {}", kept.fields.number);
                Ok((vec![order], json!({ "order": order }), whom))
            }
            (None, Some(day)) => {
                let rows = book
                    .tx()
                    .records_of_days(site, Order::KIND, day, day)
                    .await?;
                let orders = rows.iter().map(|row| OrderId(row.id)).collect();
                Ok((orders, json!({ "ship_day": day }), format!("{day}")))
            }
            _ => Err(Refusal::field(
                "",
                "say which order left, or give the ship day of which all did",
            )),
        }
    }

    /// The bags that leave, and those that stay behind.
    fn leaving(
        &self,
        standing: Vec<BagsStanding>,
        orders: &[OrderId],
    ) -> Outcome<(Vec<Leaving>, Vec<StaysBehind>)> {
        let mut ours: Vec<Leaving> = standing
            .into_iter()
            .filter(|of| of.order.is_some_and(|order| orders.contains(&order)))
            .map(|of| Leaving { bags: of.bags, of })
            .collect();
        let mut stayed = Vec::new();
        for (i, except) in self.except.iter().enumerate() {
            let mut left = except.bags.unwrap_or(u32::MAX);
            let mut kept = 0;
            // The last packed stay behind.
            for leaving in ours.iter_mut().rev().filter(|l| except.means(&l.of)) {
                let bags = left.min(leaving.bags);
                leaving.bags -= bags;
                left -= bags;
                kept += bags;
            }
            if kept == 0 || except.bags.is_some_and(|bags| kept < bags) {
                return Err(Refusal::field(
                    &format!("/except/{i}"),
                    format!("only {kept} such bags are packed and have not left"),
                ));
            }
            stayed.push(StaysBehind {
                bags: Some(kept),
                ..except.clone()
            });
        }
        ours.retain(|leaving| leaving.bags > 0);
        Ok((ours, stayed))
    }
}

impl StaysBehind {
    /// Whether it is about these bags.
    fn means(&self, of: &BagsStanding) -> bool {
        of.order == Some(self.order)
            && self.product.is_none_or(|product| product == of.product)
            && self.packing.is_none_or(|packing| packing == of.packing)
    }
}

#[async_trait]
impl Command for CounterSale {
    const NAME: &'static str = "counter-sales";
    type Answer = Posted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Posted> {
        let site = book.site();
        setup::named::<Product>(book.tx(), site, "/product", self.product).await?;
        let standing = bags::standing(book.tx(), site).await?;
        let shelf = standing.into_iter().filter(|of| {
            of.order.is_none()
                && of.product == self.product
                && of.grind == self.grind
                && self.packing.is_none_or(|packing| packing == of.packing)
        });
        let leaving = bags::first(shelf, self.bags);
        let there: u32 = leaving.iter().map(|leaving| leaving.bags).sum();
        if self.bags == 0 || there < self.bags {
            return Err(Refusal::field(
                "/bags",
                format!("{there} such bags stand on the shelf: pack more for the shelf first"),
            ));
        }
        leave(book, id, self.common(), &leaving, json!({ "shelf": true })).await
    }
}

/// Books the bags that leave.
async fn leave(
    book: &mut Book,
    id: Uuid,
    common: Common<'_>,
    leaving: &[Leaving],
    facts: Value,
) -> Outcome<Posted> {
    let rows: Vec<BagsRow> = leaving.iter().map(Leaving::row).collect();
    let draft = Draft {
        id: id.into(),
        kind: Kind::Ship,
        happened_at: common.happened_at,
        reason: common.why(),
        card: None,
        reverses: None,
        facts,
        movements: bags::movements(book, leaving, Place::Shipped(id.into())).await?,
        weighings: Vec::new(),
    };
    Ok(Posted::from(&bags::post(book, draft, &rows).await?))
}

/// Bags on the shelf by product and grind.
#[must_use]
pub fn shelf(standing: &[BagsStanding]) -> HashMap<(ProductId, Option<Name>), u32> {
    let mut shelf: HashMap<_, u32> = HashMap::new();
    for of in standing.iter().filter(|of| of.order.is_none()) {
        *shelf.entry((of.product, of.grind.clone())).or_default() += of.bags;
    }
    shelf
}
