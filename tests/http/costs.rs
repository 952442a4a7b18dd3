//! What green cost: lines of a delivery's bills in the currency of the bill, and write-downs.

use serde_json::{Value, json};

use crate::support::{Roastery, Server, each_database, roastery};

/// A bill over coffee for the first delivery.
pub fn bill(r: &Roastery) -> Value {
    json!({"delivery": r.kivu_delivery, "kind": "coffee", "day": "2026-11-25", "amount": {"minor": 432_000, "currency": "EUR"}})
}

fn with(mut fields: Value, over: Value) -> Value {
    for (name, value) in over.as_object().unwrap() {
        fields[name] = value.clone();
    }
    fields
}

/// Sends it, and where it is refused.
async fn refused(server: &Server, body: Value) -> Vec<String> {
    let path = format!("/api/cost-lines/{}", server.id());
    let problem = server.put(&path, &body).await.problem(422, "invalid");
    let errors = problem["errors"].as_array().unwrap();
    errors
        .iter()
        .map(|e| e["pointer"].as_str().unwrap().to_owned())
        .collect()
}

each_database! {
    async fn a_bill_in_another_currency_needs_its_rate(server: &Server) {
        let r = roastery(server).await;
        let dollars = json!({"amount": {"minor": 500_000, "currency": "USD"}});
        assert_eq!(refused(server, with(bill(&r), dollars.clone())).await, ["/rate"]);
        assert_eq!(refused(server, with(bill(&r), json!({"rate": "0.9"}))).await, ["/rate"]);
        let with_rate = with(with(bill(&r), dollars), json!({"rate": "0.9231", "lot": r.peaberry, "credit": true, "reference": "INV 7"}));
        let id = server.put_new("cost-lines", with_rate.clone()).await;
        let kept = server.get(&format!("/api/cost-lines/{id}")).await;
        assert_eq!((&kept["rate"], &kept["amount"]), (&json!("0.9231"), &with_rate["amount"]));
        for wrong in ["0", "1.0835e2", "-1", "1,5"] {
            let path = format!("/api/cost-lines/{}", server.id());
            server.put(&path, &with(with_rate.clone(), json!({"rate": wrong}))).await.problem(422, "invalid");
        }
    }

    async fn a_bill_is_of_its_own_delivery_and_of_something(server: &Server) {
        let r = roastery(server).await;
        assert_eq!(refused(server, with(bill(&r), json!({"lot": r.washed}))).await, ["/lot"]);
        assert_eq!(refused(server, with(bill(&r), json!({"amount": {"minor": 0, "currency": "EUR"}}))).await, ["/amount/minor"]);
        assert_eq!(refused(server, with(bill(&r), json!({"delivery": server.id()}))).await, ["/delivery"]);
    }

    /// What has been written in a currency cannot be read in another.
    async fn the_currency_stays(server: &Server) {
        let r = roastery(server).await;
        let site = server.app.site.to_string();
        server.put_change("sites", &site, json!({"currency": "GBP"})).await;
        server.put_change("sites", &site, json!({"currency": "EUR"})).await;
        server.put_new("cost-lines", bill(&r)).await;
        let mut fields = server.get(&format!("/api/sites/{site}")).await;
        fields["currency"] = json!("GBP");
        let revision = fields["revision"].as_i64().unwrap();
        for derived in ["id", "revision"] {
            fields.as_object_mut().unwrap().remove(derived);
        }
        let answer = server.change(&format!("/api/sites/{site}"), revision, &fields).await;
        assert_eq!(answer.problem(422, "invalid")["errors"][0]["pointer"], "/currency");
    }

    async fn a_write_down_is_in_the_currency_of_the_books(server: &Server) {
        let r = roastery(server).await;
        server.put_new("cost-lines", with(bill(&r), json!({"delivery": r.huila_delivery}))).await;
        let down = json!({"lot": r.washed, "day": "2026-11-25", "amount": {"minor": 5_000, "currency": "USD"}, "reason": "past crop"});
        let path = format!("/api/write-downs/{}", server.id());
        let problem = server.put(&path, &down).await.problem(422, "invalid");
        assert_eq!(problem["errors"][0]["pointer"], "/amount/currency");
        server.put_new("write-downs", with(down, json!({"amount": {"minor": 5_000, "currency": "EUR"}}))).await;
    }

    /// Digits too many are refused where they are typed, and no sum of bills grows beyond what a number can hold.
    async fn bills_beyond_all_measure_are_refused(server: &Server) {
        let r = roastery(server).await;
        let much = json!({"amount": {"minor": 9_007_199_254_740_991_i64, "currency": "EUR"}});
        let first = server.put_new("cost-lines", with(bill(&r), much.clone())).await;
        assert_eq!(refused(server, bill(&r)).await, ["/amount/minor"]);
        server.put_change("cost-lines", &first, json!({"retired": true})).await;
        server.put_new("cost-lines", bill(&r)).await;
        // What two lots are said to have cost is read nowhere but in the reckoning, which says that it cannot be told.
        for (lot, name) in [(&r.screen_18, "Kivu 18"), (&r.washed, "Huila")] {
            server.put_change("lots", lot, json!({"name": name, "landed_cost": much["amount"]})).await;
        }
        server.put_change("cost-lines", &first, json!({"retired": true, "note": "typed twice"})).await;
        let lines = server.get("/api/cost-lines").await;
        for line in lines["items"].as_array().unwrap() {
            server.put_change("cost-lines", line["id"].as_str().unwrap(), json!({"retired": true})).await;
        }
        for path in ["/api/value", "/api/value.csv", "/api/all-sites"] {
            let problem = server.ask(path).await.problem(409, "conflict");
            assert!(problem["detail"].as_str().unwrap().contains("digits too many"), "{problem}");
        }
    }

    /// 300 kg of 1,800.00, of which 60 kg are gone and 100.00 written down: 1,340.00 are left to write down.
    async fn no_more_is_written_down_than_green_is_worth(server: &Server) {
        let r = roastery(server).await;
        server.put_new("cost-lines", with(bill(&r), json!({"delivery": r.huila_delivery, "amount": {"minor": 180_000, "currency": "EUR"}}))).await;
        let waste = json!({"lot": r.washed, "storeroom": r.storeroom, "weight": {"basis": "reckoned", "mass_g": 60_000}});
        server.command("wastes", waste).await;
        let down = |minor: i64| json!({"lot": r.washed, "day": "2026-11-25", "amount": {"minor": minor, "currency": "EUR"}, "reason": "past crop"});
        let first = server.put_new("write-downs", down(10_000)).await;
        let path = format!("/api/write-downs/{}", server.id());
        let problem = server.put(&path, &down(134_001)).await.problem(422, "invalid");
        assert_eq!(problem["errors"][0]["pointer"], "/amount/minor");
        assert!(problem["errors"][0]["detail"].as_str().unwrap().contains("1340.00 EUR at most"), "{problem}");
        assert_eq!(server.ask(&path).await.status, 404, "nothing of it is kept");
        let changed = server.try_change("write-downs", &first, json!({"amount": {"minor": 144_001, "currency": "EUR"}})).await;
        assert_eq!(changed.pointers(), ["/amount/minor"]);
        server.put_new("write-downs", down(134_000)).await;
        server.put_change("write-downs", &first, json!({"retired": true})).await;
    }
}
