//! More than one site in one database: green between them, each one's own book, and all of them together.

use std::collections::BTreeMap;
use std::pin::Pin;
use std::time::Duration;

use futures_util::{Stream, StreamExt};
use outturn::clock::Clock;
use outturn::day::Zone;
use outturn::{sites, store};
use reqwest::Method;
use serde_json::{Value, json};

use crate::green::{reckoned, standing};
use crate::support::{BEGINS, Database, Home, Roastery, Server, each_database, roastery};

/// A site with one storeroom; the room's id.
async fn coast(server: &Server, seed: u64) -> (Server, String) {
    let coast = server.site("Coast", seed).await;
    let room = coast.put_new("storerooms", json!({"name": "Shed"})).await;
    (coast, room)
}

/// Another site from which 60 kg are on their way: the site and the sending.
pub async fn sent_from_the_coast(server: &Server) -> (String, String) {
    let (coast, _) = coast(server, 71).await;
    let made = roastery(&coast).await;
    let to = server.app.site.to_string();
    let sending = send(&coast, &made, &to, 60_000).await;
    let site = coast.app.site.to_string();
    coast.finish().await;
    (site, sending)
}

/// Sends green of the washed lot; the sending's id.
async fn send(from: &Server, made: &Roastery, to: &str, grams: i64) -> String {
    let body = json!({"to": to, "lot": made.washed, "storeroom": made.storeroom, "weight": reckoned(grams)});
    let answer = from.command("sendings", body).await;
    answer["posting"]["id"].as_str().unwrap().to_owned()
}

fn arrival(sending: &str, room: &str, grams: i64) -> Value {
    json!({"sending": sending, "storeroom": room, "weight": reckoned(grams)})
}

/// Takes in what was sent: the lot, the posting, and from which day it says that it ages.
async fn taken_in(at: &Server, sending: &str, room: &str, grams: i64) -> Value {
    let came = at.command("arrivals", arrival(sending, room, grams)).await;
    let posting = came["posting"]["id"].clone();
    let leaf = at
        .get(&format!("/api/postings/{}", posting.as_str().unwrap()))
        .await;
    json!({"lot": came["posting"]["movements"][0]["lot"], "posting": posting, "ages_from": leaf["facts"]["ages_from"]})
}

/// Sends 20 kg of a lot that came on to another site; the sending's id.
async fn on_from(at: &Server, lot: &Value, to: &Server, room: &str) -> String {
    let body = json!({"to": to.app.site.to_string(), "lot": lot, "storeroom": room, "weight": reckoned(20_000)});
    let answer = at.command("sendings", body).await;
    answer["posting"]["id"].as_str().unwrap().to_owned()
}

/// When a lot was received, and from when it ages.
async fn days(at: &Server, lot: &Value) -> [Value; 2] {
    let lot = at
        .get(&format!("/api/lots/{}", lot.as_str().unwrap()))
        .await;
    ["received_day", "ages_from"].map(|field| lot[field].clone())
}

/// What a lot is expected to lose in the dark style.
async fn expected(at: &Server, lot: &Value) -> Value {
    at.app.learned().await;
    let outlook = at
        .get(&format!("/api/lots/{}/outlook", lot.as_str().unwrap()))
        .await;
    let mut styles = outlook["styles"].as_array().unwrap().iter();
    let dark = styles.find(|style| style["style"]["name"] == "Dark");
    dark.unwrap()["expected"].clone()
}

/// A page that listens.
struct Hearing {
    line: Pin<Box<dyn Stream<Item = String>>>,
    text: String,
    heard: usize,
}

impl Hearing {
    async fn of(at: &Server) -> Self {
        let answer = at.request(Method::GET, "/api/events").send().await.unwrap();
        let line = answer
            .bytes_stream()
            .map(|part| String::from_utf8_lossy(&part.unwrap()).into_owned());
        Self {
            line: Box::pin(line),
            text: String::new(),
            heard: 0,
        }
    }

    /// Waits until it is told of sendings once more.
    async fn hears(&mut self) {
        let heard = tokio::time::timeout(Duration::from_secs(8), async {
            while self.text.matches("\"sendings\"").count() <= self.heard {
                self.text += &self.line.next().await.unwrap();
            }
        });
        heard.await.expect("the page hears of it");
        self.heard += 1;
    }
}

fn places<const N: usize>(of: [(&str, i64); N]) -> BTreeMap<String, i64> {
    of.into_iter()
        .map(|(place, mg)| (place.to_owned(), mg))
        .collect()
}

/// A bill of 6.00 a kilogram over all 300 kg of the washed lot.
async fn bill(server: &Server, made: &Roastery) {
    let line = json!({"delivery": made.huila_delivery, "kind": "coffee", "day": "2026-11-25", "amount": {"minor": 180_000, "currency": "EUR"}});
    server.put_new("cost-lines", line).await;
}

