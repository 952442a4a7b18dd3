//! Somebody changes the database behind the service's back: one byte in one column of one row, in every column of every table. The check of
//! the book names the place each time, and holds again when the byte is put back.

use serde_json::json;
use sqlx::{AssertSqlSafe, Connection, PgConnection, Row, SqliteConnection};

use crate::green::reckoned;
use crate::support::{Database, Roastery, Server, each_database, roastery};

/// A column of a table, as its database declares it.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Column {
    table: String,
    name: String,
    kind: String,
}

/// A connection that nothing holds back: neither foreign keys nor checks.
enum Intruder {
    Sqlite(SqliteConnection),
    Postgres(PgConnection),
}

const SQLITE_COLUMNS: &str = "
    SELECT t.name, c.name, c.type
    FROM pragma_table_list AS t JOIN pragma_table_info(t.name) AS c
    WHERE t.schema = 'main' AND t.type = 'table' AND t.name NOT LIKE 'sqlite\\_%' ESCAPE '\\' AND t.name <> '_sqlx_migrations'
    ORDER BY t.name, c.cid";

/// Tables of who may come in, and what the learner wrote down for its next start: no part of the book.
const BESIDE: [&str; 6] = [
    "device_key",
    "invitation",
    "learned",
    "pairing",
    "secret",
    "session",
];

const POSTGRES_COLUMNS: &str = "
    SELECT table_name::text, column_name::text, data_type::text
    FROM information_schema.columns
    WHERE table_schema = current_schema() AND table_name <> '_sqlx_migrations'
    ORDER BY table_name, ordinal_position";

impl Intruder {
    async fn new(server: &Server) -> Self {
        let url = server.database_url();
        let (mut intruder, free) = match server.database() {
            Database::Sqlite => {
                let connection = SqliteConnection::connect(&url).await.unwrap();
                (
                    Self::Sqlite(connection),
                    "PRAGMA foreign_keys = OFF; PRAGMA ignore_check_constraints = ON",
                )
            }
            Database::Postgres => {
                let connection = PgConnection::connect(&url).await.unwrap();
                (
                    Self::Postgres(connection),
                    "SET session_replication_role = replica",
                )
            }
        };
        intruder.run(free.to_owned()).await.unwrap();
        intruder
    }

    async fn run(&mut self, text: String) -> Result<(), sqlx::Error> {
        let text = AssertSqlSafe(text);
        match self {
            Self::Sqlite(connection) => sqlx::raw_sql(text).execute(connection).await.map(drop),
            Self::Postgres(connection) => sqlx::raw_sql(text).execute(connection).await.map(drop),
        }
    }

    async fn columns(&mut self) -> Vec<Column> {
        let rows: Vec<(String, String, String)> = match self {
            Self::Sqlite(connection) => sqlx::query_as(SQLITE_COLUMNS).fetch_all(connection).await,
            Self::Postgres(connection) => {
                sqlx::query_as(POSTGRES_COLUMNS).fetch_all(connection).await
            }
        }
        .unwrap();
        rows.into_iter()
            .filter(|(table, ..)| !BESIDE.contains(&table.as_str()))
            .map(|(table, name, kind)| Column {
                table,
                name,
                kind: kind.to_lowercase(),
            })
            .collect()
    }

    /// The first and the last row of a table, by what its database calls them.
    async fn rows(&mut self, table: &str) -> Vec<String> {
        let address = self.address();
        let mut found = Vec::new();
        for edge in ["MIN", "MAX"] {
            let text = format!("SELECT CAST({edge}({address}) AS TEXT) FROM {table}");
            found.extend(self.text(text).await);
        }
        found.dedup();
        found
    }

