//! A right body for every route that takes one, against one book, in an order in which each is right when its turn comes.

use reqwest::Method;
use serde_json::{Value, json};

use crate::sites::sent_from_the_coast;
use crate::support::{Roastery, Server, roastery};

mod records;

use records::records;

/// An import of past batches in the book, and its batch.
const PAST_IMPORT: &str = "01a211b7-0000-7000-8000-0000000000a1";
const PAST_BATCH: &str = "01a211b7-0000-7000-8000-0000000000b1";
/// Those of a new one.
const NEW_IMPORT: &str = "01a211b7-0000-7000-8000-0000000000a2";
const NEW_PAST_BATCH: &str = "01a211b7-0000-7000-8000-0000000000b2";

/// A request that the service takes.
pub struct Right {
    /// PUT or POST.
    pub method: Method,
    /// The path as the description has it, with `{id}`.
    pub path: &'static str,
    /// The id of what is made.
    pub id: String,
    /// The body.
    pub body: Value,
}

/// What the book must hold for the bodies to be right.
struct Has {
    made: Roastery,
    /// Weighed in, each for one command: started, weighed out, scrapped, undone.
    weighed_in: [String; 4],
    /// The posting that weighed the last of them in.
    weigh_in: Value,
    /// Weighed out, each for one command: held, passed (on hold), reviewed, corrected, drawn from, wasted.
    roasted: [String; 6],
    /// Roasted for the order, in bags of it and not shipped.
    packed_order: String,
    /// The packing that filled them.
    packing: Value,
    /// A table of cups, and the code of one of them.
    table: (Value, Value),
    /// An order with nothing packed.
    open_order: String,
    /// A released card.
    card: Value,
    /// The closing of an earlier period.
    closing: Value,
    /// A lot of the other coffee to be made up of two.
    blend_lot: String,
    /// A second room.
    loft: String,
    /// A finding that is open.
    finding: Value,
    /// A kept command that could not be booked.
    unsettled: String,
    /// What a subscription takes.
    offered: Offered,
    /// Another site, and what is on its way from there.
    coast: (String, String),
    /// Open counts, each for one command: entered on, handed in, dropped.
    counts: [String; 3],
}

/// A subscription with one subscriber, and two dispatches: one open, one frozen.
struct Offered {
    subscription: String,
    destination: String,
    subscriber: String,
    open: String,
    frozen: String,
}

/// Prepares a book, and says what it takes.
pub async fn bodies(server: &Server) -> Vec<Right> {
    let has = prepare(server).await;
    let now = server.now();
    // While nothing in the bags on the shelf is on hold.
    let shelf = json!({"order": has.open_order, "product": has.made.kivu_bag, "bags": 1});
    let commands = [
        vec![("/api/allotments/{id}", shelf)],
        counting(&has),
        green(&has),
        floor(server, &has),
        dispatching(&has),
        selling(&has),
        closing(&has),
        week(&has),
        learner(&has),
    ]
    .concat();
    let command = |(path, mut fields): (&'static str, Value)| {
        fields["v"] = json!(1);
        fields["happened_at"] = json!(now);
        Right {
            method: Method::PUT,
            path,
            id: server.id(),
            body: fields,
        }
    };
    let mut all: Vec<Right> = commands.into_iter().map(command).collect();
    let record = |(path, body)| Right {
        method: Method::PUT,
        path,
        id: server.id(),
        body,
    };
    all.extend(records(&has).into_iter().map(record));
    let question = |(path, body)| Right {
        method: Method::POST,
        path,
        id: String::new(),
        body,
    };
    all.extend(questions(&has).into_iter().map(question));
    all.extend(access(server).await);
    all
}

/// Who may come in. What needs a secret that was given out before is in `access.rs`.
async fn access(server: &Server) -> Vec<Right> {
    let owner = server.get("/api/me").await["person"]["id"].clone();
    let bodies = [
        ("/api/pairings", json!({"name": "By the drum"})),
        (
            "/api/tokens",
            json!({"name": "Shop", "rights": ["read", "plan"], "days": 30}),
        ),
        ("/api/people/{id}/pin", json!({"new": "4711"})),
    ];
    let ask = |(path, body)| Right {
        method: Method::POST,
        path,
        id: owner.as_str().unwrap_or_default().to_owned(),
        body,
    };
    bodies.into_iter().map(ask).collect()
}

