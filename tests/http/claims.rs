//! Claims: bags sold under one hold coffee only of lots that carry it, in the plan, on the floor and in bags, and by volume.

use serde_json::{Value, json};

use crate::statement::mg;
use crate::support::{Roastery, Server, each_database, merged, roastery};

/// `screen_18` is organic until the end of 2026, `peaberry` is not; `kivu_bag` is sold as organic.
async fn organic(server: &Server) -> Roastery {
    let r = roastery(server).await;
    let certificate = json!([{"claim": "Organic", "certificate": "C-77", "valid_from": "2026-01-01", "valid_to": "2026-12-31"}]);
    server
        .put_change("lots", &r.screen_18, json!({"claims": certificate}))
        .await;
    server
        .put_change("products", &r.kivu_bag, json!({"claims": ["organic"]}))
        .await;
    r
}

async fn roast(server: &Server, r: &Roastery, lot: &str) -> String {
    let batch = server.id();
    server.command("weigh-ins", json!({"batch": batch, "lot": lot, "style": r.light, "roaster": r.drum, "weight": r.weighed("10.00")})).await;
    server
        .command(
            "weigh-outs",
            json!({"batches": [batch], "weight": r.weighed("8.65")}),
        )
        .await;
    batch
}

async fn order(server: &Server, r: &Roastery, bags: u32) -> String {
    let order = json!({"number": "C-1", "customer": "Corner Cafe", "ship_day": "2026-12-02", "transit_days": 1, "priority": 1,
        "lines": [{"line": 1, "product": r.kivu_bag, "bags": bags}]});
    server.put_new("orders", order).await
}

async fn volumes(server: &Server) -> Value {
    let claims = server.get("/api/claims").await;
    let items = claims["items"].as_array().unwrap();
    assert_eq!(items.len(), 1, "one claim, however it is written");
    items[0].clone()
}

