//! The week: plans, their release as cards, and what planning again keeps.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use crate::support::{Roastery, Server, each_database, roastery};

/// An order for the ship day 2026-12-02: number, priority, and bags of products.
async fn order(server: &Server, number: &str, priority: u32, lines: &[(&String, u32)]) -> String {
    let lines: Vec<Value> = lines
        .iter()
        .zip(1..)
        .map(|((product, bags), line)| json!({"line": line, "product": product, "bags": bags}))
        .collect();
    let fields = json!({
        "number": number, "customer": "Blue Door", "ship_day": "2026-12-02", "transit_days": 1, "priority": priority, "lines": lines,
    });
    server.put_new("orders", fields).await
}

async fn plan(server: &Server, over: Value) -> Value {
    server.post("/api/plans", &over).await.expect(200)
}

fn list(value: &Value) -> &Vec<Value> {
    value.as_array().expect("a list")
}

fn grams(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

/// A plan's batches as a release takes them.
fn batches(plan: &Value) -> Vec<Value> {
    list(&plan["batches"])
        .iter()
        .map(|batch| {
            json!({
                "roaster": batch["roaster"]["id"], "day": batch["day"], "start": batch["start"], "lot": batch["lot"]["id"],
                "style": batch["style"]["id"], "charge_g": batch["charge_g"], "feeds": batch["feeds"],
            })
        })
        .collect()
}

async fn release(server: &Server, plan: &Value) -> Value {
    let body =
        json!({"from_day": plan["from_day"], "days": plan["days"], "batches": batches(plan)});
    server.command("releases", body).await
}

/// What a plan must keep whatever it is for: minutes, green, charges, one style and lot at a time, feeds no more than what comes out.
fn check(plan: &Value, has: &Roastery) {
    for roaster in list(&plan["roasters"]) {
        for day in list(&roaster["days"]) {
            assert!(
                day["used_min"].as_u64() <= day["available_min"].as_u64(),
                "{roaster}"
            );
        }
    }
    let mut ends: BTreeMap<(String, String), (u32, String)> = BTreeMap::new();
    let minutes = |text: &str| -> u32 {
        let (h, m) = text.split_once(':').expect("a time");
        h.parse::<u32>().unwrap() * 60 + m.parse::<u32>().unwrap()
    };
    for batch in list(&plan["batches"]) {
        let (least, most, step) = if batch["roaster"]["id"] == has.drum.as_str() {
            (4_000, 12_000, 100)
        } else {
            (500, 2_500, 50)
        };
        let charge = batch["charge_g"].as_u64().expect("whole grams");
        assert!(
            (least..=most).contains(&charge) && charge % step == 0,
            "{batch}"
        );
        let fed: f64 = list(&batch["feeds"])
            .iter()
            .map(|feed| grams(&feed["mass_g"]))
            .sum();
        assert!(fed <= grams(&batch["hi_g"]), "{batch}");
        assert!(
            grams(&batch["lo_g"]) < grams(&batch["expected_g"])
                && grams(&batch["expected_g"]) < grams(&batch["hi_g"])
        );
        let at = (batch["roaster"]["id"].to_string(), batch["day"].to_string());
        let start = minutes(batch["start"].as_str().unwrap());
        let stream = format!("{}{}", batch["lot"]["id"], batch["style"]["id"]);
        let (end, before) = ends.entry(at).or_insert((7 * 60 + 30, String::new()));
        let change = if *before == stream { 0 } else { 5 };
        assert_eq!(start, *end + change, "one after the other: {batch}");
        (*end, *before) = (start + 12, stream);
        assert!(*end <= 15 * 60, "{batch}");
    }
}

each_database! {
    /// A plan keeps every rule and stores nothing; released it makes a card for each batch; withdrawn, a card asks before it is used.
    async fn a_plan_is_released_and_withdrawn(server: &Server) {
        let has = roastery(server).await;
        server.set_time("2026-11-30T06:00:00Z");
        order(server, "T1", 1, &[(&has.kivu_bag, 40), (&has.blend_bag, 10)]).await;
        let size = server.log_size().await;
        let plan = plan(server, json!({"from_day": "2026-11-26"})).await;
        assert_eq!(server.log_size().await, size, "planning stores nothing");
        check(&plan, &has);
        let released = release(server, &plan).await;
        let cards = list(&released["cards"]).clone();
        assert_eq!(cards.len(), list(&plan["batches"]).len());
        for card in &cards {
            assert_eq!(card["state"], "planned");
        }
        if let Some(card) = cards.first() {
            let withdrawn = server.command("withdrawals", json!({"cards": [card["id"]]})).await;
            assert_eq!(withdrawn["cards"][0]["state"], "withdrawn");
        }
    }
}
