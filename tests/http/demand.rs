//! Orders: their import from a table, packing and shipping, and what an undo takes back.

use serde_json::{Value, json};

use crate::support::{Roastery, Server, each_database, roastery};

const HEADER: &str = "order;customer;ship_day;transit_days;priority;product;bags";

/// A batch of Kivu 18, light, weighed in at 5 kg and out at the given kilograms.
async fn roasted(server: &Server, has: &Roastery, kilograms: &str) -> String {
    let batch = server.id();
    let weigh_in = json!({"batch": batch, "lot": has.screen_18, "style": has.light, "roaster": has.drum, "weight": has.weighed("5.00")});
    server.command("weigh-ins", weigh_in).await;
    server.command("starts", json!({"batch": batch})).await;
    server.advance_minutes(12);
    let weigh_out = json!({"batches": [batch], "weight": has.weighed(kilograms)});
    server.command("weigh-outs", weigh_out).await;
    batch
}

/// An order for bags of `kivu_bag` on the ship day.
async fn order(server: &Server, has: &Roastery, number: &str, bags: u32) -> String {
    let fields = json!({
        "number": number, "customer": "Blue Door", "ship_day": "2026-12-02", "transit_days": 1, "priority": 1,
        "lines": [{"line": 1, "product": has.kivu_bag, "bags": bags}],
    });
    server.put_new("orders", fields).await
}

/// Packed and shipped bags of an order's first line, and its state.
async fn progress(server: &Server, order: &str) -> (Value, Value, Value) {
    let order = server.get(&format!("/api/orders/{order}")).await;
    let line = &order["lines"][0];
    (
        line["packed_bags"].clone(),
        line["shipped_bags"].clone(),
        order["state"].clone(),
    )
}

