//! Demand: orders and what of them is packed and shipped, their import from a table, and the days on which what they want may be roasted.

mod call_up;
mod coming;
pub mod coverage;
mod dispatch;
mod due;
mod freeze;
mod import;
mod listing;
mod orders;
mod packing;
mod parcels;
mod roasted;
mod roll;
mod shipment;
mod standing_import;
mod subscriber_import;
mod table;
mod window;

pub use call_up::{CallUp, CalledUp};
pub use coming::{Coming, dispatch_order_id, dispatches, write_down_named};
pub use dispatch::{DispatchView, ListLine, ListView, OutLine, dispatch_views, list_view};
pub use due::{keep, see_to};
pub use freeze::{Freeze, Frozen, LetIn};
pub use import::{DryRun, Imported, OrderChange, OrderImport, OrderText, dry_run};
pub use listing::{RowChange, TableDryRun, TableTaken, TableText};
pub use orders::{LineView, OrderState, OrderView, Progress, views};
pub use packing::{FromBatch, Packed, Packing};
pub use parcels::{Parcel, cut_off, ship_day_of};
pub use roasted::{Roasted, roasted};
pub use roll::{List, Roll, Subscribers, frozen, is_frozen};
pub use shipment::Shipment;
pub use standing_import::{StandingImport, look_at_standing_orders};
pub use subscriber_import::{SubscriberImport, look_at_subscribers};
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
    book.touch("order");
    Ok(posting)
}
