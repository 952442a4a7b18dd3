//! A small invented roastery to test with.

use serde_json::{Value, json};

use super::Client;

/// The ids of what the roastery has. All green is received; nothing is roasted yet.
#[derive(Debug, Clone)]
pub struct Roastery {
    /// Its one storeroom.
    pub storeroom: String,
    /// A floor scale up to 150 kg in steps of 10 g, with a `blue crate` of 1.4 kg and a `bin` of 2.25 kg.
    pub floor_scale: String,
    /// A bench scale up to 15 kg in steps of 1 g, with a `tray` of 310 g.
    pub bench_scale: String,
    /// Loses 0.135, rests 2 days, fresh for 28.
    pub light: String,
    /// Loses 0.165, rests 1 day, fresh for 35.
    pub dark: String,
    /// 4 to 12 kg in steps of 100 g, 12 minutes a batch; both scales' weights of it are those of the floor scale.
    pub drum: String,
    /// 500 g to 2.5 kg in steps of 50 g, on the bench scale.
    pub little: String,
    /// A coffee with two lots of one delivery: `screen_18` and `peaberry`.
    pub kivu: String,
    /// A coffee with one lot, `washed`.
    pub huila: String,
    /// The delivery of both lots of `kivu`, received.
    pub kivu_delivery: String,
    /// The delivery of `washed`, received.
    pub huila_delivery: String,
    /// 600 kg of grade AA, used first.
    pub screen_18: String,
    /// 120 kg of grade PB, its sibling.
    pub peaberry: String,
    /// 300 kg of grade Excelso.
    pub washed: String,
    /// 250 g bags of `kivu`, light.
    pub kivu_bag: String,
    /// 1 kg bags of 60 % `huila` and 40 % `kivu`, dark.
    pub blend_bag: String,
    /// The ship day 2026-12-02, packed by 2026-12-01.
    pub ship_day: String,
}

/// Sets it up through the service, in the order in which a person would.
pub async fn roastery(server: &Client) -> Roastery {
    let storeroom = server
        .put_new("storerooms", json!({"name": "Back room"}))
        .await;
    let (floor_scale, bench_scale) = scales(server).await;
    let light = style(server, "Light", 0.135, 2, 28, 1).await;
    let dark = style(server, "Dark", 0.165, 1, 35, 3).await;
    let drum = server
        .put_new(
            "roasters",
            roaster("Drum", [4_000, 12_000, 100], &floor_scale),
        )
        .await;
    let little = server
        .put_new(
            "roasters",
            roaster("Little", [500, 2_500, 50], &bench_scale),
        )
        .await;
    let kivu = server.put_new("coffees", json!({"name": "Kivu"})).await;
    let huila = server.put_new("coffees", json!({"name": "Huila"})).await;
    let kivu_delivery = delivery(server, "Lakeside Exports", "LX-114").await;
    let huila_delivery = delivery(server, "Ridge Cooperative", "RC-9").await;
    let lot = async |name: &str, grade: &str, coffee: &String, delivery: &String, grams: i64| {
        let fields = lot_fields(name, grade, [coffee, delivery, &storeroom], grams);
        server.put_new("lots", fields).await
    };
    let screen_18 = lot("Kivu 18", "AA", &kivu, &kivu_delivery, 600_000).await;
    let peaberry = lot("Kivu peaberry", "PB", &kivu, &kivu_delivery, 120_000).await;
    let washed = lot("Huila washed", "Excelso", &huila, &huila_delivery, 300_000).await;
    let kivu_lots = [(&screen_18, 600_000), (&peaberry, 120_000)];
    receive(server, &kivu_delivery, &storeroom, &kivu_lots).await;
    receive(server, &huila_delivery, &storeroom, &[(&washed, 300_000)]).await;
    let kivu_bag = server
        .put_new(
            "products",
            json!({"name": "Kivu 250", "parts": [{"coffee": kivu, "share": 1}], "style": light, "bag_g": 250}),
        )
        .await;
    let blend_parts = json!([{"coffee": huila, "share": 0.6}, {"coffee": kivu, "share": 0.4}]);
    let blend_bag = server
        .put_new(
            "products",
            json!({"name": "House 1000", "parts": blend_parts, "style": dark, "bag_g": 1_000}),
        )
        .await;
    let ship_day = server
        .put_new(
            "ship-days",
            json!({"day": "2026-12-02", "packing_day": "2026-12-01", "carrier_at": "15:00"}),
        )
        .await;
    Roastery {
        storeroom,
        floor_scale,
        bench_scale,
        light,
        dark,
        drum,
        little,
        kivu,
        huila,
        kivu_delivery,
        huila_delivery,
        screen_18,
        peaberry,
        washed,
        kivu_bag,
        blend_bag,
        ship_day,
    }
}

