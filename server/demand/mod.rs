//! Demand: orders and what of them is packed and shipped, their import from a table, and the days on which what they want may be roasted.

mod allot;
mod allotted;
mod back;
mod bags;
mod bench;
mod beyond;
mod call_up;
pub mod capacity;
mod claims;
mod coming;
pub mod coverage;
mod dispatch;
mod due;
mod filled;
mod finish;
mod freeze;
mod import;
mod label;
mod listing;
mod orders;
mod packing;
mod parcels;
pub mod prepack;
mod roasted;
mod roll;
mod shipment;
mod standing_import;
mod subscriber_import;
mod table;
mod window;

pub use allot::Allotment;
pub use allotted::{AllotmentView, AllottedBags};
pub use back::{BackTo, BagWaste, Returned, TakeBack, returned};
pub(crate) use bags::store as store_bags;
pub use bags::{check_undone, standing};
pub use bench::{BinBatch, BinView, ShelfLine, ShelfPacking, bins, shelf_lines};
pub use call_up::{CallUp, CalledUp};
pub use coming::{Coming, dispatch_order_id, dispatches, product_of, write_down_named};
pub use dispatch::{DispatchView, ListLine, ListView, OutLine, dispatch_views, list_view};
pub use due::{keep, see_to};
pub use filled::{Filled, bags_in};
pub use finish::{RunEnd, RunEnded};
pub use freeze::{Freeze, Frozen, LetIn};
pub use import::{DryRun, Imported, OrderChange, OrderImport, OrderText, dry_run};
pub use label::{
    BagPart, BagsFor, BagsStand, PackLine, PackOrder, PackingList, PackingView, label_code,
    next_ship_day, packing, packing_list, packing_of_code, packings,
};
pub use listing::{RowChange, TableDryRun, TableTaken, TableText};
pub use orders::{LineView, OrderState, OrderView, Progress, views};
pub use packing::{BagQuestion, FromBatch, Packed, Packing};
pub use parcels::{Parcel, cut_off, ship_day_of};
pub use roasted::{Roasted, Run, all as all_roasted, roasted, runs};
pub use roll::{List, Roll, Subscribers, frozen, is_frozen};
pub use shipment::{CounterSale, Shipment, StaysBehind, shelf};
pub use standing_import::{StandingImport, look_at_standing_orders};
pub use subscriber_import::{SubscriberImport, look_at_subscribers};
pub use window::{Window, window};
