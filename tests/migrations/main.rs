//! The two folders of migrations make the same tables: each is run from empty, and what the databases then say of themselves is compared.

mod postgres;
mod sqlite;
mod upgrade;

#[path = "../support/postgres.rs"]
mod schema;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use outturn::clock::Clock;
use outturn::store;

/// What a database says of its tables: a line for each column, key, index and check.
type Tables = BTreeMap<String, BTreeSet<String>>;

/// Notes a line about a table.
fn note(tables: &mut Tables, table: &str, line: String) {
    tables.entry(table.to_owned()).or_default().insert(line);
}

/// Columns of keys and indexes, gathered row by row under the name of the key and in order.
#[derive(Default)]
struct Keys(BTreeMap<(String, String), (String, Vec<String>)>);

impl Keys {
    /// Adds a key's next column, as `text`.
    fn add(&mut self, table: String, key: String, head: String, text: String) {
        let (_, columns) = self.0.entry((table, key)).or_insert((head, Vec::new()));
        columns.push(text);
    }

    fn note(self, tables: &mut Tables) {
        for ((table, _), (head, columns)) in self.0 {
            note(tables, &table, format!("{head} ({})", columns.join(", ")));
        }
    }
}

async fn opened(url: &str) {
    let store = store::open(url)
        .await
        .unwrap_or_else(|e| panic!("{url}: {e}"));
    store.close().await;
}

async fn fresh_schema() -> schema::Schema {
    schema::Schema::create(format!("migrations_{}", Clock::Machine.new_id().simple())).await
}

#[test]
fn both_folders_hold_the_same_numbers_and_names() {
    let names = |folder: &str| -> BTreeSet<String> {
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("migrations")
            .join(folder);
        let entries = std::fs::read_dir(path).expect("a folder");
        entries
            .map(|entry| {
                entry
                    .expect("a file")
                    .file_name()
                    .to_string_lossy()
                    .into_owned()
            })
            .collect()
    };
    let (sqlite, postgres) = (names("sqlite"), names("postgres"));
    assert_eq!(sqlite, postgres);
    let numbers: Vec<&str> = sqlite.iter().map(|name| &name[..4]).collect();
    let expected: Vec<String> = (1..=numbers.len()).map(|n| format!("{n:04}")).collect();
    assert_eq!(numbers, expected, "migrations are numbered without a gap");
}

#[tokio::test]
async fn both_make_the_same_tables() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("book.sqlite");
    let schema = fresh_schema().await;
    opened(&format!("sqlite:{}", file.display())).await;
    opened(&schema.url()).await;
    let (sqlite, postgres) = (
        sqlite::tables(&file).await,
        postgres::tables(&schema.url()).await,
    );
    schema.drop().await;
    assert!(sqlite.len() > 10, "only {:?}", sqlite.keys());
    assert!(
        sqlite
            .values()
            .all(|lines| lines.iter().any(|line| line.starts_with("primary key")))
    );
    for (table, lines) in &sqlite {
        assert_eq!(
            Some(lines),
            postgres.get(table),
            "table {table}: SQLite left, PostgreSQL right"
        );
    }
    assert_eq!(
        sqlite.len(),
        postgres.len(),
        "PostgreSQL has {:?}",
        postgres.keys()
    );
}

/// A second start finds everything done; a file of a later release is left alone.
#[tokio::test]
async fn a_book_opens_again_but_not_in_an_older_program() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("book.sqlite");
    let schema = fresh_schema().await;
    for url in [format!("sqlite:{}", file.display()), schema.url()] {
        opened(&url).await;
        opened(&url).await;
    }
    sqlite::pretend_newer(&file).await;
    postgres::pretend_newer(&schema.url()).await;
    for url in [format!("sqlite:{}", file.display()), schema.url()] {
        assert!(
            store::open(&url).await.is_err(),
            "{url} is of a later release"
        );
    }
    schema.drop().await;
}
