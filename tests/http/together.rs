//! Statements of many lots: they add up to the milligram, page by page and in every file, as known now and as known then.

use serde_json::{Value, json};

use crate::green::reckoned;
use crate::statement::mg;
use crate::support::{Roastery, Server, each_database, roastery};

/// Adds a whole statement up by itself: lots, sums, lines and places.
fn assert_adds_up(statement: &Value) {
    let lots = statement["lots"].as_array().unwrap();
    for (whole, part) in [("opening_g", "opening_g"), ("closing_g", "closing_g")] {
        let sum: i64 = lots.iter().map(|lot| mg(&lot[part])).sum();
        assert_eq!(sum, mg(&statement[whole]), "{whole}");
    }
    for (name, sum) in statement["sums"].as_object().unwrap() {
        let parts: i64 = lots.iter().map(|lot| mg(&lot["sums"][name])).sum();
        assert_eq!(parts, mg(sum), "{name}");
    }
    let mut balance = mg(&statement["carried_g"]);
    for line in statement["lines"].as_array().unwrap() {
        balance += mg(&line["change_g"]);
        assert_eq!(balance, mg(&line["balance_g"]), "{line}");
    }
    if statement["next"].is_null() {
        assert_eq!(balance, mg(&statement["closing_g"]));
    }
    let totals = statement["totals"].as_array().unwrap();
    assert_eq!(
        totals.iter().map(|total| mg(&total["mass_g"])).sum::<i64>(),
        0,
        "{totals:?}"
    );
}

/// A few days of everything that green can do.
async fn busy_days(server: &Server, r: &Roastery) -> String {
    let loft = server.put_new("storerooms", json!({"name": "=Loft"})).await;
    for (lot, style) in [
        (&r.washed, &r.dark),
        (&r.peaberry, &r.light),
        (&r.screen_18, &r.light),
    ] {
        let batch = server.id();
        server.command("weigh-ins", json!({"batch": batch, "lot": lot, "style": style, "roaster": r.drum, "weight": reckoned(10_000)})).await;
        server
            .command(
                "weigh-outs",
                json!({"batches": [batch], "weight": reckoned(8_500.125)}),
            )
            .await;
        server.advance_minutes(24 * 60);
    }
    server
        .command(
            "transfers",
            json!({"lot": r.washed, "from": r.storeroom, "to": loft, "weight": reckoned(20_000)}),
        )
        .await;
    server
        .command(
            "samples",
            json!({"lot": r.washed, "storeroom": loft, "weight": reckoned(300.001)}),
        )
        .await;
    let waste = json!({"lot": r.peaberry, "storeroom": r.storeroom, "weight": reckoned(80), "reason": "=1+1"});
    let spilled = server.command("wastes", waste).await;
    server
        .command("reversals", json!({"posting": spilled["posting"]["id"]}))
        .await;
    server.advance_minutes(40 * 24 * 60);
    server
        .command(
            "dryings",
            json!({"lot": r.screen_18, "storeroom": r.storeroom, "weight": reckoned(12.345)}),
        )
        .await;
    server
        .command(
            "counts",
            json!({"lot": r.peaberry, "storeroom": r.storeroom, "weight": reckoned(109_000)}),
        )
        .await;
    loft
}

async fn statement(server: &Server, query: &str) -> Value {
    let statement = server.get(&format!("/api/statement?{query}")).await;
    assert_adds_up(&statement);
    statement
}

