//! The service from outside: a real server, a real database, requests as anybody could send them.
//!
//! One module for each area; each test runs on both databases (`support::each_database`).

mod audit;
mod bad_input;
mod bodies;
mod cli;
mod costs;
mod counts;
mod demand;
mod green;
mod histories;
mod kill;
mod log;
mod openapi;
mod records;
mod servers;
mod statement;
mod stock;
mod tamper;
mod week;

#[path = "../support/mod.rs"]
mod support;
