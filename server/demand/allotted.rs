//! What was taken from the shelf for orders, posting by posting: it can be undone as long as it stands there.

use serde::Serialize;

use super::label::{BagsFor, label_code};
use crate::day::Instant;
use crate::floor::view::Named;
use crate::ids::{OrderId, PostingId, SiteId};
use crate::refusal::Outcome;
use crate::setup::{self, Kept, Order, Product};
use crate::store::{BagsAllotted, BagsStanding, Read};
use crate::text::Name;

/// Bags of one packing that were taken from the shelf.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct AllottedBags {
    /// The packing.
    pub packing: PostingId,
    /// The code on its labels.
    pub code: String,
    /// How many of its bags.
    pub bags: u32,
}

/// Bags that one posting took from the shelf for an order, if it is not undone.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct AllotmentView {
    /// The posting: undone, its bags are on the shelf again.
    pub id: PostingId,
    /// For whom.
    pub r#for: BagsFor,
    /// Whether the order has been called off since.
    pub cancelled: bool,
    /// The product.
    pub product: Named,
    /// How the coffee is ground; null for whole beans.
    pub grind: Option<Name>,
    /// How many bags.
    pub bags: u32,
    /// Of which packings they are.
    pub packings: Vec<AllottedBags>,
    /// When they were taken.
    pub taken_at: Instant,
    /// Whether as many still stand there for the order: once they have gone on, that is undone first.
    pub standing: bool,
}

/// What was taken from the shelf for some orders, the first taken first.
pub(super) async fn allotted(
    tx: &mut dyn Read,
    site: SiteId,
    orders: &[Kept<Order>],
    standing: &[BagsStanding],
) -> Outcome<Vec<AllotmentView>> {
    let ids: Vec<OrderId> = orders.iter().map(|order| order.id.into()).collect();
    let rows = tx.bags_allotted_to(site, &ids).await?;
    let mut views = Vec::new();
    for taken in rows.chunk_by(|a, b| a.posting == b.posting) {
        let order = orders.iter().find(|order| order.id == taken[0].order.0);
        if let Some(order) = order {
            views.push(view(tx, site, order, taken, standing).await?);
        }
    }
    Ok(views)
}

/// One posting by its lines of bags, which are all of one order, product and grind.
async fn view(
    tx: &mut dyn Read,
    site: SiteId,
    order: &Kept<Order>,
    taken: &[BagsAllotted],
    standing: &[BagsStanding],
) -> Outcome<AllotmentView> {
    let of = &taken[0];
    let product = setup::need::<Product>(tx, site, of.product).await?;
    let packings = taken.iter().map(|line| AllottedBags {
        packing: line.packing,
        code: label_code(line.packing),
        bags: line.bags,
    });
    Ok(AllotmentView {
        id: of.posting,
        r#for: BagsFor {
            order: of.order,
            number: order.fields.number.clone(),
            customer: order.fields.customer.clone(),
        },
        cancelled: order.fields.cancelled,
        product: Named {
            id: product.id,
            name: product.fields.name,
        },
        grind: of.grind.clone(),
        bags: taken.iter().map(|line| line.bags).sum(),
        packings: packings.collect(),
        taken_at: of.taken_at,
        standing: taken.iter().all(|line| stands(line, standing)),
    })
}

/// Whether as many bags as were taken stand for their order.
fn stands(taken: &BagsAllotted, standing: &[BagsStanding]) -> bool {
    let there = standing.iter().filter(|of| {
        (of.packing, of.order, of.product) == (taken.packing, Some(taken.order), taken.product)
            && of.grind == taken.grind
    });
    there.map(|of| of.bags).sum::<u32>() >= taken.bags
}
