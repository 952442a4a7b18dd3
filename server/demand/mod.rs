//! Demand: orders and what of them is packed and shipped, their import from a table, and the days on which what they want may be roasted.

mod import;
mod orders;
mod packing;
mod roasted;
mod shipment;
mod table;
mod window;

pub use import::{DryRun, Imported, OrderChange, OrderImport, OrderText, dry_run};
pub use orders::{LineView, OrderState, OrderView, Progress, views};
pub use packing::{FromBatch, Packed, Packing};
pub use roasted::{Roasted, roasted};
pub use shipment::Shipment;
pub use window::{Window, window};

use serde_json::{Map, Value, json};

use crate::book::leaf::Posting;
use crate::book::{Book, Draft};
use crate::refusal::Outcome;
use crate::store::BagsRow;

/// Books a posting that packs or ships bags, and its lines of bags.
async fn post_bags(book: &mut Book, mut draft: Draft, bags: &[BagsRow]) -> Outcome<Posting> {
    let mut facts: Map<String, Value> = draft.facts.as_object().cloned().unwrap_or_default();
    facts.insert("bags".to_owned(), json!(bags));
    draft.facts = Value::Object(facts);
    let posting = book.post(draft).await?;
    for (line, row) in bags.iter().enumerate() {
        book.tx().insert_bags(posting.id, line, row).await?;
    }
    Ok(posting)
}
