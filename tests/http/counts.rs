//! Counts of what is there: at one frozen moment, blind, approved by a second person, put right when something earlier comes late.

use serde_json::{Value, json};

use crate::bodies::lot_fields;
use crate::green::reckoned;
use crate::statement::mg;
use crate::support::entrance::{first_owner, person};
use crate::support::{Client, Database, Roastery, Server, each_database, merged, roastery};

async fn open(server: &Server, fields: Value) -> Value {
    server.command("count-openings", fields).await
}

fn green(r: &Roastery, count: &Value, lot: &str, weights: Value) -> Value {
    json!({"count": count["id"], "green": {"lot": lot, "storeroom": r.storeroom}, "weights": weights})
}

fn line<'a>(sheet: &'a Value, lot: &str) -> &'a Value {
    let lines = sheet["lines"].as_array().unwrap();
    lines.iter().find(|line| line["lot"]["id"] == lot).unwrap()
}

async fn store(server: &Server, lot: &str) -> i64 {
    mg(&server.get(&format!("/api/lots/{lot}")).await["store_g"])
}

async fn weigh_in(server: &Server, r: &Roastery, grams: i64, at: &str) -> String {
    let batch = server.id();
    let body = json!({"batch": batch, "lot": r.washed, "style": r.dark, "roaster": r.drum, "weight": reckoned(grams), "happened_at": at, "kept": true});
    server.command("weigh-ins", body).await;
    batch
}

