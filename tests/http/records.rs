//! Things people edit: made, changed, sent twice, changed by two at once, and written down in the journal.

use serde_json::{Value, json};

use crate::support::{Server, each_database, roastery};

/// The newest leaf about a record, straight from the log: no route reads the journal more plainly.
async fn last_entry(server: &Server) -> Value {
    let mut tx = server.app.read().await.expect("a snapshot");
    let size = tx
        .head(server.app.site)
        .await
        .expect("a head")
        .expect("a log")
        .size;
    let rows = tx
        .leaves(server.app.site, size - 1, 1)
        .await
        .expect("leaves");
    serde_json::from_str(&rows[0].leaf).expect("a leaf")
}

each_database! {
    /// A new book has two leaves: its site and its owner.
    async fn a_new_book_knows_its_site_and_owner(server: &Server) {
        assert_eq!(server.log_size().await, 2);
        let me = server.get("/api/me").await;
        assert_eq!(me["person"]["role"], "owner");
        assert_eq!(me["site"]["zone"], "Europe/Lisbon");
        assert_eq!(me["today"], "2026-11-25");
    }

    async fn a_record_is_made_read_and_listed(server: &Server) {
        let id = server.id();
        let path = format!("/api/coffees/{id}");
        let made = server.put(&path, &json!({"name": "  Yirga "})).await;
        assert_eq!(made.expect(201), json!({"id": id, "revision": 1, "name": "Yirga"}));
        assert_eq!(made.header("etag"), "\"1\"");
        let read = server.ask(&path).await;
        assert_eq!(read.expect(200), made.json());
        assert_eq!(read.header("etag"), "\"1\"");
        assert_eq!(read.header("cache-control"), "no-store");
        let list = server.get("/api/coffees").await;
        assert_eq!(list, json!({"items": [made.json()], "next": null}));
    }

    async fn a_change_needs_the_revision_it_builds_on(server: &Server) {
        let id = server.put_new("coffees", json!({"name": "Sidama"})).await;
        let path = format!("/api/coffees/{id}");
        let changed = server.change(&path, 1, &json!({"name": "Sidamo"})).await;
        assert_eq!(changed.expect(200)["revision"], 2);
        assert_eq!(changed.header("etag"), "\"2\"");
        let size = server.log_size().await;
        let stale = server.change(&path, 1, &json!({"name": "Guji"})).await;
        stale.problem(412, "changed-since");
        server.change(&path, 3, &json!({"name": "Guji"})).await.problem(412, "changed-since");
        assert_eq!(server.get(&path).await["name"], "Sidamo");
        assert_eq!(server.log_size().await, size, "a refused change leaves no leaf");
    }

    async fn what_is_not_there_cannot_be_changed(server: &Server) {
        let path = format!("/api/coffees/{}", server.id());
        server.ask(&path).await.problem(404, "not-found");
        server.change(&path, 1, &json!({"name": "Guji"})).await.problem(412, "changed-since");
        server.ask(&path).await.problem(404, "not-found");
    }

    /// A sender that got no answer sends again: once is enough, for making as for changing.
    async fn sent_twice_is_written_once(server: &Server) {
        let id = server.id();
        let path = format!("/api/coffees/{id}");
        server.put(&path, &json!({"name": "Guji"})).await.expect(201);
        let size = server.log_size().await;
        let again = server.put(&path, &json!({"name": "Guji"})).await;
        assert_eq!(again.expect(201)["revision"], 1);
        server.put(&path, &json!({"name": "Sidamo"})).await.problem(409, "id-taken");
        assert_eq!(server.log_size().await, size);
        server.change(&path, 1, &json!({"name": "Sidamo"})).await.expect(200);
        let again = server.change(&path, 1, &json!({"name": "Sidamo"})).await;
        assert_eq!(again.expect(200)["revision"], 2);
        assert_eq!(server.log_size().await, size + 1);
    }

    async fn one_id_names_one_thing(server: &Server) {
        let id = server.put_new("coffees", json!({"name": "Guji"})).await;
        let path = format!("/api/storerooms/{id}");
        server.put(&path, &json!({"name": "Cellar"})).await.problem(409, "id-taken");
        server.change(&path, 1, &json!({"name": "Cellar"})).await.problem(404, "not-found");
        server.ask(&path).await.problem(404, "not-found");
    }

    async fn a_name_is_given_once_among_its_kind(server: &Server) {
        server.put_new("coffees", json!({"name": "Guji"})).await;
        let other = server.put_new("coffees", json!({"name": "Sidamo"})).await;
        let size = server.log_size().await;
        let path = format!("/api/coffees/{}", server.id());
        let problem = server.put(&path, &json!({"name": "Guji"})).await.problem(422, "invalid");
        assert!(problem["detail"].as_str().unwrap_or_default().contains("Guji"), "{problem}");
        server.change(&format!("/api/coffees/{other}"), 1, &json!({"name": "Guji"})).await.problem(422, "invalid");
        assert_eq!(server.log_size().await, size);
        // A storeroom may bear a coffee's name.
        server.put_new("storerooms", json!({"name": "Guji"})).await;
    }

    async fn what_is_named_must_be_there_and_of_its_kind(server: &Server) {
        let made = roastery(server).await;
        let product = |coffee: &str, style: &str| json!({"name": "Bag", "parts": [{"coffee": coffee, "share": 1}], "style": style, "bag_g": 250});
        let path = format!("/api/products/{}", server.id());
        let unknown = server.put(&path, &product(&server.id(), &made.light)).await;
        unknown.problem(422, "invalid");
        assert_eq!(unknown.pointers(), ["/parts/0/coffee"]);
        let swapped = server.put(&path, &product(&made.light, &made.kivu)).await;
        assert_eq!(swapped.pointers(), ["/style", "/parts/0/coffee"]);
        server.put(&path, &product(&made.kivu, &made.light)).await.expect(201);
    }

    async fn the_journal_has_before_and_after(server: &Server) {
        let id = server.put_new("coffees", json!({"name": "Guji"})).await;
        let entry = last_entry(server).await;
        assert_eq!(entry["kind"], "coffee");
        assert_eq!(entry["subject"], id);
        assert_eq!((&entry["before"], &entry["after"]), (&Value::Null, &json!({"name": "Guji"})));
        server.advance_minutes(5);
        server.put_change("coffees", &id, json!({"note": "washed"})).await;
        let entry = last_entry(server).await;
        assert_eq!(entry["before"], json!({"name": "Guji"}));
        assert_eq!(entry["after"], json!({"name": "Guji", "note": "washed"}));
        let me = server.get("/api/me").await;
        assert_eq!(entry["person"], me["person"]["id"]);
    }

    async fn lists_are_read_page_by_page(server: &Server) {
        let mut ids = Vec::new();
        for n in 0..7 {
            ids.push(server.put_new("coffees", json!({"name": format!("Coffee {n}")})).await);
        }
        ids.sort();
        let mut seen = Vec::new();
        let mut path = "/api/coffees?limit=3".to_owned();
        loop {
            let page = server.get(&path).await;
            let items = page["items"].as_array().expect("items");
            assert!(items.len() <= 3);
            seen.extend(items.iter().map(|item| item["id"].as_str().expect("an id").to_owned()));
            let Some(next) = page["next"].as_str() else { break };
            path = format!("/api/coffees?limit=3&after={next}");
        }
        assert_eq!(seen, ids);
        for query in ["limit=0", "limit=1001", "limit=x", "after=x", "page=2"] {
            server.ask(&format!("/api/coffees?{query}")).await.problem(422, "invalid");
        }
    }

    /// Grams written for kilograms, or one sack for all: what is expected and what the packing holds are far apart.
    async fn a_lot_far_from_its_packing_is_asked_about(server: &Server) {
        let has = roastery(server).await;
        let lot = |grams: i64, sacks: u32| json!({"name": "Typed", "coffee": has.huila, "delivery": has.huila_delivery, "grade": "AA", "storeroom": has.storeroom,
            "expected_g": grams, "packing": {"kind": "jute", "sacks": sacks, "sack_g": 60_000, "loose_g": 0}, "moisture": [], "claims": [], "use_rank": 3});
        let id = server.id();
        let path = format!("/api/lots/{id}");
        let asked = server.put(&path, &lot(300_000_000, 5)).await;
        asked.problem(409, "confirm");
        assert_eq!(asked.json()["confirm"], json!(["far_from_packing"]));
        let sentence = asked.json()["detail"].as_str().unwrap().to_owned();
        assert!(sentence.contains("300000 kg are expected") && sentence.contains("5 packs of 60 kg hold 300 kg"), "{sentence}");
        assert_eq!(server.ask(&path).await.status, 404, "nothing was written");
        server.put(&format!("{path}?confirmed=nothing"), &lot(300_000_000, 5)).await.problem(422, "invalid");
        server.put(&format!("{path}?confirmed=far_from_packing"), &lot(300_000_000, 5)).await.expect(201);
        // Up to a fifth, a lot without sacks, and one of which nothing is expected are not asked about.
        for (name, grams, sacks) in [("A", 250_000, 5), ("B", 300_000, 0), ("C", 0, 5)] {
            let mut fields = lot(grams, sacks);
            fields["name"] = json!(name);
            server.put_new("lots", fields).await;
        }
    }

    /// A step in kilograms and a capacity in grams, or the other way round. OIML R 76-1:2006, table 3: 100 intervals at the least in all
    /// classes but the finest; at most 100,000 in class II, of which a display may show tenths.
    async fn a_scale_shows_a_plausible_number_of_steps(server: &Server) {
        let scale = |division: f64, max: i64, name: &str| json!({"name": name, "unit": "kg", "division_g": division, "max_g": max, "containers": []});
        for (division, max) in [(0.02, 60_000), (20.0, 60_000_000), (5_000.0, 60_000)] {
            let refused = server.put(&format!("/api/scales/{}", server.id()), &scale(division, max, "Wrong")).await;
            refused.problem(422, "invalid");
            assert_eq!(refused.pointers(), ["/division_g"]);
        }
        // Scales that are sold: 60 kg by 20 g, 150 kg by 50 g, 6.2 kg by 0.01 g, 60 t by 20 kg is beyond a roastery's step.
        for (n, (division, max)) in [(20.0, 60_000), (50.0, 150_000), (0.01, 6_200), (10_000.0, 60_000_000)].into_iter().enumerate() {
            server.put_new("scales", scale(division, max, &format!("Scale {n}"))).await;
        }
    }

    /// An order on a day that is over is asked about; one that stood there before is changed freely.
    async fn an_order_on_a_day_that_is_over_is_asked_about(server: &Server) {
        let has = roastery(server).await;
        let order = json!({"number": "L-1", "customer": "Corner Cafe", "ship_day": "2026-12-02", "transit_days": 1, "priority": 1,
            "lines": [{"line": 1, "product": has.kivu_bag, "bags": 11}]});
        let before = server.put_new("orders", order.clone()).await;
        server.advance_minutes(8 * 24 * 60);
        let mut late = order;
        late["number"] = json!("L-2");
        let path = format!("/api/orders/{}", server.id());
        let asked = server.put(&path, &late).await;
        asked.problem(409, "confirm");
        assert_eq!(asked.json()["confirm"], json!(["day_over"]));
        assert!(asked.json()["detail"].as_str().unwrap().contains("2026-12-02 is over, today is 2026-12-03"), "{}", asked.text);
        server.put(&format!("{path}?confirmed=day_over"), &late).await.expect(201);
        server.put_change("orders", &before, json!({"customer": "Corner House", "lines": late["lines"]})).await;
    }

    /// Bags that are packed leave with their order, so an order for fewer is asked about.
    async fn an_order_cut_below_what_is_packed_is_asked_about(server: &Server) {
        let has = roastery(server).await;
        let order = json!({"number": "C-1", "customer": "Corner Cafe", "ship_day": "2026-12-02", "transit_days": 1, "priority": 1,
            "lines": [{"line": 1, "product": has.kivu_bag, "bags": 14}]});
        let order = server.put_new("orders", order).await;
        let batch = server.id();
        server.command("weigh-ins", json!({"batch": batch, "lot": has.screen_18, "style": has.light, "roaster": has.drum, "weight": has.weighed("5.00")})).await;
        server.command("weigh-outs", json!({"batches": [batch], "weight": has.weighed("4.34")})).await;
        server.advance_minutes(3 * 24 * 60);
        server.command("packings", json!({"product": has.kivu_bag, "bags": 11, "order": order})).await;
        let lines = |bags: u32| json!({"lines": [{"line": 1, "product": has.kivu_bag, "bags": bags}]});
        let asked = server.try_change("orders", &order, lines(5)).await;
        asked.problem(409, "confirm");
        assert_eq!(asked.json()["confirm"], json!(["fewer_than_packed"]));
        assert!(asked.json()["detail"].as_str().unwrap().contains("11 bags of Kivu 250 are packed for it, and it would ask for 5"), "{}", asked.text);
        server.put_change("orders", &order, lines(11)).await;
        server.confirmed("orders", &order, "fewer_than_packed", lines(5)).await.expect(200);
    }

    /// The zone decides which day a gram moved on, so it stands once something has moved.
    async fn the_zone_is_fixed_by_the_first_posting(server: &Server) {
        let site = server.get("/api/me").await["site"]["id"].as_str().expect("an id").to_owned();
        server.put_change("sites", &site, json!({"zone": "Africa/Nairobi"})).await;
        server.put_change("sites", &site, json!({"zone": "Europe/Lisbon"})).await;
        roastery(server).await;
        let before = server.get(&format!("/api/sites/{site}")).await;
        let mut fields = before.clone();
        let map = fields.as_object_mut().expect("fields");
        map.remove("id");
        map.remove("revision");
        map.insert("zone".to_owned(), json!("Africa/Nairobi"));
        let refused = server.change(&format!("/api/sites/{site}"), 3, &fields).await;
        refused.problem(422, "invalid");
        assert_eq!(refused.pointers(), ["/zone"]);
        server.put_change("sites", &site, json!({"name": "Quay Street"})).await;
    }
}
