//! Says what the program takes in at compile time besides its source, so that a new file there is not overlooked.

fn main() {
    println!("cargo::rerun-if-changed=migrations/sqlite");
    println!("cargo::rerun-if-changed=migrations/postgres");
    // The pages are read from disk while developing, and taken in only here.
    if std::env::var_os("PROFILE").is_some_and(|profile| profile == "release") {
        println!("cargo::rerun-if-changed=static");
    }
}