each_database! {
    async fn bags_take_only_lots_that_carry_the_claim(server: &Server) {
        let r = organic(server).await;
        let other = roast(server, &r, &r.peaberry).await;
        let none = server.order("packings", &server.id(), json!({"product": r.kivu_bag, "bags": 4})).await;
        none.problem(409, "conflict");
        let right = roast(server, &r, &r.screen_18).await;
        let packed = server.command("packings", json!({"product": r.kivu_bag, "bags": 4})).await;
        assert_eq!(packed["from"], json!([{"batch": right, "mass_g": 1_000}]), "not the older batch");
        let named = server.order("packings", &server.id(), json!({"product": r.kivu_bag, "bags": 4, "batches": [other]})).await;
        let said = named.problem(409, "conflict");
        let sentence = said["detail"].as_str().unwrap();
        assert!(sentence.contains("Kivu peaberry") && sentence.contains("organic"), "{sentence}");
        // More than there is of it does not come from another lot either.
        let beyond = json!({"product": r.kivu_bag, "bags": 40, "confirmed": ["beyond_book"]});
        let packed = server.command("packings", beyond).await;
        assert!(packed["from"].as_array().unwrap().iter().all(|from| from["batch"] == json!(right)));
    }

    async fn a_certificate_holds_on_the_day_of_roasting(server: &Server) {
        let r = organic(server).await;
        let gone = json!([{"claim": "organic", "certificate": "C-76", "valid_to": "2026-11-24"}]);
        server.put_change("lots", &r.screen_18, json!({"claims": gone})).await;
        roast(server, &r, &r.screen_18).await;
        server.order("packings", &server.id(), json!({"product": r.kivu_bag, "bags": 4})).await.problem(409, "conflict");
        let renewed = json!([{"claim": "organic", "certificate": "C-78", "valid_from": "2026-11-25", "valid_to": "2026-11-25"}]);
        server.put_change("lots", &r.screen_18, json!({"claims": renewed})).await;
        server.advance_minutes(3 * 24 * 60);
        server.command("packings", json!({"product": r.kivu_bag, "bags": 4})).await;
        let lot = server.get(&format!("/api/lots/{}", r.screen_18)).await;
        let wrong = json!([{"claim": "organic", "certificate": "C-78", "valid_from": "2026-11-26", "valid_to": "2026-11-25"}]);
        let body = merged(json!({}), json!({"name": lot["name"], "delivery": lot["delivery"], "coffee": lot["coffee"], "grade": lot["grade"], "storeroom": lot["storeroom"],
            "expected_g": lot["expected_g"], "packing": lot["packing"], "moisture": lot["moisture"], "use_rank": lot["use_rank"], "claims": wrong}));
        let answer = server.change(&format!("/api/lots/{}", r.screen_18), lot["revision"].as_i64().unwrap(), &body).await;
        assert_eq!(answer.pointers(), ["/claims/0/valid_from"]);
        let product = server.get(&format!("/api/products/{}", r.kivu_bag)).await;
        let body = json!({"name": product["name"], "parts": product["parts"], "style": product["style"], "bag_g": product["bag_g"], "claims": ["organic", "Organic"]});
        let answer = server.change(&format!("/api/products/{}", r.kivu_bag), product["revision"].as_i64().unwrap(), &body).await;
        assert_eq!(answer.pointers(), ["/claims"]);
    }

    /// The plan roasts the lot that carries the claim though the other is used first, and falls short rather than taking it.
    async fn the_plan_takes_only_lots_that_carry_the_claim(server: &Server) {
        let r = organic(server).await;
        server.put_change("lots", &r.peaberry, json!({"use_rank": 0})).await;
        order(server, &r, 80).await;
        let plan = server.post("/api/plans", &json!({"days": 7})).await.expect(200);
        let lots = |plan: &Value| -> Vec<Value> {
            let batches = plan["batches"].as_array().unwrap();
            batches.iter().map(|batch| batch["lot"]["id"].clone()).collect()
        };
        assert!(!lots(&plan).is_empty() && lots(&plan).iter().all(|lot| *lot == json!(r.screen_18)), "{plan}");
        server.put_change("lots", &r.screen_18, json!({"claims": []})).await;
        let plan = server.post("/api/plans", &json!({"days": 7})).await.expect(200);
        assert!(lots(&plan).is_empty() && !plan["short"].as_array().unwrap().is_empty(), "{plan}");
    }

    async fn on_the_floor_another_lot_drops_the_claim(server: &Server) {
        let r = organic(server).await;
        let card = json!({"roaster": r.drum, "day": "2026-11-25", "start": "10:00", "lot": r.screen_18, "style": r.light, "charge_g": 10_000});
        let released = server.command("releases", json!({"from_day": "2026-11-25", "days": 7, "batches": [card]})).await;
        let body = json!({"batch": server.id(), "card": released["cards"][0]["id"], "lot": r.peaberry, "style": r.light, "roaster": r.drum, "weight": r.weighed("10.00")});
        let asked = server.order("weigh-ins", &server.id(), body.clone()).await.problem(409, "confirm");
        assert_eq!(asked["confirm"], json!(["claim_dropped"]));
        assert!(asked["detail"].as_str().unwrap().contains("Organic"), "{asked}");
        server.command("weigh-ins", merged(body, json!({"confirmed": ["claim_dropped"]}))).await;
        let right = json!({"batch": server.id(), "lot": r.screen_18, "style": r.light, "roaster": r.drum, "weight": r.weighed("10.00")});
        server.command("weigh-ins", right).await;
    }

    /// Bought = here + gone + lost, to the milligram; a warning before more is promised than there is, and when labels say more than bags hold.
    async fn volumes_add_up_and_warn(server: &Server) {
        let r = organic(server).await;
        let batch = roast(server, &r, &r.screen_18).await;
        let order = order(server, &r, 20).await;
        server.advance_minutes(3 * 24 * 60);
        server.command("packings", json!({"product": r.kivu_bag, "bags": 20, "order": order})).await;
        server.command("shipments", json!({"order": order})).await;
        let found = volumes(server).await;
        let mass = |name: &str| mg(&found["masses"][name]);
        let kinds = ["green_g", "roasted_g", "packed_g", "shipped_g", "lost_g", "other_g"];
        assert_eq!(kinds.map(mass).iter().sum::<i64>(), mass("bought_g"));
        assert_eq!(kinds.map(mass), [590_000_000, 3_650_000, 0, 5_000_000, 1_350_000, 0]);
        assert_eq!((mg(&found["sold_g"]), mg(&found["promised_g"]), &found["warning"]), (5_000_000, 0, &Value::Null));
        // 590 kg of green at a usual loss of 13.5 %, and what is roasted.
        assert_eq!(mg(&found["available_g"]), 590_000_000 * 865 / 1_000 + 3_650_000);
        assert_eq!(found["lots"][0]["certificates"][0]["certificate"], "C-77");
        let more = json!({"number": "C-2", "customer": "Corner Cafe", "ship_day": "2026-12-02", "transit_days": 1, "priority": 1,
            "lines": [{"line": 1, "product": r.kivu_bag, "bags": 2_100}]});
        server.put_new("orders", more).await;
        let found = volumes(server).await;
        let warning = found["warning"].as_str().unwrap();
        assert!(warning.starts_with("Orders want 525 kg as Organic") && warning.contains("would be sold that is not there"), "{warning}");
        // The batch was of another lot, as a correction says: the labels of its bags say more than can be shown.
        server.command("corrections", json!({"batch": batch, "lot": r.peaberry, "reason": "the wrong sack"})).await;
        let found = volumes(server).await;
        let warning = found["warning"].as_str().unwrap();
        assert!(warning.contains("cannot be shown"), "{warning}");
    }
}