each_database! {
    /// Open sack first, then whole sacks; the difference goes to the count difference as of the frozen moment.
    async fn a_count_brings_the_book_to_what_is_there(server: &Server) {
        let r = roastery(server).await;
        let count = open(server, json!({"covers": ["green"], "storeroom": r.storeroom})).await;
        assert_eq!((&count["state"], count["lines"].as_array().unwrap().len()), (&json!("open"), 3));
        assert_eq!(line(&count, &r.washed)["book_g"], 300_000);
        let frozen = count["frozen_at"].as_str().unwrap().to_owned();
        server.advance_minutes(60);
        // What moves while people count is not counted.
        weigh_in(server, &r, 10_000, &server.now()).await;
        let sacks = json!({"basis": "nominal", "sacks": 4, "sack_g": 60_000, "loose_g": 0});
        let sheet = server.command("count-entries", green(&r, &count, &r.washed, json!([r.weighed("51.30"), sacks]))).await;
        let washed = line(&sheet, &r.washed);
        assert_eq!((&washed["book_g"], &washed["counted_g"]), (&json!(300_000), &json!(291_300)));
        let of = &washed["difference"];
        assert_eq!(of["total_g"], 8_700);
        let parts = ["drying_g", "weighing_g", "unexplained_g"];
        assert_eq!(parts.iter().map(|part| mg(&of[*part])).sum::<i64>(), 8_700_000);
        assert!(mg(&of["unexplained_g"]) > 0, "{of}");
        let booked = server.command("count-hand-ins", json!({"count": count["id"]})).await;
        assert_eq!(booked["state"], "booked");
        assert_eq!(store(server, &r.washed).await, 281_300_000);
        let posting = booked["postings"][0].as_str().unwrap();
        let posting = server.get(&format!("/api/postings/{posting}")).await;
        assert_eq!((&posting["kind"], posting["happened_at"].as_str().unwrap()), (&json!("count"), frozen.as_str()));
        let again = server.order("count-hand-ins", &server.id(), json!({"count": count["id"]})).await;
        again.problem(409, "conflict");
        let undo = server.order("reversals", &server.id(), json!({"posting": posting["id"]})).await;
        undo.problem(409, "conflict");
    }

    /// Green dries in jute by about 0.1 % in 30 days (common practice, without source): 60 days of 300 kg explain 600 g and no more is put to the air.
    async fn what_dried_goes_to_the_air(server: &Server) {
        let r = roastery(server).await;
        server.advance_minutes(60 * 24 * 60);
        let count = open(server, json!({"covers": ["green"]})).await;
        let sheet = server.command("count-entries", green(&r, &count, &r.washed, json!([reckoned(299_400)]))).await;
        assert_eq!(line(&sheet, &r.washed)["difference"]["drying_g"], 600);
        let booked = server.command("count-hand-ins", json!({"count": count["id"]})).await;
        let posting = server.get(&format!("/api/postings/{}", booked["postings"][0].as_str().unwrap())).await;
        assert_eq!((&posting["kind"], &posting["movements"][0]["to"]["place"], &posting["movements"][0]["mass_g"]), (&json!("dry"), &json!("air"), &json!(600)));
        assert_eq!(booked["postings"].as_array().unwrap().len(), 1, "drying is all of it");
    }

    /// By hand after JCGM 100:2008. Two receipts and the count, each with u^2 = d^2/12 + (0.3 d)^2 (5.1.2), d = 10 g: u = sqrt 52 g. On one scale
    /// its adjustment (0.035 %) is common to all and cancels (5.2.2); counted on another, 52.5 g and 52.4965 g come in.
    async fn how_sure_a_difference_is(server: &Server) {
        let r = roastery(server).await;
        let of = server.get(&format!("/api/lots/{}", r.washed)).await;
        let fields = merged(lot_fields(&of), json!({"name": "Huila weighed"}));
        let lot = server.put_new("lots", fields).await;
        for kilograms in ["100.00", "50.00"] {
            let lines = json!([{"lot": lot, "storeroom": r.storeroom, "weight": r.weighed(kilograms)}]);
            server.command("receipts", json!({"delivery": r.huila_delivery, "lines": lines})).await;
        }
        let count = open(server, json!({"covers": ["green"]})).await;
        let sheet = server.command("count-entries", green(&r, &count, &lot, json!([r.weighed("149.99")]))).await;
        let found = &line(&sheet, &lot)["difference"];
        assert_eq!((&found["total_g"], &found["u_g"]), (&json!(10), &json!(7.211)));
        assert_eq!((&found["weighing_g"], &found["unexplained_g"]), (&json!(10), &json!(0)));
        let readings: Vec<Value> = (0..9).map(|_| "15000").chain(["14990"]).map(|gross| json!({"gross": gross})).collect();
        let bench = json!({"basis": "weighed", "scale": r.bench_scale, "source": "typed", "readings": readings});
        let sheet = server.command("count-entries", green(&r, &count, &lot, json!([bench]))).await;
        assert_eq!(line(&sheet, &lot)["difference"]["u_g"], 74.478);
    }

    /// Whatever the order in which counts of the same green are booked, each says what was there at its moment, and no difference is taken twice.
    async fn counts_that_overlap(server: &Server) {
        let r = roastery(server).await;
        let early = open(server, json!({"covers": ["green"]})).await;
        server.advance_minutes(10);
        let late = open(server, json!({"covers": ["green"]})).await;
        let say = |count: &Value, lot: &str| green(&r, count, lot, json!([reckoned(290_000)]));
        for count in [&early, &late] {
            server.command("count-entries", say(count, &r.washed)).await;
        }
        server.command("count-hand-ins", json!({"count": late["id"]})).await;
        assert_eq!(store(server, &r.washed).await, 290_000_000);
        let alone = json!({"lot": r.screen_18, "storeroom": r.storeroom, "weight": reckoned(580_000)});
        server.command("counts", alone).await;
        server.command("count-entries", green(&r, &early, &r.screen_18, json!([reckoned(590_000)]))).await;
        server.advance_minutes(10);
        let booked = server.command("count-hand-ins", json!({"count": early["id"]})).await;
        assert_eq!(booked["state"], "booked");
        assert_eq!(store(server, &r.washed).await, 290_000_000, "missing once");
        assert_eq!(store(server, &r.screen_18).await, 580_000_000, "what was counted last");
        let later = server.get(&format!("/api/count-sessions/{}", late["id"].as_str().unwrap())).await;
        assert_eq!((&later["recounted"], &line(&later, &r.washed)["difference"]["total_g"]), (&json!(true), &json!(0)));
        let statement = server.get(&format!("/api/lots/{}/statement", r.washed)).await;
        let sums = &statement["sums"];
        assert_eq!(mg(&sums["difference_g"]) - mg(&sums["dried_g"]), -10_000_000, "{sums}");
    }

    /// A weight from before a lot was counted by itself, sent after it, changes the difference and not what was counted.
    async fn a_late_weight_before_a_count_of_one_lot(server: &Server) {
        let r = roastery(server).await;
        server.advance_minutes(60);
        let spilled_at = server.now();
        server.advance_minutes(60);
        let counted = server.command("counts", json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(290_000)})).await;
        assert_eq!((&counted["difference_g"], &counted["posting"]["kind"]), (&json!(-10_000), &json!("count")));
        let late = json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(10_000), "happened_at": spilled_at, "kept": true});
        server.command("wastes", late).await;
        assert_eq!(store(server, &r.washed).await, 290_000_000);
        let undo = server.order("reversals", &server.id(), json!({"posting": counted["posting"]["id"]})).await;
        undo.problem(409, "conflict");
    }

    /// What is booked after a count as of its own moment, as from a clock that knows only minutes, moved after it.
    async fn of_the_same_moment(server: &Server) {
        let r = roastery(server).await;
        let at = |grams: i64| json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(grams)});
        server.command("wastes", at(1_000)).await;
        server.command("counts", at(298_000)).await;
        server.command("wastes", at(2_000)).await;
        assert_eq!(store(server, &r.washed).await, 296_000_000);
        let counted = server.command("counts", at(296_000)).await;
        assert_eq!(counted["difference_g"], 0);
        assert_eq!(store(server, &r.washed).await, 296_000_000);
    }

    /// Who counts blind sees no figure of the book before the count is handed in, and a second person approves.
    async fn blind_and_approved_by_a_second_person(server: &Server) {
        let r = roastery(server).await;
        let site = server.app.site.to_string();
        server.put_change("sites", &site, json!({"second_person": true})).await;
        let alone = json!({"lot": r.washed, "storeroom": r.storeroom, "weight": reckoned(1)});
        server.order("counts", &server.id(), alone).await.problem(409, "conflict");
        let count = open(server, json!({"covers": ["green"], "blind": true})).await;
        let entry = green(&r, &count, &r.washed, json!([reckoned(299_000)]));
        let far = green(&r, &count, &r.washed, json!([reckoned(2_990_000)]));
        let asked = server.order("count-entries", &server.id(), far).await.problem(409, "confirm");
        assert!(asked["book_g"].is_null() && !asked["detail"].as_str().unwrap().contains("300"), "{asked}");
        let sheet = server.command("count-entries", entry.clone()).await;
        let washed = line(&sheet, &r.washed);
        assert_eq!((&washed["book_g"], &washed["difference"], &washed["counted_g"]), (&Value::Null, &Value::Null, &json!(299_000)));
        let approve = json!({"count": count["id"], "decision": "approve"});
        server.order("count-decisions", &server.id(), approve.clone()).await.problem(409, "conflict");
        let sheet = server.command("count-hand-ins", json!({"count": count["id"]})).await;
        assert_eq!((&sheet["state"], &line(&sheet, &r.washed)["book_g"]), (&json!("handed_in"), &json!(300_000)));
        server.order("count-entries", &server.id(), entry.clone()).await.problem(409, "conflict");
        // The same person is no second one.
        server.order("count-decisions", &server.id(), approve).await.problem(409, "conflict");
        let back = json!({"count": count["id"], "decision": "send_back"});
        server.order("count-decisions", &server.id(), back.clone()).await.problem(422, "invalid");
        let mut why = back;
        why["reason"] = json!("count the loose bin too");
        assert_eq!(server.command("count-decisions", why).await["state"], "open");
        server.command("count-entries", entry).await;
        assert_eq!(store(server, &r.washed).await, 300_000_000, "nothing is booked yet");
    }

    /// A tablet sends a weight from before the frozen moment after the count is booked: what was counted stays.
    async fn a_late_weight_recounts(server: &Server) {
        let r = roastery(server).await;
        let before = server.now();
        server.advance_minutes(60);
        let count = open(server, json!({"covers": ["green"]})).await;
        server.command("count-entries", green(&r, &count, &r.washed, json!([reckoned(290_000)]))).await;
        server.command("count-hand-ins", json!({"count": count["id"]})).await;
        assert_eq!(store(server, &r.washed).await, 290_000_000);
        server.advance_minutes(30);
        let batch = weigh_in(server, &r, 10_000, &before).await;
        assert_eq!(store(server, &r.washed).await, 290_000_000, "the ten kilograms that were missing had been weighed in");
        let path = format!("/api/count-sessions/{}", count["id"].as_str().unwrap());
        let sheet = server.get(&path).await;
        let washed = line(&sheet, &r.washed);
        assert_eq!((&sheet["recounted"], &washed["book_g"], &washed["difference"]["total_g"]), (&json!(true), &json!(290_000), &json!(0)));
        // Undone, they are missing again.
        let undo = server.get(&format!("/api/batches/{batch}")).await["undo"].take();
        server.command("reversals", json!({"posting": undo})).await;
        assert_eq!(store(server, &r.washed).await, 290_000_000);
        assert_eq!(line(&server.get(&path).await, &r.washed)["difference"]["total_g"], 10_000);
        // What happens afterwards is none of the count's.
        weigh_in(server, &r, 5_000, &server.now()).await;
        assert_eq!(store(server, &r.washed).await, 285_000_000);
    }

    async fn roasted_coffee_and_bags_are_counted_too(server: &Server) {
        let r = roastery(server).await;
        let batch = server.id();
        server.command("weigh-ins", json!({"batch": batch, "lot": r.screen_18, "style": r.light, "roaster": r.drum, "weight": reckoned(10_000)})).await;
        server.command("weigh-outs", json!({"batches": [batch], "weight": reckoned(8_650)})).await;
        server.advance_minutes(3 * 24 * 60);
        let packed = server.command("packings", json!({"product": r.kivu_bag, "bags": 20})).await;
        let count = open(server, json!({"covers": ["roasted", "bags"]})).await;
        let packing = packed["posting"]["id"].clone();
        let sheet = server.command("count-entries", json!({"count": count["id"], "packing": packing, "bags": 18})).await;
        let bags = sheet["lines"].as_array().unwrap().iter().find(|line| line["place"] == "packed").unwrap();
        assert_eq!((&bags["book_bags"], &bags["counted_bags"], &bags["book_g"], &bags["counted_g"]), (&json!(20), &json!(18), &json!(5_000), &json!(4_500)));
        server.command("count-entries", json!({"count": count["id"], "roasted": batch, "weights": [reckoned(3_640)]})).await;
        server.order("count-entries", &server.id(), json!({"count": count["id"], "packing": packing, "bags": 21})).await.problem(422, "invalid");
        server.order("count-entries", &server.id(), json!({"count": count["id"], "packing": packing, "weights": [reckoned(1)]})).await.problem(422, "invalid");
        server.order("count-entries", &server.id(), green(&r, &count, &r.washed, json!([reckoned(1)]))).await.problem(409, "conflict");
        // Nothing said is not nothing found.
        let silent = json!({"count": count["id"], "roasted": batch, "weights": []});
        assert_eq!(server.order("count-entries", &server.id(), silent).await.pointers(), ["/weights"]);
        server.command("count-hand-ins", json!({"count": count["id"]})).await;
        let stock = server.get("/api/stock").await;
        assert_eq!(stock["roasted"][0]["mass_g"], 3_640);
        let lots = server.get("/api/count-sessions").await;
        assert_eq!(lots["items"][0]["counted"], 2);
    }

    async fn a_dropped_count_leaves_the_book_alone(server: &Server) {
        let r = roastery(server).await;
        let count = open(server, json!({"covers": ["green"]})).await;
        server.order("count-hand-ins", &server.id(), json!({"count": count["id"]})).await.problem(409, "conflict");
        // A slipped digit is asked about; who says it again is believed.
        let mut far = green(&r, &count, &r.washed, json!([reckoned(30_000)]));
        let asked = server.order("count-entries", &server.id(), far.clone()).await;
        let asked = asked.problem(409, "confirm");
        assert_eq!((&asked["confirm"], &asked["book_g"]), (&json!(["far_from_book"]), &json!(300_000)));
        far["confirmed"] = asked["confirm"].clone();
        assert_eq!(line(&server.command("count-entries", far).await, &r.washed)["counted_g"], 30_000);
        let drop = json!({"count": count["id"], "decision": "drop", "reason": "the wrong room"});
        assert_eq!(server.command("count-decisions", drop).await["state"], "dropped");
        assert_eq!(store(server, &r.washed).await, 300_000_000);
        server.order("count-openings", &server.id(), json!({"covers": []})).await.problem(422, "invalid");
        server.order("count-entries", &server.id(), json!({"count": server.id(), "roasted": server.id()})).await.problem(422, "invalid");
        server.ask(&format!("/api/count-sessions/{}", server.id())).await.problem(404, "not-found");
    }
}

