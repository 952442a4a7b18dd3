//! The planner against the world outside: every plan of tiny instances, paper cases, a reference solver's results,
//! published packing and lot-sizing instances, and a verifier that shares no code with the planner.

mod contract;
mod exhaustive;
mod published;
mod reader;

mod reference;
mod roastery;
mod service;
mod verify;