each_database! {
    /// For whom another site packs is told to those who may see all sites, and to nobody else, in no field of a trace.
    async fn a_trace_names_orders_of_other_sites_to_few(server: &Server) {
        let made = roastery(server).await;
        let (coast, _) = coast(server, 61).await;
        let there = roastery(&coast).await;
        let sending = send(server, &made, &coast.app.site.to_string(), 60_000).await;
        let arrived = coast.command("arrivals", crate::support::merged(arrival(&sending, &there.storeroom, 60_000), json!({"confirmed": ["cost_unknown"]}))).await;
        let lot = arrived["posting"]["movements"][0]["lot"].clone();
        let batch = coast.id();
        coast.command("weigh-ins", json!({"batch": batch, "lot": lot, "style": there.dark, "roaster": there.drum, "weight": there.weighed("8.00")})).await;
        coast.command("weigh-outs", json!({"batches": [batch], "weight": there.weighed("6.68")})).await;
        let coffee = coast.get(&format!("/api/lots/{}", lot.as_str().unwrap())).await["coffee"].clone();
        let bag = json!({"name": "Of the sea 250", "parts": [{"coffee": coffee, "share": 1}], "style": there.dark, "bag_g": 250});
        let bag = coast.put_new("products", bag).await;
        let order = json!({"number": "SECRET-1", "customer": "Quiet Corner", "ship_day": "2026-12-02", "transit_days": 1, "priority": 1, "lines": [{"line": 1, "product": bag, "bags": 4}]});
        let order = coast.put_new("orders", order).await;
        coast.command("packings", json!({"product": bag, "bags": 4, "order": order})).await;
        coast.command("shipments", json!({"order": order})).await;

        let door = server.closed_beside().await;
        let actor = outturn::book::Actor::person(door.app.owner);
        let token = async |name: &str, rights: &[outturn::setup::Right]| {
            let asked = outturn::access::TokenAsked { name: outturn::text::Name::new(name).unwrap(), rights: rights.to_vec(), days: 3 };
            outturn::access::make_token(&door.app, actor, asked).await.unwrap().token
        };
        use outturn::setup::Right::{Find, Read};
        let (few, many) = (token("Reads", &[Read]).await, token("Finds", &[Read, Find]).await);
        let path = format!("/api/trace/lot/{}?direction=forward", made.washed);
        let told = door.another().with_token(&many).get(&path).await.to_string();
        assert!(told.contains("SECRET-1") && told.contains("Quiet Corner"), "{told}");
        let reader = door.another().with_token(&few);
        let kept = reader.get(&path).await;
        assert!(!kept.to_string().contains("SECRET-1") && !kept.to_string().contains("Quiet Corner"), "{kept}");
        let touched = &kept["elsewhere"][0]["trace"]["touched"]["orders"][0];
        assert_eq!((&touched["order"], &touched["number"], &touched["bags"][0]["shipped"]), (&json!(order), &json!(null), &json!(4)));
        let table = reader.ask(&format!("/api/trace/lot/{}/ways.csv?direction=forward", made.washed)).await;
        assert!(table.text.contains("for an order") && !table.text.contains("SECRET-1"), "{}", table.text);
        door.finish().await;
        coast.finish().await;
    }

    /// 60 kg leave and 59.95 kg are weighed in: each book balances by itself, and together nothing is left on the way.
    async fn green_goes_to_another_site_and_is_a_lot_there(server: &Server) {
        let made = roastery(server).await;
        bill(server, &made).await;
        let (coast, room) = coast(server, 51).await;
        let (here, there) = (server.app.site.to_string(), coast.app.site.to_string());
        let sending = send(server, &made, &there, 60_000).await;
        assert_eq!(standing(server, &made.washed).await, places([("store", 240_000_000), ("supplier", -300_000_000), ("transit", 60_000_000)]));
        for site in [server, &coast] {
            let ways = site.get("/api/sendings").await;
            let way = &ways["on_the_way"][0];
            assert_eq!((&way["id"], &way["mass_g"], &way["lot"]["name"]), (&json!(sending), &json!(60_000), &json!("Huila washed")));
            assert_eq!((&way["from"]["id"], &way["to"]["name"], &way["taken_in"]), (&json!(here), &json!("Coast"), &Value::Null));
        }
        let came = coast.command("arrivals", arrival(&sending, &room, 59_950)).await;
        let lot = came["posting"]["movements"][0]["lot"].as_str().unwrap().to_owned();
        assert_eq!(standing(&coast, &lot).await, places([("store", 59_950_000), ("transit", -60_000_000), ("variance", 50_000)]));
        let fields = coast.get(&format!("/api/lots/{lot}")).await;
        assert_eq!((&fields["name"], &fields["grade"], &fields["storeroom"]), (&json!("Huila washed"), &json!("Excelso"), &json!(room)));
        let delivery = coast.get(&format!("/api/deliveries/{}", fields["delivery"].as_str().unwrap())).await;
        assert_eq!((&delivery["supplier"], &delivery["reference"], &delivery["state"]), (&json!("Roastery"), &json!("Huila washed"), &json!("received")));
        let ways = server.get("/api/sendings").await;
        assert_eq!((&ways["on_the_way"], &ways["arrived"][0]["taken_in"]["id"]), (&json!([]), &json!(lot)));

        // The next sack comes as the same lot.
        let second = send(server, &made, &there, 1_000).await;
        let again = coast.command("arrivals", arrival(&second, &room, 1_000)).await;
        assert_eq!(again["posting"]["movements"][0]["lot"], json!(lot));
        let statement = coast.get(&format!("/api/lots/{lot}/statement")).await;
        assert_eq!((&statement["closing_g"], &statement["sums"]["sent_g"]), (&json!(60_950), &json!(-61_000)));
        coast.finish().await;
    }

    /// Green is no younger for having been moved: over any number of ways it ages from the day on which it was bought.
    async fn green_ages_from_where_it_was_bought(server: &Server) {
        let made = roastery(server).await;
        let (coast, room) = coast(server, 51).await;
        let quay = server.site("Quay", 61).await;
        let loft = quay.put_new("storerooms", json!({"name": "Loft"})).await;
        let bought = json!("2026-11-25");
        // What comes on the day on which it was bought says nothing of its age.
        let first = send(server, &made, &coast.app.site.to_string(), 1_000).await;
        let first = taken_in(&coast, &first, &room, 1_000).await;
        assert_eq!((&first["ages_from"], days(&coast, &first["lot"]).await), (&Value::Null, [bought.clone(), bought.clone()]));
        // Four months later more of it comes, then goes on from there, and home again.
        for site in [server, &coast, &quay] {
            site.set_time("2027-03-25T09:00:00Z");
        }
        let second = send(server, &made, &coast.app.site.to_string(), 60_000).await;
        let second = taken_in(&coast, &second, &room, 60_000).await;
        assert_eq!((&second["ages_from"], &second["lot"]), (&bought, &first["lot"]));
        assert_eq!(days(&coast, &second["lot"]).await, [bought.clone(), bought.clone()]);
        let on = on_from(&coast, &second["lot"], &quay, &room).await;
        quay.set_time("2027-03-27T09:00:00Z");
        let third = taken_in(&quay, &on, &loft, 20_000).await;
        assert_eq!((&third["ages_from"], days(&quay, &third["lot"]).await), (&bought, [json!("2027-03-27"), bought.clone()]));
        let home = on_from(&quay, &third["lot"], server, &loft).await;
        server.set_time("2027-03-28T09:00:00Z");
        let home = taken_in(server, &home, &made.storeroom, 20_000).await;
        // By way of a third site too what comes home is the lot that it was.
        assert_eq!((&home["ages_from"], &home["lot"]), (&bought, &json!(made.washed)));
        assert_eq!(days(server, &home["lot"]).await, [bought.clone(), bought.clone()]);
        for site in [coast, quay] {
            site.finish().await;
        }
    }

    /// What has come is expected to lose what it would have lost where it was; what was bought lately is known better.
    async fn green_that_was_moved_is_expected_to_lose_as_much(server: &Server) {
        let made = roastery(server).await;
        let coast = server.site("Coast", 51).await;
        for site in [server, &coast] {
            site.set_time("2027-03-25T09:00:00Z");
        }
        let there = roastery(&coast).await;
        let sending = send(server, &made, &coast.app.site.to_string(), 60_000).await;
        let came = taken_in(&coast, &sending, &there.storeroom, 60_000).await;
        let [stayed, moved, bought] = [expected(server, &json!(made.washed)).await, expected(&coast, &came["lot"]).await, expected(&coast, &json!(there.washed)).await];
        assert_eq!(stayed, moved);
        let width = |expected: &Value| expected["hi"].as_f64().unwrap() - expected["lo"].as_f64().unwrap();
        assert!(width(&moved) > width(&bought) + 0.001, "{moved} {bought}");
        // Undone it has not come.
        coast.command("reversals", json!({"posting": came["posting"]})).await;
        assert_eq!(days(&coast, &came["lot"]).await, [Value::Null, Value::Null]);
        coast.finish().await;
    }

    /// A page hears within seconds of what another site sends it, calls back, takes in and takes back, though neither follows the other's log.
    async fn pages_hear_of_the_other_end(server: &Server) {
        let made = roastery(server).await;
        let (coast, room) = coast(server, 51).await;
        let (mut here, mut there) = (Hearing::of(server).await, Hearing::of(&coast).await);
        let sending = send(server, &made, &coast.app.site.to_string(), 60_000).await;
        there.hears().await;
        server.command("reversals", json!({"posting": sending})).await;
        there.hears().await;
        let again = send(server, &made, &coast.app.site.to_string(), 60_000).await;
        there.hears().await;
        let came = taken_in(&coast, &again, &room, 60_000).await;
        here.hears().await;
        coast.command("reversals", json!({"posting": came["posting"]})).await;
        here.hears().await;
        // What one site does by itself is no news to the other.
        let mut tx = server.app.read().await.unwrap();
        let before = tx.head(coast.app.site).await.unwrap().unwrap().size;
        drop(tx);
        coast.put_new("storerooms", json!({"name": "Loft"})).await;
        let mut tx = server.app.read().await.unwrap();
        assert!(!tx.went_between(coast.app.site, before).await.unwrap());
        assert!(tx.went_between(coast.app.site, before - 1).await.unwrap());
        drop(tx);
        drop((here, there));
        coast.finish().await;
    }

    /// What left at 6.00 a kilogram is worth as much on the other side, and is gone from this one.
    async fn cost_goes_along(server: &Server) {
        let made = roastery(server).await;
        bill(server, &made).await;
        let (coast, room) = coast(server, 51).await;
        let sending = send(server, &made, &coast.app.site.to_string(), 60_000).await;
        let on_the_way = server.get("/api/all-sites").await;
        assert_eq!(on_the_way["on_the_way_worth"], json!([{"minor": 36_000, "currency": "EUR"}]));
        let came = coast.command("arrivals", arrival(&sending, &room, 60_000)).await;
        let value = server.get("/api/value").await;
        let lots = value["lots"].as_array().unwrap();
        let washed = lots.iter().find(|of| of["lot"]["id"] == json!(made.washed)).unwrap();
        assert_eq!((&washed["used"]["sent"], &washed["closing"]["store"]), (&json!(36_000), &json!(144_000)));
        let there = coast.get("/api/value").await;
        assert_eq!((&there["lots"][0]["cost"], &there["lots"][0]["closing"]["store"]), (&json!(36_000), &json!(36_000)));
        // The whole house: nothing made, nothing lost, and nothing on the way.
        let all = coast.get("/api/all-sites").await;
        assert_eq!((&all["closing_g"], &all["on_the_way_g"], &all["sums"]["sent_g"]), (&json!(1_020_000), &json!(0), &json!(0)));
        assert_eq!(all["worth"], json!([{"minor": 180_000, "currency": "EUR"}]));
        assert_eq!(all["sites"].as_array().unwrap().len(), 2);
        // Undone there, its bill counts for nothing, and it is on the way again; then it can be called back.
        let undo = json!({"posting": came["posting"]["id"]});
        let call_back = json!({"posting": sending});
        let refused = server.order("reversals", &server.id(), call_back.clone()).await.problem(409, "conflict");
        assert!(refused["detail"].as_str().unwrap().contains("Coast has taken this in"), "{refused}");
        coast.command("reversals", undo).await;
        assert_eq!(coast.get("/api/value").await["lots"], json!([]));
        assert_eq!(coast.get("/api/sendings").await["on_the_way"][0]["id"], json!(sending));
        server.command("reversals", call_back).await;
        assert_eq!(coast.get("/api/sendings").await["on_the_way"], json!([]));
        let gone = coast.order("arrivals", &coast.id(), arrival(&sending, &room, 60_000)).await;
        assert_eq!(gone.pointers(), ["/sending"]);
        assert_eq!(standing(server, &made.washed).await, places([("store", 300_000_000), ("supplier", -300_000_000)]));
        coast.finish().await;
    }

    async fn what_cannot_be_sent_or_taken_in_is_refused(server: &Server) {
        let made = roastery(server).await;
        let (coast, room) = coast(server, 51).await;
        let to = |site: &str, grams: i64| json!({"to": site, "lot": made.washed, "storeroom": made.storeroom, "weight": reckoned(grams)});
        let (here, there) = (server.app.site.to_string(), coast.app.site.to_string());
        assert_eq!(server.order("sendings", &server.id(), to(&here, 1_000)).await.pointers(), ["/to"]);
        assert_eq!(server.order("sendings", &server.id(), to(&server.id(), 1_000)).await.pointers(), ["/to"]);
        // More than the book has is asked about, and made up from the count difference.
        let asked = server.order("sendings", &server.id(), to(&there, 301_000)).await.problem(409, "confirm");
        assert_eq!(asked["confirm"], json!(["beyond_book"]));
        let mut sure = to(&there, 301_000);
        sure["confirmed"] = json!(["beyond_book"]);
        server.command("sendings", sure).await;
        assert_eq!(standing(server, &made.washed).await, places([("supplier", -300_000_000), ("transit", 301_000_000), ("variance", -1_000_000)]));
        let other = json!({"to": there, "lot": made.peaberry, "storeroom": made.storeroom, "weight": reckoned(50_000)});
        let sending = server.command("sendings", other).await["posting"]["id"].as_str().unwrap().to_owned();
        // Not for the sender, not in a room that is not there, not with a weight that is hardly right, not twice.
        let own = server.order("arrivals", &server.id(), arrival(&sending, &made.storeroom, 50_000)).await;
        assert_eq!(own.pointers(), ["/sending"]);
        let nowhere = coast.order("arrivals", &coast.id(), arrival(&sending, &made.storeroom, 50_000)).await;
        assert_eq!(nowhere.pointers(), ["/storeroom"]);
        let asked = coast.order("arrivals", &coast.id(), arrival(&sending, &room, 45_000)).await.problem(409, "confirm");
        assert_eq!((&asked["confirm"], &asked["sent_g"]), (&json!(["other_than_sent"]), &json!(50_000)));
        let mut sure = arrival(&sending, &room, 50_900);
        sure["confirmed"] = json!(["other_than_sent"]);
        let came = coast.command("arrivals", sure).await;
        let lot = came["posting"]["movements"][0]["lot"].as_str().unwrap().to_owned();
        assert_eq!(standing(&coast, &lot).await, places([("store", 50_900_000), ("transit", -50_000_000), ("variance", -900_000)]));
        coast.order("arrivals", &coast.id(), arrival(&sending, &room, 50_000)).await.problem(409, "conflict");
        coast.finish().await;
    }

    /// One site's batches, postings and records are not there at the other, whoever knows their ids.
    async fn a_site_knows_nothing_of_anothers_book(server: &Server) {
        let made = roastery(server).await;
        let (coast, room) = coast(server, 51).await;
        let batch = server.id();
        let weigh_in = json!({"batch": batch, "lot": made.washed, "style": made.dark, "roaster": made.drum, "storeroom": made.storeroom, "weight": made.weighed("8.00")});
        let posting = server.command("weigh-ins", weigh_in).await["posting"]["id"].as_str().unwrap().to_owned();
        for path in [format!("/api/batches/{batch}"), format!("/api/postings/{posting}"), format!("/api/lots/{}", made.washed), format!("/api/trace/lot/{}", made.washed)] {
            assert_eq!(coast.ask(&path).await.status, 404, "{path}");
        }
        assert_eq!(coast.order("reversals", &coast.id(), json!({"posting": posting})).await.status, 404);
        assert_eq!(coast.order("starts", &coast.id(), json!({"batch": batch})).await.status, 404);
        let taken = coast.put(&format!("/api/storerooms/{}", made.storeroom), &json!({"name": "Mine"})).await;
        taken.problem(409, "id-taken");
        assert_eq!(server.get(&format!("/api/storerooms/{}", made.storeroom)).await["name"], "Back room");
        // Names belong to a site; those of sites are known by all.
        coast.put_new("storerooms", json!({"name": "Back room"})).await;
        let site = coast.app.site.to_string();
        let same = coast.try_change("sites", &site, json!({"name": "Roastery"})).await;
        assert_eq!(same.pointers(), ["/name"]);
        assert_eq!(coast.get("/api/stock").await["lots"], json!([]));
        assert_eq!(room.len(), 36);
        coast.finish().await;
    }

    /// Called back by the one and taken in by the other at the same moment: one of them has it, whichever is first.
    async fn what_is_called_back_is_not_taken_in(server: &Server) {
        let made = roastery(server).await;
        let (coast, room) = coast(server, 51).await;
        let there = coast.app.site.to_string();
        for _ in 0..8 {
            let sending = send(server, &made, &there, 1_000).await;
            let (back, take) = (server.id(), coast.id());
            let (back, take) = tokio::join!(
                server.order("reversals", &back, json!({"posting": sending})),
                coast.order("arrivals", &take, arrival(&sending, &room, 1_000)),
            );
            let done = [back.status, take.status];
            assert!([[201, 400], [201, 422], [409, 201]].contains(&done), "{done:?}");
        }
        coast.finish().await;
    }

    /// A recall of a lot names what was made of it at the other site, and there it is traced back to where it was bought.
    async fn a_trace_goes_on_at_the_other_site(server: &Server) {
        let made = roastery(server).await;
        let coast = server.site("Coast", 51).await;
        let there = roastery(&coast).await;
        let sending = send(server, &made, &coast.app.site.to_string(), 60_000).await;
        let came = coast.command("arrivals", arrival(&sending, &there.storeroom, 60_000)).await;
        let lot = came["posting"]["movements"][0]["lot"].as_str().unwrap().to_owned();
        let name = coast.get(&format!("/api/lots/{lot}")).await["name"].clone();
        assert_eq!(name, "Huila washed (Roastery)");
        let batch = coast.id();
        let weigh_in = json!({"batch": batch, "lot": lot, "style": there.dark, "roaster": there.drum, "storeroom": there.storeroom, "weight": there.weighed("8.00")});
        coast.command("weigh-ins", weigh_in).await;
        let forward = server.get(&format!("/api/trace/lot/{}?direction=forward", made.washed)).await;
        let elsewhere = &forward["elsewhere"][0];
        assert_eq!((&elsewhere["site"]["name"], &elsewhere["trace"]["name"]), (&json!("Coast"), &name));
        let stops = elsewhere["trace"]["stops"].to_string();
        assert!(stops.contains(&batch), "{stops}");
        let backward = coast.get(&format!("/api/trace/batch/{batch}?direction=backward")).await;
        let elsewhere = &backward["elsewhere"][0];
        assert_eq!((&elsewhere["site"]["name"], &elsewhere["trace"]["name"]), (&json!("Roastery"), &json!("Huila washed")));
        let stops = elsewhere["trace"]["stops"].to_string();
        assert!(stops.contains("Ridge Cooperative RC-9"), "{stops}");
        coast.finish().await;
    }

    /// Both books go into one copy and come back with the same heads; what does not fit between them is found.
    async fn a_copy_holds_all_sites(server: &Server) {
        let made = roastery(server).await;
        let (coast, room) = coast(server, 51).await;
        let sending = send(server, &made, &coast.app.site.to_string(), 60_000).await;
        coast.command("arrivals", arrival(&sending, &room, 60_000)).await;
        let mut copy = Vec::new();
        let mut tx = server.app.read().await.unwrap();
        outturn::audit::copy::write(&mut *tx, &mut copy).await.unwrap();
        drop(tx);
        let checked = outturn::audit::copy::check(copy.as_slice(), &[]).unwrap();
        assert_eq!(checked.iter().map(|book| book.report.ok).collect::<Vec<_>>(), [true, true]);
        // Without the sender's book it came from nowhere.
        let text = String::from_utf8(copy).unwrap();
        let (one, other) = text.split_at(text.rfind("{\"book\":").unwrap());
        let heads = [one, other].map(|book| (book.lines().next().unwrap(), book));
        let own = heads.iter().find(|(head, _)| head.contains(&coast.app.site.to_string())).unwrap().1;
        let alone = outturn::audit::copy::check(own.as_bytes(), &[]).unwrap();
        assert_eq!(alone.len(), 1);
        assert!(alone[0].report.to_string().contains("no site sent it"), "{}", alone[0].report);
        coast.finish().await;
    }
}

