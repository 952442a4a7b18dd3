//! More bags go to an order than it still lacks: a digit too many, or the order beside it.

use serde_json::{Map, json};

use super::Progress;
use crate::book::Book;
use crate::ids::{OrderId, ProductId};
use crate::refusal::{Confirm, Outcome, ToConfirm};
use crate::setup::{self, Order};
use crate::text::Name;

/// Has a person asked about so many bags of a product in a grind, where they are more than an order lacks.
///
/// # Errors
/// [`crate::refusal::Refusal`] where there is no such order, or the database fails.
pub(super) async fn beyond_order(
    book: &mut Book,
    order: OrderId,
    (product, grind): (ProductId, &Option<Name>),
    bags: u32,
    asked: &mut ToConfirm,
) -> Outcome<()> {
    let site = book.site();
    let orders = [setup::need::<Order>(book.tx(), site, order).await?];
    let progress = Progress::of(book.tx(), site, &orders).await?;
    let lines = progress.lines(&orders[0]).into_iter();
    let ours = lines.filter(|line| (line.product, &line.grind) == (product, grind));
    let lacks = ours.map(|line| line.bags.saturating_sub(line.packed_bags));
    let lacks: u32 = lacks.sum();
    if bags <= lacks {
        return Ok(());
    }
    let number = &orders[0].fields.number;
    let sentence = if lacks == 0 {
        format!(
            "order {number} lacks no such bags, and {bags} would be for it: leave the order out to put them on the shelf, or confirm it"
        )
    } else {
        format!(
            "order {number} lacks {lacks} such bags, and {bags} would be for it: give the number it lacks, or confirm it"
        )
    };
    let facts = Map::from_iter([("lacks_bags".to_owned(), json!(lacks))]);
    asked.add(Confirm::BeyondOrder, sentence, facts);
    Ok(())
}
