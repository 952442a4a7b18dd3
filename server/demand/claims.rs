//! Bags that are sold under a claim hold coffee only of lots that carry it: the first check, bag by bag.

use crate::book::Book;
use crate::ids::{BatchId, SiteId};
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Lot, Product};
use crate::store::{BatchRow, Read};
use crate::text::Name;

use super::roasted::Roasted;

/// The roasted coffee that a product may be packed from, as far as its claims go.
pub(super) async fn carrying(
    book: &mut Book,
    product: &Product,
    stock: Vec<Roasted>,
) -> Outcome<Vec<Roasted>> {
    if product.claims.is_empty() {
        return Ok(stock);
    }
    let site = book.site();
    let mut fit = Vec::new();
    for roasted in stock {
        let lot = setup::need::<Lot>(book.tx(), site, roasted.lot)
            .await?
            .fields;
        if lot.lacks(&product.claims, roasted.day).is_empty() {
            fit.push(roasted);
        }
    }
    Ok(fit)
}

/// Refuses batches whose lots do not carry what a product is sold as.
pub(super) async fn check(book: &mut Book, product: &Product, batches: &[BatchId]) -> Outcome<()> {
    if product.claims.is_empty() {
        return Ok(());
    }
    let site = book.site();
    let rows = book.tx().batches_by_id(site, batches).await?;
    match lacking(book.tx(), site, product, &rows).await? {
        Some(sentence) => Err(Refusal::conflict(sentence)),
        None => Ok(()),
    }
}

/// Why coffee of some batches may not be sold as a product is, in words; none where it may.
pub(super) async fn lacking(
    tx: &mut dyn Read,
    site: SiteId,
    product: &Product,
    rows: &[BatchRow],
) -> Outcome<Option<String>> {
    for row in rows {
        let lot = setup::need::<Lot>(tx, site, row.lot).await?.fields;
        let lacks = lot.lacks(&product.claims, row.day);
        if !lacks.is_empty() {
            let lacks: Vec<&str> = lacks.into_iter().map(Name::as_str).collect();
            return Ok(Some(format!(
                "{} is sold as {}, and {}, roasted on {}, is not: it has no certificate that held on that day. Take another batch, or a product without the claim",
                product.name,
                lacks.join(", "),
                lot.name,
                row.day
            )));
        }
    }
    Ok(None)
}
