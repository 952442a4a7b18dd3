//! The life of a batch: whatever people do in whatever order, the book adds up and agrees with the batches' own steps.

mod histories;
mod offline;
mod steps;
mod support;
