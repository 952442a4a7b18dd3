//! What SQLite says of its tables (its pragmas as table-valued functions).

use std::path::Path;

use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, SqliteConnection};

use super::{Keys, Tables, note};

const COLUMNS: &str = "
    SELECT t.name, c.name, c.type, c.\"notnull\"
    FROM pragma_table_list AS t JOIN pragma_table_info(t.name) AS c
    WHERE t.type = 'table' AND t.name NOT LIKE 'sqlite\\_%' ESCAPE '\\' AND t.name <> '_sqlx_migrations'";

const PRIMARY: &str = "
    SELECT t.name, 'primary', 'primary key', c.name
    FROM pragma_table_list AS t JOIN pragma_table_info(t.name) AS c
    WHERE t.type = 'table' AND t.name NOT LIKE 'sqlite\\_%' ESCAPE '\\' AND t.name <> '_sqlx_migrations' AND c.pk > 0
    ORDER BY t.name, c.pk";

const FOREIGN: &str = "
    SELECT t.name, 'foreign ' || f.id, 'foreign key to ' || f.\"table\", f.\"from\" || ' = ' || f.\"to\"
    FROM pragma_table_list AS t JOIN pragma_foreign_key_list(t.name) AS f
    WHERE t.type = 'table'
    ORDER BY t.name, f.id, f.seq";

const INDEXES: &str = "
    SELECT t.name, i.name,
        CASE WHEN i.\"unique\" THEN 'unique' ELSE 'index' END
            || CASE WHEN i.origin = 'c' THEN ' ' || i.name ELSE '' END
            || CASE WHEN i.partial THEN ' in part' ELSE '' END,
        c.name
    FROM pragma_table_list AS t JOIN pragma_index_list(t.name) AS i JOIN pragma_index_info(i.name) AS c
    WHERE t.type = 'table' AND t.name NOT LIKE 'sqlite\\_%' ESCAPE '\\' AND t.name <> '_sqlx_migrations' AND i.origin <> 'pk'
    ORDER BY t.name, i.name, c.seqno";

const TEXTS: &str = "
    SELECT name, sql
    FROM sqlite_schema
    WHERE type = 'table' AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\' AND name <> '_sqlx_migrations'";

async fn connect(file: &Path) -> SqliteConnection {
    let options = SqliteConnectOptions::new().filename(file);
    options.connect().await.expect("the file")
}

pub async fn tables(file: &Path) -> Tables {
    let mut connection = connect(file).await;
    let mut tables = Tables::new();
    let columns: Vec<(String, String, String, bool)> = sqlx::query_as(COLUMNS)
        .fetch_all(&mut connection)
        .await
        .expect("columns");
    for (table, column, kind, required) in columns {
        let kind = match kind.as_str() {
            "BLOB" => "bytes",
            "INTEGER" => "whole number",
            "TEXT" => "text by bytes",
            "REAL" => "float",
            other => panic!("{table}.{column} is {other}"),
        };
        let may_be_missing = if required { "" } else { ", may be missing" };
        note(
            &mut tables,
            &table,
            format!("column {column}: {kind}{may_be_missing}"),
        );
    }
    let mut keys = Keys::default();
    for query in [PRIMARY, FOREIGN, INDEXES] {
        let rows: Vec<(String, String, String, String)> = sqlx::query_as(query)
            .fetch_all(&mut connection)
            .await
            .expect("keys");
        for (table, key, head, text) in rows {
            keys.add(table, key, head, text);
        }
    }
    keys.note(&mut tables);
    let texts: Vec<(String, String)> = sqlx::query_as(TEXTS)
        .fetch_all(&mut connection)
        .await
        .expect("texts");
    for (table, text) in texts {
        assert!(text.ends_with("STRICT"), "{table} is not STRICT");
        let checks = text.matches("CHECK (").count();
        note(&mut tables, &table, format!("{checks} checks"));
    }
    tables
}

pub async fn pretend_newer(file: &Path) {
    sqlx::query(
        "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time)
         VALUES (9999, 'later', TRUE, x'00', 0)",
    )
    .execute(&mut connect(file).await)
    .await
    .expect("a row");
}

/// The number of the last migration that was made.
pub async fn last_migration(file: &Path) -> i64 {
    sqlx::query_scalar("SELECT MAX(version) FROM _sqlx_migrations")
        .fetch_one(&mut connect(file).await)
        .await
        .expect("a number")
}

/// The tables whose rows differ between two files of the same tables.
pub async fn different_rows(one: &Path, other: &Path) -> Vec<String> {
    let mut connection = connect(one).await;
    sqlx::query("ATTACH DATABASE $1 AS other")
        .bind(other.to_string_lossy())
        .execute(&mut connection)
        .await
        .expect("the other file");
    let tables: Vec<String> =
        sqlx::query_scalar("SELECT name FROM main.sqlite_schema WHERE type = 'table'")
            .fetch_all(&mut connection)
            .await
            .expect("tables");
    assert!(tables.len() > 20, "{tables:?}");
    let mut different = Vec::new();
    for table in tables {
        let rows = |of: &str, but: &str| {
            format!(
                "SELECT COUNT(*) FROM (SELECT * FROM {of}.{table} EXCEPT SELECT * FROM {but}.{table})"
            )
        };
        for query in [rows("main", "other"), rows("other", "main")] {
            let found: i64 = sqlx::query_scalar(sqlx::AssertSqlSafe(query))
                .fetch_one(&mut connection)
                .await
                .expect("a number");
            if found > 0 {
                different.push(table.clone());
            }
        }
    }
    different
}
