//! The loss learner against published figures, exact answers and its own promises.

mod components;
mod logs;
mod order;
mod paper;
mod support;
