//! More bags go to an order than it still lacks: a digit too many, or the order beside it.

use serde_json::{Map, json};

use super::Progress;
use crate::book::Book;
use crate::ids::{OrderId, ProductId};
use crate::refusal::{Confirm, Outcome, Refusal};
use crate::setup::{self, Order};
use crate::text::Name;

/// More bags for an order than it lacks.
#[derive(Debug, Clone)]
pub(super) struct BeyondOrder {
    number: Name,
    lacks: u32,
    bags: u32,
}

impl BeyondOrder {
    /// What so many bags of a product in a grind are more than an order lacks; none where it lacks so many.
    ///
    /// # Errors
    /// [`Refusal::Store`] when the database fails.
    pub async fn of(
        book: &mut Book,
        order: OrderId,
        (product, grind): (ProductId, &Option<Name>),
        bags: u32,
    ) -> Outcome<Option<Self>> {
        let site = book.site();
        let orders = [setup::need::<Order>(book.tx(), site, order).await?];
        let progress = Progress::of(book.tx(), site, &orders).await?;
        let lines = progress.lines(&orders[0]).into_iter();
        let ours = lines.filter(|line| (line.product, &line.grind) == (product, grind));
        let lacks = ours.map(|line| line.bags.saturating_sub(line.packed_bags));
        let lacks: u32 = lacks.sum();
        let [order] = orders;
        Ok((bags > lacks).then_some(Self {
            number: order.fields.number,
            lacks,
            bags,
        }))
    }

    /// What is unusual.
    pub fn sentence(&self) -> String {
        let Self {
            number,
            lacks,
            bags,
        } = self;
        if *lacks == 0 {
            format!(
                "order {number} lacks no such bags, and {bags} would be for it: leave the order out to put them on the shelf, or confirm it"
            )
        } else {
            format!(
                "order {number} lacks {lacks} such bags, and {bags} would be for it: give the number it lacks, or confirm it"
            )
        }
    }

    /// The figures behind it.
    pub fn facts(&self) -> Map<String, serde_json::Value> {
        Map::from_iter([("lacks_bags".to_owned(), json!(self.lacks))])
    }

    /// Asked about alone.
    pub fn asked(&self) -> Refusal {
        Refusal::Confirm {
            confirm: vec![Confirm::BeyondOrder],
            sentence: self.sentence(),
            facts: self.facts(),
        }
    }
}