impl Roastery {
    /// A weight read from the floor scale, as digits in kilograms, without a container.
    pub fn weighed(&self, kilograms: &str) -> Value {
        json!({"basis": "weighed", "scale": self.floor_scale, "source": "typed", "readings": [{"gross": kilograms, "container": null}]})
    }
}

async fn scales(server: &Client) -> (String, String) {
    let floor = json!({
        "name": "Floor scale", "unit": "kg", "division_g": 10, "max_g": 150_000,
        "containers": [{"name": "blue crate", "tare_g": 1_400}, {"name": "bin", "tare_g": 2_250}],
    });
    let bench = json!({
        "name": "Bench scale", "unit": "g", "division_g": 1, "max_g": 15_000,
        "containers": [{"name": "tray", "tare_g": 310}],
    });
    (
        server.put_new("scales", floor).await,
        server.put_new("scales", bench).await,
    )
}

async fn style(
    server: &Client,
    name: &str,
    loss: f64,
    rest: u16,
    fresh: u16,
    shade: u16,
) -> String {
    let fields = json!({"name": name, "nominal_loss": loss, "rest_days": rest, "fresh_days": fresh, "shade": shade});
    server.put_new("styles", fields).await
}

/// Open on weekdays from 07:00 to 15:00.
fn roaster(name: &str, [min, max, step]: [u32; 3], scale: &str) -> Value {
    let open = json!({"from": "07:00", "to": "15:00"});
    json!({
        "name": name, "min_charge_g": min, "max_charge_g": max, "step_g": step,
        "cycle_min": 12, "changeover_min": 5, "startup_min": 30,
        "hours": [open, open, open, open, open, null, null], "exceptions": [],
        "weighs": "after_destoner", "green_scale": scale, "roasted_scale": scale, "charge_limits": [],
    })
}

async fn delivery(server: &Client, supplier: &str, reference: &str) -> String {
    let fields =
        json!({"supplier": supplier, "reference": reference, "expected_day": "2026-11-20"});
    server.put_new("deliveries", fields).await
}

fn lot_fields(
    name: &str,
    grade: &str,
    [coffee, delivery, storeroom]: [&String; 3],
    grams: i64,
) -> Value {
    json!({
        "name": name, "grade": grade, "coffee": coffee, "delivery": delivery, "storeroom": storeroom, "expected_g": grams,
        "packing": {"kind": "jute", "sacks": grams / 60_000, "sack_g": 60_000, "loose_g": grams % 60_000},
        "moisture": [{"day": "2026-11-20", "fraction": 0.108}], "claims": [], "use_rank": 1,
    })
}

async fn receive(server: &Client, delivery: &str, storeroom: &str, lots: &[(&String, i64)]) {
    let line = |(lot, grams): &(&String, i64)| json!({"lot": lot, "storeroom": storeroom, "weight": {"basis": "nominal", "sacks": grams / 60_000, "sack_g": 60_000, "loose_g": grams % 60_000}});
    let lines: Vec<Value> = lots.iter().map(line).collect();
    server
        .command("receipts", json!({"delivery": delivery, "lines": lines}))
        .await;
}