async fn prepare(server: &Server) -> Has {
    let made = roastery(server).await;
    let mut weighed_in = Vec::new();
    let mut weigh_in = Value::Null;
    for _ in 0..4 {
        let (batch, answer) = weigh(server, &made).await;
        weigh_in = answer["posting"]["id"].clone();
        weighed_in.push(batch);
    }
    let mut roasted = Vec::new();
    for _ in 0..6 {
        roasted.push(roast(server, &made).await);
    }
    server
        .command(
            "holds",
            json!({"batch": roasted[1], "reason": "cupped thin"}),
        )
        .await;
    let sold = roast(server, &made).await;
    server.advance_minutes(4 * 24 * 60);
    let packed_order = order(server, &made, "T1").await;
    let packing = server
        .command(
            "packings",
            json!({"product": made.kivu_bag, "bags": 4, "order": packed_order, "batches": [sold]}),
        )
        .await["posting"]["id"]
        .clone();
    let shelf = json!({"product": made.kivu_bag, "bags": 4});
    server.command("packings", shelf).await;
    let table = json!({"batches": [sold], "water_g": 150, "ratio": 0.055});
    let table = server.command("cuppings", table).await["cupping"].clone();
    let table = (table["id"].clone(), table["cups"][0]["code"].clone());
    let open_order = order(server, &made, "T2").await;
    let past =
        json!({"import": PAST_IMPORT, "name": "before", "rows": [past_batch(&made, PAST_BATCH)]});
    server.command("past-imports", past).await;
    let closing = server
        .command("closings", json!({"to_day": "2026-11-22"}))
        .await["closing"]["id"]
        .clone();
    let loft = server.put_new("storerooms", json!({"name": "Loft"})).await;
    let spilled = json!({"lot": made.screen_18, "storeroom": made.storeroom, "weight": {"basis": "reckoned", "mass_g": 20}});
    server.command("wastes", spilled).await;
    let finding = server.get("/api/findings").await["items"][0]["id"].clone();
    let unsettled = server.id();
    let kept = json!({"lot": made.kivu, "storeroom": made.storeroom, "weight": reckoned(70), "kept": true});
    server.order("wastes", &unsettled, kept).await.expect(202);
    let mut counts = Vec::new();
    for _ in 0..3 {
        counts.push(count(server, &made).await);
    }
    let mut lot = server.get(&format!("/api/lots/{}", made.washed)).await;
    lot["name"] = json!("House green");
    let blend_lot = server.put_new("lots", lot_fields(&lot)).await;
    let release =
        json!({"from_day": "2026-11-30", "days": 5, "batches": [card(&made, "2026-11-30")]});
    let card = server.command("releases", release).await["cards"][0]["id"].clone();
    Has {
        offered: offered(server, &made).await,
        made,
        weighed_in: weighed_in.try_into().unwrap(),
        weigh_in,
        roasted: roasted.try_into().unwrap(),
        packed_order,
        packing,
        table,
        open_order,
        card,
        closing,
        blend_lot,
        loft,
        coast: sent_from_the_coast(server).await,
        counts: counts.try_into().unwrap(),
        finding,
        unsettled,
    }
}

/// The fields of a lot that can be sent.
pub fn lot_fields(lot: &Value) -> Value {
    let known = [
        "name",
        "delivery",
        "coffee",
        "grade",
        "storeroom",
        "expected_g",
        "packing",
        "moisture",
        "claims",
        "use_rank",
    ];
    known
        .iter()
        .map(|field| ((*field).to_owned(), lot[*field].clone()))
        .collect()
}

fn card(made: &Roastery, day: &str) -> Value {
    json!({"roaster": made.drum, "day": day, "start": "08:00", "lot": made.peaberry, "style": made.light, "charge_g": 8_000})
}

async fn order(server: &Server, made: &Roastery, number: &str) -> String {
    let lines = json!([{"line": 1, "product": made.kivu_bag, "bags": 4}]);
    let fields = json!({"number": number, "customer": "Corner Café", "ship_day": "2026-12-02", "transit_days": 1, "priority": 1, "lines": lines});
    server.put_new("orders", fields).await
}

