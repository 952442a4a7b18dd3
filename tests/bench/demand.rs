//! How long the demand takes: coverage of twelve dispatches to 5,000 subscribers, as while somebody tries coffees out; freezing a list.

use std::sync::{Arc, OnceLock};

use outturn::app::App;
use outturn::book::{Actor, Book};
use outturn::clock::Clock;
use outturn::day::Zone;
use outturn::demand::{Freeze, dispatches};
use outturn::setup::{self, Expected, Record};
use outturn::store;
use outturn::week::{self, CoverAsked};
use serde_json::{Value, json};
use tokio::runtime::Runtime;
use uuid::Uuid;

const NOW: &str = "2026-11-25T09:00:00Z";
const SUBSCRIBERS: u128 = 5_000;
const COFFEES: u128 = 12;

/// A book with twelve coffees of two lots each, 5,000 subscribers in twelve destinations and a dispatch for each month of a year.
struct Roastery {
    runtime: Runtime,
    app: Arc<App>,
    dispatches: Vec<Uuid>,
    _folder: tempfile::TempDir,
}

fn main() {
    divan::main();
}

fn id(kind: u128, n: u128) -> Uuid {
    Uuid::from_u128(0x0190_b8a0_0000_7000_8000_0000_0000_0000 | (kind << 32) | n)
}

fn roastery() -> &'static Roastery {
    static ROASTERY: OnceLock<Roastery> = OnceLock::new();
    ROASTERY.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a folder");
        let url = format!("sqlite:{}", folder.path().join("book.sqlite").display());
        let clock = Clock::set(NOW.parse().expect("an instant"), 1);
        let runtime = Runtime::new().expect("a runtime");
        let (app, dispatches) = runtime.block_on(async {
            let store = store::open(&url).await.expect("a store");
            let app = App::open(
                store,
                clock,
                Zone::UTC,
                outturn::book::seal::SealKey::of_secret(&[7; 32]),
            )
            .await
            .expect("a book");
            fill(&app).await;
            let mut tx = app.read().await.expect("a snapshot");
            let (from, to) = (
                "2026-11-25".parse().expect("a day"),
                "2027-12-31".parse().expect("a day"),
            );
            let kept = dispatches(&mut *tx, app.site, from, to)
                .await
                .expect("dispatches");
            drop(tx);
            (app, kept.into_iter().map(|kept| kept.id).collect())
        });
        Roastery {
            runtime,
            app,
            dispatches,
            _folder: folder,
        }
    })
}

async fn put<R: Record>(book: &mut Book, app: &App, id: Uuid, fields: Value) {
    let fields: R = serde_json::from_value(fields).expect("a record");
    let entry = app.clock.new_id();
    setup::put(book, id, Expected::Nothing, fields, entry)
        .await
        .expect("it is put");
}

/// Fills the book in one turn.
async fn fill(app: &App) {
    let tx = app.store.write().await.expect("a turn");
    let actor = Actor::person(app.owner);
    let now = app.clock.now();
    let mut book = Book::open(tx, app.site, Zone::UTC, actor, [0; 32], now)
        .await
        .expect("a book");
    stock(&mut book, app).await;
    people(&mut book, app).await;
    book.close(None, "").await.expect("it is written");
}

async fn stock(book: &mut Book, app: &App) {
    for (n, name) in [(1, "Filter"), (2, "Espresso")] {
        let style = json!({"name": name, "nominal_loss": 0.15, "rest_days": 2, "fresh_days": 28, "shade": n});
        put::<setup::Style>(book, app, id(1, n), style).await;
    }
    put::<setup::Storeroom>(book, app, id(2, 1), json!({"name": "Store"})).await;
    let scale =
        json!({"name": "Scale", "unit": "kg", "division_g": 10, "max_g": 60_000, "containers": []});
    put::<setup::Scale>(book, app, id(3, 1), scale).await;
    let open = json!({"from": "07:00", "to": "17:00"});
    let roaster = json!({
        "name": "Drum", "min_charge_g": 4_000, "max_charge_g": 12_000, "step_g": 100, "cycle_min": 15, "changeover_min": 5, "startup_min": 30,
        "hours": [open, open, open, open, open, null, null], "exceptions": [], "weighs": "after_destoner", "green_scale": id(3, 1),
        "roasted_scale": id(3, 1), "charge_limits": [],
    });
    put::<setup::Roaster>(book, app, id(4, 1), roaster).await;
    for n in 0..COFFEES {
        put::<setup::Coffee>(book, app, id(5, n), json!({"name": format!("Coffee {n}")})).await;
        let delivery = json!({"supplier": "Lakeside", "reference": format!("L{n}"), "expected_day": "2026-11-25"});
        put::<setup::Delivery>(book, app, id(6, n), delivery).await;
        for style in 1..=2 {
            let product = json!({"name": format!("Coffee {n} {style}"), "parts": [{"coffee": id(5, n), "share": 1}], "style": id(1, style), "bag_g": 250});
            put::<setup::Product>(book, app, id(7, 2 * n + style), product).await;
        }
        for lot in 0..2 {
            let fields = json!({
                "name": format!("Lot {n} {lot}"), "grade": "AA", "coffee": id(5, n), "delivery": id(6, n), "storeroom": id(2, 1), "expected_g": 1_800_000,
                "packing": {"kind": "jute", "sacks": 30, "sack_g": 60_000, "loose_g": 0}, "moisture": [], "claims": [], "use_rank": lot + 1,
                "landed_cost": {"minor": 1_500_000, "currency": "EUR"},
            });
            put::<setup::Lot>(book, app, id(8, 2 * n + lot), fields).await;
        }
    }
    for n in 0..12 {
        let to = json!({"name": format!("Zone {n}"), "transit_days": n, "excluded": if n == 7 { json!([id(5, 1)]) } else { json!([]) }});
        put::<setup::Destination>(book, app, id(9, n), to).await;
    }
}

