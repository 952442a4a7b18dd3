//! The floor: the life of a batch.

pub mod batch;
