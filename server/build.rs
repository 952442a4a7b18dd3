//! Says what the program takes in at compile time besides its source, so that a new file there is not overlooked, and names that source.

use std::collections::BTreeMap;
use std::fs;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};

fn main() {
    println!("cargo::rerun-if-changed=migrations/sqlite");
    println!("cargo::rerun-if-changed=migrations/postgres");
    // The pages are read from disk while developing, and taken in only here.
    if std::env::var_os("PROFILE").is_some_and(|profile| profile == "release") {
        println!("cargo::rerun-if-changed=static");
    }
    println!("cargo::rerun-if-changed=server");
    println!("cargo::rerun-if-changed=Cargo.lock");
    let mut files = BTreeMap::new();
    gather(Path::new("server"), &mut files);
    gather(Path::new("Cargo.lock"), &mut files);
    let mut hasher = DefaultHasher::new();
    files.hash(&mut hasher);
    println!("cargo::rustc-env=OUTTURN_SOURCE={:016x}", hasher.finish());
}

/// A file, or all files of a folder, with what they hold.
fn gather(path: &Path, files: &mut BTreeMap<PathBuf, Vec<u8>>) {
    if let Ok(entries) = fs::read_dir(path) {
        for entry in entries.flatten() {
            gather(&entry.path(), files);
        }
    } else if let Ok(bytes) = fs::read(path) {
        files.insert(path.to_owned(), bytes);
    }
}
