//! The statement of a lot: it adds up to the milligram, as known now and as known then.

use serde_json::{Value, json};

use crate::green::{once_more, reckoned};
use crate::support::{Roastery, Server, each_database, roastery};

/// Whole milligrams of a JSON mass.
pub fn mg(value: &Value) -> i64 {
    let text = value.to_string();
    let (whole, decimals) = text.split_once('.').unwrap_or((&text, ""));
    let sign = if text.starts_with('-') { -1 } else { 1 };
    let whole: i64 = whole.parse().unwrap();
    let decimals: i64 = format!("{decimals:0<3}").parse().unwrap();
    whole * 1_000 + sign * decimals
}

/// Adds a statement up by itself: opening, lines, closing, sums and places.
pub fn assert_adds_up(statement: &Value) {
    let mut balance = mg(&statement["opening_g"]);
    for line in statement["lines"].as_array().unwrap() {
        balance += mg(&line["change_g"]);
        assert_eq!(balance, mg(&line["balance_g"]), "{line}");
    }
    assert_eq!(balance, mg(&statement["closing_g"]));
    let totals = statement["totals"].as_array().unwrap();
    let all: i64 = totals.iter().map(|total| mg(&total["mass_g"])).sum();
    assert_eq!(all, 0, "{totals:?}");
    let store: i64 = totals
        .iter()
        .filter(|t| t["place"] == "store")
        .map(|t| mg(&t["mass_g"]))
        .sum();
    assert_eq!(store, balance);
    let sums = &statement["sums"];
    let of = |names: &[&str]| names.iter().map(|name| mg(&sums[*name])).sum::<i64>();
    let came = of(&["received_g", "blended_in_g", "difference_g"]);
    let went = of(&[
        "returned_g",
        "blended_out_g",
        "charged_g",
        "sampled_g",
        "wasted_g",
        "dried_g",
        "sent_g",
    ]);
    assert_eq!(mg(&statement["opening_g"]) + came - went, balance, "{sums}");
}

async fn batch(server: &Server, r: &Roastery, lot: &str, [green, roasted]: [i64; 2]) -> String {
    let batch = server.id();
    server.command("weigh-ins", json!({"batch": batch, "lot": lot, "style": r.dark, "roaster": r.drum, "weight": reckoned(green)})).await;
    server
        .command(
            "weigh-outs",
            json!({"batches": [batch], "weight": reckoned(roasted)}),
        )
        .await;
    batch
}

fn texts(statement: &Value) -> Vec<&str> {
    statement["lines"]
        .as_array()
        .unwrap()
        .iter()
        .map(|line| line["text"].as_str().unwrap())
        .collect()
}