    const fn address(&self) -> &'static str {
        match self {
            Self::Sqlite(_) => "rowid",
            Self::Postgres(_) => "ctid",
        }
    }

    async fn text(&mut self, text: String) -> Option<String> {
        let text = AssertSqlSafe(text);
        match self {
            Self::Sqlite(connection) => sqlx::query(text)
                .fetch_one(connection)
                .await
                .unwrap()
                .get(0),
            Self::Postgres(connection) => sqlx::query(text)
                .fetch_one(connection)
                .await
                .unwrap()
                .get(0),
        }
    }

    /// A cell as a literal of its database.
    async fn literal(&mut self, column: &Column, row: &str) -> String {
        let Column { table, name, .. } = column;
        let text = match self {
            Self::Sqlite(_) => format!("SELECT quote({name}) FROM {table} WHERE rowid = {row}"),
            Self::Postgres(_) => {
                format!("SELECT quote_nullable({name}) FROM {table} WHERE ctid = '{row}'")
            }
        };
        self.text(text).await.unwrap()
    }

    /// Sets a cell; answers where its row is then, or none where a key forbids it.
    async fn set(&mut self, column: &Column, row: &str, literal: &str) -> Option<String> {
        let Column { table, name, kind } = column;
        match self {
            Self::Sqlite(_) => {
                let text = format!("UPDATE {table} SET {name} = {literal} WHERE rowid = {row}");
                self.run(text).await.ok()?;
                // A row of a table whose key is its address goes with it.
                let moved = *name == "id" && table == "account";
                Some(if moved {
                    literal.to_owned()
                } else {
                    row.to_owned()
                })
            }
            Self::Postgres(connection) => {
                let text = format!(
                    "UPDATE {table} SET {name} = CAST({literal} AS {kind}) WHERE ctid = '{row}' RETURNING CAST(ctid AS TEXT)"
                );
                let row = sqlx::query(AssertSqlSafe(text))
                    .fetch_one(connection)
                    .await
                    .ok()?;
                Some(row.get(0))
            }
        }
    }
}

/// Literals that differ from one in one byte, or fill what is empty.
fn altered(kind: &str, literal: &str) -> Vec<String> {
    if literal == "NULL" {
        let filled = match kind {
            "integer" | "bigint" => "1",
            "blob" => "x'00000000000000000000000000000001'",
            "uuid" => "'00000000-0000-0000-0000-000000000001'",
            "bytea" => "'\\x01'",
            _ => "'x'",
        };
        return vec![filled.to_owned()];
    }
    if let "integer" | "bigint" | "boolean" = kind {
        let bare = literal.trim_matches('\'');
        return match bare {
            "true" => vec!["false".to_owned()],
            "false" => vec!["true".to_owned()],
            number => {
                let number: i64 = number.parse().unwrap();
                [1, 64].map(|bit| (number ^ bit).to_string()).to_vec()
            }
        };
    }
    // The last character before the closing quote, and one in the middle: a hex digit in bytes and ids, a letter or sign in text.
    let letters: Vec<char> = literal.chars().collect();
    let first = literal.find('\'').unwrap() + 1;
    let [last, middle] = [letters.len() - 2, (first + letters.len() - 1) / 2];
    if last < first {
        return vec![if kind == "bytea" {
            "'\\x01'".to_owned()
        } else {
            "'x'".to_owned()
        }];
    }
    let other = |at: usize| {
        let mut letters = letters.clone();
        letters[at] = if letters[at] == '1' { '2' } else { '1' };
        letters.into_iter().collect::<String>()
    };
    vec![other(last), other(middle)]
}

/// What a place that does not hold may be called for a table.
fn called(table: &str) -> &[&str] {
    match table {
        "log" | "posting" | "movement" | "weighing" | "bags" | "journal" => &["leaf "],
        "log_head" => &["log head"],
        "account" | "account_month" => &["account"],
        "flow_month" => &["flow"],
        "count_session" => &["count"],
        "record" | "record_link" => &["record"],
        "closing" => &["closing"],
        "batch" => &["batch"],
        "command" => &["command"],
        "unsettled" => &["unsettled"],
        other => panic!("the table {other} is checked nowhere"),
    }
}

