//! The service from outside: a real server, a real database, requests as anybody could send them.
//!
//! One module for each area; each test runs on both databases (`support::each_database`).

mod access;
mod audit;
mod bad_input;
mod bodies;
mod claims;
mod cli;
mod copies;
mod cost;
mod costs;
mod counts;
mod demand;
mod dispatch;
mod door;
mod faults;
mod findings;
mod green;
mod hardship;
mod histories;
mod kill;
mod learner;
mod listing;
mod load;
mod log;
mod matrix;
mod metrics;
mod openapi;
mod packing;
mod pages;
mod program;
mod records;
mod servers;
mod sheets;
mod sites;
mod statement;
mod stock;
mod tamper;
mod tls;
mod together;
mod trace;
mod value;
mod vanish;
mod week;

#[path = "../support/mod.rs"]
mod support;
