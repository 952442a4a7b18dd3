//! What the source promises about itself: which module may know which, what the pure cores must not touch, where SQL stands.
//!
//! The rules are those of DEVELOPERS.md; this file greps for them, so that they hold without anybody remembering.

use std::path::{Path, PathBuf};

/// A file of Rust source, without its unit tests.
struct Source {
    /// Its path below the folder it was looked for in, such as `book/mod.rs`.
    path: String,
    /// Its lines up to `#[cfg(test)]`, numbered from 1, comments left out.
    lines: Vec<(usize, String)>,
    /// All of it.
    whole: String,
}

impl Source {
    fn read(root: &Path, file: &Path) -> Self {
        let whole =
            std::fs::read_to_string(file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
        let lines = whole
            .lines()
            .take_while(|line| line.trim() != "#[cfg(test)]")
            .enumerate()
            .filter(|(_, line)| !line.trim_start().starts_with("//"))
            .map(|(i, line)| (i + 1, line.to_owned()))
            .collect();
        let path = file.strip_prefix(root).expect("below the root");
        Self {
            path: path.to_string_lossy().into_owned(),
            lines,
            whole,
        }
    }

    /// The module of the crate that it belongs to.
    fn module(&self) -> &str {
        let first = self.path.split('/').next().unwrap_or_default();
        first.strip_suffix(".rs").unwrap_or(first)
    }

    /// Where any of these texts stands in its code.
    fn finds(&self, texts: &[&str]) -> Vec<String> {
        let mut found = Vec::new();
        for (number, line) in &self.lines {
            found.extend(
                texts
                    .iter()
                    .filter(|text| line.contains(**text))
                    .map(|text| format!("{}:{number} has {text}", self.path)),
            );
        }
        found
    }

    /// The modules of the crate that its code names.
    fn names(&self) -> Vec<(usize, String)> {
        let mut found = Vec::new();
        for (number, line) in &self.lines {
            for after in line.split("crate::").skip(1) {
                let word: String = after
                    .chars()
                    .take_while(|c| c.is_alphanumeric() || *c == '_')
                    .collect();
                // Macros of the crate stand at its root.
                if !word.is_empty() && !after[word.len()..].starts_with('!') {
                    found.push((*number, word));
                }
            }
        }
        found
    }
}

/// Adds the files of a folder whose names end so, in its folders too; a folder that is not there has none.
fn files(folder: &Path, ending: &str, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten() {
        let path = entry.expect("an entry").path();
        if path.is_dir() && path.file_name().is_none_or(|name| name != "node_modules") {
            files(&path, ending, found);
        } else if path.to_string_lossy().ends_with(ending) {
            found.push(path);
        }
    }
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// All Rust source of a folder of the repository.
fn sources(folder: &str) -> Vec<Source> {
    let folder = root().join(folder);
    let mut found = Vec::new();
    files(&folder, ".rs", &mut found);
    found.sort();
    assert!(!found.is_empty(), "no source in {}", folder.display());
    found
        .iter()
        .map(|file| Source::read(&folder, file))
        .collect()
}

fn assert_none(wrong: Vec<String>) {
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

/// The layers from the bottom up: a module names those of its own layer and below.
const LAYERS: [&[&str]; 6] = [
    &[
        "mass", "fraction", "ids", "day", "calendar", "ladder", "money", "text", "threads", "clock",
    ],
    &["planner", "loss"],
    &["store", "book", "refusal", "sheet"],
    &["setup"],
    &[
        "app", "command", "cost", "counting", "expect", "green", "floor", "demand", "week",
        "audit", "access", "follow", "chart", "sites",
    ],
    &[
        "web", "serve", "settings", "learn", "person", "site", "plan", "demo", "build", "lib",
        "main", "copies", "daily", "proof", "key_file",
    ],
];

fn layer(module: &str) -> usize {
    LAYERS
        .iter()
        .position(|layer| layer.contains(&module))
        .unwrap_or_else(|| panic!("the module {module} has no layer: give it one in this test"))
}

#[test]
fn modules_name_only_their_own_layer_and_those_below() {
    let mut wrong = Vec::new();
    for source in sources("server") {
        let own = layer(source.module());
        let upward = source
            .names()
            .into_iter()
            .filter(|(_, named)| layer(named) > own);
        wrong.extend(upward.map(|(number, named)| {
            format!(
                "{}:{number} names {named}, which stands above it",
                source.path
            )
        }));
    }
    assert_none(wrong);
}

#[test]
fn the_cores_do_no_io_and_ask_no_clock() {
    let impure = [
        "tokio",
        "sqlx",
        "axum",
        "tower",
        "reqwest",
        "chrono::",
        "async fn",
        ".await",
        "std::fs",
        "std::net",
        "std::env",
        "std::process",
        "std::time",
        "std::thread",
        "println!",
        "eprintln!",
        "crate::store",
        "crate::clock",
        "crate::web",
    ];
    let cores = sources("server")
        .into_iter()
        .filter(|source| ["planner", "loss"].contains(&source.module()));
    assert_none(cores.flat_map(|source| source.finds(&impure)).collect());
}

#[test]
fn sql_stands_in_the_store_alone() {
    let others = sources("server")
        .into_iter()
        .filter(|source| source.module() != "store");
    assert_none(
        others
            .flat_map(|source| source.finds(&["sqlx", "SELECT ", "INSERT INTO", "DELETE FROM"]))
            .collect(),
    );
    // Text put together at run time could carry a user's text into a query.
    let made = ["AssertSqlSafe", "SELECT *"];
    let store = sources("server")
        .into_iter()
        .filter(|source| source.module() == "store");
    assert_none(store.flat_map(|source| source.finds(&made)).collect());
}

#[test]
fn calendar_and_http_stay_where_they_belong() {
    let mut wrong = Vec::new();
    for source in sources("server") {
        let (path, module) = (source.path.as_str(), source.module());
        if path != "day.rs" {
            wrong.extend(source.finds(&["chrono::", "chrono_tz::"]));
        }
        // The demo makes the requests that a user makes.
        if !["web", "serve", "demo"].contains(&module) {
            wrong.extend(source.finds(&["axum::", "tower_http::"]));
        }
    }
    assert_none(wrong);
}

#[test]
fn every_file_says_what_it_is_and_is_short_enough_to_read() {
    let mut wrong = Vec::new();
    for source in sources("server").into_iter().chain(sources("tests")) {
        if !source.whole.starts_with("//!") {
            wrong.push(format!(
                "{} does not begin by saying what it is (//!)",
                source.path
            ));
        }
        if source.whole.lines().count() > 700 {
            wrong.push(format!("{} has more than 700 lines", source.path));
        }
        let name = source.path.rsplit('/').next().unwrap_or_default();
        if ["utils.rs", "util.rs", "misc.rs", "common.rs", "helpers.rs"].contains(&name) {
            wrong.push(format!("{} says nothing by its name", source.path));
        }
    }
    assert_none(wrong);
}

#[test]
fn nothing_is_left_for_another_day() {
    // Put together here, so that this file does not hold them.
    let marks = [
        "TO".to_owned() + "DO",
        "FIX".to_owned() + "ME",
        "XX".to_owned() + "X",
        "unimplemented".to_owned() + "!",
    ];
    let mut found = Vec::new();
    for ending in [".rs", ".js", ".mjs", ".css", ".html", ".sql", ".sh", ".md"] {
        for folder in ["server", "static", "tests", "migrations", "demo"] {
            files(&root().join(folder), ending, &mut found);
        }
    }
    let mut wrong = Vec::new();
    for file in found {
        let text = std::fs::read_to_string(&file).expect("text");
        wrong.extend(
            marks
                .iter()
                .filter(|mark| text.contains(*mark))
                .map(|mark| format!("{}: {mark}", file.display())),
        );
    }
    assert_none(wrong);
}

#[test]
fn the_top_of_the_repository_is_the_table_of_contents() {
    let known = [
        "Cargo.toml",
        "Cargo.lock",
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "server",
        "migrations",
        "static",
        "tests",
        "demo",
        "clippy.toml",
        "deny.toml",
        "target",
    ];
    let mut wrong = Vec::new();
    for entry in std::fs::read_dir(root()).expect("the root") {
        let name = entry
            .expect("an entry")
            .file_name()
            .to_string_lossy()
            .into_owned();
        if !name.starts_with('.') && !name.contains(".sqlite") && !known.contains(&name.as_str()) {
            wrong.push(format!("{name} has no place at the top"));
        }
    }
    assert_none(wrong);
}

/// The names in a table of Cargo.toml.
fn dependencies(manifest: &toml::Table, table: &str) -> Vec<String> {
    let found = manifest
        .get(table)
        .and_then(toml::Value::as_table)
        .expect("a table");
    found.keys().map(|name| name.replace('-', "_")).collect()
}

#[test]
fn every_dependency_is_used() {
    let text = std::fs::read_to_string(root().join("Cargo.toml")).expect("Cargo.toml");
    let manifest: toml::Table = text.parse().expect("TOML");
    let (server, tests) = (sources("server"), sources("tests"));
    let named = |sources: &[Source], name: &str| {
        let path = format!("{name}::");
        sources.iter().any(|source| {
            source.whole.contains(&path) || source.whole.contains(&format!("use {name};"))
        })
    };
    let mut idle: Vec<String> = dependencies(&manifest, "dependencies")
        .into_iter()
        .filter(|name| !named(&server, name))
        .collect();
    let for_tests = dependencies(&manifest, "dev-dependencies").into_iter();
    idle.extend(for_tests.filter(|name| !named(&server, name) && !named(&tests, name)));
    assert_none(
        idle.into_iter()
            .map(|name| format!("{name} is used nowhere"))
            .collect(),
    );
}
