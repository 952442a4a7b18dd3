//! The packing bench: bins, bags against their label, ship days in one tap, returns, the shelf, labels; and the cupping table.

use serde_json::{Value, json};

use crate::green::{once_more, reckoned};
use crate::support::{Roastery, Server, each_database, roastery};

/// A batch of Kivu 18, light, 5 kg in on the drum, so many kilograms out.
async fn roasted(server: &Server, has: &Roastery, kilograms: &str) -> String {
    let batch = server.id();
    let weigh_in = json!({"batch": batch, "lot": has.screen_18, "style": has.light, "roaster": has.drum, "weight": has.weighed("5.00")});
    server.command("weigh-ins", weigh_in).await;
    let weigh_out = json!({"batches": [batch], "weight": has.weighed(kilograms)});
    server.command("weigh-outs", weigh_out).await;
    batch
}

async fn order(server: &Server, number: &str, lines: Value) -> String {
    let fields = json!({"number": number, "customer": format!("Door {number}"), "ship_day": "2026-12-02", "transit_days": 1, "priority": 1, "lines": lines});
    server.put_new("orders", fields).await
}

/// Readings of the bench scale, each with the empty bag of 10 g.
async fn bag_scale(server: &Server) -> String {
    let fields = json!({"name": "Bag scale", "unit": "g", "division_g": 0.1, "max_g": 2_000, "containers": [{"name": "empty bag", "tare_g": 10}]});
    server.put_new("scales", fields).await
}

fn bags_on(scale: &str, gross: &[&str]) -> Value {
    let readings: Vec<Value> = gross
        .iter()
        .map(|gross| json!({"gross": gross, "container": "empty bag"}))
        .collect();
    json!({"basis": "weighed", "scale": scale, "source": "scale", "readings": readings})
}

async fn left(server: &Server, batch: &str) -> Value {
    server.get(&format!("/api/batches/{batch}")).await["roasted_left_g"].clone()
}

async fn shelf_bags(server: &Server) -> Value {
    let shelf = server.get("/api/shelf").await;
    shelf["items"]
        .as_array()
        .unwrap()
        .first()
        .map_or(json!(0), |line| line["bags"].clone())
}

/// What was taken from the shelf for orders of a ship day.
async fn allotments(server: &Server, day: &str) -> Vec<Value> {
    let list = server.get(&format!("/api/packing-list?day={day}")).await;
    list["allotments"].as_array().unwrap().clone()
}

/// What the leaf of a posting that was answered says beside its movements.
async fn facts(server: &Server, answer: &Value) -> Value {
    let id = answer["posting"]["id"].as_str().unwrap().parse().unwrap();
    let mut tx = server.app.read().await.unwrap();
    let leaf = tx
        .posting_leaf(server.app.site, outturn::ids::PostingId(id))
        .await;
    let mut leaf: Value = serde_json::from_str(&leaf.unwrap().unwrap()).unwrap();
    leaf["facts"].take()
}

/// What stands at a kind of place, of all lots.
async fn standing(server: &Server, place: &str) -> i64 {
    let mut tx = server.app.read().await.unwrap();
    let standing = tx.standing(server.app.site, place).await.unwrap();
    standing.iter().map(|standing| standing.mass.mg()).sum()
}

