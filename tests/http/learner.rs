//! The learner through the service: past batches as its start, a person's word and what it changes, drift notices, a lot's outlook.

use serde_json::{Value, json};

use crate::green::reckoned;
use crate::support::{Roastery, Server, each_database, roastery};

/// Losses that repeat: enough spread to learn from, none of it odd.
const LOSSES: [f64; 8] = [0.134, 0.137, 0.131, 0.135, 0.139, 0.133, 0.136, 0.132];

/// A table of past batches: two a day, one coffee that is a lot of the book and one that is not.
fn table(days: u32) -> String {
    let mut text = String::from("Roast date;Bean;Machine;In kg;Out kg;Water %;Remark\n");
    for n in 0..days {
        let day = format!("{:02}.{:02}.2026", 1 + n % 28, 1 + n / 28);
        for (coffee, offset) in [("Kivu 18", 0.0), ("Old Sidama", 0.012)] {
            let out = 12.0 * (1.0 - LOSSES[usize::try_from(n).unwrap() % 8] - offset);
            let out = format!("{out:.2}").replace('.', ",");
            text.push_str(&format!("{day};{coffee};Drum;12,00;{out};11,2;fine\n"));
        }
    }
    text
}

fn asked(has: &Roastery, csv: &str) -> Value {
    json!({
        "csv": csv, "unit": "kg", "style": has.light,
        "headings": {"date": "Roast date", "coffee": "Bean", "roaster": "Machine", "green": "In kg", "roasted": "Out kg", "moisture": "Water %"},
    })
}

/// A batch of a lot, light, on the drum, weighed in at 12 kg and out at the given kilograms.
async fn roasted(server: &Server, has: &Roastery, lot: &str, out: &str) -> (String, Value) {
    let batch = server.id();
    let weigh_in = json!({"batch": batch, "lot": lot, "style": has.light, "roaster": has.drum, "weight": has.weighed("12.00")});
    server.command("weigh-ins", weigh_in).await;
    server.command("starts", json!({"batch": batch})).await;
    server.advance_minutes(14);
    let weigh_out = json!({"batches": [batch], "weight": has.weighed(out)});
    let answer = server.command("weigh-outs", weigh_out).await;
    server.app.learned().await;
    (batch, answer)
}

async fn outlook(server: &Server, lot: &str) -> Value {
    server.app.learned().await;
    server.get(&format!("/api/lots/{lot}/outlook")).await
}

/// What is expected in the light style.
fn light(outlook: &Value) -> &Value {
    let styles = outlook["styles"].as_array().unwrap();
    styles
        .iter()
        .find(|style| style["style"]["name"] == "Light")
        .unwrap()
}

fn width(style: &Value) -> f64 {
    style["expected"]["hi"].as_f64().unwrap() - style["expected"]["lo"].as_f64().unwrap()
}