/// Weighs a batch of 2 kg in; its id and the answer.
async fn weigh(server: &Server, made: &Roastery) -> (String, Value) {
    let batch = server.id();
    let fields = json!({"batch": batch, "lot": made.screen_18, "style": made.light, "roaster": made.little, "storeroom": made.storeroom, "weight": bench(made, "2000")});
    let answer = server.command("weigh-ins", fields).await;
    (batch, answer)
}

/// An open count with one place entered, as the book has it.
async fn count(server: &Server, made: &Roastery) -> String {
    let opening = json!({"covers": ["green"], "storeroom": made.storeroom});
    let id = server.command("count-openings", opening).await["id"].clone();
    let green = json!({"lot": made.washed, "storeroom": made.storeroom});
    let weights = json!([{"basis": "nominal", "sacks": 5, "sack_g": 60_000, "loose_g": 0}]);
    server
        .command(
            "count-entries",
            json!({"count": id, "green": green, "weights": weights}),
        )
        .await;
    id.as_str().unwrap().to_owned()
}

fn counting(has: &Has) -> Vec<(&'static str, Value)> {
    let [entered, handed_in, dropped] = &has.counts;
    let green = json!({"lot": has.made.washed, "storeroom": has.made.storeroom});
    vec![
        (
            "/api/count-openings/{id}",
            json!({"covers": ["green", "roasted", "bags"], "blind": true}),
        ),
        (
            "/api/count-entries/{id}",
            json!({"count": entered, "green": green, "weights": [has.made.weighed("41.20"), nominal()], "confirmed": ["far_from_book"]}),
        ),
        ("/api/count-hand-ins/{id}", json!({"count": handed_in})),
        (
            "/api/count-decisions/{id}",
            json!({"count": dropped, "decision": "drop", "reason": "a sack fell over"}),
        ),
    ]
}

async fn roast(server: &Server, made: &Roastery) -> String {
    let (batch, _) = weigh(server, made).await;
    server
        .command(
            "weigh-outs",
            json!({"batches": [batch], "weight": bench(made, "1730")}),
        )
        .await;
    batch
}

/// A weight read from the bench scale, with its tray.
fn bench(made: &Roastery, grams: &str) -> Value {
    let gross = (grams.parse::<i64>().unwrap() + 310).to_string();
    json!({"basis": "weighed", "scale": made.bench_scale, "source": "typed", "readings": [{"gross": gross, "container": "tray"}]})
}

fn reckoned(grams: i64) -> Value {
    json!({"basis": "reckoned", "mass_g": grams})
}

fn nominal() -> Value {
    json!({"basis": "nominal", "sacks": 1, "sack_g": 60_000, "loose_g": 500.5})
}

fn green(has: &Has) -> Vec<(&'static str, Value)> {
    let (lot, room) = (&has.made.screen_18, &has.made.storeroom);
    let parts = json!([
        {"lot": has.made.washed, "storeroom": room, "weight": reckoned(30_000)},
        {"lot": has.made.peaberry, "storeroom": room, "weight": reckoned(10_000)},
    ]);
    vec![
        (
            "/api/receipts/{id}",
            json!({"delivery": has.made.kivu_delivery, "lines": [{"lot": lot, "storeroom": room, "weight": nominal()}], "reason": "late sack"}),
        ),
        (
            "/api/returns/{id}",
            json!({"lot": lot, "storeroom": room, "weight": reckoned(1_000)}),
        ),
        (
            "/api/transfers/{id}",
            json!({"lot": lot, "from": room, "to": has.loft, "weight": has.made.weighed("20.00")}),
        ),
        (
            "/api/sendings/{id}",
            json!({"to": has.coast.0, "lot": lot, "storeroom": room, "weight": reckoned(2_000)}),
        ),
        (
            "/api/arrivals/{id}",
            json!({"sending": has.coast.1, "storeroom": room, "weight": has.made.weighed("60.00")}),
        ),
        (
            "/api/dryings/{id}",
            json!({"lot": lot, "storeroom": room, "weight": reckoned(300)}),
        ),
        (
            "/api/counts/{id}",
            json!({"lot": lot, "storeroom": has.loft, "weight": has.made.weighed("19.90")}),
        ),
        (
            "/api/used-ups/{id}",
            json!({"lot": lot, "storeroom": has.loft, "confirmed": ["far_from_book"]}),
        ),
        (
            "/api/blends/{id}",
            json!({"lot": has.blend_lot, "storeroom": room, "parts": parts}),
        ),
        (
            "/api/samples/{id}",
            json!({"batch": has.roasted[4], "weight": reckoned(100), "purpose": "cupping"}),
        ),
        (
            "/api/wastes/{id}",
            json!({"batch": has.roasted[5], "weight": reckoned(100)}),
        ),
    ]
}