each_database! {
    /// Two batches of a run share a bin: each gives its share, to the milligram; a batch of another roaster does not.
    async fn a_packing_draws_from_a_run(server: &Server) {
        let has = roastery(server).await;
        let (a, b) = (roasted(server, &has, "4.00").await, roasted(server, &has, "4.30").await);
        let bins = server.get("/api/bins").await;
        let bin = &bins["items"][0];
        assert_eq!((&bin["mass_g"], &bin["hold"], bin["batches"].as_array().unwrap().len()), (&json!(4300), &json!(false), 1), "4.00 of 5 kg is off and on hold");
        assert_eq!(bins["items"][1]["hold"], json!(true));
        server.command("passes", json!({"batch": a, "reason": "weighed again"})).await;
        assert_eq!(server.get("/api/bins").await["items"][0]["mass_g"], json!(8300));

        // 4 bags of 250 g: 1,000 g of 8,300, of which 4,000 and 4,300: 481.927... and 518.072... g.
        let packed = server.command("packings", json!({"product": has.kivu_bag, "bags": 4})).await;
        let gave = |batch: &String| packed["from"].as_array().unwrap().iter().find(|from| from["batch"] == *batch).unwrap()["mass_g"].clone();
        assert_eq!((gave(&a), gave(&b)), (json!(481.928), json!(518.072)));
        assert_eq!((left(server, &a).await, left(server, &b).await), (json!(3518.072), json!(3781.928)));
        // Naming one batch of the bin takes the bin.
        let named = server.command("packings", json!({"product": has.kivu_bag, "bags": 1, "batches": [b]})).await;
        assert_eq!(named["from"].as_array().unwrap().len(), 2);
        // All of it, and 20 g beyond the book: the last batch gives what no batch has.
        let all = json!({"product": has.kivu_bag, "bags": 29, "confirmed": ["beyond_book"]});
        let all = server.command("packings", all).await;
        let sum: f64 = all["from"].as_array().unwrap().iter().map(|from| from["mass_g"].as_f64().unwrap()).sum();
        assert!((sum - 7_250.0).abs() < 1e-9);
        assert_eq!((left(server, &a).await, left(server, &b).await), (json!(0), json!(0)));
        assert_eq!(standing(server, "variance").await, -200_000);
    }

    /// Bags are weighed one by one: the book takes what they hold, and light ones are asked about once.
    async fn bags_are_held_to_their_label(server: &Server) {
        let has = roastery(server).await;
        roasted(server, &has, "4.30").await;
        let scale = bag_scale(server).await;
        let good = bags_on(&scale, &["261.0", "260.5", "262.2"]);
        let checked = server.post("/api/bag-checks", &json!({"product": has.kivu_bag, "bags": 3, "weighed": good})).await.expect(200);
        // Nets 251.0, 250.5, 252.2: mean 251.233, T of 250 g is 9 g (OIML R 87).
        assert_eq!((&checked["mean_g"], &checked["tolerable_g"], &checked["faults"]), (&json!(251.233), &json!(9), &json!([])));
        let packed = server.command("packings", json!({"product": has.kivu_bag, "bags": 3, "weighed": good})).await;
        assert_eq!((&packed["from"][0]["mass_g"], &packed["check"]["weighed"]), (&json!(753.7), &json!(3)));
        // One of two weighed: both at its weight.
        let one = server.command("packings", json!({"product": has.kivu_bag, "bags": 2, "weighed": bags_on(&scale, &["261.5"])})).await;
        assert_eq!(one["from"][0]["mass_g"], json!(503));

        // 240.9 g is light, 231.9 g far too light.
        let light = json!({"product": has.kivu_bag, "bags": 3, "weighed": bags_on(&scale, &["241.9", "275.0", "275.0"])});
        let asked = server.order("packings", &server.id(), light.clone()).await.problem(409, "confirm");
        assert_eq!((&asked["confirm"], &asked["check"]["faults"]), (&json!(["light_bags"]), &json!(["too_many_light", "far_too_light"])));
        assert!(asked["detail"].as_str().unwrap().contains("fill them up"), "{asked}");
        let mut sure = light;
        sure["confirmed"] = json!(["light_bags"]);
        let packed = server.command("packings", sure).await;
        let view = server.get(&format!("/api/packings/{}", packed["posting"]["id"].as_str().unwrap())).await;
        assert_eq!(view["check"]["far_too_light"], json!(1), "what was found stays with the packing");

        for (weighed, pointer) in [
            (json!({"basis": "reckoned", "mass_g": 750}), "/weighed/basis"),
            (bags_on(&scale, &["261", "261"]), "/weighed/readings"),
        ] {
            let answer = server.order("packings", &server.id(), json!({"product": has.kivu_bag, "bags": 1, "weighed": weighed})).await;
            answer.problem(422, "invalid");
            assert_eq!(answer.pointers(), [pointer]);
        }
    }

    /// One tap ships a day, less what stays behind; a second tap ships that.
    async fn a_ship_day_in_one_tap(server: &Server) {
        let has = roastery(server).await;
        roasted(server, &has, "4.30").await;
        let line = |bags: u32| json!([{"line": 1, "product": has.kivu_bag, "bags": bags}]);
        let (first, second) = (order(server, "T1", line(5)).await, order(server, "T2", line(6)).await);
        for (order, bags) in [(&first, 5), (&second, 2), (&second, 4)] {
            server.command("packings", json!({"product": has.kivu_bag, "bags": bags, "order": order})).await;
        }
        let list = server.get("/api/packing-list?day=2026-12-02").await;
        let line = &list["orders"][1]["lines"][0];
        assert_eq!((&line["packed_bags"], line["codes"].as_array().unwrap().len(), &line["product_name"]), (&json!(6), 2, &json!("Kivu 250")));
        assert_eq!((&line["roast_from"], &line["roast_to"], &list["carrier_at"]), (&json!("2026-11-05"), &json!("2026-11-29"), &json!("15:00")));

        let too_many = json!({"ship_day": "2026-12-02", "except": [{"order": second, "bags": 7}]});
        let refused = server.order("shipments", &server.id(), too_many).await;
        refused.problem(422, "invalid");
        assert_eq!(refused.pointers(), ["/except/0"]);
        let less = json!({"ship_day": "2026-12-02", "except": [{"order": second, "product": has.kivu_bag, "bags": 3}]});
        let shipped = server.command("shipments", less).await;
        let bags = async |order: &String| {
            let order = server.get(&format!("/api/orders/{order}")).await;
            (order["lines"][0]["packed_bags"].clone(), order["lines"][0]["shipped_bags"].clone(), order["state"].clone())
        };
        assert_eq!(bags(&first).await, (json!(5), json!(5), json!("shipped")));
        assert_eq!(bags(&second).await, (json!(6), json!(3), json!("packed")));
        assert_eq!((standing(server, "packed").await, standing(server, "shipped").await), (750_000, 2_000_000));
        server.command("shipments", json!({"ship_day": "2026-12-02"})).await;
        assert_eq!(bags(&second).await, (json!(6), json!(6), json!("shipped")));
        assert_eq!(standing(server, "packed").await, 0);
        let again = server.order("reversals", &server.id(), json!({"posting": shipped["posting"]["id"]})).await;
        again.expect(201);
        assert_eq!(bags(&first).await, (json!(5), json!(0), json!("packed")));
        for fields in [json!({}), json!({"order": first, "ship_day": "2026-12-02"})] {
            server.order("shipments", &server.id(), fields).await.problem(422, "invalid");
        }
    }

    /// Bags come back to the shelf with their label, or are thrown away; never more than went; and the shelf sells over the counter.
    async fn bags_come_back(server: &Server) {
        let has = roastery(server).await;
        roasted(server, &has, "4.30").await;
        let order = order(server, "T1", json!([{"line": 1, "product": has.kivu_bag, "bags": 7}])).await;
        for bags in [3, 4] {
            server.command("packings", json!({"product": has.kivu_bag, "bags": bags, "order": order})).await;
        }
        server.command("shipments", json!({"order": order})).await;
        let back = |bags: u32, to: &str| json!({"order": order, "product": has.kivu_bag, "bags": bags, "to": to});
        let first = server.command("take-backs", back(4, "shelf")).await;
        assert_eq!((shelf_bags(server).await, standing(server, "packed").await), (json!(4), 1_000_000));
        server.command("take-backs", back(1, "waste")).await;
        assert_eq!(standing(server, "waste").await, 250_000);
        let refused = server.order("take-backs", &server.id(), back(3, "shelf")).await;
        refused.problem(422, "invalid");
        assert_eq!(refused.pointers(), ["/bags"]);
        assert!(refused.json()["errors"][0]["detail"].as_str().unwrap().starts_with("2 such bags"));
        // The order stays shipped: what came back is the shop's now.
        assert_eq!(server.get(&format!("/api/orders/{order}")).await["state"], json!("shipped"));

        server.command("counter-sales", json!({"product": has.kivu_bag, "bags": 3})).await;
        assert_eq!(shelf_bags(server).await, json!(1));
        server.order("counter-sales", &server.id(), json!({"product": has.kivu_bag, "bags": 2})).await.problem(422, "invalid");
        // Some of what came back has gone on: undoing it would leave the shelf below nothing.
        server.order("reversals", &server.id(), json!({"posting": first["posting"]["id"]})).await.problem(409, "conflict");
        server.command("take-backs", json!({"product": has.kivu_bag, "bags": 3, "to": "shelf"})).await;
        server.command("reversals", json!({"posting": first["posting"]["id"]})).await;
    }

    /// Bags that come back to be replaced are lacking again, and what replaces them is packed, or taken from the shelf, as for the first time; bags
    /// that are paid back are not. More than an order lacks is asked about once, whoever means it says so.
    async fn bags_that_came_back_are_replaced(server: &Server) {
        let has = roastery(server).await;
        roasted(server, &has, "4.30").await;
        let order = order(server, "T1", json!([{"line": 1, "product": has.kivu_bag, "bags": 4}])).await;
        let pack = |bags: u32| json!({"product": has.kivu_bag, "bags": bags, "order": order});
        let asked = server.order("packings", &server.id(), pack(10)).await.problem(409, "confirm");
        assert_eq!((&asked["confirm"], &asked["lacks_bags"]), (&json!(["beyond_order"]), &json!(4)));
        assert!(asked["detail"].as_str().unwrap().contains("Order T1 lacks 4 such bags"), "{asked}");
        server.command("packings", pack(4)).await;
        server.command("shipments", json!({"order": order})).await;
        let come = async || {
            let view = server.get(&format!("/api/orders/{order}")).await;
            (view["lines"][0]["packed_bags"].clone(), view["lines"][0]["shipped_bags"].clone(), view["state"].clone())
        };
        let back = |bags: u32, to: &str, replace: bool| json!({"order": order, "product": has.kivu_bag, "bags": bags, "to": to, "replace": replace});
        server.command("take-backs", back(1, "shelf", false)).await;
        assert_eq!(come().await, (json!(4), json!(4), json!("shipped")), "paid back");
        let undone = server.command("take-backs", back(1, "waste", true)).await;
        assert_eq!(come().await, (json!(3), json!(3), json!("open")));
        server.command("reversals", json!({"posting": undone["posting"]["id"]})).await;
        assert_eq!(come().await, (json!(4), json!(4), json!("shipped")));
        server.command("take-backs", back(2, "shelf", true)).await;
        assert_eq!((come().await, shelf_bags(server).await), ((json!(2), json!(2), json!("open")), json!(3)));
        assert_eq!(server.get("/api/packing-list?day=2026-12-02").await["orders"][0]["lines"][0]["packed_bags"], json!(2));
        // No more come back than are there, and those already back are not counted twice.
        let refused = server.order("take-backs", &server.id(), back(2, "shelf", true)).await;
        assert_eq!(refused.pointers(), ["/bags"]);

        server.command("allotments", json!({"order": order, "product": has.kivu_bag, "bags": 1})).await;
        server.command("packings", pack(1)).await;
        assert_eq!(come().await, (json!(4), json!(2), json!("packed")));
        server.command("shipments", json!({"order": order})).await;
        assert_eq!(come().await, (json!(4), json!(4), json!("shipped")));
        let gift = crate::support::merged(pack(1), json!({"confirmed": ["beyond_order"]}));
        let gift = server.command("packings", gift).await;
        assert_eq!(facts(server, &gift).await["confirmed"], json!(["beyond_order"]), "that it was meant stands in the book");
        let trace = server.get(&format!("/api/trace/order/{order}?direction=backward")).await;
        assert!(!trace["stops"].as_array().unwrap().is_empty());

        let counter = json!({"product": has.kivu_bag, "bags": 1, "to": "shelf", "replace": true});
        let refused = server.order("take-backs", &server.id(), counter).await;
        refused.problem(422, "invalid");
        assert_eq!(refused.pointers(), ["/replace"]);
    }

    /// Bags sold over the counter come back, the last sold first, however many sales lie between, and never more than were sold.
    async fn many_sales_come_back(server: &Server) {
        let has = roastery(server).await;
        roasted(server, &has, "4.30").await;
        roasted(server, &has, "4.30").await;
        server.command("packings", json!({"product": has.kivu_bag, "bags": 34})).await;
        let one = json!({"product": has.kivu_bag, "bags": 1});
        let mut sales = Vec::new();
        for _ in 0..34 {
            sales.push(server.command("counter-sales", one.clone()).await["posting"]["id"].clone());
        }
        server.command("reversals", json!({"posting": sales[33]})).await;
        let back = |bags: u32| json!({"product": has.kivu_bag, "bags": bags, "to": "waste"});
        let of = async |booked: Value| {
            let returned = facts(server, &booked).await["returned"].as_array().unwrap().clone();
            returned.into_iter().map(|of| of["shipment"].clone()).collect::<Vec<_>>()
        };
        assert_eq!(of(server.command("take-backs", back(1)).await).await, [sales[32].clone()], "what was undone was never sold");
        let moved = server.get(&format!("/api/postings?batch={}", sales[32].as_str().unwrap())).await;
        let kinds: Vec<&Value> = moved["items"].as_array().unwrap().iter().map(|of| &of["kind"]).collect();
        assert_eq!(kinds, ["ship", "take_back"], "what moved coffee to and from a place");
        let rest = of(server.command("take-backs", back(32)).await).await;
        let expected: Vec<Value> = sales[..32].iter().rev().cloned().collect();
        assert_eq!(rest, expected);
        server.order("take-backs", &server.id(), back(1)).await.problem(422, "invalid");
    }

    /// The oldest bags leave first, unless somebody says which stay, or which are sold.
    async fn which_bags_leave(server: &Server) {
        let has = roastery(server).await;
        roasted(server, &has, "4.30").await;
        let order = order(server, "T1", json!([{"line": 1, "product": has.kivu_bag, "bags": 6}])).await;
        let pack = async |bags: u32, order: Value| {
            server.advance_minutes(1);
            let packed = server.command("packings", json!({"product": has.kivu_bag, "bags": bags, "order": order})).await;
            packed["posting"]["id"].clone()
        };
        let [first, second] = [pack(2, json!(order)).await, pack(4, json!(order)).await];
        let left = async |packing: &Value| server.get(&format!("/api/packings/{}", packing.as_str().unwrap())).await["standing_bags"].clone();
        let shipped = server.command("shipments", json!({"order": order, "except": [{"order": order, "bags": 3}]})).await;
        assert_eq!((left(&first).await, left(&second).await), (json!(0), json!(3)));
        server.command("reversals", json!({"posting": shipped["posting"]["id"]})).await;
        let stays = json!({"order": order, "packing": first});
        server.command("shipments", json!({"order": order, "except": [stays]})).await;
        assert_eq!((left(&first).await, left(&second).await), (json!(2), json!(0)));
        let gone = server.order("shipments", &server.id(), json!({"order": order, "except": [{"order": order, "packing": second}]})).await;
        assert_eq!(gone.pointers(), ["/except/0"]);

        let [old, new] = [pack(2, json!(null)).await, pack(3, json!(null)).await];
        let shelf = server.get("/api/shelf").await["items"][0]["packings"].clone();
        assert_eq!((&shelf[0]["packing"], &shelf[1]["packing"], &shelf[1]["bags"]), (&old, &new, &json!(3)));
        server.command("counter-sales", json!({"product": has.kivu_bag, "bags": 2, "packing": new})).await;
        assert_eq!((left(&old).await, left(&new).await), (json!(2), json!(1)));
        let more = server.order("counter-sales", &server.id(), json!({"product": has.kivu_bag, "bags": 2, "packing": new})).await;
        assert_eq!(more.pointers(), ["/bags"]);
        server.command("counter-sales", json!({"product": has.kivu_bag, "bags": 2})).await;
        assert_eq!((left(&old).await, left(&new).await), (json!(0), json!(1)));
    }

    /// Bags on the shelf become an order's: the oldest that were roasted in time, no more than it lacks; they ship, come back and are undone like bags
    /// that were filled for it, and their trace and a recall name the order.
    async fn bags_from_the_shelf(server: &Server) {
        let has = roastery(server).await;
        roasted(server, &has, "4.30").await;
        let pack = json!({"product": has.kivu_bag, "bags": 3});
        let old = server.command("packings", pack.clone()).await["posting"]["id"].clone();
        let new = server.command("packings", pack).await["posting"]["id"].clone();
        let order = order(server, "T1", json!([{"line": 1, "product": has.kivu_bag, "bags": 5}])).await;
        let list = async || server.get("/api/packing-list?day=2026-12-02").await["orders"][0]["lines"][0].clone();
        assert_eq!((&list().await["shelf_bags"], &list().await["packed_bags"]), (&json!(6), &json!(0)));
        let take = |bags: u32| json!({"order": order, "product": has.kivu_bag, "bags": bags});
        let before = [standing(server, "packed").await, standing(server, "roasted").await];
        for (wrong, pointer) in [
            (take(0), "/bags"),
            (crate::support::merged(take(4), json!({"packing": new})), "/bags"),
            (crate::support::merged(take(1), json!({"grind": "filter"})), "/grind"),
            (crate::support::merged(take(1), json!({"product": has.blend_bag})), "/product"),
        ] {
            let refused = server.order("allotments", &server.id(), wrong).await;
            refused.problem(422, "invalid");
            assert_eq!(refused.pointers(), [pointer], "{}", refused.text);
        }
        let asked = server.order("allotments", &server.id(), take(6)).await.problem(409, "confirm");
        assert_eq!((&asked["confirm"], &asked["lacks_bags"]), (&json!(["beyond_order"]), &json!(5)));
        let taken = server.command("allotments", take(4)).await;
        assert_eq!([standing(server, "packed").await, standing(server, "roasted").await], before, "nothing moved");
        let line = list().await;
        assert_eq!((&line["packed_bags"], &line["shelf_bags"], line["codes"].as_array().unwrap().len()), (&json!(4), &json!(2), 2));
        assert_eq!(shelf_bags(server).await, json!(2));
        let told = || allotments(server, "2026-12-02");
        let all = told().await;
        let mine = &all[0];
        assert_eq!((all.len(), &mine["id"], &mine["for"]["number"], &mine["bags"], &mine["standing"]), (1, &taken["posting"]["id"], &json!("T1"), &json!(4), &json!(true)));
        let codes = mine["packings"].as_array().unwrap().iter().map(|of| (&of["packing"], &of["bags"]));
        assert_eq!(codes.collect::<Vec<_>>(), [(&old, &json!(3)), (&new, &json!(1))]);
        assert_eq!(mine["packings"][0]["code"], line["codes"][0]);
        let view = server.get(&format!("/api/packings/{}", new.as_str().unwrap())).await;
        assert_eq!((&view["for"], &view["standing_bags"]), (&Value::Null, &json!(3)));
        assert_eq!((&view["stand"][0]["for"], &view["stand"][1]["for"]["number"], &view["stand"][1]["bags"]), (&Value::Null, &json!("T1"), &json!(1)));
        let recall = server.get(&format!("/api/trace/lot/{}?direction=forward", has.screen_18)).await["touched"]["orders"].clone();
        let packed = |of: &Value| (of["number"].clone(), of["bags"][0]["packed"].clone(), of["bags"][0]["shipped"].clone());
        let mut named: Vec<_> = recall.as_array().unwrap().iter().map(packed).collect();
        named.sort_by_key(|of| of.0.is_null());
        assert_eq!(named, [(json!("T1"), json!(4), json!(0)), (Value::Null, json!(2), json!(0))]);
        let of_order = server.get(&format!("/api/trace/order/{order}?direction=backward")).await;
        assert!(of_order["stops"].as_array().unwrap().iter().any(|stop| stop["place"] == "packed" && stop["key"] == old), "{of_order}");

        // What it lacks is filled; all five leave together, and the first three of the old packing come back to the shelf.
        server.command("packings", json!({"product": has.kivu_bag, "bags": 1, "order": order})).await;
        let none = server.order("allotments", &server.id(), take(1)).await.problem(409, "confirm");
        assert!(none["detail"].as_str().unwrap().contains("lacks no such bags"), "{none}");
        let shipped = server.command("shipments", json!({"order": order})).await;
        assert_eq!(server.get(&format!("/api/orders/{order}")).await["state"], json!("shipped"));
        assert_eq!((standing(server, "packed").await, standing(server, "shipped").await), (500_000, 1_250_000));
        assert_eq!(told().await[0]["standing"], json!(false), "they have gone on");
        server.order("reversals", &server.id(), json!({"posting": taken["posting"]["id"]})).await.problem(409, "conflict");
        server.command("reversals", json!({"posting": shipped["posting"]["id"]})).await;
        assert_eq!(told().await[0]["standing"], json!(true));
        server.order("reversals", &server.id(), json!({"posting": old})).await.problem(409, "conflict");
        server.command("reversals", json!({"posting": taken["posting"]["id"]})).await;
        assert_eq!(told().await, Vec::<Value>::new(), "what is undone is no longer told");
        assert_eq!((shelf_bags(server).await, list().await["packed_bags"].clone()), (json!(6), json!(1)));
        server.command("allotments", take(4)).await;
        server.command("shipments", json!({"order": order})).await;
        let back = json!({"order": order, "product": has.kivu_bag, "bags": 5, "to": "shelf"});
        server.command("take-backs", back).await;
        assert_eq!((shelf_bags(server).await, standing(server, "shipped").await), (json!(7), 0));
    }

    /// Bags that were taken for an order that is then called off are still told, and go back to the shelf.
    async fn bags_of_an_order_called_off(server: &Server) {
        let has = roastery(server).await;
        roasted(server, &has, "4.30").await;
        server.command("packings", json!({"product": has.kivu_bag, "bags": 3})).await;
        let order = order(server, "T1", json!([{"line": 1, "product": has.kivu_bag, "bags": 3}])).await;
        let take = |bags: u32| json!({"order": order, "product": has.kivu_bag, "bags": bags});
        let first = server.command("allotments", take(1)).await;
        let second = server.command("allotments", take(2)).await;
        let taken = [&first, &second].map(|taken| taken["posting"]["id"].clone());
        let told = async || allotments(server, "2026-12-02").await.iter().map(|each| (each["id"].clone(), each["cancelled"].clone())).collect::<Vec<_>>();
        assert_eq!(told().await, taken.each_ref().map(|id| (id.clone(), json!(false))));
        let lines = json!([{"line": 1, "product": has.kivu_bag, "bags": 3}]);
        server.put_change("orders", &order, json!({"lines": lines, "cancelled": true})).await;
        assert_eq!(server.get("/api/packing-list?day=2026-12-02").await["orders"], json!([]));
        assert_eq!(told().await, taken.each_ref().map(|id| (id.clone(), json!(true))));
        server.command("reversals", json!({"posting": taken[0]})).await;
        assert_eq!(told().await, [(taken[1].clone(), json!(true))]);
        assert_eq!(shelf_bags(server).await, json!(1));
    }

    /// What was roasted too early or too late for an order is not taken for it unless somebody names it, and what is on hold not at all.
    async fn what_on_the_shelf_will_not_do(server: &Server) {
        let has = roastery(server).await;
        let batch = roasted(server, &has, "4.30").await;
        let packed = server.command("packings", json!({"product": has.kivu_bag, "bags": 3})).await["posting"]["id"].clone();
        let far = json!({"number": "T9", "customer": "Door T9", "ship_day": "2027-01-20", "transit_days": 1, "priority": 1, "lines": [{"line": 1, "product": has.kivu_bag, "bags": 3}]});
        server.put_new("ship-days", json!({"day": "2027-01-20", "packing_day": "2027-01-19", "carrier_at": "15:00"})).await;
        let order = server.put_new("orders", far).await;
        let shelf = async || server.get("/api/packing-list?day=2027-01-20").await["orders"][0]["lines"][0]["shelf_bags"].clone();
        assert_eq!(shelf().await, json!(0));
        let take = json!({"order": order, "product": has.kivu_bag, "bags": 1});
        let refused = server.order("allotments", &server.id(), take.clone()).await;
        assert_eq!(refused.pointers(), ["/bags"]);
        let named = crate::support::merged(take, json!({"packing": packed}));
        let taken = server.command("allotments", named.clone()).await;
        server.command("reversals", json!({"posting": taken["posting"]["id"]})).await;
        server.command("holds", json!({"batch": batch, "reason": "smells of smoke"})).await;
        let refused = server.order("allotments", &server.id(), named).await;
        assert_eq!(refused.pointers(), ["/bags"]);
    }

    /// The lot of a batch is put right when its bags are with the customer, or some of them: they come back as what they really are, to the
    /// milligram, whether all had left or not.
    async fn bags_come_back_after_their_lot_was_put_right(server: &Server) {
        let has = roastery(server).await;
        let batch = roasted(server, &has, "4.30").await;
        let order = order(server, "T1", json!([{"line": 1, "product": has.kivu_bag, "bags": 5}])).await;
        let packed = server.command("packings", json!({"product": has.kivu_bag, "bags": 5, "order": order})).await;
        let some = json!({"order": order, "except": [{"order": order, "bags": 2}]});
        server.command("shipments", some).await;
        let right = |lot: &String| json!({"batch": batch, "lot": lot, "reason": "the wrong sack", "confirmed": ["beyond_book"]});
        server.command("corrections", right(&has.peaberry)).await;
        let label = server.get(&format!("/api/packings/{}", packed["posting"]["id"].as_str().unwrap())).await;
        assert_eq!(label["parts"][0]["lot"]["name"], "Kivu peaberry");
        let back = |bags: u32, to: &str| json!({"order": order, "product": has.kivu_bag, "bags": bags, "to": to});
        let first = server.command("take-backs", back(1, "shelf")).await;
        let posting = server.get(&format!("/api/postings/{}", first["posting"]["id"].as_str().unwrap())).await;
        let moved = &posting["movements"];
        assert_eq!((moved.as_array().unwrap().len(), &moved[0]["lot"], &moved[0]["mass_g"]), (1, &json!(has.peaberry), &json!(250)));
        // The rest leaves, and the lot was the first one after all.
        server.command("shipments", json!({"order": order})).await;
        server.command("corrections", right(&has.screen_18)).await;
        server.command("take-backs", back(4, "waste")).await;
        assert_eq!((standing(server, "shipped").await, standing(server, "waste").await, standing(server, "packed").await), (0, 1_000_000, 250_000));
        server.command("counter-sales", json!({"product": has.kivu_bag, "bags": 1})).await;
        assert_eq!(standing(server, "packed").await, 0);
    }

    /// Torn bags are thrown away with their reason; those of an order are missing from it then.
    async fn torn_bags(server: &Server) {
        let has = roastery(server).await;
        roasted(server, &has, "4.30").await;
        let order = order(server, "T1", json!([{"line": 1, "product": has.kivu_bag, "bags": 4}])).await;
        let packed = server.command("packings", json!({"product": has.kivu_bag, "bags": 4, "order": order})).await;
        let torn = json!({"packing": packed["posting"]["id"], "bags": 1, "reason": "torn"});
        server.command("bag-wastes", torn).await;
        let line = server.get(&format!("/api/orders/{order}")).await["lines"][0].clone();
        assert_eq!(line["packed_bags"], json!(3));
        assert_eq!((standing(server, "waste").await, standing(server, "packed").await), (250_000, 750_000));
        let many = json!({"packing": packed["posting"]["id"], "bags": 4, "reason": "torn"});
        server.order("bag-wastes", &server.id(), many).await.problem(422, "invalid");
        let why = json!({"packing": packed["posting"]["id"], "bags": 1});
        server.order("bag-wastes", &server.id(), why).await.problem(422, "invalid");
    }

    /// A finished run: weighed, its difference is a count difference; empty, all of it is; or the rest is thrown away.
    async fn a_run_is_finished(server: &Server) {
        let has = roastery(server).await;
        let (a, b) = (roasted(server, &has, "4.30").await, roasted(server, &has, "4.30").await);
        let found = json!({"basis": "reckoned", "mass_g": 8_500});
        let ended = server.command("run-ends", json!({"batch": a, "weight": found})).await;
        assert_eq!((&ended["book_g"], &ended["found_g"], &ended["difference_g"]), (&json!(8600), &json!(8500), &json!(-100)));
        assert_eq!((left(server, &a).await, left(server, &b).await), (json!(4250), json!(4250)));
        let same = server.command("run-ends", json!({"batch": a, "weight": found})).await;
        assert_eq!((&same["posting"], &same["difference_g"]), (&json!(null), &json!(0)));
        let thrown = json!({"batch": b, "weight": {"basis": "reckoned", "mass_g": 8_600}, "waste": true});
        let thrown = server.command("run-ends", thrown).await;
        assert_eq!((standing(server, "waste").await, left(server, &a).await), (8_600_000, json!(0)));
        server.command("reversals", json!({"posting": thrown["posting"]["id"]})).await;
        server.command("run-ends", json!({"batch": a})).await;
        assert_eq!((standing(server, "roasted").await, standing(server, "variance").await), (0, 8_600_000));
        let unknown = server.order("run-ends", &server.id(), json!({"batch": server.id()})).await;
        unknown.problem(422, "invalid");
        assert_eq!(unknown.pointers(), ["/batch"]);
    }

    /// A line that wants ground coffee is packed ground, and counts those bags alone.
    async fn grind_on_the_line(server: &Server) {
        let has = roastery(server).await;
        roasted(server, &has, "4.30").await;
        let lines = json!([{"line": 1, "product": has.kivu_bag, "bags": 2}, {"line": 2, "product": has.kivu_bag, "bags": 3, "grind": "filter"}]);
        let order = order(server, "T1", lines).await;
        let pack = |bags: u32, grind: Value| crate::support::merged(json!({"product": has.kivu_bag, "bags": bags, "order": order}), json!({"grind": grind}));
        server.command("packings", pack(3, json!("filter"))).await;
        let lines = server.get(&format!("/api/orders/{order}")).await["lines"].clone();
        assert_eq!((&lines[0]["packed_bags"], &lines[1]["packed_bags"]), (&json!(0), &json!(3)));
        let wrong = server.order("packings", &server.id(), pack(1, json!("moka"))).await;
        wrong.problem(422, "invalid");
        assert_eq!(wrong.pointers(), ["/grind"]);
        server.command("packings", pack(2, json!(null))).await;
        assert_eq!(server.get(&format!("/api/orders/{order}")).await["state"], json!("packed"));
        let packings = server.get("/api/packings").await;
        assert_eq!(packings["items"][1]["grind"], json!("filter"));
    }

    /// The label names roast date, lot, batch and claim, and its code finds the packing however it is typed.
    async fn the_label_and_its_code(server: &Server) {
        let has = roastery(server).await;
        server.put_change("lots", &has.screen_18, json!({"claims": [{"claim": "organic", "certificate": "C-7", "valid_to": "2027-06-30"}]})).await;
        let batch = roasted(server, &has, "4.30").await;
        server.advance_minutes(3 * 24 * 60);
        let packed = server.command("packings", json!({"product": has.kivu_bag, "bags": 2})).await;
        let code = packed["code"].as_str().unwrap();
        let typed = code.replace('-', "").to_lowercase();
        let label = server.get(&format!("/api/packing-codes/{typed}")).await;
        assert_eq!((&label["code"], &label["roasted_on"], &label["day"]), (&json!(code), &json!("2026-11-25"), &json!("2026-11-28")));
        assert_eq!((&label["parts"][0]["batch"], &label["parts"][0]["lot"]["name"]), (&json!(batch), &json!("Kivu 18")));
        assert_eq!((&label["claims"][0]["claim"], &label["for"], &label["standing_bags"]), (&json!("organic"), &json!(null), &json!(2)));
        let id = label["id"].as_str().unwrap();
        let picture = server.ask(&format!("/api/packings/{id}/code.svg")).await;
        assert_eq!(picture.status, 200);
        assert!(picture.text.contains(&format!("/trace?code={code}")), "the picture says what it holds");
        server.ask("/api/packing-codes/ZZZZ-ZZZZ").await.problem(404, "not-found");
        server.ask(&format!("/api/packings/{}", server.id())).await.problem(404, "not-found");
        server.command("reversals", json!({"posting": id})).await;
        assert_eq!(server.get(&format!("/api/packings/{id}")).await["undone"], json!(true));
    }

    /// A table of cups draws its samples, keeps to itself what is in them, and holds and passes batches.
    async fn production_is_cupped(server: &Server) {
        let has = roastery(server).await;
        let (a, b) = (roasted(server, &has, "4.30").await, roasted(server, &has, "4.30").await);
        let table = json!({"batches": [a, b], "cups_each": 2, "water_g": 150, "ratio": 0.055});
        let laid = server.command("cuppings", table.clone()).await;
        let cupping = laid["cupping"]["id"].as_str().unwrap().to_owned();
        let cups = laid["cupping"]["cups"].as_array().unwrap().clone();
        assert_eq!((cups.len(), &laid["cupping"]["dose_g"]), (4, &json!(8.25)));
        assert!(cups.iter().all(|cup| cup["batch"].is_null()), "what is in the cups is not told");
        assert_eq!((left(server, &a).await, standing(server, "sample").await), (json!(4283.5), 33_000));
        let told = server.get(&format!("/api/cuppings/{cupping}?tell=true")).await;
        let of = |batch: &str| -> Vec<Value> {
            told["cups"].as_array().unwrap().iter().filter(|cup| cup["batch"]["id"] == batch).map(|cup| cup["code"].clone()).collect()
        };
        let (of_a, of_b) = (of(&a), of(&b));

        let said = json!([{"code": of_a[0], "verdict": "pass", "notes": "clean, plum"}, {"code": of_b[0], "verdict": "hold", "notes": "ashy"}]);
        let judged = server.command("cup-verdicts", json!({"cupping": cupping, "cups": said})).await;
        assert_eq!((&judged["held"], &judged["passed"]), (&json!([b]), &json!([])));
        let held = server.get(&format!("/api/batches/{b}")).await;
        assert!(held["hold"]["reason"].as_str().unwrap().contains("ashy"), "{held}");
        let refused = server.order("packings", &server.id(), json!({"product": has.kivu_bag, "bags": 1, "batches": [b]})).await;
        refused.problem(422, "invalid");
        let packed = server.command("packings", json!({"product": has.kivu_bag, "bags": 4})).await;
        assert_eq!(packed["from"], json!([{"batch": a, "mass_g": 1000}]), "a batch on hold is not bagged");

        // Tasted again: all of its cups pass, and so does the batch.
        let said = json!([{"code": of_b[0], "verdict": "pass", "notes": "settled"}, {"code": of_b[1], "verdict": "pass"}]);
        let judged = server.command("cup-verdicts", json!({"cupping": cupping, "cups": said})).await;
        assert_eq!((&judged["held"], &judged["passed"]), (&json!([]), &json!([b])));
        assert_eq!(server.get("/api/cuppings").await["items"][0]["cups"].as_array().unwrap().len(), 4);

        for (change, pointer) in [
            (json!({"batches": []}), "/batches"),
            (json!({"batches": [a, a]}), "/batches/1"),
            (json!({"batches": [server.id()]}), "/batches/0"),
            (json!({"cups_each": 0}), "/cups_each"),
            (json!({"water_g": 0}), "/water_g"),
            (json!({"ratio": 0.5}), "/ratio"),
        ] {
            let fields = crate::support::merged(table.clone(), change);
            let answer = server.order("cuppings", &server.id(), fields).await;
            answer.problem(422, "invalid");
            assert_eq!(answer.pointers(), [pointer]);
        }
        let other = json!({"cupping": cupping, "cups": [{"code": 100, "verdict": "pass"}]});
        if !told["cups"].as_array().unwrap().iter().any(|cup| cup["code"] == 100) {
            server.order("cup-verdicts", &server.id(), other).await.problem(422, "invalid");
        }
    }

    /// The shelf is filled after all orders: what it lacks is planned, and what is short of it is told apart.
    async fn the_shelf_is_filled_last(server: &Server) {
        let has = roastery(server).await;
        let level = json!({"product": has.kivu_bag, "bags": 20});
        let level = server.put_new("shelf-levels", level).await;
        let plan = server.post("/api/plans", &json!({})).await.expect(200);
        assert_eq!((plan["batches"].as_array().unwrap().len(), &plan["short"], &plan["shelf_short"]), (1, &json!([]), &json!([])), "{plan}");
        assert_eq!(plan["batches"][0]["feeds"], json!([]), "it is for no order");

        // Green for six kilograms roasted at most: the order comes first, the shelf falls short.
        for lot in [&has.screen_18, &has.peaberry] {
            let left = if *lot == has.screen_18 { 6_000 } else { 0 };
            server.command("counts", once_more(json!({"lot": lot, "storeroom": has.storeroom, "weight": reckoned(left)}))).await;
        }
        server.advance_minutes(1);
        let order = order(server, "T1", json!([{"line": 1, "product": has.kivu_bag, "bags": 19}])).await;
        let plan = server.post("/api/plans", &json!({})).await.expect(200);
        assert_eq!(plan["short"], json!([]), "the order ships: {plan}");
        assert_eq!(plan["shelf_short"][0]["product"], json!(has.kivu_bag));
        assert!(plan["shelf_short"][0]["bags"].as_u64().unwrap() >= 18, "{plan}");
        assert_eq!(plan["batches"][0]["feeds"][0]["order"], json!(order));

        // What stands on the shelf is not wanted again.
        roasted(server, &has, "4.30").await;
        server.command("packings", json!({"product": has.kivu_bag, "bags": 17})).await;
        server.put_change("orders", &order, json!({"cancelled": true, "lines": [{"line": 1, "product": has.kivu_bag, "bags": 19}]})).await;
        let plan = server.post("/api/plans", &json!({})).await.expect(200);
        let covers: i64 = plan["batches"].as_array().unwrap().iter().map(|batch| batch["charge_g"].as_i64().unwrap()).sum();
        assert!((800..=1_000).contains(&covers));
        assert_eq!(plan["shelf_short"], json!([]), "three bags are missing, and a kilogram of green makes them: {plan}");
        server.put_change("shelf-levels", &level, json!({"retired": true})).await;
        let plan = server.post("/api/plans", &json!({})).await.expect(200);
        assert_eq!((&plan["shelf_short"], plan["batches"].as_array().unwrap().len()), (&json!([]), 0));
    }

    /// The bench fills 60 bags a day: many bags are roasted earlier, and too many are short because of it.
    async fn the_packing_bench_bounds_the_windows(server: &Server) {
        let has = roastery(server).await;
        let hour = json!({"from": "08:00", "to": "09:00"});
        let packing = json!({"bags_per_hour": 60, "hours": [hour, hour, hour, hour, hour, null, null]});
        let site = server.get("/api/me").await["site"]["id"].as_str().unwrap().to_owned();
        let order = order(server, "T1", json!([{"line": 1, "product": has.kivu_bag, "bags": 60}])).await;
        let roasted_by = async || {
            let plan = server.post("/api/plans", &json!({})).await.expect(200);
            let days: Vec<String> = plan["batches"].as_array().unwrap().iter().map(|batch| batch["day"].as_str().unwrap().to_owned()).collect();
            (days.into_iter().max(), plan["short"].clone())
        };
        // Packed on Tuesday 1 December, two days' rest: Friday 27 November is the last roasting day.
        assert_eq!(roasted_by().await, (Some("2026-11-27".to_owned()), json!([])));
        server.put_change("sites", &site, json!({"packing": packing})).await;
        assert_eq!(roasted_by().await.0, Some("2026-11-27".to_owned()));
        // 61 bags need Monday too: roasted by Saturday, so on Friday still; 121 need Friday: roasted by Wednesday.
        server.put_change("orders", &order, json!({"lines": [{"line": 1, "product": has.kivu_bag, "bags": 121}]})).await;
        assert_eq!(roasted_by().await, (Some("2026-11-25".to_owned()), json!([])));
        // What is roasted today is packed on Friday at the earliest: three days of 60 bags.
        server.put_change("orders", &order, json!({"lines": [{"line": 1, "product": has.kivu_bag, "bags": 200}]})).await;
        let (_, short) = roasted_by().await;
        assert_eq!((&short[0]["bags"], &short[0]["reason"]), (&json!(20), &json!("packing")), "{short}");
        assert!(short[0]["sentence"].as_str().unwrap().contains("180 of 200"));
    }
}