/// Every table has rows when this has happened.
pub async fn busy_weeks(server: &Server, r: &Roastery) {
    let lot = |kilograms: &str| json!({"lot": r.washed, "storeroom": r.storeroom, "weight": r.weighed(kilograms)});
    server.command("samples", lot("0.30")).await;
    let held = server.id();
    server.command("weigh-ins", json!({"batch": held, "lot": r.washed, "style": r.dark, "roaster": r.drum, "weight": r.weighed("10.00")})).await;
    server.command("starts", json!({"batch": held})).await;
    let out = server
        .command(
            "weigh-outs",
            json!({"batches": [held], "weight": r.weighed("8.35")}),
        )
        .await;
    server
        .command("reversals", json!({"posting": out["posting"]["id"]}))
        .await;
    server
        .command(
            "weigh-outs",
            json!({"batches": [held], "weight": r.weighed("8.30")}),
        )
        .await;
    let good = server.id();
    let card = json!({"roaster": r.drum, "day": "2026-11-25", "start": "10:00", "lot": r.screen_18, "style": r.light, "charge_g": 10_000});
    let released = server
        .command(
            "releases",
            json!({"from_day": "2026-11-25", "days": 7, "batches": [card]}),
        )
        .await;
    let card = &released["cards"][0]["id"];
    server.command("weigh-ins", json!({"batch": good, "card": card, "lot": r.screen_18, "style": r.light, "roaster": r.drum, "weight": r.weighed("10.00")})).await;
    server
        .command(
            "weigh-outs",
            json!({"batches": [good], "weight": r.weighed("8.65")}),
        )
        .await;
    server
        .command("holds", json!({"batch": held, "reason": "tastes of smoke"}))
        .await;
    let undone = server.id();
    let weighed = server.command("weigh-ins", json!({"batch": undone, "lot": r.peaberry, "style": r.light, "roaster": r.drum, "weight": r.weighed("6.00")})).await;
    server
        .command("reversals", json!({"posting": weighed["posting"]["id"]}))
        .await;
    let count = server
        .command("count-openings", json!({"covers": ["green"]}))
        .await["id"]
        .clone();
    let green = json!({"lot": r.peaberry, "storeroom": r.storeroom});
    let entry = json!({"count": count, "green": green, "weights": [r.weighed("118.50")]});
    server.command("count-entries", entry).await;
    server
        .command("count-hand-ins", json!({ "count": count }))
        .await;
    let order = json!({"number": "A-1", "customer": "Corner Cafe", "ship_day": "2026-12-02", "transit_days": 1, "priority": 1,
        "lines": [{"line": 1, "product": r.kivu_bag, "bags": 8}]});
    let order = server.put_new("orders", order).await;
    server.advance_minutes(5 * 24 * 60);
    server
        .command(
            "packings",
            json!({"product": r.kivu_bag, "bags": 8, "order": order}),
        )
        .await;
    let closed = server
        .command("closings", json!({"to_day": "2026-11-26"}))
        .await;
    server
        .command(
            "reopenings",
            json!({"closing": closed["closing"]["id"], "reason": "a late slip"}),
        )
        .await;
    server
        .command("closings", json!({"to_day": "2026-11-27"}))
        .await;
    let kept =
        json!({"lot": r.kivu, "storeroom": r.storeroom, "weight": reckoned(70), "kept": true});
    let settled = server.id();
    server
        .order("wastes", &settled, kept.clone())
        .await
        .expect(202);
    let settlement =
        json!({"unsettled": settled, "reason": "swept up, and weighed with the samples"});
    server.command("settlements", settlement).await;
    server.order("wastes", &server.id(), kept).await.expect(202);
}

/// The places that do not hold.
async fn places(server: &Server) -> Vec<String> {
    let mut tx = server.app.read().await.unwrap();
    let report = outturn::audit::verify::verify(&mut *tx, server.app.site)
        .await
        .unwrap();
    assert_eq!(report.ok, report.places.is_empty());
    report
        .places
        .into_iter()
        .map(|place| place.r#where)
        .collect()
}

each_database! {
    async fn one_byte_in_any_column_is_named(server: &Server) {
        let r = roastery(server).await;
        busy_weeks(server, &r).await;
        assert_eq!(places(server).await, Vec::<String>::new());
        let mut intruder = Intruder::new(server).await;
        let (mut tried, mut unseen) = (0, Vec::new());
        let mut of_movements = std::collections::BTreeSet::new();
        for column in intruder.columns().await {
            let rows = intruder.rows(&column.table).await;
            assert!(!rows.is_empty(), "{} has no rows to alter", column.table);
            for mut row in rows {
                let was = intruder.literal(&column, &row).await;
                for other in altered(&column.kind, &was) {
                    let Some(moved) = intruder.set(&column, &row, &other).await else {
                        continue;
                    };
                    tried += 1;
                    if column.table == "movement" {
                        of_movements.insert(column.name.clone());
                    }
                    let found = places(server).await;
                    let names = called(&column.table);
                    if !found.iter().any(|place| names.iter().any(|name| place.contains(name))) {
                        unseen.push(format!("{}.{}: {was} to {other}, named {found:?}", column.table, column.name));
                    }
                    row = intruder.set(&column, &moved, &was).await.expect("put back");
                }
            }
        }
        assert!(unseen.is_empty(), "not seen:\n{}", unseen.join("\n"));
        let every = ["day", "from_account", "line", "mass_mg", "position", "posting", "to_account"];
        assert_eq!(of_movements.iter().map(String::as_str).collect::<Vec<_>>(), every, "every column of a movement was altered");
        assert!(tried > 200, "only {tried} cells could be altered");
        assert_eq!(places(server).await, Vec::<String>::new(), "all is as it was");
    }
}
