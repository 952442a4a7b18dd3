//! The week: plans, their release as cards, and what planning again keeps.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use crate::green::{once_more, reckoned};
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

/// A plan with what the learner makes of all that was told.
async fn plan(server: &Server, over: Value) -> Value {
    server.app.learned().await;
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
    let body = json!({"from_day": plan["from_day"], "days": plan["days"], "log_size": plan["log_size"], "batches": batches(plan)});
    server.command("releases", body).await
}

/// No roaster works longer than it may.
fn check_hours(plan: &Value) {
    for roaster in list(&plan["roasters"]) {
        for day in list(&roaster["days"]) {
            assert!(
                day["used_min"].as_u64() <= day["available_min"].as_u64(),
                "{roaster}"
            );
        }
    }
}

/// What a plan must keep whatever it is for: minutes, green, charges, one style and lot at a time, feeds no more than what comes out.
fn check(plan: &Value, has: &Roastery) {
    check_hours(plan);
    let mut ends: BTreeMap<(String, String), (u32, String)> = BTreeMap::new();
    let opens = |batch: &Value| {
        let roaster = list(&plan["roasters"])
            .iter()
            .find(|roaster| roaster["id"] == batch["roaster"]["id"])
            .expect("its roaster");
        let day = list(&roaster["days"])
            .iter()
            .find(|day| day["day"] == batch["day"])
            .expect("its day");
        day["opens"].as_str().expect("open").to_owned()
    };
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
        let (end, before) = ends
            .entry(at)
            .or_insert_with(|| (minutes(&opens(batch)) + 30, String::new()));
        let change = if *before == stream { 0 } else { 5 };
        assert_eq!(start, *end + change, "one after the other: {batch}");
        (*end, *before) = (start + 12, stream);
        assert!(*end <= 15 * 60, "{batch}");
    }
}

