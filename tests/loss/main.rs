//! The loss learner against published figures, exact answers and its own promises.

mod components;
mod drift;
mod logs;
mod order;
mod paper;
mod pictures;
mod plan;
mod published;
mod rules;
mod scenarios;
mod stock;
mod support;
