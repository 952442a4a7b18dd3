//! A right body for each kind of record.

use serde_json::{Value, json};

use super::{Has, subscriptions};

pub(super) fn records(has: &Has) -> Vec<(&'static str, Value)> {
    [
        people_and_rooms(),
        coffee(has),
        arriving(has),
        costs(has),
        orders(has),
        subscriptions(has),
    ]
    .concat()
}

fn people_and_rooms() -> Vec<(&'static str, Value)> {
    vec![
        (
            "/api/sites/{id}",
            json!({
                "name": "Second site", "zone": "Europe/Lisbon", "currency": "EUR", "mass_unit": "lb",
                "service_level": 0.9, "false_flag_rate": 0.0027, "overfill_g": 1.5, "kept_back_g": 120.5, "crew_min": 480, "retired": true,
                "packing": {"bags_per_hour": 90, "hours": [{"from": "08:00", "to": "12:00"}, null, null, null, null, null, null]},
            }),
        ),
        (
            "/api/people/{id}",
            json!({"name": "Ines", "role": "operator", "retired": false}),
        ),
        (
            "/api/table-headings/{id}",
            json!({"table": "past_batches", "headings": {"green": "Green kg"}}),
        ),
        (
            "/api/devices/{id}",
            json!({"name": "By the drum", "kind": "tablet", "retired": false}),
        ),
        (
            "/api/storerooms/{id}",
            json!({"name": "Cellar", "retired": false}),
        ),
        (
            "/api/scales/{id}",
            json!({"name": "Third scale", "unit": "lb", "division_g": 5, "max_g": 60_000, "containers": [{"name": "pail", "tare_g": 420.5}]}),
        ),
    ]
}

fn costs(has: &Has) -> Vec<(&'static str, Value)> {
    vec![
        (
            "/api/cost-lines/{id}",
            json!({"delivery": has.made.kivu_delivery, "lot": has.made.peaberry, "kind": "freight", "day": "2026-11-27",
                "amount": {"minor": 12_000_000, "currency": "VND"}, "rate": "0.000036812", "reference": "SEA 12", "note": "with insurance"}),
        ),
        (
            "/api/write-downs/{id}",
            json!({"lot": has.made.peaberry, "day": "2026-11-27", "amount": {"minor": 2_000, "currency": "EUR"}, "reason": "past crop"}),
        ),
    ]
}

fn coffee(has: &Has) -> Vec<(&'static str, Value)> {
    let hours = json!({"from": "07:00", "to": "15:00"});
    let (scale, bench) = (&has.made.floor_scale, &has.made.bench_scale);
    vec![
        (
            "/api/coffees/{id}",
            json!({"name": "Sidama", "clean_drum": true, "note": "from the south"}),
        ),
        (
            "/api/styles/{id}",
            json!({"name": "Middle", "nominal_loss": 0.15, "rest_days": 1, "fresh_days": 30, "shade": 2}),
        ),
        (
            "/api/roasters/{id}",
            json!({
                "name": "Third", "min_charge_g": 1_000, "max_charge_g": 5_000, "step_g": 50, "cycle_min": 11, "changeover_min": 4, "startup_min": 20, "cleaning": {"batches": 6, "minutes": 10},
                "hours": [hours, hours, hours, hours, null, null, null], "exceptions": [{"day": "2026-12-24", "hours": hours, "note": "eve"}],
                "styles": [has.made.light], "weighs": "before_destoner", "green_scale": scale, "roasted_scale": bench,
                "charge_limits": [{"lot": has.made.peaberry, "min_charge_g": 1_000, "max_charge_g": 4_000}],
            }),
        ),
        (
            "/api/products/{id}",
            json!({"name": "Bag", "parts": [{"coffee": has.made.kivu, "share": 0.75}, {"coffee": has.made.huila, "share": 0.25}], "style": has.made.dark, "bag_g": 500, "lots": [has.made.peaberry]}),
        ),
    ]
}

fn arriving(has: &Has) -> Vec<(&'static str, Value)> {
    let lot = json!({
        "name": "Kivu 15", "delivery": has.made.kivu_delivery, "coffee": has.made.kivu, "grade": "AB", "screen": "15/16", "process": "washed",
        "crop_year": "2025/26", "storeroom": has.made.storeroom, "expected_g": 60_000,
        "packing": {"kind": "liner", "sacks": 1, "sack_g": 60_000, "loose_g": 0}, "moisture": [{"day": "2026-11-20", "fraction": 0.108, "sd": 0.003}],
        "landed_cost": {"minor": 42_000, "currency": "EUR"}, "claims": [{"claim": "organic", "certificate": "C-1", "valid_to": "2027-06-30"}],
        "use_rank": 3, "reserve_g": 500, "charge_limits": [{"roaster": has.made.drum, "min_charge_g": 5_000, "max_charge_g": 9_000}],
    });
    vec![
        (
            "/api/deliveries/{id}",
            json!({"supplier": "Harbour Green", "reference": "HG-3", "expected_day": "2026-12-10", "invoice_g": 300_000, "hold": "papers", "note": "two pallets"}),
        ),
        ("/api/lots/{id}", lot),
        (
            "/api/sample-requests/{id}",
            json!({"lot": has.made.peaberry, "mass_g": 300, "purpose": "for a buyer"}),
        ),
    ]
}

fn orders(has: &Has) -> Vec<(&'static str, Value)> {
    let lines = json!([{"line": 1, "product": has.made.kivu_bag, "bags": 4}, {"line": 2, "product": has.made.blend_bag, "bags": 1, "grind": "moka"}]);
    vec![
        (
            "/api/tariffs/{id}",
            json!({"kind": "postage", "bags": 3, "from_day": "2026-11-01", "amount": {"minor": 480, "currency": "EUR"}}),
        ),
        (
            "/api/shelf-levels/{id}",
            json!({"product": has.made.kivu_bag, "grind": "filter", "bags": 12}),
        ),
        (
            "/api/ship-days/{id}",
            json!({"day": "2026-12-09", "packing_day": "2026-12-08", "carrier_at": "15:00", "note": "small van"}),
        ),
        (
            "/api/orders/{id}",
            json!({"number": "T7", "customer": "Corner Café", "ship_day": "2026-12-02", "transit_days": 2, "priority": 1, "lines": lines, "note": "ring twice"}),
        ),
    ]
}
