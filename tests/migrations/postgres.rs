//! What PostgreSQL says of its tables (its catalogues).

use sqlx::{Connection, PgConnection};

use super::{Keys, Tables, note};

const COLUMNS: &str = "
    SELECT table_name::text, column_name::text, data_type::text, is_nullable = 'NO', COALESCE(collation_name::text, '')
    FROM information_schema.columns
    WHERE table_schema = current_schema() AND table_name <> '_sqlx_migrations'";

const KEYS: &str = "
    SELECT t.relname::text, c.conname::text,
        CASE c.contype WHEN 'p' THEN 'primary key' WHEN 'u' THEN 'unique' ELSE 'foreign key to ' || o.relname END,
        a.attname || COALESCE(' = ' || b.attname, '')
    FROM pg_constraint c
    JOIN pg_class t ON t.oid = c.conrelid
    LEFT JOIN pg_class o ON o.oid = c.confrelid
    CROSS JOIN LATERAL unnest(c.conkey, c.confkey) WITH ORDINALITY AS k (here, there, place)
    JOIN pg_attribute a ON a.attrelid = c.conrelid AND a.attnum = k.here
    LEFT JOIN pg_attribute b ON b.attrelid = c.confrelid AND b.attnum = k.there
    WHERE c.connamespace = current_schema()::regnamespace AND c.contype IN ('p', 'u', 'f') AND t.relname <> '_sqlx_migrations'
    ORDER BY t.relname, c.conname, k.place";

const INDEXES: &str = "
    SELECT t.relname::text, i.relname::text,
        CASE WHEN x.indisunique THEN 'unique' ELSE 'index' END || ' ' || i.relname || CASE WHEN x.indpred IS NULL THEN '' ELSE ' in part' END,
        a.attname::text
    FROM pg_index x
    JOIN pg_class i ON i.oid = x.indexrelid
    JOIN pg_class t ON t.oid = x.indrelid
    CROSS JOIN LATERAL unnest(x.indkey::int2[]) WITH ORDINALITY AS k (attnum, place)
    JOIN pg_attribute a ON a.attrelid = t.oid AND a.attnum = k.attnum
    WHERE t.relnamespace = current_schema()::regnamespace AND NOT EXISTS (SELECT 1 FROM pg_constraint c WHERE c.conindid = i.oid AND c.contype IN ('p', 'u'))
    ORDER BY t.relname, i.relname, k.place";

const CHECKS: &str = "
    SELECT t.relname::text, (SELECT COUNT(*) FROM pg_constraint c WHERE c.conrelid = t.oid AND c.contype = 'c')
    FROM pg_class t
    WHERE t.relnamespace = current_schema()::regnamespace AND t.relkind = 'r' AND t.relname <> '_sqlx_migrations'";

async fn connect(url: &str) -> PgConnection {
    PgConnection::connect(url).await.expect("the server")
}

pub async fn tables(url: &str) -> Tables {
    let mut connection = connect(url).await;
    let mut tables = Tables::new();
    let columns: Vec<(String, String, String, bool, String)> = sqlx::query_as(COLUMNS)
        .fetch_all(&mut connection)
        .await
        .expect("columns");
    for (table, column, kind, required, collation) in columns {
        let kind = match (kind.as_str(), collation.as_str()) {
            ("uuid" | "bytea", _) => "bytes",
            // SQLite has no type of its own for yes and no.
            ("bigint" | "boolean", _) => "whole number",
            ("text", "C") => "text by bytes",
            ("double precision", _) => "float",
            other => panic!("{table}.{column} is {other:?}"),
        };
        let may_be_missing = if required { "" } else { ", may be missing" };
        note(
            &mut tables,
            &table,
            format!("column {column}: {kind}{may_be_missing}"),
        );
    }
    let mut keys = Keys::default();
    for query in [KEYS, INDEXES] {
        let rows: Vec<(String, String, String, String)> = sqlx::query_as(query)
            .fetch_all(&mut connection)
            .await
            .expect("keys");
        for (table, key, head, text) in rows {
            keys.add(table, key, head, text);
        }
    }
    keys.note(&mut tables);
    let checks: Vec<(String, i64)> = sqlx::query_as(CHECKS)
        .fetch_all(&mut connection)
        .await
        .expect("checks");
    for (table, checks) in checks {
        note(&mut tables, &table, format!("{checks} checks"));
    }
    tables
}

pub async fn pretend_newer(url: &str) {
    sqlx::query(
        "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time)
         VALUES (9999, 'later', TRUE, '\\x00', 0)",
    )
    .execute(&mut connect(url).await)
    .await
    .expect("a row");
}