each_database! {
    /// What dried makes the rest dearer; what nobody can say the cost of is asked about; undone and taken in again it is the same lot.
    async fn cost_is_neither_lost_nor_made_up(server: &Server) {
        let made = roastery(server).await;
        let (coast, room) = coast(server, 51).await;
        let there = coast.app.site.to_string();
        // Somebody reckons costs here, and not yet that of this lot.
        let kivu = json!({"delivery": made.kivu_delivery, "kind": "coffee", "day": "2026-11-25", "amount": {"minor": 10_000, "currency": "EUR"}});
        server.put_new("cost-lines", kivu).await;
        let sending = send(server, &made, &there, 60_000).await;
        let asked = coast.order("arrivals", &coast.id(), arrival(&sending, &room, 60_000)).await.problem(409, "confirm");
        assert_eq!(asked["confirm"], json!(["cost_unknown"]));
        bill(server, &made).await;
        let dried = json!({"lot": made.washed, "storeroom": made.storeroom, "weight": reckoned(30_000)});
        server.command("dryings", dried).await;
        let came = coast.command("arrivals", arrival(&sending, &room, 60_000)).await;
        let lot = came["posting"]["movements"][0]["lot"].clone();
        let all = coast.get("/api/all-sites").await;
        assert_eq!(all["worth"], json!([{"minor": 190_000, "currency": "EUR"}]), "1,800.00 and 100.00, wherever the coffee is");
        coast.command("reversals", json!({"posting": came["posting"]["id"]})).await;
        assert_eq!(coast.get("/api/sendings").await["on_the_way"][0]["id"], json!(sending));
        let again = coast.command("arrivals", arrival(&sending, &room, 60_000)).await;
        assert_eq!(again["posting"]["movements"][0]["lot"], lot);
        assert_eq!(coast.get("/api/sendings").await["arrived"][0]["arrival"], again["posting"]["id"]);
        assert_eq!(coast.get("/api/all-sites").await["worth"], json!([{"minor": 190_000, "currency": "EUR"}]));
        // No supplier has anything to do with it here.
        for (command, body) in [("returns", json!({"lot": lot, "storeroom": room, "weight": reckoned(1_000)})),
            ("receipts", json!({"delivery": coast.get(&format!("/api/lots/{}", lot.as_str().unwrap())).await["delivery"], "lines": [{"lot": lot, "storeroom": room, "weight": reckoned(1_000)}]}))] {
            let refused = coast.order(command, &coast.id(), body).await;
            assert!(refused.pointers()[0].ends_with("/lot"), "{}", refused.text);
        }
        // What comes home is the lot that it was.
        let home = json!({"to": server.app.site.to_string(), "lot": lot, "storeroom": room, "weight": reckoned(10_000)});
        let home = coast.command("sendings", home).await["posting"]["id"].as_str().unwrap().to_owned();
        let back = server.command("arrivals", arrival(&home, &made.storeroom, 10_000)).await;
        assert_eq!(back["posting"]["movements"][0]["lot"], json!(made.washed));
        assert_eq!(coast.get("/api/all-sites").await["worth"], json!([{"minor": 190_000, "currency": "EUR"}]));
        coast.finish().await;
    }

    /// Two lots share 2,000.00. One goes to another site and comes home three times: both are worth what they were.
    async fn a_round_trip_moves_no_cost(server: &Server) {
        let made = roastery(server).await;
        let (coast, room) = coast(server, 51).await;
        let there = coast.app.site.to_string();
        let common = json!({"delivery": made.kivu_delivery, "kind": "coffee", "day": "2026-11-25", "amount": {"minor": 720_000, "currency": "EUR"}});
        server.put_new("cost-lines", common).await;
        let worth = async || {
            let value = server.get("/api/value").await;
            [&made.screen_18, &made.peaberry].map(|lot| {
                let lots = value["lots"].as_array().unwrap();
                lots.iter().find(|of| of["lot"]["id"] == json!(lot)).unwrap()["closing"]["store"].as_i64().unwrap()
            })
        };
        assert_eq!(worth().await, [600_000, 120_000]);
        for _ in 0..3 {
            let body = json!({"to": there, "lot": made.peaberry, "storeroom": made.storeroom, "weight": reckoned(120_000)});
            let sending = server.command("sendings", body).await["posting"]["id"].as_str().unwrap().to_owned();
            let came = coast.command("arrivals", arrival(&sending, &room, 120_000)).await;
            assert_eq!(worth().await, [600_000, 0]);
            let lot = came["posting"]["movements"][0]["lot"].clone();
            let home = json!({"to": server.app.site.to_string(), "lot": lot, "storeroom": room, "weight": reckoned(120_000)});
            let home = coast.command("sendings", home).await["posting"]["id"].as_str().unwrap().to_owned();
            server.command("arrivals", arrival(&home, &made.storeroom, 120_000)).await;
            assert_eq!(worth().await, [600_000, 120_000]);
        }
        assert_eq!(server.get("/api/all-sites").await["worth"], json!([{"minor": 720_000, "currency": "EUR"}]));
        coast.finish().await;
    }

    /// 300 kg of 1,800.00, of which 60 kg were taken in at 360.00. A bill that comes later, drying, and another receipt of the lot change what is
    /// left here and nothing there; over both sites each cent is there once. What was said before stays as it was said.
    async fn what_was_taken_in_is_worth_what_its_bill_says(server: &Server) {
        let made = roastery(server).await;
        bill(server, &made).await;
        let (coast, room) = coast(server, 51).await;
        let there = coast.app.site.to_string();
        let first = send(server, &made, &there, 60_000).await;
        let closed = server.get("/api/value?to=2026-11-25").await["lots"].take();
        server.set_time("2026-11-27T09:00:00Z");
        coast.set_time("2026-11-27T09:00:00Z");
        let came = coast.command("arrivals", arrival(&first, &room, 60_000)).await;
        let freight = json!({"delivery": made.huila_delivery, "kind": "freight", "day": "2026-11-27", "amount": {"minor": 30_000, "currency": "EUR"}});
        server.put_new("cost-lines", freight).await;
        let figures = async |query: &str| {
            let value = server.get(&format!("/api/value{query}")).await;
            let washed = value["lots"].as_array().unwrap().iter().find(|of| of["lot"]["id"] == json!(made.washed)).unwrap();
            let at = |of: &Value| of.as_i64().unwrap();
            (at(&washed["used"]["sent"]), at(&washed["closing"]["store"]), at(&washed["cost"]))
        };
        let all = async |minor: i64| assert_eq!(coast.get("/api/all-sites").await["worth"], json!([{"minor": minor, "currency": "EUR"}]));
        assert_eq!(figures("").await, (36_000, 174_000, 174_000));
        all(210_000).await;
        server.command("dryings", json!({"lot": made.washed, "storeroom": made.storeroom, "weight": reckoned(40_000)})).await;
        assert_eq!(figures("").await, (36_000, 174_000, 174_000));
        let line = json!({"lot": made.washed, "storeroom": made.storeroom, "weight": reckoned(100_000)});
        server.command("receipts", json!({"delivery": made.huila_delivery, "lines": [line]})).await;
        assert_eq!(figures("").await, (36_000, 174_000, 174_000));
        all(210_000).await;
        let then = server.get("/api/value").await;
        // 150 of the 300 kg that are left at 1,740.00.
        server.advance_minutes(1);
        coast.advance_minutes(1);
        let second = send(server, &made, &there, 150_000).await;
        coast.command("arrivals", arrival(&second, &room, 150_000)).await;
        assert_eq!(figures("").await, (123_000, 87_000, 87_000));
        all(210_000).await;
        let late = json!({"delivery": made.huila_delivery, "kind": "duty", "day": "2026-11-27", "amount": {"minor": 3_000, "currency": "EUR"}});
        server.put_new("cost-lines", late).await;
        assert_eq!(figures("").await, (123_000, 90_000, 90_000));
        assert_eq!(server.get("/api/value?to=2026-11-25").await["lots"], closed, "that day is over");
        let again = server.get(&format!("/api/value?to=2026-11-27&known={}", then["known"])).await;
        assert_eq!(again["lots"], then["lots"]);
        // Undone there, it is on the way again, at what it costs here.
        server.set_time("2026-11-28T09:00:00Z");
        coast.set_time("2026-11-28T09:00:00Z");
        coast.command("reversals", json!({"posting": came["posting"]["id"]})).await;
        // 2,130.00 less 870.00 are shared by 210 kg, of which 60 are on the way.
        assert_eq!(figures("").await, (123_000, 90_000, 126_000));
        assert_eq!(figures("?to=2026-11-27").await, (123_000, 90_000, 90_000));
        coast.finish().await;
    }

    /// Coffee that got lost on the way is a finding, what two scales make of it is none; and what is on hold is so at the other site.
    async fn what_is_lost_on_the_way_is_found(server: &Server) {
        let made = roastery(server).await;
        let (coast, room) = coast(server, 51).await;
        let there = coast.app.site.to_string();
        let first = send(server, &made, &there, 60_000).await;
        coast.command("arrivals", arrival(&first, &room, 59_700)).await;
        let unexplained = async || {
            let findings = coast.get("/api/findings").await;
            let all = findings["items"].as_array().unwrap().iter();
            all.filter(|finding| finding["kind"] == "count_unexplained").cloned().collect::<Vec<Value>>()
        };
        assert_eq!(unexplained().await, Vec::<Value>::new());
        let delivery = server.get(&format!("/api/deliveries/{}", made.huila_delivery)).await;
        assert_eq!(delivery["hold"], Value::Null);
        server.put_change("deliveries", &made.huila_delivery, json!({"hold": "Smells of smoke"})).await;
        let body = json!({"to": there, "lot": made.washed, "storeroom": made.storeroom, "weight": reckoned(60_000)});
        let asked = server.order("sendings", &server.id(), body.clone()).await.problem(409, "confirm");
        assert_eq!(asked["confirm"], json!(["delivery_on_hold"]));
        let mut sure = body;
        sure["confirmed"] = json!(["delivery_on_hold"]);
        let second = server.command("sendings", sure).await["posting"]["id"].as_str().unwrap().to_owned();
        let mut less = arrival(&second, &room, 40_000);
        less["confirmed"] = json!(["other_than_sent"]);
        let came = coast.command("arrivals", less).await;
        let found = unexplained().await;
        assert_eq!(found.len(), 1);
        assert!(found[0]["sentence"].as_str().unwrap().contains("less of Huila washed came from another site"), "{found:?}");
        let lot = came["posting"]["movements"][0]["lot"].as_str().unwrap().to_owned();
        let delivery = coast.get(&format!("/api/lots/{lot}")).await["delivery"].as_str().unwrap().to_owned();
        assert_eq!(coast.get(&format!("/api/deliveries/{delivery}")).await["hold"], "Smells of smoke");
        coast.finish().await;
    }
}

