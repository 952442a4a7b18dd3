//! Bags: whatever is packed, shipped and undone in whatever order, they hold what was roasted and orders show what is in them.

mod bags;
mod coverage;

#[path = "../floor/support.rs"]
mod support;
