//! Subscribers and standing orders from a table: looked at, taken, changed and called off, with headings of one's own.

use serde_json::{Value, json};

use crate::support::{Roastery, Server, each_database, roastery};

const HEADER: &str = "number;name;bags;style;destination;start;prepaid_until;paused;left_out";

/// A subscription in both styles, to a destination called Home.
async fn offered(server: &Server) -> Roastery {
    let has = roastery(server).await;
    server
        .put_new("destinations", json!({"name": "Home", "transit_days": 1}))
        .await;
    let subscription = json!({
        "name": "Monthly", "cut_off_before": 4, "styles": [has.light, has.dark], "bag_g": 250, "priority": 1,
        "ships": {"rule": {"every": "nth_weekday", "weekday": 2, "nth": 2}, "packed_before": 1, "carrier_at": "15:00"},
    });
    server.put_new("subscriptions", subscription).await;
    has
}

async fn subscriber(server: &Server, number: &str) -> Value {
    let all = server.get("/api/subscribers").await;
    let found = all["items"]
        .as_array()
        .unwrap()
        .iter()
        .find(|each| each["number"] == number);
    found
        .unwrap_or_else(|| panic!("no subscriber {number}"))
        .clone()
}

each_database! {
    /// A table is looked at, taken, taken again, and changes what it says.
    async fn subscribers_from_a_table(server: &Server) {
        let has = offered(server).await;
        let table = format!("{HEADER}\nS1;Ada;3;mixed;home;2026-01-01;2026-12-31;2026-12 2027-01;Kivu\nS2;Bo;1;Dark;Home;;;;\n");
        let before = server.log_size().await;
        let dry = server.post("/api/subscriber-imports", &json!({"csv": table})).await.expect(200);
        assert_eq!((&dry["lines"], &dry["errors"], dry["added"].as_array().map(Vec::len)), (&json!(2), &json!([]), Some(2)));
        assert_eq!(server.log_size().await, before, "looking changes nothing");
        server.command("subscriber-imports", json!({"csv": table})).await;
        let ada = subscriber(server, "S1").await;
        assert_eq!((&ada["styles"], &ada["paused"]), (&json!([has.light, has.dark]), &json!(["2026-12", "2027-01"])));
        assert_eq!((&ada["left_out"], &ada["prepaid_until"]), (&json!([has.kivu]), &json!("2026-12-31")));
        assert_eq!(subscriber(server, "S2").await["start"], "2026-11-25", "today, where a table does not say");
        let again = server.command("subscriber-imports", json!({"csv": table})).await;
        assert_eq!((&again["added"], &again["changed"], &again["same"]), (&json!([]), &json!([]), &json!(2)));

        let short = "number,name,bags,style,destination,ended\nS1,Ada,2,Light,Home,2027-02-28\n";
        let changed = server.command("subscriber-imports", json!({"csv": short})).await;
        let told = json!(["bags: 3 before, 2 now", "style: Light + Dark before, Light now", "ended: none before, 2027-02-28 now"]);
        assert_eq!(changed["cancelled"][0]["changes"], told);
        let ada = subscriber(server, "S1").await;
        assert_eq!((&ada["left_out"], &ada["bags"]), (&json!([has.kivu]), &json!(2)), "what the table has no column for stays");
    }

    /// Every wrong cell is named, and nothing is taken.
    async fn bad_subscribers_take_nothing(server: &Server) {
        offered(server).await;
        let table = format!(
            "{HEADER}\nS1;Ada;0;mixed;Home;;;;\nS2;Bo;1;Blue;Home;;;;\nS3;Cy;1;Light;Hom;;;;\nS4;Di;1;Light;Home;2026-06-01;2026-05-01;;\nS5;Ed;1;Light;Home;;;soon;Kivo\nS5;Ed;1;Light;Home;;;;\n"
        );
        let answer = server.order("subscriber-imports", &server.id(), json!({"csv": table})).await;
        let problem = answer.problem(422, "invalid");
        let named: Vec<_> = problem["errors"].as_array().unwrap().iter().map(|e| (e["line"].as_u64().unwrap(), e["column"].as_str().unwrap().to_owned())).collect();
        let expected = [(2, "bags"), (3, "style"), (4, "destination"), (5, "prepaid_until"), (6, "paused"), (6, "left_out"), (7, "number")];
        assert_eq!(named, expected.map(|(line, column)| (line, column.to_owned())));
        assert!(problem["errors"][2]["detail"].as_str().unwrap().contains("Home"), "the nearest name is offered");
        assert_eq!(server.get("/api/subscribers").await["items"], json!([]));
    }

    /// A shop's own export is mapped once, and the mapping is remembered.
    async fn headings_are_remembered(server: &Server) {
        offered(server).await;
        let export = |number: &str| format!("Customer No,Full name,Qty,Roast,Ship to,Plan price\n{number},Ada,2,Light,Home,19.50\n");
        let unmapped = server.post("/api/subscriber-imports", &json!({"csv": export("S1")})).await.expect(200);
        assert!(!unmapped["errors"].as_array().unwrap().is_empty());
        let headings = json!({"number": "Customer No", "name": "Full name", "bags": "Qty", "style": "Roast", "destination": "Ship to"});
        let taken = server.command("subscriber-imports", json!({"csv": export("S1"), "headings": headings})).await;
        assert_eq!(taken["added"][0]["number"], "S1");
        let next = server.command("subscriber-imports", json!({"csv": export("S2")})).await;
        assert_eq!(next["added"][0]["number"], "S2");
    }

    /// Standing orders come, change and are called off by their number.
    async fn standing_orders_from_a_table(server: &Server) {
        let has = offered(server).await;
        let header = "order,customer,weeks,start,end,skips,transit_days,priority,product,bags,cancelled";
        let table = format!("{header}\nW1,Blue Door,2,2026-12-02,,2026-12-30,1,2,Kivu 250,12,\nW1,Blue Door,2,2026-12-02,,2026-12-30,1,2,House 1000,3,\nW2,Red Door,,2026-12-03,,,,,Kivu 250,6,\n");
        let taken = server.command("standing-order-imports", json!({"csv": table})).await;
        assert_eq!(taken["added"].as_array().map(Vec::len), Some(2));
        let orders = server.get("/api/standing-orders").await;
        let first = orders["items"].as_array().unwrap().iter().find(|order| order["number"] == "W1").unwrap().clone();
        assert_eq!(first["ships"]["rule"], json!({"every": "weeks", "weeks": 2, "from": "2026-12-02"}));
        assert_eq!((first["lines"].as_array().map(Vec::len), &first["skips"], &first["lines"][0]["product"]), (Some(2), &json!(["2026-12-30"]), &json!(has.kivu_bag)));
        let less = server.command("standing-order-imports", json!({"csv": table.replace(",12,", ",10,")})).await;
        assert_eq!(less["changed"][0]["changes"], json!(["bags: 12 Kivu 250, 3 House 1000 before, 10 Kivu 250, 3 House 1000 now"]));
        let off = server.command("standing-order-imports", json!({"csv": format!("{header}\nW2,,,,,,,,,,yes\n")})).await;
        assert_eq!(off["cancelled"][0]["number"], "W2");
        let wrong = format!("{header}\nW9,,,,,,,,,,yes\nW1,Blue Door,2,2026-12-02,2026-12-01,,1,2,Kivi,1,\nW3,A,1,2026-12-02,,,1,1,Kivu 250,1,\nW3,B,1,2026-12-02,,,1,1,House 1000,1,\n");
        let dry = server.post("/api/standing-order-imports", &json!({"csv": wrong})).await.expect(200);
        let named: Vec<_> = dry["errors"].as_array().unwrap().iter().map(|e| (e["line"].as_u64().unwrap(), e["column"].as_str().unwrap().to_owned())).collect();
        let expected = [(2, "cancelled"), (3, "product"), (3, "end"), (5, "order")].map(|(line, column)| (line, column.to_owned()));
        assert_eq!(named, expected);
    }
}
