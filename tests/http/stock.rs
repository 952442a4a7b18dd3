//! What follows from the book for deliveries and lots.

use serde_json::{Value, json};

use crate::green::{once_more, reckoned};
use crate::support::{Roastery, Server, each_database, roastery};

async fn expect(server: &Server, path: &str, fields: Value) {
    let found = server.get(path).await;
    for (name, value) in fields.as_object().unwrap() {
        assert_eq!(&found[name], value, "{path} {name}: {found}");
    }
}

fn of(r: &Roastery, lot: &str, grams: i64) -> Value {
    json!({"lot": lot, "storeroom": r.storeroom, "weight": reckoned(grams)})
}

each_database! {
    async fn a_delivery_is_expected_then_received_then_perhaps_returned(server: &Server) {
        let r = roastery(server).await;
        let delivery = json!({"supplier": "Coast Traders", "reference": "CT-2", "expected_day": "2026-12-20", "invoice_g": 60_000});
        let delivery = server.put_new("deliveries", delivery).await;
        let lot = json!({"name": "Coast", "coffee": r.huila, "delivery": delivery, "grade": "AA", "storeroom": r.storeroom, "expected_g": 60_000,
            "packing": {"kind": "jute", "sacks": 1, "sack_g": 60_000, "loose_g": 0}, "moisture": [], "claims": [], "use_rank": 2});
        let lot = server.put_new("lots", lot).await;
        let (delivery_path, lot_path) = (format!("/api/deliveries/{delivery}"), format!("/api/lots/{lot}"));
        let nothing = json!({"state": "expected", "received_day": null, "received_g": 0});
        expect(server, &delivery_path, nothing.clone()).await;
        expect(server, &lot_path, json!({"state": "expected", "received_g": 0, "store_g": 0, "free_g": 0, "used_up": false})).await;

        let lines = json!([{"lot": lot, "storeroom": r.storeroom, "weight": reckoned(59_900)}]);
        let receipt = json!({"delivery": delivery, "lines": lines});
        let first = server.command("receipts", receipt.clone()).await;
        server.command("reversals", json!({"posting": first["posting"]["id"]})).await;
        expect(server, &delivery_path, nothing).await;
        server.command("receipts", receipt).await;
        expect(server, &delivery_path, json!({"state": "received", "received_day": "2026-11-25", "received_g": 59_900})).await;
        expect(server, &lot_path, json!({"received_day": "2026-11-25", "received_g": 59_900, "store_g": 59_900})).await;

        server.put_change("deliveries", &delivery, json!({"hold": "smells of fuel"})).await;
        expect(server, &lot_path, json!({"state": "on_hold"})).await;
        server.put_change("deliveries", &delivery, json!({"hold": null})).await;
        server.command("returns", of(&r, &lot, 59_900)).await;
        expect(server, &delivery_path, json!({"state": "returned", "received_day": "2026-11-25", "received_g": 0})).await;
        expect(server, &lot_path, json!({"state": "returned", "store_g": 0, "used_up": true})).await;
    }

    async fn an_open_sample_request_reserves_green(server: &Server) {
        let r = roastery(server).await;
        let path = format!("/api/lots/{}", r.peaberry);
        let request = json!({"lot": r.peaberry, "mass_g": 350, "purpose": "for a buyer"});
        let request = server.put_new("sample-requests", request).await;
        expect(server, &path, json!({"store_g": 120_000, "reserved_g": 350, "free_g": 119_650})).await;
        server.command("used-ups", once_more(json!({"lot": r.peaberry, "storeroom": r.storeroom}))).await;
        expect(server, &path, json!({"store_g": 0, "reserved_g": 350, "free_g": 0, "used_up": true})).await;
        server.put_change("sample-requests", &request, json!({"done": true})).await;
        expect(server, &path, json!({"reserved_g": 0})).await;
    }

    async fn a_planned_card_reserves_green_until_it_is_weighed_in(server: &Server) {
        let r = roastery(server).await;
        let path = format!("/api/lots/{}", r.screen_18);
        let card = json!({"roaster": r.drum, "day": "2026-11-25", "start": "10:00", "lot": r.screen_18, "style": r.light, "charge_g": 10_000});
        let released = server.command("releases", json!({"from_day": "2026-11-25", "days": 7, "batches": [card, card]})).await;
        expect(server, &path, json!({"store_g": 600_000, "reserved_g": 20_000, "free_g": 580_000})).await;
        let cards = [&released["cards"][0]["id"], &released["cards"][1]["id"]];
        let weighed = json!({"batch": server.id(), "card": cards[0], "lot": r.screen_18, "style": r.light, "roaster": r.drum, "weight": reckoned(9_900)});
        let weighed = server.command("weigh-ins", weighed).await;
        expect(server, &path, json!({"store_g": 590_100, "reserved_g": 10_000, "free_g": 580_100})).await;
        server.command("withdrawals", json!({"cards": [cards[1]]})).await;
        expect(server, &path, json!({"reserved_g": 0, "free_g": 590_100})).await;
        server.command("reversals", json!({"posting": weighed["posting"]["id"]})).await;
        expect(server, &path, json!({"store_g": 600_000, "reserved_g": 10_000})).await;
    }

    async fn lots_and_deliveries_are_records_like_all_others(server: &Server) {
        let r = roastery(server).await;
        let before = server.ask(&format!("/api/lots/{}", r.washed)).await;
        assert_eq!(before.header("etag"), "\"1\"");
        let changed = server.put_change("lots", &r.washed, json!({"use_rank": 7})).await;
        assert_eq!((&changed["revision"], &changed["use_rank"], &changed["store_g"]), (&json!(2), &json!(7), &json!(300_000)));
        let page = server.get("/api/lots?limit=2").await;
        assert_eq!(page["items"].as_array().unwrap().len(), 2);
        let rest = server.get(&format!("/api/lots?after={}", page["next"].as_str().unwrap())).await;
        assert_eq!((rest["items"].as_array().unwrap().len(), &rest["next"]), (1, &Value::Null));
        let stock = server.get("/api/stock").await;
        assert_eq!(stock["lots"].as_array().unwrap().len(), 3);
        server.ask(&format!("/api/deliveries/{}", r.washed)).await.problem(404, "not-found");
    }
}