each_database! {
    /// A plan covers the orders from now on, light before dark, and says what it takes from where.
    async fn a_plan_covers_the_orders(server: &Server) {
        let has = roastery(server).await;
        order(server, "T1", 1, &[(&has.kivu_bag, 40), (&has.blend_bag, 10)]).await;
        order(server, "T2", 2, &[(&has.blend_bag, 12)]).await;
        let size = server.log_size().await;
        let plan = plan(server, json!({})).await;
        assert_eq!(server.log_size().await, size, "planning stores nothing");
        check(&plan, &has);
        assert_eq!((&plan["from_day"], &plan["days"], &plan["short"]), (&json!("2026-11-25"), &json!(7), &json!([])));
        let fed: f64 = list(&plan["batches"]).iter().flat_map(|batch| list(&batch["feeds"])).map(|feed| grams(&feed["mass_g"])).sum();
        // 40 x 250 g, 22 x 1 kg: a share is whole grams, up.
        assert!((32_000.0..32_010.0).contains(&fed), "{fed}");
        let charged: f64 = list(&plan["batches"]).iter().map(|batch| grams(&batch["charge_g"])).sum();
        let pulled: f64 = list(&plan["pull"]).iter().map(|line| grams(&line["mass_g"])).sum();
        assert!((charged - pulled).abs() < 1e-6);
        for sure in list(&plan["certainty"]) {
            assert!(grams(&sure["probability"]) >= 0.89, "{sure}");
        }
        let today = server.get("/api/me").await["today"].clone();
        let open = &plan["roasters"][0]["days"][0];
        assert_eq!((&open["day"], &open["opens"], &open["available_min"]), (&today, &json!("08:00"), &json!(420)), "an hour of the day is gone");
    }

    /// What cannot be covered falls on whole bags, on the lightest orders, and is explained.
    async fn shortages_are_whole_bags(server: &Server) {
        let has = roastery(server).await;
        // 720 kg of green give at most 630 kg: 2,500 bags of 250 g are 625 kg and 400 more are beyond it, and beyond the roasters' time.
        order(server, "T1", 5, &[(&has.kivu_bag, 400)]).await;
        order(server, "T2", 1, &[(&has.kivu_bag, 2_500)]).await;
        let plan = plan(server, json!({})).await;
        check(&plan, &has);
        let short = list(&plan["short"]);
        assert_eq!(short.len(), 1, "{short:?}");
        let line = &short[0];
        let bags = line["bags"].as_u64().expect("whole bags");
        assert!(bags > 0 && bags <= 2_500);
        assert_eq!(line["mass_g"].as_u64(), Some(bags * 250));
        assert!(["minutes", "green"].contains(&line["reason"].as_str().expect("a word")), "{line}");
        assert!(line["sentence"].as_str().expect("a sentence").len() > 20);
        assert_eq!(plan["levels"]["short_weighted_g"].as_u64(), Some(bags * 250));
    }

    /// A blend ships no more than its scarcest coffee allows, and the other is not roasted for nothing.
    async fn a_short_blend_is_short_in_proportion(server: &Server) {
        let has = roastery(server).await;
        // Leaves 10 kg of Huila: 60 % of a bag, so 8.35 kg roasted make no more than 13 bags.
        let sample = json!({"lot": has.washed, "mass_g": 290_000, "purpose": "kept for a fair"});
        server.put_new("sample-requests", sample).await;
        order(server, "T1", 1, &[(&has.blend_bag, 60)]).await;
        let plan = plan(server, json!({})).await;
        check(&plan, &has);
        let line = &plan["short"][0];
        let bags = 60 - line["bags"].as_u64().expect("bags");
        assert_eq!(line["reason"], "green");
        assert!((11..=13).contains(&bags), "{line}");
        let kivu: f64 = list(&plan["batches"]).iter().filter(|batch| batch["coffee"]["id"] == has.kivu.as_str()).map(|batch| grams(&batch["charge_g"])).sum();
        assert!(kivu <= 9_000.0, "{kivu} g of Kivu for {bags} bags");
    }

    /// A window that has closed, and a style that no day allows, are named as such.
    async fn windows_that_have_closed(server: &Server) {
        let has = roastery(server).await;
        order(server, "T1", 1, &[(&has.kivu_bag, 4)]).await;
        server.set_time("2026-11-30T06:00:00Z");
        let plan = plan(server, json!({})).await;
        let line = &plan["short"][0];
        assert_eq!((&line["reason"], &line["bags"], &plan["batches"]), (&json!("window"), &json!(4), &json!([])));
        assert!(line["sentence"].as_str().unwrap().contains("Sun 29 Nov"), "{line}");
    }

    /// Released cards hold their green, are kept when planning again, keep their ids when released again, and are taken back.
    async fn release_keep_and_withdraw(server: &Server) {
        let has = roastery(server).await;
        order(server, "T1", 1, &[(&has.kivu_bag, 40), (&has.blend_bag, 10)]).await;
        let first = plan(server, json!({})).await;
        let released = release(server, &first).await;
        let cards = list(&released["cards"]);
        assert_eq!(cards.len(), list(&first["batches"]).len());
        assert!(cards.iter().all(|card| card["state"] == "planned" && card["pull"].as_str().is_some_and(|pull| !pull.is_empty())));
        let of_kivu = cards.iter().find(|card| card["coffee"]["id"] == has.kivu.as_str()).expect("a card of Kivu");
        let mut lots: Vec<_> = list(&of_kivu["ranges"]).iter().map(|range| range["lot"].clone()).collect();
        assert_eq!(lots[0], of_kivu["lot"]["id"], "its own lot first");
        lots.sort_by_key(ToString::to_string);
        let mut both = [json!(has.screen_18), json!(has.peaberry)];
        both.sort_by_key(ToString::to_string);
        assert_eq!(lots, both, "then its sibling");

        let again = plan(server, json!({})).await;
        assert!(list(&again["batches"]).iter().all(|batch| batch["pinned"] == true));
        let ids = |plan: &Value| -> Vec<Value> { list(&plan["batches"]).iter().map(|batch| batch["card"].clone()).collect() };
        let mut kept = ids(&again);
        kept.sort_by_key(ToString::to_string);
        let mut known: Vec<Value> = cards.iter().map(|card| card["id"].clone()).collect();
        known.sort_by_key(ToString::to_string);
        assert_eq!(kept, known);
        let second = release(server, &again).await;
        assert_eq!(second["withdrawn"], json!([]));
        let listed = server.get("/api/cards?from=2026-11-25&to=2026-12-01").await;
        assert_eq!(list(&listed["items"]).len(), cards.len());

        // Made freely from the same facts, the same batches come out under the same cards.
        let freely = plan(server, json!({"freely": true})).await;
        assert_eq!(freely["levels"], first["levels"]);
        assert!(list(&freely["batches"]).iter().all(|batch| batch["pinned"] == false && !batch["card"].is_null()));

        let taken = server.command("withdrawals", json!({"cards": [cards[0]["id"]]})).await;
        assert_eq!(taken["cards"][0]["state"], "withdrawn");
        server.order("withdrawals", &server.id(), json!({"cards": [cards[0]["id"]]})).await.problem(409, "conflict");
        let empty = json!({"from_day": "2026-11-25", "days": 7, "batches": []});
        let asked = server.order("releases", &server.id(), empty.clone()).await.problem(409, "confirm");
        assert_eq!((&asked["confirm"], &asked["takes_back"]), (&json!(["takes_cards_back"]), &json!(cards.len() - 1)));
        let sure = crate::support::merged(empty, json!({"confirmed": ["takes_cards_back"]}));
        let last = server.command("releases", sure).await;
        assert_eq!(list(&last["withdrawn"]).len(), cards.len() - 1);
        let lot = server.get(&format!("/api/lots/{}", has.screen_18)).await;
        assert_eq!(lot["reserved_g"], 0);
    }

    /// A weighed-in batch is coffee to come, takes the first time there is, and leaves nothing to plan twice.
    async fn from_now_on(server: &Server) {
        let has = roastery(server).await;
        order(server, "T1", 1, &[(&has.kivu_bag, 40)]).await;
        server.set_time("2026-11-27T08:00:00Z");
        let first = plan(server, json!({})).await;
        let released = release(server, &first).await;
        let cards = list(&released["cards"]);
        let card = &cards[0];
        assert_eq!(card["day"], "2026-11-27");
        let roaster = if card["roaster"]["id"] == has.drum.as_str() { 0 } else { 1 };
        let batch = server.id();
        let kilograms = format!("{:.2}", grams(&card["charge_g"]) / 1_000.0);
        let weigh_in = json!({"batch": batch, "card": card["id"], "lot": card["lot"]["id"], "style": card["style"]["id"], "roaster": card["roaster"]["id"], "weight": has.weighed(&kilograms)});
        server.command("weigh-ins", weigh_in).await;
        let ready = plan(server, json!({})).await;
        check(&ready, &has);
        assert_eq!(ready["short"], json!([]));
        let charged = |plan: &Value| -> f64 { list(&plan["batches"]).iter().map(|batch| grams(&batch["charge_g"])).sum() };
        assert!((charged(&first) - charged(&ready) - grams(&card["charge_g"])).abs() < 1e-6, "the batch is no longer planned");
        let day = &ready["roasters"][roaster]["days"][0];
        assert_eq!((&day["opens"], &day["available_min"]), (&json!("08:12"), &json!(408)));

        server.command("starts", json!({"batch": batch})).await;
        server.advance_minutes(12);
        let out = json!({"batches": [batch], "weight": has.weighed(&format!("{:.2}", grams(&card["charge_g"]) * 0.865 / 1_000.0))});
        server.command("weigh-outs", out).await;
        let done = plan(server, json!({})).await;
        assert_eq!(done["short"], json!([]));
        let shown = server.get("/api/cards").await;
        let shown = list(&shown["items"]).iter().find(|shown| shown["id"] == card["id"]).expect("the card").clone();
        assert_eq!((&shown["state"], &shown["batch"]), (&json!("weighed_out"), &json!(batch)));

        server.command("holds", json!({"batch": batch, "reason": "cupped thin"})).await;
        let held = plan(server, json!({"freely": true})).await;
        assert!(charged(&held) > charged(&done), "coffee on hold is no supply");
        assert_eq!(held["roasters"][roaster]["days"][0]["opens"], "08:12");
    }

    /// Pins are kept where they fit; the others are named with why.
    async fn pins_that_do_not_fit(server: &Server) {
        let has = roastery(server).await;
        order(server, "T1", 1, &[(&has.kivu_bag, 40)]).await;
        let pin = |over: Value| {
            crate::support::merged(
                json!({"roaster": has.drum, "day": "2026-11-26", "lot": has.peaberry, "style": has.light, "charge_g": 8_000}),
                over,
            )
        };
        let pinned = json!([
            pin(json!({})), pin(json!({"charge_g": 8_050})), pin(json!({"day": "2026-11-28"})), pin(json!({"day": "2027-01-01"})),
            pin(json!({"lot": server.id()})), pin(json!({"charge_g": 500})),
        ]);
        let plan = plan(server, json!({"pinned": pinned})).await;
        check(&plan, &has);
        let kept: Vec<_> = list(&plan["batches"]).iter().filter(|batch| batch["pinned"] == true).collect();
        assert_eq!(kept.len(), 1);
        assert_eq!((&kept[0]["lot"]["id"], &kept[0]["day"], &kept[0]["charge_g"]), (&json!(has.peaberry), &json!("2026-11-26"), &json!(8_000)));
        let dropped = list(&plan["dropped_pins"]);
        assert_eq!(dropped.len(), 5);
        assert!(dropped.iter().all(|pin| pin["sentence"].as_str().is_some_and(|why| why.len() > 15)), "{dropped:?}");
    }

    /// Every way out does what it says: with the longer day set up as advised, planning comes to the very figures.
    async fn ways_out_do_what_they_say(server: &Server) {
        let has = roastery(server).await;
        // Friday at noon: three hours are left, and the light style must be roasted by Sunday.
        server.set_time("2026-11-27T12:00:00Z");
        order(server, "T1", 1, &[(&has.kivu_bag, 700)]).await;
        let base = plan(server, json!({})).await;
        assert_eq!(base["short"][0]["reason"], "minutes", "{}", base["short"]);
        let bags = base["short"][0]["bags"].as_i64().expect("bags");
        let advice = server.post("/api/plans/advice", &json!({})).await.expect(200);
        assert_eq!(advice["freely"], Value::Null, "no card is kept");
        let line = &advice["lines"][0];
        assert_eq!((&line["order"], &line["line"]), (&base["short"][0]["order"], &json!(1)));
        let ways = list(&line["ways"]);
        let kind = |kind: &str| ways.iter().find(|way| way["kind"] == kind).unwrap_or_else(|| panic!("{kind}: {ways:?}"));
        assert!(ways.iter().all(|way| way["sentence"].as_str().expect("a sentence").len() > 30));

        let fewer = kind("fewer_bags");
        assert_eq!((&fewer["bags"], &fewer["left_bags"], &fewer["effect"]["bags"]), (&json!(bags), &json!(0), &json!(-bags)));
        let later = kind("later");
        assert_eq!((&later["day"], &later["left_bags"]), (&json!("2026-12-03"), &json!(0)));

        let longer = kind("minutes");
        let minutes = longer["minutes"].as_u64().expect("minutes");
        let ends = format!("{:02}:{:02}", 15 + minutes / 60, minutes % 60);
        let hours = json!({"from": "07:00", "to": ends});
        let exceptions = json!([{"day": longer["day"], "hours": hours}]);
        assert_eq!(longer["day"], "2026-11-27");
        let roaster = longer["roaster"]["id"].as_str().expect("an id");
        server.put_change("roasters", roaster, json!({"exceptions": exceptions})).await;
        let then = plan(server, json!({})).await;
        check_hours(&then);
        let short: i64 = list(&then["short"]).iter().map(|line| line["bags"].as_i64().unwrap()).sum();
        assert_eq!(json!(short), longer["left_bags"]);
        assert_eq!(json!(short - bags), longer["effect"]["bags"]);
        let minutes = |plan: &Value| plan["levels"]["roaster_min"].as_i64().expect("minutes");
        assert_eq!(json!(minutes(&then) - minutes(&base)), longer["effect"]["roaster_min"]);
        assert_eq!(json!(list(&then["batches"]).len().cast_signed() - list(&base["batches"]).len().cast_signed()), longer["effect"]["batches"]);
    }

    /// More green, and a delivery that comes sooner.
    async fn ways_out_of_too_little_green(server: &Server) {
        let has = roastery(server).await;
        let sample = json!({"lot": has.washed, "mass_g": 290_000, "purpose": "kept for a fair"});
        server.put_new("sample-requests", sample).await;
        order(server, "T1", 1, &[(&has.blend_bag, 60)]).await;
        let advice = server.post("/api/plans/advice", &json!({})).await.expect(200);
        let ways = list(&advice["lines"][0]["ways"]);
        let green = ways.iter().find(|way| way["kind"] == "green").expect("more green");
        assert_eq!((&green["lot"]["id"], &green["left_bags"]), (&json!(has.washed), &json!(0)), "{green}");
        assert!(ways.iter().all(|way| way["kind"] != "minutes"), "there is time enough");
    }

    /// Green that all stands on a card lasts until that card, whatever was used before.
    async fn green_lasts_until_its_last_card(server: &Server) {
        let has = roastery(server).await;
        let left = json!({"lot": has.peaberry, "storeroom": has.storeroom, "weight": reckoned(9_300)});
        server.command("counts", once_more(left)).await;
        let path = format!("/api/lots/{}", has.peaberry);
        assert_eq!(server.get(&path).await["lasts"], Value::Null, "nothing was used yet");
        let card = json!({"roaster": has.drum, "day": "2026-11-26", "start": "09:00", "lot": has.peaberry, "style": has.light, "charge_g": 9_300});
        server.command("releases", json!({"from_day": "2026-11-25", "days": 7, "batches": [card]})).await;
        let lasts = server.get(&path).await["lasts"].take();
        assert_eq!([&lasts["day"], &lasts["earliest"], &lasts["latest"]], ["2026-11-26"; 3], "{lasts}");
    }

    /// No more of a lot that is used up is asked for; a lot that is only held is offered.
    async fn a_held_lot_is_a_way_out_and_a_used_up_one_is_none(server: &Server) {
        let has = roastery(server).await;
        let none = json!({"lot": has.washed, "storeroom": has.storeroom});
        server.command("used-ups", once_more(none)).await;
        let delivery = json!({"supplier": "Coast Traders", "reference": "CT-2", "expected_day": "2026-11-20"});
        let delivery = server.put_new("deliveries", delivery).await;
        let lot = json!({"name": "Huila late", "coffee": has.huila, "delivery": delivery, "grade": "Excelso", "storeroom": has.storeroom, "expected_g": 120_000,
            "packing": {"kind": "jute", "sacks": 2, "sack_g": 60_000, "loose_g": 0}, "moisture": [], "claims": [], "use_rank": 2});
        let lot = server.put_new("lots", lot).await;
        let lines = json!([{"lot": lot, "storeroom": has.storeroom, "weight": reckoned(120_000)}]);
        server.command("receipts", json!({"delivery": delivery, "lines": lines})).await;
        server.put_change("deliveries", &delivery, json!({"hold": "smells of diesel"})).await;
        order(server, "T1", 1, &[(&has.blend_bag, 10)]).await;
        let short = plan(server, json!({})).await["short"].take();
        let sentence = short[0]["sentence"].as_str().expect("a sentence");
        assert!(sentence.contains("Huila late (120 kg): its delivery is on hold: smells of diesel."), "{sentence}");
        let advice = server.post("/api/plans/advice", &json!({})).await.expect(200);
        let ways = list(&advice["lines"][0]["ways"]);
        assert!(ways.iter().all(|way| way["kind"] != "green"), "{ways:?}");
        let lifted = ways.iter().find(|way| way["kind"] == "hold").expect("the held lot");
        assert_eq!((&lifted["lot"]["id"], &lifted["left_bags"]), (&json!(lot), &json!(0)));
        assert_eq!(lifted["sentence"], "If the hold of Huila late's delivery is lifted, every bag of the line ships.");
    }

    /// A lot with green is taken out of use only when that is said once more; the plan then says so.
    async fn out_of_use_is_said(server: &Server) {
        let has = roastery(server).await;
        let card = json!({"roaster": has.drum, "day": "2026-11-26", "start": "09:00", "lot": has.peaberry, "style": has.light, "charge_g": 8_000});
        server.command("releases", json!({"from_day": "2026-11-25", "days": 7, "batches": [card]})).await;
        let asked = server.try_change("lots", &has.peaberry, json!({"retired": true})).await;
        asked.problem(409, "confirm");
        assert_eq!(asked.json()["confirm"], json!(["green_left"]));
        let sentence = asked.json()["detail"].as_str().expect("a sentence").to_owned();
        assert!(sentence.contains("120 kg of Kivu peaberry are in store, and a card takes 8 kg of it"), "{sentence}");
        assert_eq!(server.get(&format!("/api/lots/{}", has.peaberry)).await["revision"], 1, "nothing has changed");
        server.confirmed("lots", &has.peaberry, "green_left", json!({"retired": true})).await.expect(200);
        let then = plan(server, json!({})).await;
        let why = then["dropped_pins"][0]["sentence"].as_str().expect("why");
        assert!(why.contains("it is out of use"), "{then}");
        // What has nothing left is not asked about.
        server.command("used-ups", once_more(json!({"lot": has.washed, "storeroom": has.storeroom}))).await;
        server.put_change("lots", &has.washed, json!({"retired": true})).await;
    }

    /// Two planners plan at once: who releases second is told that cards changed since, by whom, and takes back none of them unseen. More green than
    /// may be planned is asked about once, those cards counted that stay beside the plan.
    async fn an_older_plan_takes_nothing_back_unseen(server: &Server) {
        let has = roastery(server).await;
        order(server, "T1", 1, &[(&has.kivu_bag, 40)]).await;
        let older = plan(server, json!({})).await;
        let released = release(server, &plan(server, json!({})).await).await;
        let body = |of: &Value, batches: Value| json!({"from_day": of["from_day"], "days": of["days"], "log_size": of["log_size"], "batches": batches});
        let refused = server.order("releases", &server.id(), body(&older, json!([]))).await.problem(409, "conflict");
        let owner = server.get("/api/me").await["person"]["name"].as_str().unwrap().to_owned();
        let detail = refused["detail"].as_str().unwrap();
        assert!(detail.contains(&owner) && detail.contains("plan again"), "{detail}");
        let open = server.get("/api/cards?from=2026-11-25&to=2026-12-01").await;
        assert_eq!((&open["items"][0]["id"], &open["items"][0]["state"]), (&released["cards"][0]["id"], &json!("planned")));

        // What else changes is no reason to plan again.
        order(server, "T2", 1, &[(&has.kivu_bag, 1)]).await;
        let newer = plan(server, json!({})).await;
        server.put_change("styles", &has.light, json!({"fresh_days": 30})).await;
        let again = release(server, &newer).await;
        let newer = plan(server, json!({})).await;
        let cards: Vec<&Value> = list(&again["cards"]).iter().map(|card| &card["id"]).collect();
        server.command("withdrawals", json!({"cards": cards})).await;
        server.order("releases", &server.id(), body(&newer, json!([]))).await.problem(409, "conflict");

        // 120 kg of the peaberry: eleven batches of 12 kg are more, or ten and one on a later day.
        let batch = |day: &str| json!({"roaster": has.drum, "day": day, "start": "08:00", "lot": has.peaberry, "style": has.light, "charge_g": 12_000});
        let many = |day: &str, count: usize| json!({"from_day": day, "days": 1, "batches": vec![batch(day); count]});
        server.command("releases", many("2026-12-10", 1)).await;
        let over = many("2026-12-08", 10);
        let asked = server.order("releases", &server.id(), over.clone()).await.problem(409, "confirm");
        assert_eq!((&asked["confirm"], &asked["beyond_book_g"]), (&json!(["beyond_book"]), &json!(12_000)), "{asked}");
        let sure = crate::support::merged(over, json!({"confirmed": ["beyond_book"]}));
        server.command("releases", sure).await;
        assert_eq!(server.get(&format!("/api/lots/{}", has.peaberry)).await["reserved_g"], json!(132_000));
    }

    /// Keeping a card that nothing needs costs a batch; planning freely says so. Each batch says what only it covers.
    async fn what_keeping_costs_and_what_a_batch_covers(server: &Server) {
        let has = roastery(server).await;
        order(server, "T1", 1, &[(&has.kivu_bag, 40)]).await;
        let first = plan(server, json!({})).await;
        assert_eq!(list(&first["batches"]).len(), 1, "10 kg: one batch");
        let without = &first["batches"][0]["without"];
        assert_eq!(without["saved_min"], 47, "heating up, change-over and the batch");
        assert_eq!((&without["short"][0]["bags"], &without["short"][0]["mass_g"]), (&json!(40), &json!(10_000)));

        let more = json!({"roaster": has.drum, "day": "2026-11-27", "start": "09:00", "lot": has.peaberry, "style": has.dark, "charge_g": 8_000});
        let mut released = batches(&first);
        released.push(more);
        let body = json!({"from_day": first["from_day"], "days": first["days"], "batches": released});
        server.command("releases", body).await;
        let kept = plan(server, json!({})).await;
        assert_eq!(list(&kept["batches"]).len(), 2);
        let idle = list(&kept["batches"]).iter().find(|batch| batch["style"]["id"] == has.dark.as_str()).expect("the idle batch");
        assert_eq!(idle["without"]["short"], json!([]));
        let surplus = list(&kept["surplus"]).iter().find(|line| line["style"]["id"] == has.dark.as_str()).expect("its surplus");
        assert_eq!(surplus["mass_g"], idle["expected_g"]);
        let advice = server.post("/api/plans/advice", &json!({})).await.expect(200);
        let freely = &advice["freely"];
        assert_eq!((&freely["bags"], &freely["green_g"], &freely["batches"]), (&json!(0), &json!(-8_000), &json!(-1)));
        let saved = freely["roaster_min"].as_i64().expect("minutes");
        assert_eq!(-saved, idle["without"]["saved_min"].as_i64().expect("minutes"));
        let free = plan(server, json!({"freely": true})).await;
        let minutes = |plan: &Value| plan["levels"]["roaster_min"].as_i64().expect("minutes");
        assert_eq!(minutes(&free) - minutes(&kept), saved);
    }

    /// One person at two drums: the minutes of both together stay within the people's.
    async fn the_people_have_only_so_many_minutes(server: &Server) {
        let has = roastery(server).await;
        let site = server.get("/api/me").await["site"]["id"].as_str().expect("an id").to_owned();
        server.put_change("sites", &site, json!({"crew_min": 60})).await;
        order(server, "T1", 1, &[(&has.kivu_bag, 400), (&has.blend_bag, 30)]).await;
        let plan = plan(server, json!({"pinned": [
            {"roaster": has.drum, "day": "2026-11-26", "lot": has.peaberry, "style": has.light, "charge_g": 8_000},
            {"roaster": has.little, "day": "2026-11-26", "lot": has.peaberry, "style": has.light, "charge_g": 1_000},
        ]})).await;
        check(&plan, &has);
        let crew = list(&plan["crew"]);
        assert_eq!((&crew[0]["available_min"], &crew[1]["available_min"]), (&json!(52), &json!(60)), "an eighth of today is gone");
        for (n, day) in crew.iter().enumerate() {
            let used: u64 = list(&plan["roasters"]).iter().map(|roaster| roaster["days"][n]["used_min"].as_u64().unwrap()).sum();
            assert_eq!(day["used_min"].as_u64(), Some(used));
            assert!(used <= day["available_min"].as_u64().unwrap(), "{day}");
        }
        assert_eq!(list(&plan["dropped_pins"]).len(), 1);
        assert!(plan["dropped_pins"][0]["sentence"].as_str().unwrap().contains("the people have 60 minutes"), "{}", plan["dropped_pins"]);
        assert_eq!(plan["short"][0]["reason"], "minutes");
    }

    /// Coffee kept back of each batch comes into no bag: it is no surplus, and more is roasted for the same bags.
    async fn what_is_kept_back_is_roasted_too(server: &Server) {
        let has = roastery(server).await;
        let site = server.get("/api/me").await["site"]["id"].as_str().expect("an id").to_owned();
        let pin = json!({"roaster": has.drum, "day": "2026-11-26", "lot": has.screen_18, "style": has.light, "charge_g": 10_000});
        let idle = json!({"pinned": [pin]});
        let before = plan(server, idle.clone()).await;
        assert_eq!(before["surplus_g"], before["batches"][0]["expected_g"]);
        server.put_change("sites", &site, json!({"kept_back_g": 250})).await;
        let after = plan(server, idle).await;
        assert_eq!(after["batches"][0]["expected_g"], before["batches"][0]["expected_g"], "it comes out of the drum all the same");
        assert!((grams(&before["surplus_g"]) - grams(&after["surplus_g"]) - 250.0).abs() < 1e-6, "{after}");

        order(server, "T1", 1, &[(&has.kivu_bag, 36)]).await;
        let charged = |plan: &Value| list(&plan["batches"]).iter().map(|batch| grams(&batch["charge_g"])).sum::<f64>();
        let kept = plan(server, json!({})).await;
        server.put_change("sites", &site, json!({"kept_back_g": 0})).await;
        let all = plan(server, json!({})).await;
        assert_eq!((list(&kept["batches"]).len(), list(&all["batches"]).len()), (1, 1));
        let more = charged(&kept) - charged(&all);
        // A quarter of a kilogram of roasted coffee is a little less than 0.3 kg of green, in steps of 0.1 kg.
        assert!((200.0..=400.0).contains(&more), "{more}");
        for (plan, back) in [(&kept, 250.0), (&all, 0.0)] {
            let batch = &plan["batches"][0];
            let fed: f64 = list(&batch["feeds"]).iter().map(|feed| grams(&feed["mass_g"])).sum();
            assert!(fed + back <= grams(&batch["expected_g"]), "{batch}");
            assert!(grams(&plan["certainty"][0]["probability"]) >= 0.89, "{plan}");
        }
    }

    /// What needs a clean drum is roasted before all else, whatever its style; and a roaster that is cleaned in between rests so long.
    async fn clean_drums(server: &Server) {
        let has = roastery(server).await;
        let on = |lot: &String, style: &String| json!({"roaster": has.drum, "day": "2026-11-26", "lot": lot, "style": style, "charge_g": 8_000});
        let pins = json!({"pinned": [on(&has.washed, &has.dark), on(&has.screen_18, &has.light), on(&has.peaberry, &has.light)]});
        let order_of = |plan: &Value| list(&plan["batches"]).iter().map(|batch| batch["lot"]["id"].clone()).collect::<Vec<_>>();
        let starts = |plan: &Value| list(&plan["batches"]).iter().map(|batch| batch["start"].clone()).collect::<Vec<_>>();
        let usual = plan(server, pins.clone()).await;
        assert_eq!(order_of(&usual)[2], json!(has.washed), "light before dark");
        assert_eq!(starts(&usual), ["07:35", "07:52", "08:09"]);

        server.put_change("coffees", &has.huila, json!({"clean_drum": true})).await;
        server.put_change("roasters", &has.drum, json!({"cleaning": {"batches": 2, "minutes": 25}})).await;
        let cleaned = plan(server, pins.clone()).await;
        assert_eq!(order_of(&cleaned)[0], json!(has.washed));
        assert_eq!(starts(&cleaned), ["07:35", "07:52", "08:34"]);
        let minutes = |plan: &Value| plan["roasters"][0]["days"][1]["available_min"].as_u64().expect("minutes");
        // 20 batches of 12 minutes and nine pauses of 25 fill 465 of 480 minutes; a batch more would need a tenth.
        assert_eq!((minutes(&usual), minutes(&cleaned)), (480, 480 - 9 * 25));

        let claim = json!([{"claim": "organic", "certificate": "C 12", "valid_to": "2027-12-31"}]);
        server.put_change("lots", &has.peaberry, json!({"claims": claim})).await;
        let claimed = plan(server, pins).await;
        assert_eq!(order_of(&claimed)[..2], [json!(has.peaberry), json!(has.washed)]);
    }

    /// What cannot be planned or released is refused at the field, and nothing changes.
    async fn bad_plans_and_releases(server: &Server) {
        let has = roastery(server).await;
        let size = server.log_size().await;
        for (body, pointer) in [
            (json!({"days": 0}), "/days"), (json!({"days": 32}), "/days"), (json!({"days": -1}), "/days"), (json!({"from_day": "today"}), "/from_day"),
            (json!({"pinned": [{}]}), "/pinned/0/roaster"), (json!({"short_allowance_g": 1e308}), "/short_allowance_g"),
        ] {
            let answer = server.post("/api/plans", &body).await;
            answer.problem(422, "invalid");
            assert_eq!(answer.pointers(), [pointer], "{body}");
        }
        let batch = json!({"roaster": has.drum, "day": "2026-11-26", "start": "07:40", "lot": has.screen_18, "style": has.light, "charge_g": 8_000});
        for (over, pointer) in [
            (json!({"day": "2026-12-24"}), "/batches/0/day"), (json!({"start": "7:40"}), "/batches/0/start"), (json!({"lot": server.id()}), "/batches/0/lot"),
            (json!({"charge_g": 12_100}), "/batches/0/charge_g"), (json!({"charge_g": -1}), "/batches/0/charge_g"), (json!({"roaster": has.light}), "/batches/0/roaster"),
        ] {
            let batch = crate::support::merged(batch.clone(), over);
            let body = json!({"from_day": "2026-11-25", "days": 7, "batches": [batch]});
            let answer = server.order("releases", &server.id(), body).await;
            answer.problem(422, "invalid");
            assert_eq!(answer.pointers(), [pointer]);
        }
        assert_eq!(server.log_size().await, size);
    }
}