fn floor(server: &Server, has: &Has) -> Vec<(&'static str, Value)> {
    let [started, weighed_out, scrapped, _] = &has.weighed_in;
    let [held, passed, reviewed, corrected, ..] = &has.roasted;
    let weigh_in = json!({
        "batch": server.id(), "lot": has.made.screen_18, "style": has.made.light, "roaster": has.made.little,
        "storeroom": has.made.storeroom, "weight": bench(&has.made, "2000"),
    });
    vec![
        ("/api/reversals/{id}", json!({"posting": has.weigh_in})),
        ("/api/weigh-ins/{id}", weigh_in),
        (
            "/api/weigh-outs/{id}",
            json!({"batches": [weighed_out], "weight": bench(&has.made, "1730"), "shown": "ok"}),
        ),
        ("/api/starts/{id}", json!({"batch": started})),
        (
            "/api/scraps/{id}",
            json!({"batch": scrapped, "reason": "fell on the floor"}),
        ),
        (
            "/api/holds/{id}",
            json!({"batch": held, "reason": "cupped thin"}),
        ),
        (
            "/api/passes/{id}",
            json!({"batch": passed, "reason": "cupped again"}),
        ),
        (
            "/api/reviews/{id}",
            json!({"batch": reviewed, "finding": "set_aside", "reason": "door stood open"}),
        ),
        (
            "/api/corrections/{id}",
            json!({"batch": corrected, "green_g": 2_010, "roasted_g": 1_735, "lot": has.made.screen_18, "reason": "misread"}),
        ),
    ]
}

fn selling(has: &Has) -> Vec<(&'static str, Value)> {
    let csv = "order,customer,product,bags,ship_day\nT9,Corner Café,Kivu 250,3,2026-12-02\n";
    vec![
        (
            "/api/packings/{id}",
            json!({"product": has.made.kivu_bag, "bags": 2, "order": has.open_order, "batches": [has.roasted[2]], "weighed": bench(&has.made, "251")}),
        ),
        (
            "/api/bag-wastes/{id}",
            json!({"packing": has.packing, "bags": 1, "reason": "torn"}),
        ),
        (
            "/api/shipments/{id}",
            json!({"ship_day": "2026-12-02", "except": [{"order": has.packed_order, "product": has.made.kivu_bag, "bags": 1}]}),
        ),
        (
            "/api/counter-sales/{id}",
            json!({"product": has.made.kivu_bag, "bags": 2}),
        ),
        (
            "/api/take-backs/{id}",
            json!({"product": has.made.kivu_bag, "bags": 1, "to": "shelf"}),
        ),
        (
            "/api/cuppings/{id}",
            json!({"batches": [has.roasted[2]], "cups_each": 2, "water_g": 180, "ratio": 0.06}),
        ),
        (
            "/api/cup-verdicts/{id}",
            json!({"cupping": has.table.0, "cups": [{"code": has.table.1, "verdict": "pass", "notes": "clean, plum"}]}),
        ),
        (
            "/api/run-ends/{id}",
            json!({"batch": has.roasted[2], "weight": reckoned(5_000), "waste": true}),
        ),
        (
            "/api/order-imports/{id}",
            json!({"csv": csv, "ship_default": "2026-12-02", "headings": {"order": "order"}}),
        ),
    ]
}

fn closing(has: &Has) -> Vec<(&'static str, Value)> {
    vec![
        (
            "/api/reopenings/{id}",
            json!({"closing": has.closing, "reason": "a sack was forgotten"}),
        ),
        ("/api/closings/{id}", json!({"to_day": "2026-11-24"})),
        (
            "/api/finding-closings/{id}",
            json!({"finding": has.finding, "reason": "looked at, and it was so"}),
        ),
        (
            "/api/settlements/{id}",
            json!({"unsettled": has.unsettled, "reason": "swept up with the samples"}),
        ),
    ]
}