async fn people(book: &mut Book, app: &App) {
    let subscription = json!({
        "name": "Monthly", "cut_off_before": 7, "styles": [id(1, 1), id(1, 2)], "bag_g": 250, "priority": 1,
        "ships": {"rule": {"every": "nth_weekday", "weekday": 2, "nth": 2}, "packed_before": 1, "carrier_at": "15:00"},
    });
    put::<setup::Subscription>(book, app, id(10, 1), subscription).await;
    for n in 0..SUBSCRIBERS {
        let styles = match n % 5 {
            0 => json!([id(1, 1), id(1, 2)]),
            1 => json!([id(1, 2)]),
            _ => json!([id(1, 1)]),
        };
        let left_out = if n % 11 == 0 {
            json!([id(5, n % COFFEES)])
        } else {
            json!([])
        };
        let subscriber = json!({
            "number": format!("S{n:05}"), "name": format!("Subscriber {n}"), "subscription": id(10, 1), "bags": n % 6 + 1, "styles": styles,
            "destination": id(9, n % 12), "start": "2026-01-01", "paused": if n % 17 == 0 { json!(["2027-01"]) } else { json!([]) }, "left_out": left_out,
        });
        put::<setup::Subscriber>(book, app, id(11, n), subscriber).await;
    }
    let ship_days = [
        "2026-12-08",
        "2027-01-12",
        "2027-02-09",
        "2027-03-09",
        "2027-04-13",
        "2027-05-11",
        "2027-06-08",
        "2027-07-13",
        "2027-08-10",
        "2027-09-14",
        "2027-10-12",
        "2027-11-09",
    ];
    for (n, ship_day) in (0..).zip(ship_days) {
        let coffees: Vec<Value> = (0..3)
            .map(|at| json!({"coffee": id(5, (n + at) % COFFEES)}))
            .collect();
        let dispatch = json!({"subscription": id(10, 1), "ship_day": ship_day, "coffees": coffees});
        put::<setup::Dispatch>(book, app, id(12, n), dispatch).await;
    }
}

impl Roastery {
    /// Coverage of a dispatch with a pair of coffees exchanged, as when somebody tries out.
    fn cover(&self, dispatch: Uuid, coffees: Option<[u128; 3]>) -> week::CoverView {
        let coffees = coffees.map(|coffees| {
            let offers = coffees.map(|n| json!({"coffee": id(5, n)}));
            serde_json::from_value(json!(offers)).expect("offers")
        });
        self.runtime.block_on(async {
            let mut tx = self.app.read().await.expect("a snapshot");
            let asked = CoverAsked {
                dispatch: Some(dispatch.into()),
                coffees,
                ..CoverAsked::default()
            };
            week::cover(&self.app, &mut *tx, &asked)
                .await
                .expect("coverage")
        })
    }
}

/// One answer while somebody tries coffees out in the nearest dispatch.
#[divan::bench(sample_count = 40, sample_size = 1)]
fn cover_one_tried(bencher: divan::Bencher) {
    let roastery = roastery();
    bencher.bench(|| roastery.cover(roastery.dispatches[0], Some([4, 1, 7])));
}

/// All twelve dispatches as they stand.
#[divan::bench(sample_count = 5, sample_size = 1)]
fn cover_twelve(bencher: divan::Bencher) {
    let roastery = roastery();
    bencher.bench(|| {
        let covered = roastery
            .dispatches
            .iter()
            .map(|dispatch| roastery.cover(*dispatch, None).bags);
        covered.sum::<u64>()
    });
}

/// The list of a dispatch is frozen and its orders are written, on disk.
#[divan::bench(sample_count = 5, sample_size = 1)]
fn freeze(bencher: divan::Bencher) {
    let roastery = roastery();
    let next = std::sync::atomic::AtomicUsize::new(1);
    bencher.bench(|| {
        let n = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        let freeze: Freeze = serde_json::from_value(
            json!({"v": 1, "happened_at": NOW, "dispatch": roastery.dispatches[n]}),
        )
        .expect("a command");
        let actor = Actor::person(roastery.app.owner);
        let id = roastery.app.clock.new_id();
        roastery
            .runtime
            .block_on(roastery.app.carry_out(actor, id, freeze))
            .expect("it is frozen")
    });
}
