//! What the stock is worth: each lot at its own landed cost, late bills split, nothing of a closed period touched.

use serde_json::{Value, json};

use crate::bodies::lot_fields;
use crate::green::reckoned;
use crate::support::{Roastery, Server, each_database, merged, roastery};

async fn value(server: &Server, query: &str) -> Value {
    let value = server.get(&format!("/api/value?{query}")).await;
    for lot in value["lots"].as_array().unwrap() {
        let at = |of: &Value, names: &[&str]| {
            names
                .iter()
                .map(|name| of[*name].as_i64().unwrap())
                .sum::<i64>()
        };
        let stock = ["store", "batch", "roasted", "packed", "coming"];
        let used = ["sold", "samples", "waste", "differences", "blended", "sent"];
        assert_eq!(
            at(&lot["opening"], &stock) + lot["added"].as_i64().unwrap(),
            at(&lot["closing"], &stock) + at(&lot["used"], &used),
            "cost is neither made nor lost: {lot}"
        );
        let (opening, closing) = (
            lot["opening"]["written_down"].as_i64().unwrap(),
            lot["closing"]["written_down"].as_i64().unwrap(),
        );
        assert_eq!(
            opening + lot["used"]["written_down"].as_i64().unwrap()
                - lot["used"]["written_down_used"].as_i64().unwrap(),
            closing
        );
    }
    // What went into blends is what blends were given.
    let lots = value["lots"].as_array().unwrap().iter();
    let blended = lots.map(|lot| lot["used"]["blended"].as_i64().unwrap());
    assert_eq!(blended.sum::<i64>(), 0, "{value}");
    value
}

/// Another lot after one that is there, with other fields laid over; its id.
async fn lot_like(server: &Server, lot: &str, over: Value) -> String {
    let there = server.get(&format!("/api/lots/{lot}")).await;
    server
        .put_new("lots", merged(lot_fields(&there), over))
        .await
}

/// Green of a lot came with its delivery, at a moment if that is said.
async fn receive(server: &Server, lot: &str, grams: i64, over: Value) {
    let there = server.get(&format!("/api/lots/{lot}")).await;
    let line = json!({"lot": lot, "storeroom": there["storeroom"], "weight": reckoned(grams)});
    let receipt = json!({"delivery": there["delivery"], "lines": [line]});
    server.command("receipts", merged(receipt, over)).await;
}

/// What a roasted kilogram's green costs, by what is said of costs, with what is left of it after roasting.
async fn green_of_a_kilogram(server: &Server, coffee: &str) -> f64 {
    let costs = server.get("/api/costs").await;
    let lines = costs["coffees"].as_array().unwrap();
    let line = lines.iter().find(|line| line["coffee"]["id"] == coffee);
    let line = line.unwrap_or_else(|| panic!("{costs}"));
    line["green_minor"].as_f64().unwrap() * (1.0 - line["loss"].as_f64().unwrap())
}

fn of<'a>(value: &'a Value, lot: &str) -> &'a Value {
    let lots = value["lots"].as_array().unwrap();
    lots.iter()
        .find(|of| of["lot"]["id"] == lot)
        .unwrap_or_else(|| panic!("{value}"))
}

async fn bill(server: &Server, delivery: &str, day: &str, minor: i64, over: Value) -> String {
    let mut body = json!({"delivery": delivery, "kind": "coffee", "day": day, "amount": {"minor": minor, "currency": "EUR"}});
    for (name, value) in over.as_object().unwrap() {
        body[name] = value.clone();
    }
    server.put_new("cost-lines", body).await
}

async fn roast(server: &Server, r: &Roastery, lot: &str, green: i64, roasted: i64) {
    let batch = server.id();
    server.command("weigh-ins", json!({"batch": batch, "lot": lot, "style": r.dark, "roaster": r.drum, "weight": reckoned(green)})).await;
    server
        .command(
            "weigh-outs",
            json!({"batches": [batch], "weight": reckoned(roasted)}),
        )
        .await;
}