each_database! {
    async fn a_lot_from_its_receipt_to_its_end(server: &Server) {
        let r = roastery(server).await;
        let (lot, room) = (&r.peaberry, &r.storeroom);
        let loft = server.put_new("storerooms", json!({"name": "Loft"})).await;
        let of = |grams: f64| json!({"lot": lot, "storeroom": room, "weight": reckoned(grams)});
        let id = batch(server, &r, lot, [10_000, 8_350]).await;
        server.command("samples", of(300.0)).await;
        server.command("dryings", of(12.345)).await;
        let mut spilled = of(80.0);
        spilled["reason"] = json!("a torn sack");
        let spilled = server.command("wastes", spilled).await;
        server.command("reversals", json!({"posting": spilled["posting"]["id"]})).await;
        server.command("transfers", json!({"lot": lot, "from": room, "to": loft, "weight": reckoned(5_000)})).await;
        server.command("counts", of(104_700.0)).await;
        server.advance_minutes(1);
        server.command("returns", json!({"lot": lot, "storeroom": loft, "weight": reckoned(1_000)})).await;
        server.command("used-ups", once_more(json!({"lot": lot, "storeroom": room}))).await;

        let statement = server.get(&format!("/api/lots/{lot}/statement")).await;
        assert_adds_up(&statement);
        assert_eq!(texts(&statement), [
            "Received from Lakeside Exports LX-114", "Weighed in", "Sample", "Dried in the store", "Waste: a torn sack", "Undone: waste",
            "Moved from Back room to Loft", "Count difference", "Returned to Lakeside Exports LX-114", "Used up: the book's rest",
        ]);
        assert_eq!(statement["lines"][4]["undone"], true);
        let on_line = &statement["lines"][1]["batch"];
        // 1 - 8350 / 10000
        assert_eq!((&on_line["id"], &on_line["charge_g"], &on_line["roasted_g"], &on_line["loss"]), (&json!(id), &json!(10_000), &json!(8_350), &json!(0.165)));
        assert_eq!((&on_line["roaster"]["name"], &on_line["style"]["name"], &on_line["judgement"]), (&json!("Drum"), &json!("Dark"), &json!("ok")));
        assert_eq!(statement["closing_g"], 4_000);
        let sums = &statement["sums"];
        // 120000 - 10000 - 300 - 12.345 - 5000 = 104687.655; counted 104700.
        let expected = json!({"received_g": 120_000, "returned_g": 1_000, "charged_g": 10_000, "sampled_g": 300, "wasted_g": 0, "dried_g": 12.345,
            "difference_g": -104_687.655, "roasted_g": 8_350, "roasting_loss_g": 1_650});
        for (name, value) in expected.as_object().unwrap() {
            assert_eq!(&sums[name], value, "{name}");
        }
        let period = server.get(&format!("/api/lots/{lot}/statement?from=2026-11-26&to=2026-11-30")).await;
        assert_adds_up(&period);
        assert_eq!((&period["opening_g"], period["lines"].as_array().unwrap().len()), (&json!(4_000), 0));
    }

    async fn what_was_known_then_stays_what_it_was(server: &Server) {
        let r = roastery(server).await;
        let lot = &r.washed;
        let id = batch(server, &r, lot, [10_000, 8_350]).await;
        let out = server.get(&format!("/api/batches/{id}")).await["undo"].take();
        let (size, then_at) = (server.log_size().await, server.now());
        let then = server.get(&format!("/api/lots/{lot}/statement?to=2026-11-30")).await;
        server.advance_minutes(60);
        server.command("reversals", json!({"posting": out})).await;
        server.command("weigh-outs", json!({"batches": [id], "weight": reckoned(8_500)})).await;
        server.command("corrections", json!({"batch": id, "lot": r.peaberry, "reason": "the wrong sack"})).await;
        let late = json!({"lot": lot, "storeroom": r.storeroom, "weight": reckoned(40), "happened_at": "2026-11-24T12:00:00Z"});
        server.command("dryings", late).await;

        for query in [format!("known={size}"), format!("known_at={then_at}")] {
            let again = server.get(&format!("/api/lots/{lot}/statement?to=2026-11-30&{query}")).await;
            assert_eq!(again, then, "{query}");
        }
        let now = server.get(&format!("/api/lots/{lot}/statement?to=2026-11-30")).await;
        assert_adds_up(&now);
        assert_eq!(now["closing_g"], 299_960);
        assert!(now["lines"].as_array().unwrap().iter().all(|line| line["batch"] == Value::Null), "the batch is of another lot now");
        let other = server.get(&format!("/api/lots/{}/statement", r.peaberry)).await;
        assert_adds_up(&other);
        let charged = other["lines"].as_array().unwrap().iter().find(|line| line["batch"]["id"] == json!(id)).unwrap();
        assert_eq!((&charged["batch"]["roasted_g"], &charged["kind"]), (&json!(8_500), &json!("correct")));
        let sums = &other["sums"];
        assert_eq!((&sums["charged_g"], &sums["roasted_g"], &sums["roasting_loss_g"], &sums["dried_g"]), (&json!(10_000), &json!(8_500), &json!(1_500), &json!(0)));
        let sums = &now["sums"];
        assert_eq!((&sums["charged_g"], &sums["roasted_g"], &sums["roasting_loss_g"], &sums["dried_g"]), (&json!(0), &json!(0), &json!(0), &json!(40)));
    }

    async fn a_late_line_says_so(server: &Server) {
        let r = roastery(server).await;
        server.set_time("2026-12-02T10:00:00Z");
        let closing = server.command("closings", json!({"to_day": "2026-11-30"})).await["closing"].take();
        let path = format!("/api/lots/{}/statement?from=2026-11-01&to=2026-11-30", r.washed);
        let closed = server.get(&format!("{path}&known={}", closing["known"])).await;
        let late = json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(40), "happened_at": "2026-11-28T12:00:00Z"});
        server.command("dryings", late).await;
        assert_eq!(server.get(&format!("{path}&known={}", closing["known"])).await, closed);
        let december = server.get(&format!("/api/lots/{}/statement?from=2026-12-01", r.washed)).await;
        let line = &december["lines"][0];
        assert_eq!((&line["late"], &line["day"], &line["happened_at"]), (&json!(true), &json!("2026-12-01"), &json!("2026-11-28T12:00:00.000Z")));
    }

    /// A closing's statement is the same text whatever is renamed afterwards.
    async fn what_was_known_then_is_called_what_it_was_called(server: &Server) {
        let r = roastery(server).await;
        batch(server, &r, &r.washed, [10_000, 8_350]).await;
        let loft = server.put_new("storerooms", json!({"name": "Loft"})).await;
        server.command("transfers", json!({"lot": r.washed, "from": r.storeroom, "to": loft, "weight": reckoned(40_000)})).await;
        let part = json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(1_000)});
        server.command("blends", json!({"lot": r.peaberry, "storeroom": r.storeroom, "parts": [part]})).await;
        server.set_time("2026-12-02T10:00:00Z");
        let closing = server.command("closings", json!({"to_day": "2026-11-30"})).await["closing"].take();
        let scopes = [("", String::new()), ("lot", r.washed.clone()), ("coffee", r.huila.clone()), ("delivery", r.huila_delivery.clone()), ("storeroom", loft.clone())];
        let mut paths: Vec<String> = scopes.iter().map(|(scope, id)| format!("/api/statement?to=2026-11-30&known={}&{}", closing["known"], if scope.is_empty() { "limit=500".to_owned() } else { format!("{scope}={id}") })).collect();
        for file in ["statement", "statement.csv"] {
            paths.push(format!("/api/lots/{}/{file}?to=2026-11-30&known={}", r.washed, closing["known"]));
        }
        let mut closed = Vec::new();
        for path in &paths {
            closed.push(server.ask(path).await.text);
        }
        for (kinds, id) in [("lots", &r.washed), ("lots", &r.peaberry), ("storerooms", &loft), ("storerooms", &r.storeroom), ("coffees", &r.huila), ("styles", &r.dark), ("roasters", &r.drum)] {
            server.put_change(kinds, id, json!({"name": format!("Renamed {id}")})).await;
        }
        server.put_change("deliveries", &r.huila_delivery, json!({"reference": "RC-10"})).await;
        server.put_change("lots", &r.washed, json!({"grade": "Supremo", "coffee": r.kivu})).await;
        for (path, text) in paths.iter().zip(closed) {
            assert_eq!(server.ask(path).await.text, text, "{path}");
        }
        let now = server.get(&format!("/api/lots/{}/statement", r.washed)).await;
        assert!(now["name"].as_str().unwrap().starts_with("Renamed"));
    }

    async fn a_statement_in_a_spreadsheet(server: &Server) {
        let r = roastery(server).await;
        let lot = &r.washed;
        batch(server, &r, lot, [10_000, 8_350]).await;
        let reason = "=HYPERLINK(\"http://example.org\")";
        let waste = json!({"lot": lot, "storeroom": r.storeroom, "weight": reckoned(80.125), "reason": reason});
        server.command("wastes", waste).await;
        server.put_change("lots", lot, json!({"name": "+Huila"})).await;
        let blend = json!({"lot": r.peaberry, "storeroom": r.storeroom, "parts": [{"lot": lot, "storeroom": r.storeroom, "weight": reckoned(1)}]});
        server.command("blends", blend).await;
        let answer = server.ask(&format!("/api/lots/{lot}/statement.csv")).await;
        assert_eq!((answer.status, answer.header("content-type")), (200, "text/csv; charset=utf-8"));
        let mut reader = csv::Reader::from_reader(answer.text.as_bytes());
        let heads = reader.headers().unwrap().clone();
        let column = |name: &str| heads.iter().position(|head| head == name).unwrap();
        let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
        let milligrams = |row: &csv::StringRecord, name: &str| {
            let grams: f64 = row[column(name)].parse().unwrap();
            let grams = serde_json::Number::from_f64(grams).unwrap();
            mg(&Value::Number(grams))
        };
        let of = |kind: &str| rows.iter().filter(|row| &row[0] == kind).collect::<Vec<_>>();
        let moved: i64 = of("line").iter().map(|row| milligrams(row, "change_g")).sum();
        assert_eq!(milligrams(of("opening")[0], "balance_g") + moved, milligrams(of("closing")[0], "balance_g"));
        let places: i64 = of("place").iter().map(|row| milligrams(row, "balance_g")).sum();
        assert_eq!(places, 0);
        let text: Vec<&str> = of("line").iter().map(|row| &row[column("what")]).collect();
        assert_eq!(text[2], format!("Waste: {reason}"), "it begins with a word, so it is no formula");
        let cells = rows.iter().flat_map(|row| row.iter());
        assert!(cells.filter(|cell| cell.parse::<f64>().is_err()).all(|cell| !cell.starts_with(['=', '+', '-', '@'])));
    }

    async fn bad_questions_are_refused(server: &Server) {
        let r = roastery(server).await;
        let path = format!("/api/lots/{}/statement", r.washed);
        for bad in ["from=2026-12-01&to=2026-11-01", "from=2026-13-01", "known=-1", "known=1&known_at=2026-11-25T00:00:00Z", "what=1"] {
            server.ask(&format!("{path}?{bad}")).await.problem(422, "invalid");
        }
        for unknown in ["statement", "statement.csv", "drawdown.svg"] {
            server.ask(&format!("/api/lots/{}/{unknown}", server.id())).await.problem(404, "not-found");
        }
        let nothing_known = server.get(&format!("{path}?known=0")).await;
        assert_eq!((&nothing_known["closing_g"], &nothing_known["totals"]), (&json!(0), &json!([])));
    }

    async fn the_drawdown_is_a_picture(server: &Server) {
        let r = roastery(server).await;
        server.advance_minutes(2 * 24 * 60);
        batch(server, &r, &r.peaberry, [10_000, 8_350]).await;
        let picture = server.ask(&format!("/api/lots/{}/drawdown.svg", r.peaberry)).await;
        assert_eq!((picture.status, picture.header("content-type")), (200, "image/svg+xml"));
        assert!(picture.text.contains("120 kg on Wed 25 Nov; 120 kg at most, on Wed 25 Nov; 110 kg on Fri 27 Nov."), "{}", picture.text);
    }
}
