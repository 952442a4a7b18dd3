//! The fuzzer's way into this parser: tests/fuzz/Cargo.toml says how it is run.

#![no_main]

#[path = "../parsers.rs"]
#[allow(dead_code)]
mod parsers;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| parsers::copy(bytes));
