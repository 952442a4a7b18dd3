//! What the fuzzer found worth keeping goes through every parser again, and every kind of body has its seed.

mod parsers;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

fn corpus(target: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/fuzz/corpus")
        .join(target);
    let files = std::fs::read_dir(&folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
    files.map(|file| file.unwrap().path()).collect()
}

fn replay(target: &str, parse: fn(&[u8])) {
    let files = corpus(target);
    assert!(!files.is_empty(), "{target} has nothing to replay");
    for file in files {
        eprintln!("{}", file.display());
        parse(&std::fs::read(file).unwrap());
    }
}

#[test]
fn tables() {
    replay("table", parsers::table);
}

#[test]
fn masses() {
    replay("mass", parsers::mass);
}

#[test]
fn instances() {
    replay("instance", parsers::instance);
}

#[test]
fn copies() {
    replay("copy", parsers::copy);
}

#[test]
fn bodies() {
    replay("body", parsers::body);
}

/// Every command and record that the service takes is known to the fuzzer, and has a seed from which it can go on.
#[test]
fn every_body_is_fuzzed() {
    let document = outturn::web::description();
    let puts = document["paths"]
        .as_object()
        .unwrap()
        .iter()
        .filter(|(_, path)| path["put"].is_object());
    let kind = |path: &str| path.split('/').nth(2).unwrap().to_owned();
    let wanted: BTreeSet<String> = puts.map(|(path, _)| kind(path)).collect();
    let known: BTreeSet<String> = parsers::BODIES
        .iter()
        .map(|(name, _)| (*name).to_owned())
        .collect();
    assert_eq!(known, wanted);
    let seeds = corpus("body");
    let first = |file: &PathBuf| {
        String::from_utf8_lossy(&std::fs::read(file).unwrap())
            .lines()
            .next()
            .unwrap_or_default()
            .to_owned()
    };
    let seeded: BTreeSet<String> = seeds.iter().map(first).collect();
    let missing: Vec<&String> = wanted.difference(&seeded).collect();
    assert!(missing.is_empty(), "no seed for {missing:?}");
}