each_database! {
    /// A table is looked at, taken, changed and called off; the journal has each change.
    async fn orders_from_a_table(server: &Server) {
        roastery(server).await;
        let table = format!(
            "{HEADER}\nT1;Blue Door;2026-12-02;1;2;Kivu 250;12\nT1;Blue Door;2026-12-02;1;2;house 1000;5\nT2;Red Door;2026-12-02;1;1;House 1000;8\n"
        );
        let before = server.log_size().await;
        let dry = server.post("/api/order-imports", &json!({"csv": table})).await.expect(200);
        assert_eq!((&dry["lines"], &dry["same"], &dry["errors"]), (&json!(3), &json!(0), &json!([])));
        assert_eq!(dry["added"][0]["number"], "T1");
        assert_eq!(server.log_size().await, before, "looking changes nothing");

        let taken = server.command("order-imports", json!({"csv": table})).await;
        assert_eq!(taken["added"].as_array().map(Vec::len), Some(2));
        let again = server.command("order-imports", json!({"csv": table})).await;
        assert_eq!((&again["added"], &again["same"]), (&json!([]), &json!(2)));

        let changed = server.command("order-imports", json!({"csv": table.replace(";8", ";9")})).await;
        assert_eq!(changed["changed"][0]["changes"], json!(["House 1000: 8 bags before, 9 bags now"]));
        let off = server.command("order-imports", json!({"csv": "order,customer,product,bags,cancelled\nT2,,,,yes\n"})).await;
        assert_eq!(off["cancelled"][0]["number"], "T2");
        let orders = server.get("/api/orders").await;
        let mut states: Vec<_> = orders["items"].as_array().unwrap().iter().map(|o| (o["number"].clone(), o["state"].clone())).collect();
        states.sort_by_key(|(number, _)| number.to_string());
        assert_eq!(states, [(json!("T1"), json!("open")), (json!("T2"), json!("cancelled"))]);
    }

    /// An order that has left stays as it is, whatever a table says, and is told.
    async fn what_has_left_stays(server: &Server) {
        let has = roastery(server).await;
        let order = order(server, &has, "T1", 4).await;
        roasted(server, &has, "4.34").await;
        server.command("packings", json!({"product": has.kivu_bag, "bags": 4, "order": order})).await;
        server.command("shipments", json!({"order": order})).await;
        let table = format!("{HEADER}\nT1;Blue Door;2026-12-02;1;1;Kivu 250;9\nT2;Red Door;2026-12-02;1;1;Kivu 250;2\n");
        let dry = server.post("/api/order-imports", &json!({"csv": table})).await.expect(200);
        assert_eq!((&dry["shipped"][0]["number"], &dry["added"][0]["number"], &dry["changed"]), (&json!("T1"), &json!("T2"), &json!([])));
        assert_eq!(dry["shipped"][0]["changes"], json!(["Kivu 250: 4 bags before, 9 bags now"]));
        server.command("order-imports", json!({"csv": table})).await;
        assert_eq!(progress(server, &order).await, (json!(4), json!(4), json!("shipped")));
    }

    /// Every bad line is named, and nothing is taken while there is one.
    async fn bad_lines_take_nothing(server: &Server) {
        roastery(server).await;
        let table = format!(
            "{HEADER}\nT1;Blue Door;2026-12-02;1;1;Kivi 250;12\nT2;Red Door;2026-12-03;1;1;Kivu 250;8\nT3;Red Door;2026-12-02;1;1;Kivu 250;none\nT4;A;2026-12-02;1;1;Kivu 250;1\nT4;B;2026-12-02;1;1;Kivu 250;1\n"
        );
        let answer = server.order("order-imports", &server.id(), json!({"csv": table})).await;
        let problem = answer.problem(422, "invalid");
        let named: Vec<_> = problem["errors"].as_array().unwrap().iter()
            .map(|e| (e["line"].as_u64().unwrap(), e["column"].as_str().unwrap().to_owned(), e["value"].as_str().unwrap().to_owned())).collect();
        let expected = [(2, "product", "Kivi 250"), (3, "ship_day", "2026-12-03"), (4, "bags", "none"), (6, "customer", "B")]
            .map(|(line, column, value)| (line, column.to_owned(), value.to_owned()));
        assert_eq!(named, expected);
        assert!(problem["errors"][0]["detail"].as_str().unwrap().contains("Kivu 250"), "the nearest name is offered");
        assert!(problem["errors"][1]["detail"].as_str().unwrap().contains("2026-12-02"), "the nearest ship day is offered");
        let dry = server.post("/api/order-imports", &json!({"csv": table})).await.expect(200);
        assert_eq!(dry["errors"], problem["errors"]);
        assert_eq!(server.get("/api/orders").await["items"], json!([]));
    }

    /// Packed and shipped bags follow from the postings, and an undo takes them back.
    async fn pack_ship_and_undo(server: &Server) {
        let has = roastery(server).await;
        let order = order(server, &has, "T1", 12).await;
        let batch = roasted(server, &has, "4.34").await;
        let packed = server.command("packings", json!({"product": has.kivu_bag, "bags": 12, "order": order})).await;
        assert_eq!(packed["from"], json!([{"batch": batch, "mass_g": 3000}]));
        assert_eq!(progress(server, &order).await, (json!(12), json!(0), json!("packed")));

        let shipped = server.command("shipments", json!({"order": order})).await;
        assert_eq!(progress(server, &order).await, (json!(12), json!(12), json!("shipped")));
        server.order("shipments", &server.id(), json!({"order": order})).await.problem(409, "conflict");
        let early = json!({"posting": packed["posting"]["id"]});
        server.order("reversals", &server.id(), early.clone()).await.problem(409, "conflict");

        server.command("reversals", json!({"posting": shipped["posting"]["id"]})).await;
        assert_eq!(progress(server, &order).await, (json!(12), json!(0), json!("packed")));
        server.command("reversals", early).await;
        assert_eq!(progress(server, &order).await, (json!(0), json!(0), json!("open")));
        let batch = server.get(&format!("/api/batches/{batch}")).await;
        assert_eq!(batch["roasted_left_g"], 4340);
    }

    /// More than the book has is asked about once, then booked with the count difference standing in.
    async fn beyond_the_book(server: &Server) {
        let has = roastery(server).await;
        let bags = json!({"product": has.kivu_bag, "bags": 20});
        server.order("packings", &server.id(), bags.clone()).await.problem(409, "conflict");
        roasted(server, &has, "4.34").await;
        let asked = server.order("packings", &server.id(), bags).await.problem(409, "confirm");
        assert_eq!((&asked["confirm"], &asked["beyond_book_g"]), (&json!(["beyond_book"]), &json!(660)));
        let confirmed = json!({"product": has.kivu_bag, "bags": 20, "confirmed": ["beyond_book"]});
        let packed = server.command("packings", confirmed).await;
        assert_eq!(packed["from"][0]["mass_g"], 5000);
        let from: Vec<_> = packed["posting"]["movements"].as_array().unwrap().iter().map(|m| m["from"]["place"].clone()).collect();
        assert_eq!(from, ["variance", "roasted"]);
    }

    /// Two lines of one product are filled in order, and bags over stand with the last.
    async fn lines_fill_in_order(server: &Server) {
        let has = roastery(server).await;
        let line = |line: u16, bags: u32| json!({"line": line, "product": has.kivu_bag, "bags": bags});
        let fields = json!({
            "number": "T1", "customer": "Blue Door", "ship_day": "2026-12-02", "transit_days": 1, "priority": 1, "lines": [line(2, 4), line(1, 6)],
        });
        let order = server.put_new("orders", fields).await;
        roasted(server, &has, "4.34").await;
        for (bags, expected) in [(7, [6, 1]), (2, [6, 3]), (3, [6, 6])] {
            server.command("packings", json!({"product": has.kivu_bag, "bags": bags, "order": order, "confirmed": ["beyond_order"]})).await;
            let order = server.get(&format!("/api/orders/{order}")).await;
            let packed: Vec<_> = order["lines"].as_array().unwrap().iter().map(|line| line["packed_bags"].as_u64().unwrap()).collect();
            assert_eq!(packed, expected);
        }
    }

    /// What cannot be packed is refused with the field, and changes nothing.
    async fn packing_refuses(server: &Server) {
        let has = roastery(server).await;
        let order = order(server, &has, "T1", 12).await;
        let batch = roasted(server, &has, "4.34").await;
        let size = server.log_size().await;
        let refuse = async |fields: Value, pointer: &str| {
            let answer = server.order("packings", &server.id(), fields).await;
            answer.problem(422, "invalid");
            assert_eq!(answer.pointers(), [pointer]);
        };
        refuse(json!({"product": has.kivu_bag, "bags": 0}), "/bags").await;
        refuse(json!({"product": server.id(), "bags": 1}), "/product").await;
        refuse(json!({"product": has.kivu_bag, "bags": 1, "order": server.id()}), "/order").await;
        refuse(json!({"product": has.blend_bag, "bags": 1, "order": order}), "/product").await;
        refuse(json!({"product": has.kivu_bag, "bags": 1, "batches": [server.id()]}), "/batches/0").await;
        server.command("holds", json!({"batch": batch, "reason": "cupped thin"})).await;
        refuse(json!({"product": has.kivu_bag, "bags": 1, "batches": [batch]}), "/batches/0").await;
        assert_eq!(server.log_size().await, size + 1, "the hold alone was booked");
    }
}
