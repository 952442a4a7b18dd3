//! Each command about green, what it answers and what it leaves in the book.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use crate::support::{Server, each_database, roastery};

/// A mass that was reckoned.
pub fn reckoned(grams: impl Into<Value>) -> Value {
    json!({"basis": "reckoned", "mass_g": grams.into()})
}

/// A count that is far from the book, said once more.
pub fn once_more(mut count: Value) -> Value {
    count["confirmed"] = json!(["far_from_book"]);
    count
}

/// What stands at a lot's places, in milligrams by the place's word.
pub async fn standing(server: &Server, lot: &str) -> BTreeMap<String, i64> {
    let mut tx = server.app.read().await.unwrap();
    let lot: uuid::Uuid = lot.parse().unwrap();
    let mut places = BTreeMap::new();
    for one in tx
        .standing_of_lot(server.app.site, lot.into())
        .await
        .unwrap()
    {
        *places.entry(one.place.word().to_owned()).or_default() += one.mass.mg();
    }
    places
}

fn places<const N: usize>(of: [(&str, i64); N]) -> BTreeMap<String, i64> {
    of.into_iter()
        .map(|(place, mg)| (place.to_owned(), mg))
        .collect()
}

each_database! {
    /// 600 kg came; 40 kg went up, of which 10 kg went back and 80 g were spilled; 120.5 g dried and 300 g were drawn below.
    async fn green_goes_where_it_is_said_to_go(server: &Server) {
        let r = roastery(server).await;
        let loft = server.put_new("storerooms", json!({"name": "Loft"})).await;
        let (lot, room) = (&r.screen_18, &r.storeroom);
        server.command("transfers", json!({"lot": lot, "from": room, "to": loft, "weight": reckoned(40_000)})).await;
        server.command("returns", json!({"lot": lot, "storeroom": loft, "weight": reckoned(10_000)})).await;
        server.command("dryings", json!({"lot": lot, "storeroom": room, "weight": reckoned(120.5)})).await;
        server.command("samples", json!({"lot": lot, "storeroom": room, "weight": reckoned(300), "purpose": "cupping"})).await;
        server.command("wastes", json!({"lot": lot, "storeroom": loft, "weight": reckoned(80)})).await;
        let expected = places([("air", 120_500), ("sample", 300_000), ("store", 589_499_500), ("supplier", -590_000_000), ("waste", 80_000)]);
        assert_eq!(standing(server, lot).await, expected);
        let same = json!({"lot": lot, "from": room, "to": room, "weight": reckoned(1)});
        assert_eq!(server.order("transfers", &server.id(), same).await.pointers(), ["/to"]);
    }

    async fn a_count_books_its_difference_to_the_book(server: &Server) {
        let r = roastery(server).await;
        let count = |grams: f64| json!({"lot": r.peaberry, "storeroom": r.storeroom, "weight": reckoned(grams)});
        let less = server.command("counts", count(119_400.0)).await;
        assert_eq!(less["difference_g"], -600);
        assert_eq!(less["posting"]["movements"][0]["to"]["place"], "variance");
        let more = server.command("counts", count(119_500.0)).await;
        assert_eq!(more["difference_g"], 100);
        let size = server.log_size().await;
        let same = server.command("counts", count(119_500.0)).await;
        assert_eq!(same, json!({"posting": null, "book_g": 119_500, "counted_g": 119_500, "difference_g": 0}));
        assert_eq!(server.log_size().await, size + 3, "that it was counted is in the journal");
        server.advance_minutes(1);
        let all = json!({"lot": r.peaberry, "storeroom": r.storeroom});
        for (name, far) in [("counts", count(1_194.0)), ("used-ups", all.clone())] {
            let asked = server.order(name, &server.id(), far).await.problem(409, "confirm");
            assert_eq!((&asked["confirm"], &asked["book_g"]), (&json!(["far_from_book"]), &json!(119_500)), "{name}");
        }
        let used = server.command("used-ups", once_more(all.clone())).await;
        assert_eq!(used["difference_g"], -119_500);
        assert_eq!(server.command("used-ups", all).await["posting"], Value::Null);
        assert_eq!(standing(server, &r.peaberry).await, places([("supplier", -120_000_000), ("variance", 120_000_000)]));
    }

    async fn a_blend_is_the_sum_of_its_parts(server: &Server) {
        let r = roastery(server).await;
        let mut fields = server.get(&format!("/api/lots/{}", r.washed)).await;
        let blend = json!({"name": "House blend", "coffee": r.huila, "delivery": r.huila_delivery, "grade": "blend", "storeroom": r.storeroom, "expected_g": 0,
            "packing": fields["packing"].take(), "moisture": [], "claims": [], "use_rank": 1});
        let blend = server.put_new("lots", blend).await;
        let part = |lot: &str, grams: f64| json!({"lot": lot, "storeroom": r.storeroom, "weight": reckoned(grams)});
        let parts = json!([part(&r.washed, 6_000.25), part(&r.peaberry, 4_000.5)]);
        server.command("blends", json!({"lot": blend, "storeroom": r.storeroom, "parts": parts})).await;
        assert_eq!(standing(server, &blend).await, places([("blended", -10_000_750), ("store", 10_000_750)]));
        assert_eq!(standing(server, &r.peaberry).await["blended"], 4_000_500);
        let view = server.get(&format!("/api/lots/{blend}")).await;
        assert_eq!((&view["received_g"], &view["received_day"]), (&json!(10_000.75), &json!("2026-11-25")));
        let itself = json!({"lot": blend, "storeroom": r.storeroom, "parts": [part(&blend, 1.0)]});
        assert_eq!(server.order("blends", &server.id(), itself).await.pointers(), ["/parts/0/lot"]);
        // Two parts of one lot are measured together: 350 kg of 293.99975 kg.
        let twice = json!({"lot": blend, "storeroom": r.storeroom, "parts": [part(&r.washed, 175_000.0), part(&r.washed, 175_000.0)]});
        let asked = server.order("blends", &server.id(), twice).await.problem(409, "confirm");
        assert_eq!(asked["beyond_book_g"], 56_000.25);
    }

    async fn more_than_the_book_has_is_asked_about_once(server: &Server) {
        let r = roastery(server).await;
        for name in ["returns", "dryings", "samples", "wastes"] {
            let stands = standing(server, &r.washed).await.get("store").copied().unwrap_or_default();
            let grams = f64::from(i32::try_from(stands / 1_000).unwrap()) + 250.0;
            let body = json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(grams)});
            let asked = server.order(name, &server.id(), body.clone()).await.problem(409, "confirm");
            assert_eq!(asked["confirm"], json!(["beyond_book"]), "{name}");
            assert_eq!(asked["beyond_book_g"], 250, "{name}");
            assert!(asked["detail"].as_str().unwrap().contains("250 g less of Huila washed"), "{asked}");
            let mut kept = body.clone();
            kept["kept"] = json!(true);
            let mut sure = body;
            sure["confirmed"] = json!(["beyond_book"]);
            let answer = server.command(name, if name == "samples" { kept } else { sure }).await;
            let first = &answer["posting"]["movements"][0];
            assert_eq!((&first["from"]["place"], &first["mass_g"]), (&json!("variance"), &json!(250)), "{name}");
            let back = json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(1_000)});
            server.command("counts", once_more(back)).await;
        }
    }

    async fn a_command_sent_again_answers_the_same_and_its_id_names_nothing_else(server: &Server) {
        let r = roastery(server).await;
        let id = server.id();
        let body = json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(500)});
        let first = server.order("dryings", &id, body.clone()).await.expect(201);
        let size = server.log_size().await;
        assert_eq!(server.order("dryings", &id, body.clone()).await.expect(200), first);
        let mut other = body.clone();
        other["weight"] = reckoned(501);
        server.order("dryings", &id, other).await.problem(409, "id-taken");
        server.order("wastes", &id, body).await.problem(409, "id-taken");
        assert_eq!(server.log_size().await, size);
        assert_eq!(standing(server, &r.washed).await["air"], 500_000);
    }

    /// 3.26 kg less the crate's 1.4 kg, and 2.00 kg.
    async fn readings_in_crates_add_up(server: &Server) {
        let r = roastery(server).await;
        let readings = json!([{"gross": "3,26", "container": "blue crate"}, {"gross": "2.00"}]);
        let weight = json!({"basis": "weighed", "scale": r.floor_scale, "source": "typed", "readings": readings});
        let answer = server.command("samples", json!({"lot": r.washed, "storeroom": r.storeroom, "weight": weight})).await;
        assert_eq!(answer["posting"]["movements"][0]["mass_g"], 3_860);
    }

    async fn samples_and_waste_of_a_batch_are_steps_of_it(server: &Server) {
        let r = roastery(server).await;
        let batch = server.id();
        server.command("weigh-ins", json!({"batch": batch, "lot": r.washed, "style": r.dark, "roaster": r.drum, "storeroom": r.storeroom, "weight": reckoned(10_000)})).await;
        let waste = |grams: i64| json!({"batch": batch, "weight": reckoned(grams)});
        server.order("wastes", &server.id(), waste(50)).await.problem(409, "conflict");
        let hot = server.command("samples", json!({"batch": batch, "weight": reckoned(120)})).await;
        assert_eq!(hot["batch"]["sample_g"], 120);
        let out = server.command("weigh-outs", json!({"batches": [batch], "weight": reckoned(8_580)})).await;
        // 1 - (8580 + 120) / 10000
        assert_eq!(out["batches"][0]["loss"], 0.13);
        server.command("samples", json!({"batch": batch, "weight": reckoned(80), "purpose": "cupping"})).await;
        let spilled = server.command("wastes", waste(500)).await;
        assert_eq!(spilled["batch"]["roasted_left_g"], 8_000);
        assert_eq!(spilled["batch"]["loss"], 0.13, "what is lost after the weigh-out is no roasting loss");
        server.command("reversals", json!({"posting": spilled["posting"]["id"]})).await;
        let too_much = json!({"batch": batch, "weight": reckoned(8_501)});
        let asked = server.order("samples", &server.id(), too_much.clone()).await.problem(409, "confirm");
        assert_eq!((&asked["confirm"], &asked["beyond_book_g"]), (&json!(["beyond_book"]), &json!(1)));
        let stock = server.get("/api/stock").await;
        assert_eq!(stock["roasted"][0]["batch"], json!(batch));
        assert_eq!(stock["roasted"][0]["mass_g"], 8_500);
        let mut sure = too_much;
        sure["confirmed"] = json!(["beyond_book"]);
        let all = server.command("samples", sure).await;
        assert_eq!(all["posting"]["movements"][0]["from"]["place"], "variance", "the gram that the book lacks");
        assert_eq!(server.get("/api/stock").await["roasted"], json!([]));
    }

    /// However early the sender's clock stands, green does not come back before it went.
    async fn nothing_is_undone_before_it_happened(server: &Server) {
        let r = roastery(server).await;
        let drawn = server.command("samples", json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(300)})).await;
        let early = json!({"posting": drawn["posting"]["id"], "happened_at": "2026-11-02T08:00:00Z"});
        let undone = server.command("reversals", early).await;
        assert_eq!(undone["posting"]["happened_at"], drawn["posting"]["happened_at"]);
        let batch = server.id();
        server.command("weigh-ins", json!({"batch": batch, "lot": r.washed, "style": r.dark, "roaster": r.drum, "storeroom": r.storeroom, "weight": reckoned(10_000)})).await;
        let out = server.command("weigh-outs", json!({"batches": [batch], "weight": reckoned(8_580)})).await;
        let right = json!({"batch": batch, "green_g": 10_100, "reason": "misread", "happened_at": "2026-11-02T08:00:00Z"});
        let corrected = server.command("corrections", right).await;
        assert_eq!(corrected["posting"]["happened_at"], out["posting"]["happened_at"]);
    }

    async fn a_lot_stays_with_the_delivery_it_came_with(server: &Server) {
        let r = roastery(server).await;
        let path = format!("/api/lots/{}", r.washed);
        let lot = server.get(&path).await;
        let other = json!({"supplier": "Fell & Tarn", "reference": "FT-9", "expected_day": "2026-12-01"});
        let other = server.put_new("deliveries", other).await;
        let answer = server.try_change("lots", &r.washed, json!({"delivery": other})).await;
        assert_eq!(answer.pointers(), ["/delivery"]);
        assert_eq!(server.get(&path).await, lot);
    }

    async fn a_weight_beyond_all_bounds_was_mistyped(server: &Server) {
        let r = roastery(server).await;
        let size = server.log_size().await;
        for grams in [1_000_000_001_i64, 999_999_999_999] {
            let lines = json!([{"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(grams)}]);
            let answer = server.order("receipts", &server.id(), json!({"delivery": r.huila_delivery, "lines": lines})).await;
            assert_eq!(answer.pointers(), ["/lines/0/weight"]);
        }
        assert_eq!(server.log_size().await, size);
    }

    /// Lists begin after the id of zeros, so nothing may bear it.
    async fn nothing_bears_the_id_of_zeros(server: &Server) {
        let r = roastery(server).await;
        let zeros = "00000000-0000-0000-0000-000000000000";
        server.put(&format!("/api/coffees/{zeros}"), &json!({"name": "Nobody"})).await.problem(404, "not-found");
        server.put("/api/coffees/00000000000000000000000000000000", &json!({"name": "Nobody"})).await.problem(404, "not-found");
        let batch = json!({"batch": zeros, "lot": r.washed, "style": r.dark, "roaster": r.drum, "storeroom": r.storeroom, "weight": reckoned(10_000)});
        assert_eq!(server.order("weigh-ins", &server.id(), batch).await.pointers(), ["/batch"]);
        assert_eq!(server.get("/api/verify").await["ok"], json!(true));
    }

    async fn a_sample_is_of_a_lot_or_of_a_batch(server: &Server) {
        let r = roastery(server).await;
        let both = json!({"lot": r.washed, "storeroom": r.storeroom, "batch": r.washed, "weight": reckoned(50)});
        for body in [both, json!({"lot": r.washed, "weight": reckoned(50)}), json!({"weight": reckoned(50)})] {
            server.order("samples", &server.id(), body).await.problem(422, "invalid");
        }
        let unknown = json!({"batch": server.id(), "weight": reckoned(50)});
        server.order("wastes", &server.id(), unknown).await.problem(404, "not-found");
    }
}