fn week(has: &Has) -> Vec<(&'static str, Value)> {
    let mut batch = card(&has.made, "2026-12-01");
    batch["feeds"] =
        json!([{"order": has.open_order, "line": 1, "product": has.made.kivu_bag, "mass_g": 500}]);
    vec![
        ("/api/withdrawals/{id}", json!({"cards": [has.card]})),
        (
            "/api/releases/{id}",
            json!({"from_day": "2026-12-01", "days": 3, "batches": [batch]}),
        ),
    ]
}

fn learner(has: &Has) -> Vec<(&'static str, Value)> {
    vec![
        (
            "/api/past-imports/{id}",
            json!({"import": NEW_IMPORT, "name": "roasts.csv", "rows": [past_batch(&has.made, NEW_PAST_BATCH)]}),
        ),
        ("/api/past-withdrawals/{id}", json!({"import": PAST_IMPORT})),
        (
            "/api/scale-adjustments/{id}",
            json!({"roaster": has.made.drum}),
        ),
        (
            "/api/profile-changes/{id}",
            json!({"roaster": has.made.little}),
        ),
        (
            "/api/notice-closings/{id}",
            json!({"lot": has.made.screen_18, "changed": false, "reason": "a chance run"}),
        ),
    ]
}

/// A batch roasted before the book began.
fn past_batch(made: &Roastery, id: &str) -> Value {
    json!({
        "id": id, "minute": 29_000_000, "coffee": "Kivu 18", "lot": made.screen_18, "style": made.light, "roaster": made.drum, "green_g": 12_000,
        "roasted_g": 10_380, "green_division_g": 10, "roasted_division_g": 10, "received": "2025-01-31", "moisture": 0.112,
    })
}

async fn offered(server: &Server, made: &Roastery) -> Offered {
    let destination = server
        .put_new("destinations", json!({"name": "Home", "transit_days": 1}))
        .await;
    let fields = json!({
        "name": "Monthly", "cut_off_before": 4, "styles": [made.light], "bag_g": 250, "priority": 1,
        "ships": {"rule": {"every": "nth_weekday", "weekday": 2, "nth": 2}, "packed_before": 1, "carrier_at": "15:00"},
    });
    let subscription = server.put_new("subscriptions", fields).await;
    let fields = json!({
        "number": "S1", "name": "Ada", "subscription": subscription, "bags": 2, "styles": [made.light], "destination": destination,
        "start": "2026-01-01",
    });
    let subscriber = server.put_new("subscribers", fields).await;
    let dispatch = async |ship_day: &str| {
        let fields = json!({"subscription": subscription, "ship_day": ship_day, "coffees": [{"coffee": made.kivu}]});
        server.put_new("dispatches", fields).await
    };
    let (open, frozen) = (dispatch("2026-12-08").await, dispatch("2027-01-12").await);
    server.command("freezes", json!({"dispatch": frozen})).await;
    Offered {
        subscription,
        destination,
        subscriber,
        open,
        frozen,
    }
}

fn dispatching(has: &Has) -> Vec<(&'static str, Value)> {
    vec![
        (
            "/api/let-ins/{id}",
            json!({"dispatch": has.offered.frozen, "subscriber": has.offered.subscriber}),
        ),
        ("/api/freezes/{id}", json!({"dispatch": has.offered.open})),
        ("/api/call-ups/{id}", json!({"until": "2026-12-31"})),
        ("/api/subscriber-imports/{id}", subscribers_table("S3")),
        ("/api/standing-order-imports/{id}", standing_table("W3")),
    ]
}

fn subscribers_table(number: &str) -> Value {
    json!({"csv": format!("number,Whole name,bags,style,destination\n{number},Cy,2,Light,Home\n"), "headings": {"name": "Whole name"}})
}

fn standing_table(number: &str) -> Value {
    json!({"csv": format!("order,Shop,start,product,bags\n{number},Corner Café,2026-12-09,Kivu 250,3\n"), "headings": {"customer": "Shop"}})
}