/// While one site's turn at writing lasts, another site books: the two logs do not wait for each other.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn sites_do_not_wait_for_each_other() {
    let server = Server::start(Database::Postgres).await;
    let (coast, _) = coast(&server, 51).await;
    let mut turn = server.app.store.write().await.unwrap();
    turn.lock_head(server.app.site).await.unwrap();
    coast.put_new("storerooms", json!({"name": "Loft"})).await;
    drop(turn);
    coast.finish().await;
    server.finish().await;
}

/// Two servers that start at once on an empty database serve one site.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn servers_that_start_together_found_one_site() {
    let home = Home::new(Database::Postgres).await;
    // The tables are there already: what is at stake is who founds the site.
    let stores = [
        store::open(&home.url()).await.unwrap(),
        store::open(&home.url()).await.unwrap(),
    ];
    let found = async |n: usize| {
        let clock = Clock::set(BEGINS.parse().unwrap(), 90 + n as u64);
        sites::found_first(&*stores[n], &clock, Zone::UTC)
            .await
            .unwrap()
    };
    let (one, other) = tokio::join!(found(0), found(1));
    assert_eq!(one, other);
    assert_eq!(
        stores[0].read().await.unwrap().sites().await.unwrap(),
        [one.site]
    );
    for store in stores {
        store.close().await;
    }
    home.remove().await;
}