each_database! {
    /// Looked at, taken over in parts, learned from, and taken back: then nothing is left of it.
    async fn past_batches_are_the_start_of_what_is_learned(server: &Server) {
        let has = roastery(server).await;
        let first = outlook(server, &has.screen_18).await;
        assert_eq!(light(&first)["batches"], 0);
        let size = server.log_size().await;
        let dry = server.post("/api/past-imports", &asked(&has, &table(40))).await.expect(200);
        assert_eq!((dry["rows"].as_array().unwrap().len(), &dry["same"], &dry["errors"], &dry["odd"]), (80, &json!(0), &json!([]), &json!([])));
        assert_eq!(dry["coffees"][0]["lot"], json!(has.screen_18));
        assert_eq!((&dry["coffees"][1]["lot"], &dry["coffees"][1]["batches"]), (&json!(null), &json!(40)));
        assert_eq!(server.log_size().await, size, "looking changes nothing");

        let import = server.id();
        let rows = dry["rows"].as_array().unwrap();
        for part in rows.chunks(50) {
            let body = json!({"import": import, "name": "roasts.csv", "rows": part, "headings": asked(&has, "")["headings"]});
            let taken = server.command("past-imports", body).await;
            assert_eq!((&taken["added"], &taken["same"]), (&json!(part.len()), &json!(0)));
        }
        let known = outlook(server, &has.screen_18).await;
        assert_eq!(light(&known)["batches"], 40);
        assert!(width(light(&known)) < 0.5 * width(light(&first)), "{known}");
        let mean = light(&known)["expected"]["mean"].as_f64().unwrap();
        assert!((mean - 0.1346).abs() < 0.002, "{mean}");
        let listed = server.get("/api/past-imports").await;
        assert_eq!((&listed["items"][0]["batches"], &listed["items"][0]["name"]), (&json!(80), &json!("roasts.csv")));

        // The headings are remembered, and what was taken over is known again, with rows added since.
        let mut again = asked(&has, &table(41));
        again.as_object_mut().unwrap().remove("headings");
        let dry = server.post("/api/past-imports", &again).await.expect(200);
        assert_eq!((dry["rows"].as_array().unwrap().len(), &dry["same"]), (82, &json!(80)));

        server.command("past-withdrawals", json!({"import": import})).await;
        let last = outlook(server, &has.screen_18).await;
        assert_eq!(last["styles"], first["styles"]);
        assert_eq!(server.get("/api/past-imports").await["items"], json!([]));
        server.order("past-withdrawals", &server.id(), json!({"import": import})).await.problem(422, "invalid");
    }

    /// A row that stands out is shown as it would have been judged, with what would explain it; a cell that cannot be read is named.
    async fn odd_rows_and_bad_cells_are_named(server: &Server) {
        let has = roastery(server).await;
        let mut text = table(40);
        text.push_str("12.02.2026;Kivu 18;Drum;12,00;9,38;;swapped\n");
        text.push_str("13.02.2026;Kivu 18;Dram;12,00;10,4;;\n31.02.2026;Kivu 18;Drum;12,00;ten;60;\n14.02.2030;Kivu 18;Drum;12;10,4;;\n");
        let dry = server.post("/api/past-imports", &asked(&has, &text)).await.expect(200);
        let odd = &dry["odd"];
        assert_eq!((odd.as_array().unwrap().len(), &odd[0]["line"], &odd[0]["judgement"], &odd[0]["learned"]), (1, &json!(82), &json!("more"), &json!(false)));
        assert!(odd[0]["sentence"].as_str().unwrap().contains("More loss than expected"), "{odd}");
        let named: Vec<_> = dry["errors"].as_array().unwrap().iter()
            .map(|e| (e["line"].as_u64().unwrap(), e["column"].as_str().unwrap().to_owned(), e["value"].as_str().unwrap().to_owned())).collect();
        let expected = [(83, "Machine", "Dram"), (84, "Roast date", "31.02.2026"), (84, "Out kg", "ten"), (84, "Water %", "60"), (85, "Roast date", "14.02.2030")]
            .map(|(line, column, value)| (line, column.to_owned(), value.to_owned()));
        assert_eq!(named, expected);
        assert!(dry["errors"][0]["detail"].as_str().unwrap().contains("Drum"), "the nearest name is offered");
    }

    /// What a word would change is told before it is said, and is what then happens.
    async fn a_word_does_what_was_shown(server: &Server) {
        let has = roastery(server).await;
        for loss in LOSSES.iter().chain(&LOSSES) {
            roasted(server, &has, &has.screen_18, &format!("{:.2}", 12.0 * (1.0 - loss))).await;
        }
        let (batch, answer) = roasted(server, &has, &has.screen_18, "9.38").await;
        assert_eq!(answer["batches"][0]["verdict"]["judgement"], "more");
        let now = light(&outlook(server, &has.screen_18).await)["expected"].clone();
        let size = server.log_size().await;
        let look = async |word: Value| {
            let mut body = json!({"batch": batch});
            body.as_object_mut().unwrap().extend(word.as_object().unwrap().clone());
            server.post("/api/review-previews", &body).await.expect(200)
        };
        let carried = look(json!({"finding": "carried_over"})).await;
        assert_eq!((&carried["after"], &carried["ranges"][0]["after"]), (&carried["before"], &now), "it was held already");
        let other = look(json!({"lot": has.washed})).await;
        assert_eq!(other["ranges"].as_array().unwrap().len(), 2);
        let so = look(json!({"finding": "was_so"})).await;
        assert!(so["ranges"][0]["after"]["mean"].as_f64() > so["ranges"][0]["before"]["mean"].as_f64(), "{so}");
        assert_eq!((&so["before"]["learned"], &so["after"]["learned"]), (&json!(false), &json!(true)));
        let right = look(json!({"roasted_g": 10_390})).await;
        assert_eq!((&right["after"]["judgement"], &right["after"]["learned"]), (&json!("ok"), &json!(true)));
        assert_eq!(server.log_size().await, size, "looking changes nothing");

        server.command("corrections", json!({"batch": batch, "roasted_g": 10_390, "reason": "two digits swapped"})).await;
        let corrected = outlook(server, &has.screen_18).await;
        assert_eq!(light(&corrected)["expected"], right["ranges"][0]["after"]);
        assert_eq!(light(&corrected)["batches"], 17);
    }

    /// A lot that truly changed raises a notice; a person closes it, and from then on what is expected follows the change.
    async fn a_drift_notice_is_closed_by_a_person(server: &Server) {
        let has = roastery(server).await;
        for n in 0..24 {
            for lot in [&has.screen_18, &has.washed] {
                roasted(server, &has, lot, &format!("{:.2}", 12.0 * (1.0 - LOSSES[n % 8]))).await;
            }
        }
        let notices = async || server.get("/api/loss").await["notices"].as_array().unwrap().clone();
        let closing = json!({"lot": has.screen_18, "changed": true, "reason": "the sacks stood wet"});
        let before = light(&outlook(server, &has.screen_18).await)["expected"]["mean"].as_f64().unwrap();
        let mut batches = 0;
        while !notices().await.iter().any(|notice| notice["open"] == true && notice["lot"]["id"] == json!(has.screen_18)) {
            assert!(batches < 12, "no notice: {:?}", notices().await);
            roasted(server, &has, &has.screen_18, &format!("{:.2}", 12.0 * (1.0 - LOSSES[batches % 8] - 0.007))).await;
            batches += 1;
        }
        server.order("notice-closings", &server.id(), json!({"lot": has.screen_18, "changed": true})).await.problem(422, "invalid");
        server.order("notice-closings", &server.id(), json!({"changed": true, "reason": "x"})).await.problem(422, "invalid");
        server.command("notice-closings", closing).await;
        let after = light(&outlook(server, &has.screen_18).await)["expected"]["mean"].as_f64().unwrap();
        assert!(after - before > 0.005, "the change is followed: {before} to {after}");
        assert!(notices().await.iter().all(|notice| notice["lot"]["id"] != json!(has.screen_18) || notice["open"] == false));
        let journal = server.get(&format!("/api/journal?id={}", has.screen_18)).await;
        assert_eq!((&journal["items"][0]["act"], &journal["items"][0]["after"]["changed"]), (&json!("notice_closed"), &json!(true)));
    }

    /// After a scale was adjusted, the roaster's share is learned anew: the next batch is less sure, and nothing else changes.
    async fn an_adjusted_scale_opens_its_roaster(server: &Server) {
        let has = roastery(server).await;
        for n in 0..16 {
            roasted(server, &has, &has.screen_18, &format!("{:.2}", 12.0 * (1.0 - LOSSES[n % 8]))).await;
        }
        let before = outlook(server, &has.screen_18).await;
        server.advance_minutes(5);
        let told = server.command("scale-adjustments", json!({"roaster": has.drum, "reason": "calibrated"})).await;
        let after = outlook(server, &has.screen_18).await;
        assert!(width(light(&after)) > 1.1 * width(light(&before)), "{before} {after}");
        assert_eq!(server.get(&format!("/api/journal?id={}", has.drum)).await["items"][0]["id"], told["entry"]);
        server.command("profile-changes", json!({"roaster": has.drum})).await;
        let nobody = json!({"roaster": has.screen_18});
        server.order("profile-changes", &server.id(), nobody).await.problem(422, "invalid");
    }

    /// A scale adjusted half a minute after a batch was weighed on it, in the same minute, counts after that batch; one adjusted before it, before.
    async fn an_adjustment_counts_from_its_own_moment(server: &Server) {
        let has = roastery(server).await;
        roasted(server, &has, &has.screen_18, "10.38").await;
        server.set_time("2026-12-01T10:00:20Z");
        let batch = server.id();
        let weigh_in = json!({"batch": batch, "lot": has.screen_18, "style": has.light, "roaster": has.drum, "weight": has.weighed("12.00")});
        server.command("weigh-ins", weigh_in).await;
        server.command("weigh-outs", json!({"batches": [batch], "weight": has.weighed("10.41")})).await;
        server.set_time("2026-12-01T10:00:50Z");
        let mut told = Vec::new();
        for at in ["2026-12-01T10:00:10Z", "2026-12-01T10:00:40Z"] {
            let adjusted = json!({"roaster": has.drum, "reason": "calibrated", "happened_at": at});
            told.push(server.command("scale-adjustments", adjusted).await["entry"].as_str().unwrap().to_owned());
        }
        server.app.learned().await;
        let learner = server.app.expect.learner();
        let order: Vec<_> = learner.history().facts().iter().map(|fact| fact.id()).collect();
        assert_eq!(order[order.len() - 3..], [told[0].as_str(), &batch, &told[1]]);
    }

    /// What was written down is the start of what is learned: the check at the end goes on from it (tests/support).
    async fn what_was_written_down_may_be_old(server: &Server) {
        let has = roastery(server).await;
        let mut batches = Vec::new();
        for n in 0..20 {
            batches.push(roasted(server, &has, &has.screen_18, &format!("{:.2}", 12.0 * (1.0 - LOSSES[n % 8]))).await.0);
        }
        let (app, expect) = (&server.app, &server.app.expect);
        expect.write(&*app.store, app.site).await.unwrap();
        for n in 0..4 {
            roasted(server, &has, &has.washed, &format!("{:.2}", 12.0 * (1.0 - LOSSES[n % 8]))).await;
        }
        server.command("corrections", json!({"batch": batches[9], "roasted_g": 10_310, "reason": "two digits swapped"})).await;
    }

    /// Green that comes early or late, moves, runs out and is found again: what follows step by step is what the whole book teaches (the check at
    /// the end, tests/support).
    async fn green_that_comes_and_goes(server: &Server) {
        let has = roastery(server).await;
        let loft = server.put_new("storerooms", json!({"name": "Loft"})).await;
        for out in ["10.32", "10.38", "10.35"] {
            roasted(server, &has, &has.washed, out).await;
        }
        let at = |room: &str, grams: i64| json!({"lot": has.washed, "storeroom": room, "weight": reckoned(grams), "confirmed": ["far_from_book"]});
        let line = json!([{"lot": has.washed, "storeroom": has.storeroom, "weight": reckoned(60_000)}]);
        let early = json!({"delivery": has.huila_delivery, "lines": line, "happened_at": "2026-11-02T08:00:00Z"});
        let early = server.command("receipts", early).await;
        server.app.learned().await;
        server.command("transfers", json!({"lot": has.washed, "from": has.storeroom, "to": loft, "weight": reckoned(20_000)})).await;
        server.app.learned().await;
        server.command("reversals", json!({"posting": early["posting"]["id"]})).await;
        server.app.learned().await;
        server.command("returns", at(&loft, 1_000)).await;
        server.advance_minutes(1);
        for room in [&has.storeroom, &loft] {
            server.command("used-ups", json!({"lot": has.washed, "storeroom": room, "confirmed": ["far_from_book"]})).await;
        }
        server.app.learned().await;
        server.advance_minutes(1);
        server.command("counts", at(&loft, 15_000)).await;
        server.app.learned().await;
        roasted(server, &has, &has.screen_18, "10.30").await;
    }

    /// What was written down by the book of another roastery, or by this one before it was set back to an earlier day, is learned anew.
    async fn what_was_written_down_of_another_log_is_not_taken_up(server: &Server) {
        let elsewhere = Server::start(server.database()).await;
        let there = roastery(&elsewhere).await;
        for n in 0..6 {
            roasted(&elsewhere, &there, &there.screen_18, &format!("{:.2}", 12.0 * (1.0 - LOSSES[n % 8]))).await;
        }
        elsewhere.app.expect.write(&*elsewhere.app.store, elsewhere.app.site).await.unwrap();
        let image = elsewhere.app.read().await.unwrap().learned(elsewhere.app.site).await.unwrap().unwrap();
        let other_leaves = elsewhere.log_size().await;
        elsewhere.finish().await;
        let opened = async || {
            let mut tx = server.app.store.write().await.unwrap();
            tx.put_learned(server.app.site, image.clone()).await.unwrap();
            tx.commit().await.unwrap();
            let learned = outturn::expect::Expect::open(&*server.app.store, server.app.site).await.unwrap();
            server.app.learned().await;
            assert_eq!(learned.learner().image(Vec::new()), server.app.expect.learner().image(Vec::new()));
        };
        // Longer than this log, then shorter.
        opened().await;
        let has = roastery(server).await;
        while server.log_size().await <= other_leaves {
            roasted(server, &has, &has.washed, "10.38").await;
        }
        opened().await;
    }

    /// What is said of a lot for people: why, how many bags, how it differs from its sibling.
    async fn a_lots_outlook_in_sentences(server: &Server) {
        let has = roastery(server).await;
        for n in 0..10 {
            roasted(server, &has, &has.screen_18, &format!("{:.2}", 12.0 * (1.0 - LOSSES[n % 8]))).await;
            // Nine of its ten batches: a lot that is used up is forgotten.
            if n < 9 {
                roasted(server, &has, &has.peaberry, &format!("{:.2}", 12.0 * (1.0 - LOSSES[n % 8] + 0.015))).await;
            }
        }
        let of = outlook(server, &has.screen_18).await;
        assert_eq!(of["in_store_g"], 480_000);
        let bags = &of["bags"][0];
        let [low, likely, high] = ["low", "likely", "high"].map(|name| bags[name].as_u64().unwrap());
        // 480 kg losing 13.5 % fill 1660 bags of 250 g.
        assert!(low < likely && likely < high && (1_640..1_680).contains(&likely), "{bags}");
        let sibling = &of["siblings"][0];
        let (difference, sd) = (sibling["difference"].as_f64().unwrap(), sibling["sd"].as_f64().unwrap());
        assert!((difference - 0.015).abs() < 3.0 * sd && difference > 2.0 * sd, "{sibling}");
        assert!(sibling["sentence"].as_str().unwrap().contains("points more than Kivu peaberry"), "{sibling}");
        assert!(light(&of)["why"].as_str().unwrap().contains("10 batches"), "{of}");
        let new = outlook(server, &has.washed).await;
        assert!(new["styles"][0]["sure"].as_str().unwrap().starts_with("Its first batch will lose"), "{new}");
        server.ask(&format!("/api/lots/{}/outlook", server.id())).await.problem(404, "not-found");
    }
}