fn subscriptions(has: &Has) -> Vec<(&'static str, Value)> {
    let rule = json!({
        "rule": {"every": "weeks", "weeks": 2, "from": "2026-12-10"}, "avoid": ["2026-12-24"], "moved": "before", "packed_before": 1,
        "carrier_at": "14:00",
    });
    let Offered {
        subscription,
        destination,
        subscriber,
        ..
    } = &has.offered;
    vec![
        (
            "/api/destinations/{id}",
            json!({"name": "Island", "transit_days": 5, "excluded": [has.made.huila], "closed": "strike"}),
        ),
        (
            "/api/subscriptions/{id}",
            json!({"name": "Fortnightly", "ships": rule, "cut_off_before": 3, "styles": [has.made.light, has.made.dark], "bag_g": 250, "ladder": [[1, 0], [1, 1]], "priority": 2}),
        ),
        (
            "/api/subscribers/{id}",
            json!({"number": "S2", "name": "Bo", "subscription": subscription, "bags": 3, "styles": [has.made.light], "destination": destination, "start": "2026-06-01", "prepaid_until": "2027-05-31", "ended": "2027-05-31", "paused": ["2026-12"], "left_out": [has.made.huila], "note": "rings twice"}),
        ),
        (
            "/api/dispatches/{id}",
            json!({"subscription": subscription, "ship_day": "2027-02-09", "coffees": [{"coffee": has.made.kivu, "from_bags": 2}], "counts": [{"bags": 2, "styles": [has.made.light], "destination": destination, "subscribers": 10}], "note": "early"}),
        ),
        (
            "/api/replacements/{id}",
            json!({"subscriber": subscriber, "bags": 1, "reason": "lost on the way"}),
        ),
        (
            "/api/standing-orders/{id}",
            json!({"number": "W1", "customer": "Corner Café", "ships": rule, "start": "2026-12-01", "end": "2027-06-30", "skips": ["2026-12-24"], "transit_days": 1, "priority": 1, "lines": [{"line": 1, "product": has.made.kivu_bag, "bags": 4}], "note": "ring twice"}),
        ),
    ]
}

fn questions(has: &Has) -> Vec<(&'static str, Value)> {
    let pin = json!({"roaster": has.made.drum, "day": "2026-12-01", "lot": has.made.peaberry, "style": has.made.light, "charge_g": 8_000});
    let asked = json!({"from_day": "2026-12-01", "days": 2, "pinned": [pin], "freely": false, "short_allowance_g": 10});
    vec![
        ("/api/plans", asked.clone()),
        ("/api/plans/advice", asked),
        (
            "/api/plans/advice",
            json!({"from_day": "2026-12-01", "days": 2, "pinned": [pin], "freely": false, "short_allowance_g": 10}),
        ),
        (
            "/api/coverage",
            json!({"dispatch": has.offered.frozen, "coffees": [{"coffee": has.made.kivu, "from_bags": 2}], "service": 0.9}),
        ),
        ("/api/subscriber-imports", subscribers_table("S4")),
        ("/api/standing-order-imports", standing_table("W4")),
        (
            "/api/ship-rules",
            json!({"ships": {"rule": {"every": "last_weekday", "weekday": 5}, "packed_before": 0, "carrier_at": "15:00"}, "from": "2026-12-01", "to": "2026-12-31"}),
        ),
        (
            "/api/order-imports",
            json!({"csv": "order,customer,product,bags,ship_day\nT8,Corner Café,Kivu 250,3,2026-12-02\n"}),
        ),
        (
            "/api/past-imports",
            json!({"csv": "date;coffee;green;roasted\n2025-11-25;Kivu 18;12,5;10,8\n", "unit": "kg", "style": has.made.light, "roaster": has.made.drum}),
        ),
        (
            "/api/review-previews",
            json!({"batch": has.roasted[0], "finding": "was_so", "green_g": 2_010, "roasted_g": 1_735, "lot": has.made.peaberry}),
        ),
        ("/api/sheets", json!({"file": "YSxiCjEsMgo="})),
        (
            "/api/margins",
            json!({
                "day": "2026-12-01", "swaps": [{"coffee": has.made.kivu, "with": has.made.huila}], "prices": [{"product": has.made.kivu_bag, "minor": 950}],
                "parcels": [{"bags": [{"product": has.made.kivu_bag, "bags": 2}], "parcels": 5}],
            }),
        ),
        (
            "/api/bag-checks",
            json!({"product": has.made.kivu_bag, "bags": 2, "weighed": bench(&has.made, "251")}),
        ),
        (
            "/api/weigh-out-previews",
            json!({"batches": [has.weighed_in[0]], "weight": bench(&has.made, "1730")}),
        ),
    ]
}
