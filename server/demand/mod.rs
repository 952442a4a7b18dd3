//! Demand: orders and what of them is packed and shipped, their import from a table, and the days on which what they want may be roasted.

mod back;
mod bags;
mod bench;
pub mod capacity;
mod finish;
mod import;
mod label;
mod orders;
mod packing;
pub mod prepack;
mod roasted;
mod shipment;
mod table;
mod window;

pub use back::{BackTo, BagWaste, TakeBack};
pub use bags::{check_undone, standing};
pub use bench::{BinBatch, BinView, ShelfLine, bins, shelf_lines};
pub use finish::{RunEnd, RunEnded};
pub use import::{DryRun, Imported, OrderChange, OrderImport, OrderText, dry_run};
pub use label::{
    BagPart, BagsFor, PackLine, PackOrder, PackingList, PackingView, label_code, next_ship_day,
    packing, packing_list, packing_of_code, packings,
};
pub use orders::{LineView, OrderState, OrderView, Progress, views};
pub use packing::{BagQuestion, FromBatch, Packed, Packing};
pub use roasted::{Roasted, Run, all as all_roasted, roasted, runs};
pub use shipment::{CounterSale, Shipment, StaysBehind, shelf};
pub use window::{Window, window};
