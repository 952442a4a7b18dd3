//! Outturn plans a small coffee roastery's batches, weighs them, learns each lot's loss and accounts for every gram of green.
//!
//! Dependencies point downward: `web` calls the areas, the areas call `store`, `planner` and `loss`, and all share the value types.

pub mod access;
pub mod app;
pub mod audit;
pub mod book;
pub mod calendar;
pub mod chart;
pub mod clock;
pub mod command;
pub mod copies;
pub mod cost;
pub mod counting;
pub mod daily;
pub mod day;
pub mod demand;
pub mod demo;
pub mod expect;
pub mod floor;
pub mod follow;
pub mod fraction;
pub mod green;
pub mod ids;
pub mod key_file;
pub mod ladder;
pub mod learn;
pub mod loss;
pub mod mass;
pub mod money;
pub mod person;
pub mod plan;
pub mod planner;
pub mod proof;
pub mod refusal;
pub mod serve;
pub mod settings;
pub mod setup;
pub mod sheet;
pub mod site;
pub mod sites;
pub mod store;
pub mod text;
pub mod threads;
pub mod web;
pub mod week;
