//! Outturn plans a small coffee roastery's batches, weighs them, learns each lot's loss and accounts for every gram of green.
//!
//! Dependencies point downward: `web` calls the areas, the areas call `store`, `planner` and `loss`, and all share the value types.

pub mod planner;
