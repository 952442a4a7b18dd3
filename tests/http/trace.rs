//! Where coffee came from and where it went: every milligram that moved, and nothing that did not.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};

use crate::copies::copied;
use crate::green::reckoned;
use crate::statement::mg;
use crate::support::{Roastery, Server, each_database, roastery};

/// Two batches of two lots go into bags of a blend for an order, and those of one into bags for the shelf; the order is shipped.
struct Sold {
    washed: String,
    kivu: String,
    order: String,
    packing: String,
    shelf: String,
    shipment: String,
}

async fn roast(server: &Server, r: &Roastery, lot: &str, [green, out]: [&str; 2]) -> String {
    let batch = server.id();
    server.command("weigh-ins", json!({"batch": batch, "lot": lot, "style": r.dark, "roaster": r.drum, "weight": r.weighed(green)})).await;
    server
        .command(
            "weigh-outs",
            json!({"batches": [batch], "weight": r.weighed(out)}),
        )
        .await;
    batch
}

async fn sold(server: &Server, r: &Roastery) -> Sold {
    let washed = roast(server, r, &r.washed, ["10.00", "8.35"]).await;
    let kivu = roast(server, r, &r.screen_18, ["8.00", "6.68"]).await;
    let order = json!({"number": "T-1", "customer": "Corner Cafe", "ship_day": "2026-12-02", "transit_days": 1, "priority": 1,
        "lines": [{"line": 1, "product": r.blend_bag, "bags": 5}]});
    let order = server.put_new("orders", order).await;
    server.advance_minutes(2 * 24 * 60);
    let packed = async |bags: u32, order: Option<&String>| {
        let body = json!({"product": r.blend_bag, "bags": bags, "order": order});
        let answer = server
            .command("packings", crate::support::merged(body, json!({})))
            .await;
        answer["posting"]["id"].as_str().unwrap().to_owned()
    };
    let undone = packed(1, Some(&order)).await;
    server
        .command("reversals", json!({"posting": undone}))
        .await;
    let packing = packed(5, Some(&order)).await;
    let shelf = packed(2, None).await;
    let shipped = server.command("shipments", json!({"order": order})).await;
    let shipment = shipped["posting"]["id"].as_str().unwrap().to_owned();
    Sold {
        washed,
        kivu,
        order,
        packing,
        shelf,
        shipment,
    }
}

type Ways = BTreeMap<(String, String, String), i64>;

fn place(word: &Value, key: &Value) -> String {
    format!("{} {}", word.as_str().unwrap(), key.as_str().unwrap_or(""))
}

/// What a trace says went between places, by lot.
fn ways(trace: &Value) -> Ways {
    let stops = trace["stops"].as_array().unwrap();
    let at = |number: &Value| {
        let stop = &stops[number.as_u64().unwrap() as usize];
        place(&stop["place"], &stop["key"])
    };
    let legs = trace["legs"].as_array().unwrap();
    legs.iter()
        .map(|leg| {
            (
                (
                    leg["lot"].as_str().unwrap().to_owned(),
                    at(&leg["from"]),
                    at(&leg["to"]),
                ),
                mg(&leg["mass_g"]),
            )
        })
        .collect()
}

/// The same summed from the leaves, of some lots.
async fn by_leaves(server: &Server, lots: &[&String]) -> Ways {
    let mut sums: Ways = BTreeMap::new();
    for line in String::from_utf8(copied(&*server.app.store).await)
        .unwrap()
        .lines()
    {
        let leaf: Value = serde_json::from_str(line).unwrap();
        for moved in leaf["movements"].as_array().into_iter().flatten() {
            let lot = moved["lot"].as_str().unwrap().to_owned();
            let [from, to] =
                ["from", "to"].map(|side| place(&moved[side]["place"], &moved[side]["key"]));
            if lots.contains(&&lot) {
                *sums.entry((lot, from, to)).or_default() += moved["mass_mg"].as_i64().unwrap();
            }
        }
    }
    let back = sums.clone();
    for ((lot, from, to), mg) in &mut sums {
        *mg -= back
            .get(&(lot.clone(), to.clone(), from.clone()))
            .copied()
            .unwrap_or(0);
    }
    sums.retain(|_, mg| *mg > 0);
    sums
}

async fn traced(server: &Server, of: &str, id: &str, direction: &str) -> Value {
    server
        .get(&format!("/api/trace/{of}/{id}?direction={direction}"))
        .await
}

fn lots_of(trace: &Value) -> BTreeSet<String> {
    trace["legs"]
        .as_array()
        .unwrap()
        .iter()
        .map(|leg| leg["lot"].as_str().unwrap().to_owned())
        .collect()
}