/// Two people, each signed in: whoever hands a count in cannot approve it, also where they may do everything else; the other can.
async fn two_people_approve_a_count(server: &Server) {
    let owner = first_owner(server).await.client(server);
    let r = roastery(&owner).await;
    let site = server.app.site.to_string();
    owner
        .put_change("sites", &site, json!({"second_person": true}))
        .await;
    let (ines, signed_in) = person(server, &owner, "Ines", "planner").await;
    let ines_here = signed_in.client(server);
    let decide = |count: &Value, decision: &str| json!({"count": count["id"], "decision": decision, "reason": "looked at together"});
    let store =
        async |by: &Client| mg(&by.get(&format!("/api/lots/{}", r.washed)).await["store_g"]);

    let count = counted(&ines_here, &r, 298_000).await;
    let alone = ines_here
        .order("count-decisions", &server.id(), decide(&count, "approve"))
        .await;
    let told = alone.problem(409, "conflict")["detail"].to_string();
    assert!(told.contains("second person"), "{told}");
    assert_eq!(store(&owner).await, 300_000_000, "nothing is booked yet");
    let booked = owner
        .command("count-decisions", decide(&count, "approve"))
        .await;
    assert_eq!(booked["state"], "booked");
    assert_eq!(store(&owner).await, 298_000_000);
    let posting = booked["postings"][0].as_str().unwrap();
    let posting = owner.get(&format!("/api/postings/{posting}")).await;
    assert_eq!(
        posting["person"]["name"], "Owner",
        "who approved it, booked it"
    );
    let journal = owner
        .get(&format!(
            "/api/journal?id={}",
            count["id"].as_str().unwrap()
        ))
        .await;
    let items = journal["items"].as_array().unwrap();
    let handed_in = items.iter().find(|entry| entry["act"] == "count_handed_in");
    assert_eq!(handed_in.unwrap()["person"]["id"], json!(ines));

    let of_the_owner = counted(&owner, &r, 297_000).await;
    owner
        .order(
            "count-decisions",
            &server.id(),
            decide(&of_the_owner, "approve"),
        )
        .await
        .problem(409, "conflict");
    let approved = ines_here
        .command("count-decisions", decide(&of_the_owner, "approve"))
        .await;
    assert_eq!(approved["state"], "booked");
    assert_eq!(store(&owner).await, 297_000_000);
}

/// A count of the washed lot that was handed in by whoever asks.
async fn counted(by: &Client, r: &Roastery, grams: i64) -> Value {
    let count = by
        .command("count-openings", json!({"covers": ["green"]}))
        .await;
    by.command(
        "count-entries",
        green(r, &count, &r.washed, json!([reckoned(grams)])),
    )
    .await;
    by.command("count-hand-ins", json!({"count": count["id"]}))
        .await
}

mod two_people {
    use super::{Database, Server, two_people_approve_a_count};

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn sqlite() {
        let server = Server::closed(Database::Sqlite, 1).await;
        two_people_approve_a_count(&server).await;
        server.finish().await;
    }

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn postgres() {
        let server = Server::closed(Database::Postgres, 1).await;
        two_people_approve_a_count(&server).await;
        server.finish().await;
    }
}
