//! What an auditor reads: postings, journal, closings, what waits to be settled.

use serde_json::{Value, json};

use crate::green::reckoned;
use crate::support::{Server, each_database, roastery};

/// All items of a list, page by page.
async fn pages(server: &Server, path: &str) -> Vec<Value> {
    let (mut items, mut after) = (Vec::new(), String::new());
    loop {
        let page = server.get(&format!("{path}{after}")).await;
        items.extend(page["items"].as_array().unwrap().iter().cloned());
        match page["next"].as_str() {
            None => return items,
            Some(next) => after = format!("&after={next}"),
        }
    }
}

each_database! {
    async fn postings_are_listed_in_the_order_of_the_log(server: &Server) {
        let r = roastery(server).await;
        for grams in 1..=5 {
            server.command("dryings", json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(grams)})).await;
        }
        let batch = server.id();
        server.command("weigh-ins", json!({"batch": batch, "lot": r.washed, "style": r.dark, "roaster": r.drum, "weight": reckoned(10_000)})).await;
        server.command("samples", json!({"batch": batch, "weight": reckoned(100)})).await;
        let all = pages(server, "/api/postings?limit=3").await;
        assert_eq!(all.len(), 9, "two receipts, five dryings, a weigh-in and a sample");
        assert!(all.is_sorted_by_key(|posting| posting["position"].as_i64()));
        let of_lot = pages(server, &format!("/api/postings?lot={}&limit=2", r.washed)).await;
        assert_eq!(of_lot.len(), 8);
        let of_batch = pages(server, &format!("/api/postings?batch={batch}&limit=1")).await;
        let kinds: Vec<_> = of_batch.iter().map(|posting| posting["kind"].clone()).collect();
        assert_eq!(kinds, ["weigh_in", "sample"]);
        let both = pages(server, &format!("/api/postings?batch={batch}&lot={}&limit=9", r.peaberry)).await;
        assert!(both.is_empty());
        for bad in ["limit=0", "limit=1001", "after=-1", "after=x", "lot=1", "what=1"] {
            server.ask(&format!("/api/postings?{bad}")).await.problem(422, "invalid");
        }
    }

    async fn a_posting_shows_its_readings_as_typed(server: &Server) {
        let r = roastery(server).await;
        let readings = json!([{"gross": "3,260", "container": "blue crate"}, {"gross": "2.00"}]);
        let weight = json!({"basis": "weighed", "scale": r.floor_scale, "source": "typed", "readings": readings});
        let waste = json!({"lot": r.washed, "storeroom": r.storeroom, "weight": weight, "reason": "a torn sack"});
        let posted = server.command("wastes", waste).await;
        let id = posted["posting"]["id"].as_str().unwrap();
        let path = format!("/api/postings/{id}");
        let found = server.get(&path).await;
        let weighing = &found["weighings"][0];
        assert_eq!(weighing["scale"]["name"], "Floor scale");
        assert_eq!(weighing["readings"][0], json!({"gross": "3,260", "gross_g": 3_260, "container": "blue crate", "tare_g": 1_400, "net_g": 1_860}));
        assert_eq!((&weighing["net_g"], &weighing["division_g"], &weighing["unit"]), (&json!(3_860), &json!(10), &json!("kg")));
        assert_eq!((&found["reason"], &found["person"]["name"], &found["undone_by"]), (&json!("a torn sack"), &json!("Owner"), &Value::Null));
        let undo = server.command("reversals", json!({"posting": id})).await;
        assert_eq!(server.get(&path).await["undone_by"], undo["posting"]["id"]);
        server.ask(&format!("/api/postings/{}", server.id())).await.problem(404, "not-found");
    }

    async fn the_journal_says_what_was_before_and_what_is_now(server: &Server) {
        let r = roastery(server).await;
        server.put_change("lots", &r.washed, json!({"use_rank": 9})).await;
        let entries = pages(server, &format!("/api/journal?kind=lot&id={}&limit=1", r.washed)).await;
        assert_eq!(entries.len(), 2);
        assert_eq!((&entries[0]["before"]["use_rank"], &entries[0]["after"]["use_rank"]), (&json!(1), &json!(9)), "newest first");
        assert_eq!((&entries[1]["before"], &entries[1]["act"]), (&Value::Null, &json!("put")));
        assert_eq!(entries[0]["person"]["name"], "Owner");
    }

    async fn a_closed_period_takes_nothing_more(server: &Server) {
        let r = roastery(server).await;
        server.set_time("2026-12-02T10:00:00Z");
        let today = json!({"to_day": "2026-12-02"});
        assert_eq!(server.order("closings", &server.id(), today).await.pointers(), ["/to_day"]);
        let closed = server.command("closings", json!({"to_day": "2026-11-30", "reason": "month's end"})).await["closing"].take();
        let store = closed["totals"].as_array().unwrap().iter().find(|t| t["lot"] == json!(r.peaberry) && t["place"] == "store");
        assert_eq!(store.unwrap()["mass_g"], 120_000);
        let late = json!({"lot": r.peaberry, "storeroom": r.storeroom, "weight": reckoned(70), "happened_at": "2026-11-27T09:00:00Z"});
        let late = server.command("dryings", late).await["posting"].take();
        assert_eq!((&late["late"], &late["day"]), (&json!(true), &json!("2026-12-01")));

        let id = closed["id"].as_str().unwrap();
        let no_reason = json!({"closing": id});
        assert_eq!(server.order("reopenings", &server.id(), no_reason).await.pointers(), ["/reason"]);
        let unknown = json!({"closing": server.id(), "reason": "a late invoice"});
        assert_eq!(server.order("reopenings", &server.id(), unknown).await.pointers(), ["/closing"]);
        let opened = server.command("reopenings", json!({"closing": id, "reason": "a late invoice"})).await;
        assert_eq!((&opened["closing"]["id"], &opened["closing"]["reopened"]), (&json!(id), &json!(true)));
        server.command("closings", json!({"to_day": "2026-11-30"})).await;
        let all = server.get("/api/closings").await["items"].take();
        assert_eq!(all.as_array().unwrap().len(), 2);
        assert_eq!(all[0]["known"], json!(server.get(&format!("/api/closings/{id}")).await["known"]));
        assert_eq!((&all[0]["reopened"], &all[0]["reason"], &all[1]["reopened"]), (&json!(true), &json!("month's end"), &json!(false)));
    }

    async fn what_was_kept_and_cannot_be_booked_waits(server: &Server) {
        let r = roastery(server).await;
        let id = server.id();
        let kept = json!({"lot": r.kivu_delivery, "storeroom": r.storeroom, "weight": reckoned(70), "kept": true});
        server.order("wastes", &id, kept.clone()).await.expect(202);
        server.order("wastes", &id, kept.clone()).await.expect(202);
        let other = json!({"lot": r.kivu_delivery, "storeroom": r.storeroom, "weight": reckoned(71), "kept": true});
        server.order("wastes", &id, other.clone()).await.problem(409, "id-taken");
        // Sent together, one is kept and the other told that it is not.
        let twins = server.id();
        let (one, two) = tokio::join!(server.order("wastes", &twins, kept), server.order("wastes", &twins, other));
        let mut statuses = [one.status, two.status];
        statuses.sort_unstable();
        assert_eq!(statuses, [202, 409]);
        server.order("settlements", &server.id(), json!({"unsettled": twins, "reason": "a trial"})).await.expect(201);
        let waiting = server.get("/api/unsettled").await["items"].take();
        assert_eq!(waiting.as_array().unwrap().len(), 1);
        assert_eq!((&waiting[0]["id"], &waiting[0]["command"], &waiting[0]["body"]["weight"]["mass_g"]), (&json!(id), &json!("wastes"), &json!(70)));
        assert_eq!(waiting[0]["problem"]["errors"][0]["pointer"], "/lot");
        assert!(waiting[0]["problem"]["sentence"].as_str().unwrap().starts_with("lot: "), "{waiting}");
    }

    /// By what was booked in its place, or by what a person says; under its own id it is never booked any more.
    async fn what_waited_is_settled(server: &Server) {
        let r = roastery(server).await;
        let leave = async |grams: i64| {
            let id = server.id();
            let kept = json!({"lot": r.kivu_delivery, "storeroom": r.storeroom, "weight": reckoned(grams), "kept": true, "happened_at": server.now()});
            server.order("wastes", &id, kept.clone()).await.expect(202);
            (id, kept)
        };
        let ((first, as_sent), (second, _)) = (leave(70).await, leave(80).await);
        let settle = async |fields: Value| server.order("settlements", &server.id(), fields).await;
        assert_eq!(settle(json!({"unsettled": first})).await.pointers(), ["/reason"]);
        assert_eq!(settle(json!({"unsettled": server.id(), "reason": "twice"})).await.pointers(), ["/unsettled"]);
        assert_eq!(settle(json!({"unsettled": first, "by": server.id()})).await.pointers(), ["/by"]);

        let right = server.id();
        server.order("wastes", &right, json!({"lot": r.screen_18, "storeroom": r.storeroom, "weight": reckoned(70)})).await.expect(201);
        let settled = settle(json!({"unsettled": first, "by": right})).await.expect(201);
        assert_eq!(settled, json!({"unsettled": first, "by": right}));
        assert_eq!(settle(json!({"unsettled": first, "by": right})).await.pointers(), ["/unsettled"], "only once");
        settle(json!({"unsettled": second, "reason": "it was part of the first"})).await.expect(201);
        assert_eq!(server.get("/api/unsettled").await["items"], json!([]));

        let size = server.log_size().await;
        server.order("wastes", &first, as_sent.clone()).await.expect(202);
        let mut other = as_sent;
        other["weight"] = reckoned(75);
        server.order("wastes", &first, other).await.expect(409);
        assert_eq!((server.log_size().await, server.get("/api/unsettled").await["items"].take()), (size, json!([])), "a late second sending changes nothing");
    }
}