each_database! {
    async fn every_scope_adds_up(server: &Server) {
        let r = roastery(server).await;
        let loft = busy_days(server, &r).await;
        let all = statement(server, "to=2027-12-31").await;
        // 600 + 120 + 300 received; 30 charged, 300.001 g sampled, 12.345 g dried, a kilogram missing at the count.
        assert_eq!(all["closing_g"], 988_687.654);
        assert_eq!((&all["sums"]["received_g"], &all["sums"]["moved_g"]), (&json!(1_020_000), &json!(0)));
        let mut closing = 0;
        for query in [format!("delivery={}", r.kivu_delivery), format!("delivery={}", r.huila_delivery)] {
            closing += mg(&statement(server, &query).await["closing_g"]);
        }
        assert_eq!(closing, mg(&all["closing_g"]), "the deliveries are all");
        let mut closing = 0;
        for query in [format!("storeroom={}", r.storeroom), format!("storeroom={loft}")] {
            closing += mg(&statement(server, &query).await["closing_g"]);
        }
        assert_eq!(closing, mg(&all["closing_g"]), "the rooms are all");
        let up = statement(server, &format!("storeroom={loft}")).await;
        assert_eq!((&up["sums"]["moved_g"], &up["sums"]["sampled_g"], &up["closing_g"]), (&json!(20_000), &json!(300.001), &json!(19_699.999)));
        let coffee = statement(server, &format!("coffee={}", r.kivu)).await;
        assert_eq!(coffee["lots"].as_array().unwrap().len(), 2);
        // One lot says what its own statement says.
        let lot = statement(server, &format!("lot={}", r.peaberry)).await;
        let own = server.get(&format!("/api/lots/{}/statement", r.peaberry)).await;
        assert_eq!(lot["closing_g"], own["closing_g"]);
        for (name, sum) in own["sums"].as_object().unwrap() {
            assert_eq!(&lot["sums"][name], sum, "{name}");
        }
        assert_eq!(lot["lines"].as_array().unwrap().len(), own["lines"].as_array().unwrap().len());
    }

    /// A period's opening is the closing of the day before, and pages lead on from one another.
    async fn periods_and_pages_lead_on(server: &Server) {
        let r = roastery(server).await;
        busy_days(server, &r).await;
        let first = statement(server, "to=2026-11-27").await;
        let second = statement(server, "from=2026-11-28&to=2027-02-01").await;
        assert_eq!(first["closing_g"], second["opening_g"]);
        let whole = statement(server, "to=2027-02-01").await;
        let mut lines = Vec::new();
        let mut after = String::new();
        loop {
            let page = statement(server, &format!("to=2027-02-01&limit=2{after}")).await;
            lines.extend(page["lines"].as_array().unwrap().clone());
            match page["next"].as_str() {
                Some(next) => after = format!("&after={next}"),
                None => break,
            }
        }
        assert_eq!(&lines, whole["lines"].as_array().unwrap());
        for bad in ["from=2026-12-01&to=2026-11-01", "limit=0", "after=2026-11-25_1", "lot=1", "known=1&known_at=2026-11-25T00:00:00Z"] {
            server.ask(&format!("/api/statement?{bad}")).await.problem(422, "invalid");
        }
        let two = format!("lot={}&coffee={}", r.washed, r.kivu);
        server.ask(&format!("/api/statement?{two}")).await.problem(422, "invalid");
        server.ask(&format!("/api/statement?coffee={}", server.id())).await.problem(404, "not-found");
    }

    /// What was known at a closing stays what it was, whatever comes afterwards.
    async fn as_known_then_for_ever(server: &Server) {
        let r = roastery(server).await;
        busy_days(server, &r).await;
        let closing = server.command("closings", json!({"to_day": "2026-11-30"})).await["closing"].take();
        let query = format!("from=2026-11-01&to=2026-11-30&known={}", closing["known"]);
        let then = statement(server, &query).await;
        let late = json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(40), "happened_at": "2026-11-28T12:00:00Z"});
        server.command("dryings", late).await;
        let closing = closing["id"].clone();
        server.command("reopenings", json!({"closing": closing, "reason": "a slip was found"})).await;
        let early = json!({"lot": r.screen_18, "storeroom": r.storeroom, "weight": reckoned(70), "happened_at": "2026-11-28T12:00:00Z"});
        server.command("wastes", early).await;
        let now = statement(server, "from=2026-11-01&to=2026-11-30").await;
        assert_eq!(mg(&now["closing_g"]), mg(&then["closing_g"]) - 70_000);
        assert_eq!(statement(server, &query).await, then);
    }

    async fn the_same_in_every_file(server: &Server) {
        let r = roastery(server).await;
        busy_days(server, &r).await;
        let whole = statement(server, "to=2027-02-01").await;
        let lines = whole["lines"].as_array().unwrap();
        let csv = server.ask("/api/statement.csv?to=2027-02-01").await;
        assert_eq!((csv.status, csv.header("content-type")), (200, "text/csv; charset=utf-8"));
        assert_eq!(csv.header("content-disposition"), "attachment; filename=\"statement-all-2027-02-01.csv\"");
        let mut reader = csv::Reader::from_reader(csv.text.as_bytes());
        let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
        let of = |kind: &str| rows.iter().filter(|row| &row[0] == kind).count();
        assert_eq!((of("opening"), of("line"), of("closing"), of("lot")), (1, lines.len(), 1, 3));
        assert!(rows.iter().flat_map(|row| row.iter()).filter(|cell| cell.parse::<f64>().is_err()).all(|cell| !cell.starts_with(['=', '+', '-', '@'])));
        let jsonl = server.ask("/api/statement.jsonl?to=2027-02-01").await;
        assert_eq!((jsonl.status, jsonl.header("content-type")), (200, "application/jsonl"));
        let texts: Vec<Value> = jsonl.text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        let moved: i64 = texts.iter().filter(|row| row["row"] == "line").map(|row| mg(&row["change_g"])).sum();
        assert_eq!(moved, mg(&whole["closing_g"]));
    }

    /// The workbook is read by openpyxl in tests/reference; here only that it is one.
    async fn a_workbook(server: &Server) {
        let r = roastery(server).await;
        busy_days(server, &r).await;
        let request = server.request(reqwest::Method::GET, "/api/statement.xlsx?to=2027-02-01");
        let answer = request.send().await.unwrap();
        assert_eq!(answer.headers()["content-type"], "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet");
        let bytes = answer.bytes().await.unwrap();
        assert!(bytes.starts_with(b"PK"), "a zip archive");
        let whole = statement(server, "to=2027-02-01&limit=1000").await;
        // For the outside reader.
        let folder = concat!(env!("CARGO_TARGET_TMPDIR"));
        std::fs::write(format!("{folder}/statement.xlsx"), &bytes).unwrap();
        std::fs::write(format!("{folder}/statement.json"), whole.to_string()).unwrap();
    }
}
