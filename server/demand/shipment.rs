//! Bags leave the house: packed -> shipped, all that is packed for an order and still there.

use std::collections::HashSet;

use async_trait::async_trait;
use serde_json::json;
use uuid::Uuid;

use super::{Progress, post_bags};
use crate::app::App;
use crate::book::leaf::{Kind, Movement};
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::green::Posted;
use crate::ids::{OrderId, PostingId};
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Order};
use crate::store::BagsRow;

command! {
    /// What is packed for an order left the house.
    Shipment {
        /// The order.
        order: OrderId,
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
        let order = setup::named::<Order>(book.tx(), site, "/order", self.order).await?;
        let movements = self.movements(book, id.into()).await?;
        if movements.is_empty() {
            return Err(Refusal::conflict(format!(
                "nothing is packed for order {} that has not left: pack first",
                order.fields.number
            )));
        }
        let orders = [order];
        let progress = Progress::of(book.tx(), site, &orders).await?;
        let bags: Vec<BagsRow> = progress
            .waiting(self.order)
            .into_iter()
            .map(|(product, bags)| BagsRow {
                order: Some(self.order),
                product,
                bags,
            })
            .collect();
        let draft = Draft {
            id: id.into(),
            kind: Kind::Ship,
            happened_at: self.happened_at,
            reason: self.common().why(),
            card: None,
            reverses: None,
            facts: json!({ "order": self.order }),
            movements,
            weighings: Vec::new(),
        };
        Ok(Posted::from(&post_bags(book, draft, &bags).await?))
    }
}

impl Shipment {
    /// All that stands packed for the order.
    async fn movements(&self, book: &mut Book, id: PostingId) -> Outcome<Vec<Movement>> {
        let site = book.site();
        let packings: HashSet<PostingId> = book
            .tx()
            .packings_of_order(site, self.order)
            .await?
            .into_iter()
            .collect();
        let standing = book.tx().standing(site, "packed").await?;
        let ours = standing.into_iter().filter(|standing| {
            standing.mass.is_positive()
                && matches!(standing.place, Place::Packed(packing) if packings.contains(&packing))
        });
        Ok(ours
            .map(|standing| Movement {
                lot: standing.lot,
                from: standing.place,
                to: Place::Shipped(id),
                mass_mg: standing.mass.mg(),
            })
            .collect())
    }
}