fn places_of(trace: &Value) -> BTreeSet<String> {
    trace["stops"]
        .as_array()
        .unwrap()
        .iter()
        .map(|stop| stop["place"].as_str().unwrap().to_owned())
        .collect()
}

each_database! {
    async fn a_lot_is_traced_to_the_milligram(server: &Server) {
        let r = roastery(server).await;
        let made = sold(server, &r).await;
        for lot in [&r.washed, &r.screen_18] {
            let trace = traced(server, "lot", lot, "both").await;
            assert_eq!(ways(&trace), by_leaves(server, &[lot]).await);
        }
        let trace = traced(server, "lot", &r.washed, "forward").await;
        let touched = &trace["touched"];
        assert_eq!(touched["batches"], 1);
        let orders = touched["orders"].as_array().unwrap();
        let of = |order: &Value| orders.iter().find(|each| each["order"] == *order).unwrap();
        assert_eq!(of(&json!(made.order))["bags"][0], json!({"product": r.blend_bag, "name": "House 1000", "packed": 5, "shipped": 5}));
        assert_eq!(of(&json!(made.order))["customer"], "Corner Cafe");
        assert_eq!(of(&Value::Null)["bags"][0], json!({"product": r.blend_bag, "name": "House 1000", "packed": 2, "shipped": 0}));
        // Seven bags of 60 % of it; two of them are here.
        let stands = |word: &str| mg(&touched["places"].as_array().unwrap().iter().find(|each| each["place"] == word).unwrap()["stands_g"]);
        assert_eq!((stands("packed"), stands("shipped"), stands("roasted")), (1_200_000, 3_000_000, 8_350_000 - 4_200_000));
    }

    async fn an_order_is_traced_to_the_deliveries_it_came_from(server: &Server) {
        let r = roastery(server).await;
        let made = sold(server, &r).await;
        let trace = traced(server, "order", &made.order, "backward").await;
        assert_eq!(lots_of(&trace), BTreeSet::from([r.washed.clone(), r.screen_18.clone()]));
        let found = ways(&trace);
        let way = |lot: &String, from: String, to: String| found.get(&(lot.clone(), from, to)).copied();
        let [roasted, packed, shipped] = [&made.washed, &made.packing, &made.shipment];
        assert_eq!(way(&r.washed, format!("roasted {roasted}"), format!("packed {packed}")), Some(3_000_000));
        assert_eq!(way(&r.screen_18, format!("roasted {}", made.kivu), format!("packed {packed}")), Some(2_000_000));
        assert_eq!(way(&r.washed, format!("packed {packed}"), format!("shipped {shipped}")), Some(3_000_000));
        assert_eq!(way(&r.washed, format!("store {}", r.storeroom), format!("batch {roasted}")), Some(10_000_000));
        assert_eq!(way(&r.washed, format!("supplier {}", r.huila_delivery), format!("store {}", r.storeroom)), Some(300_000_000));
        // What only shares a lot with it is not where it came from.
        assert!(!places_of(&trace).contains("air"));
        assert!(found.keys().all(|(_, _, to)| *to != format!("packed {}", made.shelf)));
        for (of, id) in [("packing", &made.packing), ("shipment", &made.shipment)] {
            assert_eq!(lots_of(&traced(server, of, id, "backward").await), lots_of(&trace), "{of}");
        }
    }

    async fn a_batch_is_traced_both_ways(server: &Server) {
        let r = roastery(server).await;
        let made = sold(server, &r).await;
        let forward = traced(server, "batch", &made.washed, "forward").await;
        assert_eq!(lots_of(&forward), BTreeSet::from([r.washed.clone()]));
        assert_eq!(places_of(&forward), ["air", "batch", "packed", "roasted", "shipped"].map(str::to_owned).into());
        let backward = traced(server, "batch", &made.washed, "backward").await;
        assert_eq!(places_of(&backward), ["batch", "roasted", "store", "supplier"].map(str::to_owned).into());
        let both = traced(server, "batch", &made.washed, "both").await;
        let legs = |trace: &Value| trace["legs"].as_array().unwrap().len();
        // From the batch to the roasted it goes both ways.
        assert_eq!(legs(&both), legs(&forward) + legs(&backward) - 1);
        let delivery = traced(server, "delivery", &r.kivu_delivery, "forward").await;
        assert_eq!(lots_of(&delivery), BTreeSet::from([r.screen_18.clone(), r.peaberry.clone()]));
    }

    /// Through a blend of green, backward to the lots it was made of and forward to the bags.
    async fn a_blend_is_traced_through(server: &Server) {
        let r = roastery(server).await;
        let packing = server.get(&format!("/api/lots/{}", r.washed)).await["packing"].take();
        let blend = json!({"name": "House green", "coffee": r.huila, "delivery": r.huila_delivery, "grade": "blend", "storeroom": r.storeroom, "expected_g": 0,
            "packing": packing, "moisture": [], "claims": [], "use_rank": 1});
        let blend = server.put_new("lots", blend).await;
        let part = |lot: &String, grams: i64| json!({"lot": lot, "storeroom": r.storeroom, "weight": reckoned(grams)});
        server.command("blends", json!({"lot": blend, "storeroom": r.storeroom, "parts": [part(&r.washed, 30_000), part(&r.peaberry, 10_000)]})).await;
        let batch = roast(server, &r, &blend, ["10.00", "8.35"]).await;
        let back = traced(server, "batch", &batch, "backward").await;
        assert_eq!(lots_of(&back), BTreeSet::from([blend.clone(), r.washed.clone(), r.peaberry.clone()]));
        let found = ways(&back);
        assert_eq!(found[&(r.peaberry.clone(), format!("store {}", r.storeroom), format!("blended {blend}"))], 10_000_000);
        let forward = traced(server, "lot", &r.peaberry, "forward").await;
        assert!(ways(&forward).contains_key(&(blend.clone(), format!("batch {batch}"), format!("roasted {batch}"))));
        assert_eq!(lots_of(&forward), BTreeSet::from([blend, r.peaberry.clone()]), "not the other part");
    }

    /// What left with other orders on the same day holds none of it; and an order that left with them is not made of theirs.
    async fn a_recall_names_no_bags_without_it(server: &Server) {
        let r = roastery(server).await;
        let order = async |number: &str, product: &String| {
            let fields = json!({"number": number, "customer": number, "ship_day": "2026-12-02", "transit_days": 1, "priority": 1,
                "lines": [{"line": 1, "product": product, "bags": 2}]});
            server.put_new("orders", fields).await
        };
        let dark = json!({"name": "Huila dark", "parts": [{"coffee": r.huila, "share": 1}], "style": r.dark, "bag_g": 250});
        let dark = server.put_new("products", dark).await;
        let [holds, holds_none] = [order("T-1", &dark).await, order("T-2", &r.kivu_bag).await];
        roast(server, &r, &r.washed, ["10.00", "8.35"]).await;
        let light = json!({"batch": server.id(), "lot": r.screen_18, "style": r.light, "roaster": r.drum, "weight": r.weighed("5.00")});
        let weighed_in = server.command("weigh-ins", light.clone()).await;
        assert!(weighed_in.is_object());
        server.command("weigh-outs", json!({"batches": [light["batch"]], "weight": r.weighed("4.34")})).await;
        server.advance_minutes(3 * 24 * 60);
        server.command("packings", json!({"product": dark, "bags": 2, "order": holds})).await;
        server.command("packings", json!({"product": r.kivu_bag, "bags": 2, "order": holds_none})).await;
        server.command("shipments", json!({"ship_day": "2026-12-02"})).await;
        let trace = traced(server, "lot", &r.washed, "forward").await;
        let named: Vec<&str> = trace["touched"]["orders"].as_array().unwrap().iter().map(|order| order["number"].as_str().unwrap()).collect();
        assert_eq!(named, ["T-1"]);
        for direction in ["backward", "both"] {
            let back = traced(server, "order", &holds, direction).await;
            assert_eq!(lots_of(&back), BTreeSet::from([r.washed.clone()]), "{direction}");
            let bags: Vec<&Value> = back["touched"]["orders"].as_array().unwrap().iter().map(|order| &order["number"]).collect();
            assert_eq!(bags, [&json!("T-1")], "{direction}");
        }
    }

    async fn a_trace_is_a_table_and_a_picture(server: &Server) {
        let r = roastery(server).await;
        let made = sold(server, &r).await;
        let trace = traced(server, "order", &made.order, "both").await;
        let csv = server.ask(&format!("/api/trace/order/{}/ways.csv?direction=both", made.order)).await;
        let rows: Vec<&str> = csv.text.trim_end().split("\r\n").collect();
        assert_eq!(rows.len(), trace["legs"].as_array().unwrap().len() + 1);
        assert!(rows.iter().any(|row| row.contains(",3000.000,")), "{}", csv.text);
        let svg = server.ask(&format!("/api/trace/order/{}/picture.svg", made.order)).await;
        assert!(svg.text.contains("3 kg from roasted") && svg.text.contains("Trace of T-1, Corner Cafe"), "{}", svg.text);
        for (of, id, status) in [("lot", server.id(), 404), ("batch", server.id(), 404), ("order", server.id(), 404), ("packing", server.id(), 404), ("sack", server.id(), 404)] {
            assert_eq!(server.ask(&format!("/api/trace/{of}/{id}")).await.status, status, "{of}");
        }
        server.ask(&format!("/api/trace/lot/{}?direction=sideways", r.washed)).await.problem(422, "invalid");
    }
}