each_database! {
    /// Worked by hand: 300 kg at 1,800.00 are 6.00 a kilogram; 10 kg roasted to 8.35 kg carry 60.00; 3 kg spilled are 18.00.
    async fn each_lot_at_its_own_cost(server: &Server) {
        let r = roastery(server).await;
        bill(server, &r.huila_delivery, "2026-11-25", 180_000, json!({})).await;
        // 720 kg of two lots share 3,600.00 of freight: 5.00 a kilogram.
        bill(server, &r.kivu_delivery, "2026-11-25", 360_000, json!({"kind": "freight"})).await;
        bill(server, &r.kivu_delivery, "2026-11-25", 60_000, json!({"lot": r.peaberry})).await;
        roast(server, &r, &r.washed, 10_000, 8_350).await;
        server.command("wastes", json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(3_000)})).await;
        // A count that agrees is said of the lot, and changes no value.
        server.command("counts", json!({"lot": r.peaberry, "storeroom": r.storeroom, "weight": reckoned(120_000)})).await;
        let now = value(server, "").await;
        let washed = of(&now, &r.washed);
        assert_eq!((&washed["cost"], &washed["per_kg"]), (&json!(180_000), &json!(600)));
        assert_eq!((&washed["closing"]["store"], &washed["closing"]["roasted"], &washed["used"]["waste"]), (&json!(172_200), &json!(6_000), &json!(1_800)));
        // 120 kg: 600.00 of freight shared, 600.00 of its own.
        assert_eq!((&of(&now, &r.peaberry)["cost"], &of(&now, &r.peaberry)["per_kg"]), (&json!(120_000), &json!(1_000)));
        assert_eq!(of(&now, &r.screen_18)["cost"], 300_000);
        assert!(now["notice"].as_str().unwrap().contains("bookkeeper decides"));
        let kivu = now["coffees"].as_array().unwrap().iter().find(|of| of["coffee"]["id"] == json!(r.kivu)).unwrap();
        assert_eq!((&kivu["by_lot"], &kivu["weighted_average"]), (&json!(420_000), &json!(420_000)));
    }

    /// 300 kg, of which 60 are used when a bill over 300.00 comes: 60.00 of it are expense, 240.00 stay in the stock; nothing of the
    /// closed November is touched.
    async fn a_late_bill_is_split_and_touches_no_closed_period(server: &Server) {
        let r = roastery(server).await;
        bill(server, &r.huila_delivery, "2026-11-25", 180_000, json!({})).await;
        server.command("wastes", json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(60_000)})).await;
        server.set_time("2026-12-02T10:00:00Z");
        let november = "from=2026-11-01&to=2026-11-30";
        let closing = server.command("closings", json!({"to_day": "2026-11-30"})).await["closing"].take();
        let then = value(server, november).await;
        let freight = bill(server, &r.huila_delivery, "2026-11-26", 30_000, json!({"kind": "freight"})).await;
        let mut now = value(server, november).await;
        assert_eq!(now["lots"], then["lots"], "November is closed");
        now = value(server, &format!("{november}&known={}", closing["known"])).await;
        assert_eq!(now["lots"], then["lots"]);
        let december = value(server, "from=2026-12-01").await;
        let washed = of(&december, &r.washed);
        assert_eq!((&washed["added"], &washed["used"]["waste"]), (&json!(30_000), &json!(6_000)));
        assert_eq!((&washed["opening"]["store"], &washed["closing"]["store"]), (&json!(144_000), &json!(168_000)));
        // The bill was wrong: taken back, December is as if it had not come.
        server.put_change("cost-lines", &freight, json!({"retired": true})).await;
        let december = value(server, "from=2026-12-01").await;
        assert_eq!((&of(&december, &r.washed)["added"], &of(&december, &r.washed)["closing"]["store"]), (&json!(0), &json!(144_000)));
    }

    async fn a_write_down_goes_as_the_coffee_goes(server: &Server) {
        let r = roastery(server).await;
        bill(server, &r.huila_delivery, "2026-11-25", 180_000, json!({})).await;
        let down = json!({"lot": r.washed, "day": "2026-11-25", "amount": {"minor": 30_000, "currency": "EUR"}, "reason": "past crop"});
        let down = server.put_new("write-downs", down).await;
        let now = value(server, "").await;
        assert_eq!((&of(&now, &r.washed)["closing"]["written_down"], &of(&now, &r.washed)["used"]["written_down"]), (&json!(30_000), &json!(30_000)));
        server.advance_minutes(24 * 60);
        server.command("wastes", json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(60_000)})).await;
        let next = value(server, "from=2026-11-26").await;
        assert_eq!((&of(&next, &r.washed)["closing"]["written_down"], &of(&next, &r.washed)["used"]["written_down_used"]), (&json!(24_000), &json!(6_000)));
        server.put_change("write-downs", &down, json!({"retired": true})).await;
        assert_eq!(of(&value(server, "").await, &r.washed)["closing"]["written_down"], 0);
    }

    /// It bears nothing of its delivery's bills, neither in the value nor in what a bag costs; and it stays whose it was when it came.
    async fn a_customers_own_green_is_worth_nothing_here(server: &Server) {
        let r = roastery(server).await;
        bill(server, &r.kivu_delivery, "2026-11-25", 360_000, json!({})).await;
        let before = green_of_a_kilogram(server, &r.kivu).await;
        let owned = lot_like(server, &r.peaberry, json!({"name": "Cafe's own", "coffee": r.huila, "owned_by": "Corner Cafe"})).await;
        receive(server, &owned, 120_000, json!({})).await;
        let now = value(server, "").await;
        assert_eq!((&of(&now, &owned)["cost"], &of(&now, &owned)["owned_by"]), (&json!(0), &json!("Corner Cafe")));
        assert_eq!((&of(&now, &r.screen_18)["cost"], &of(&now, &r.peaberry)["cost"]), (&json!(300_000), &json!(60_000)));
        assert!((green_of_a_kilogram(server, &r.kivu).await - before).abs() < 1.0);
        for (lot, whose) in [(&r.peaberry, json!("Corner Cafe")), (&owned, Value::Null)] {
            let mut fields = server.get(&format!("/api/lots/{lot}")).await;
            fields["owned_by"] = whose.clone();
            let refused = server.try_change("lots", lot, json!({"owned_by": whose})).await;
            assert_eq!(refused.pointers(), ["/owned_by"], "{}", refused.text);
        }
        server.put_change("lots", &owned, json!({"owned_by": "Cafe on the corner"})).await;
    }

    /// Green of 6.00 a kilogram goes into a blend lot and is worth the same there.
    async fn a_blend_costs_what_is_in_it(server: &Server) {
        let r = roastery(server).await;
        bill(server, &r.huila_delivery, "2026-11-25", 180_000, json!({})).await;
        let own = server.put_new("deliveries", json!({"supplier": "Ourselves", "reference": "House", "expected_day": "2026-11-25"})).await;
        let blend = lot_like(server, &r.washed, json!({"name": "House green", "delivery": own})).await;
        let part = |lot: &str| json!({"lot": lot, "storeroom": r.storeroom, "weight": reckoned(50_000)});
        server.command("blends", json!({"lot": blend, "storeroom": r.storeroom, "parts": [part(&r.washed), part(&r.screen_18)]})).await;
        let now = value(server, "").await;
        assert_eq!((&of(&now, &blend)["cost"], &of(&now, &r.washed)["used"]["blended"]), (&json!(30_000), &json!(30_000)));
        assert_eq!(of(&now, &blend)["closing"]["store"], 30_000);
    }

    /// Of which coffee a lot was, and what it and the coffee were called.
    async fn a_value_as_known_then_stays_what_it_was(server: &Server) {
        let r = roastery(server).await;
        bill(server, &r.kivu_delivery, "2026-11-25", 360_000, json!({})).await;
        let then = value(server, "").await;
        let known = then["known"].as_i64().unwrap();
        server.put_change("lots", &r.peaberry, json!({"name": "Kivu PB"})).await;
        server.put_change("lots", &r.screen_18, json!({"coffee": r.huila})).await;
        server.put_change("coffees", &r.kivu, json!({"name": "Kivu lakeside"})).await;
        assert_ne!(value(server, "").await["lots"], then["lots"]);
        let again = value(server, &format!("known={known}")).await;
        assert_eq!(again, then);
    }

    /// Where no bill is written, what the lot says it cost counts.
    async fn a_lots_own_landed_cost(server: &Server) {
        let r = roastery(server).await;
        server.put_change("lots", &r.washed, json!({"landed_cost": {"minor": 150_000, "currency": "EUR"}})).await;
        assert_eq!(of(&value(server, "").await, &r.washed)["per_kg"], 500);
        server.put_change("lots", &r.peaberry, json!({"landed_cost": {"minor": 1, "currency": "USD"}})).await;
        assert_eq!(value(server, "").await["unreadable"], json!([r.peaberry]));
        server.ask("/api/value?from=2026-12-01&to=2026-11-01").await.problem(422, "invalid");
    }

    /// To take away: the table adds up row by row; the workbook is read by openpyxl in tests/reference.
    async fn a_value_to_take_away(server: &Server) {
        let r = roastery(server).await;
        bill(server, &r.huila_delivery, "2026-11-25", 180_000, json!({})).await;
        bill(server, &r.kivu_delivery, "2026-11-25", 360_001, json!({"kind": "freight"})).await;
        server.put_change("lots", &r.peaberry, json!({"name": "=Kivu peaberry"})).await;
        let owned = lot_like(server, &r.peaberry, json!({"name": "Cafe's own", "owned_by": "Corner Cafe"})).await;
        receive(server, &owned, 10_000, json!({})).await;
        roast(server, &r, &r.washed, 10_000, 8_350).await;
        server.command("wastes", json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(3_000)})).await;
        let down = json!({"lot": r.washed, "day": "2026-11-25", "amount": {"minor": 30_000, "currency": "EUR"}, "reason": "past crop"});
        server.put_new("write-downs", down).await;
        server.advance_minutes(24 * 60);
        server.command("wastes", json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(10_000)})).await;
        bill(server, &r.huila_delivery, "2026-11-26", 5_000, json!({"kind": "duty"})).await;
        let query = "from=2026-11-26&to=2026-11-26";
        let answer = server.ask(&format!("/api/value.csv?{query}")).await;
        assert_eq!(answer.header("content-disposition"), "attachment; filename=\"value-2026-11-26-2026-11-26.csv\"");
        let mut reader = csv::Reader::from_reader(answer.text.as_bytes());
        let heads = reader.headers().unwrap().clone();
        let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
        let cell = |row: &csv::StringRecord, head: &str| row[heads.iter().position(|each| each == head).unwrap()].to_owned();
        let minor = |row: &csv::StringRecord, head: &str| -> i64 { cell(row, head).replace('.', "").parse().unwrap() };
        let lots: Vec<&csv::StringRecord> = rows.iter().filter(|row| &row[0] == "lot").collect();
        assert_eq!(lots.len(), 4);
        let changes = ["added", "sold", "samples", "waste", "differences", "blended", "sent", "written_down", "written_down_used"];
        for row in &lots {
            let moved: i64 = changes.iter().map(|change| minor(row, change)).sum();
            assert_eq!(minor(row, "opening") + moved, minor(row, "closing"), "{row:?}");
        }
        let washed = lots.iter().find(|row| cell(row, "lot") == "Huila washed").unwrap();
        assert_eq!((minor(washed, "added"), cell(washed, "added")), (5_000, "50.00".to_owned()));
        assert!(lots.iter().any(|row| cell(row, "lot") == "'=Kivu peaberry"), "no formula comes out of a name");
        let said = value(server, query).await;
        let of_coffee = |head: &str| rows.iter().filter(|row| &row[0] == "coffee").map(|row| minor(row, head)).sum::<i64>();
        let by_lot: i64 = said["coffees"].as_array().unwrap().iter().map(|of| of["by_lot"].as_i64().unwrap()).sum();
        assert_eq!(of_coffee("by_lot"), by_lot);
        let request = server.request(reqwest::Method::GET, &format!("/api/value.xlsx?{query}"));
        let bytes = request.send().await.unwrap().bytes().await.unwrap();
        assert!(bytes.starts_with(b"PK"), "a zip archive");
        // For the outside reader.
        let folder = concat!(env!("CARGO_TARGET_TMPDIR"));
        std::fs::write(format!("{folder}/value.xlsx"), &bytes).unwrap();
        std::fs::write(format!("{folder}/value.json"), said.to_string()).unwrap();
    }

    /// 100 kg for 1,000.00, of which 50 kg go into a blend of the same delivery: the blend bears no bill a second time. Three blends of
    /// 33.33 a piece are 100.00 together.
    async fn a_blend_in_its_parts_delivery_bears_no_bill_twice(server: &Server) {
        let r = roastery(server).await;
        let delivery = server.put_new("deliveries", json!({"supplier": "Hill Traders", "reference": "HT-1", "expected_day": "2026-11-25"})).await;
        let lot = lot_like(server, &r.washed, json!({"name": "Hill", "delivery": delivery})).await;
        receive(server, &lot, 100_000, json!({})).await;
        bill(server, &delivery, "2026-11-25", 100_000, json!({})).await;
        let part = |grams: Value| json!({"lot": lot, "storeroom": r.storeroom, "weight": reckoned(grams)});
        let blend = lot_like(server, &lot, json!({"name": "Hill blend"})).await;
        server.command("blends", json!({"lot": blend, "storeroom": r.storeroom, "parts": [part(json!(50_000))]})).await;
        let now = value(server, "").await;
        assert_eq!((&of(&now, &lot)["per_kg"], &of(&now, &blend)["per_kg"]), (&json!(1_000), &json!(1_000)));
        assert_eq!((&of(&now, &lot)["closing"]["store"], &of(&now, &blend)["closing"]["store"]), (&json!(50_000), &json!(50_000)));
        for name in ["One", "Two", "Three"] {
            let blend = lot_like(server, &lot, json!({"name": name})).await;
            server.command("blends", json!({"lot": blend, "storeroom": r.storeroom, "parts": [part(json!(3_333.333))]})).await;
        }
        bill(server, &delivery, "2026-11-25", 1, json!({"kind": "duty"})).await;
        let now = value(server, "").await;
        let all = now["lots"].as_array().unwrap().iter().map(|lot| lot["closing"]["store"].as_i64().unwrap());
        assert_eq!(all.sum::<i64>(), 100_001);
    }

    /// 10 of 100 kg dried: what is left costs 11.11 a kilogram, whoever asks.
    async fn what_dried_makes_the_rest_dearer_for_bags_too(server: &Server) {
        let r = roastery(server).await;
        bill(server, &r.huila_delivery, "2026-11-25", 300_000, json!({})).await;
        assert!((green_of_a_kilogram(server, &r.huila).await - 1_000.0).abs() < 1.0);
        server.command("dryings", json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(30_000)})).await;
        assert_eq!(of(&value(server, "").await, &r.washed)["per_kg"], 1_111);
        assert!((green_of_a_kilogram(server, &r.huila).await - 1_111.1).abs() < 1.0);
    }

    /// A bill of tomorrow, or one that was a mistake, does not take away what the lot says that it cost.
    async fn a_lots_own_cost_counts_while_no_bill_does(server: &Server) {
        let r = roastery(server).await;
        server.put_change("lots", &r.washed, json!({"landed_cost": {"minor": 150_000, "currency": "EUR"}})).await;
        let cost = async |query: &str| of(&value(server, query).await, &r.washed)["cost"].as_i64().unwrap();
        let coming = bill(server, &r.huila_delivery, "2026-11-26", 180_000, json!({})).await;
        assert_eq!((cost("").await, cost("to=2026-11-26").await), (150_000, 180_000));
        server.put_change("cost-lines", &coming, json!({"retired": true})).await;
        assert_eq!((cost("").await, cost("to=2026-11-26").await), (150_000, 150_000));
    }

    /// A bill that came late, for a period that is opened again, and was wrong: no day ever costs less than nothing.
    async fn a_late_bill_taken_back_leaves_nothing_behind(server: &Server) {
        let r = roastery(server).await;
        server.set_time("2026-12-02T10:00:00Z");
        let closing = server.command("closings", json!({"to_day": "2026-11-30"})).await["closing"]["id"].take();
        let late = bill(server, &r.huila_delivery, "2026-11-26", 30_000, json!({})).await;
        bill(server, &r.huila_delivery, "2026-12-01", 1_000, json!({})).await;
        server.command("reopenings", json!({"closing": closing, "reason": "a bill was missing"})).await;
        server.put_change("cost-lines", &late, json!({"retired": true})).await;
        let cost = async |to: &str| {
            let value = value(server, &format!("to={to}")).await;
            let lots = value["lots"].as_array().unwrap().iter();
            lots.filter(|lot| lot["lot"]["id"] == json!(r.washed)).map(|lot| lot["cost"].as_i64().unwrap()).sum::<i64>()
        };
        assert_eq!((cost("2026-11-25").await, cost("2026-11-30").await, cost("2026-12-02").await), (0, 0, 1_000));
    }

    /// What was made first came last: 100 kg at 5.00 on the 10th, 100 kg at 10.00 on the 20th; 50 kg are gone.
    async fn what_came_first_is_used_first(server: &Server) {
        let r = roastery(server).await;
        let coffee = server.put_new("coffees", json!({"name": "Nyeri"})).await;
        for (name, minor, at) in [("Later", 100_000, "2026-11-20T09:00:00Z"), ("Sooner", 50_000, "2026-11-10T09:00:00Z")] {
            let delivery = server.put_new("deliveries", json!({"supplier": "Hill Traders", "reference": name, "expected_day": "2026-11-25"})).await;
            let lot = lot_like(server, &r.washed, json!({"name": name, "coffee": coffee, "delivery": delivery})).await;
            receive(server, &lot, 100_000, json!({"happened_at": at})).await;
            bill(server, &delivery, "2026-11-25", minor, json!({})).await;
            if name == "Sooner" {
                server.command("samples", json!({"lot": lot, "storeroom": r.storeroom, "weight": reckoned(50_000), "purpose": "cupping"})).await;
            }
        }
        let now = value(server, "").await;
        let nyeri = now["coffees"].as_array().unwrap().iter().find(|of| of["coffee"]["id"] == json!(coffee)).unwrap();
        assert_eq!((&nyeri["first_in_first_out"], &nyeri["by_lot"]), (&json!(125_000), &json!(125_000)));
    }
}
