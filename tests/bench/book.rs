//! How long the book takes: a posting with its answer on disk, statements of a lot and of all green over five years, balances at a past day,
//! the value of the stock, a mock recall, a start of the learner, verifying, and carrying it away as a copy.
//!
//! The books lie on an embedded database in the folder for temporary files, which should be on a disk.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, OnceLock};

use divan::Bencher;
use outturn::app::App;
use outturn::audit::statement::{Asked, AskedMany, Scope, many, statement, workbook};
use outturn::audit::value::{self, value};
use outturn::audit::verify::verify;
use outturn::audit::{copy, trace};
use outturn::book::leaf::{Kind, Movement};
use outturn::book::place::Place;
use outturn::book::{Actor, Book, Draft, answer_hash};
use outturn::clock::Clock;
use outturn::day::{Day, Instant, Zone};
use outturn::expect::Expect;
use outturn::floor::batch::{Batch, Judgement, Step, Verdict, WeighedIn, WeighedOut};
use outturn::fraction::Fraction;
use outturn::green::{Drying, Receipt};
use outturn::ids::{BatchId, LotId, PostingId, RoasterId, StoreroomId, StyleId};
use outturn::mass::Mass;
use outturn::setup::{
    Coffee, CostLine, Delivery, Expected, Lot, Order, Product, Record, Roaster, Scale, ShipDay,
    Storeroom, Style,
};
use outturn::store::{self, BagsRow, Standing};
use serde_json::{Value, json};
use tempfile::TempDir;
use tokio::runtime::Runtime;
use uuid::Uuid;

fn main() {
    divan::main();
}

/// A book with one lot, roasted for five years in batches of three movements; or with more, also bagged and sent away: ten movements.
struct Roastery {
    app: Arc<App>,
    runtime: Runtime,
    lot: LotId,
    /// All lots, roasted in turn.
    lots: Vec<LotId>,
    room: StoreroomId,
    style: StyleId,
    roaster: RoasterId,
    _folder: TempDir,
}

const NOW: &str = "2026-11-25T09:00:00Z";
const BEGINS: &str = "2021-11-26T09:00:00Z";
const DAYS: i64 = 5 * 365;

fn mass(grams: i64) -> Mass {
    Mass::from_grams(grams).expect("a mass")
}

fn set_clock(app: &App, at: Instant) {
    let Clock::Set(clock) = &app.clock else {
        return;
    };
    clock.set(at);
}

fn today() -> Day {
    Zone::UTC.day(NOW.parse().expect("an instant"))
}

impl Roastery {
    fn new(lots: usize) -> Self {
        let runtime = Runtime::new().expect("a runtime");
        let folder = tempfile::tempdir().expect("a folder");
        let url = format!("sqlite:{}", folder.path().join("book.sqlite").display());
        let clock = Clock::set(BEGINS.parse().expect("an instant"), 1);
        let app = runtime.block_on(async {
            let store = store::open(&url).await.expect("a database");
            App::open(
                store,
                clock,
                Zone::UTC,
                outturn::book::seal::SealKey::of_secret(&[7; 32]),
            )
            .await
            .expect("a book")
        });
        let nil = Uuid::nil();
        let mut made = Self {
            app,
            runtime,
            lot: nil.into(),
            lots: Vec::new(),
            room: nil.into(),
            style: nil.into(),
            roaster: nil.into(),
            _folder: folder,
        };
        made.set_up(lots);
        made
    }

    fn actor(&self) -> Actor {
        Actor::person(self.app.owner)
    }

    fn put<R: Record>(&self, fields: Value) -> Uuid {
        let fields: R = serde_json::from_value(fields).expect("fields");
        let id = self.app.clock.new_id();
        let kept = self.app.put(self.actor(), id, Expected::Nothing, fields);
        self.runtime.block_on(kept).expect("a record").id
    }

    fn set_up(&mut self, lots: usize) {
        let coffee = self.put::<Coffee>(json!({"name": "Alder"}));
        self.room = self.put::<Storeroom>(json!({"name": "Cellar"})).into();
        let scale = self.put::<Scale>(json!({"name": "Floor scale", "unit": "kg", "division_g": 10, "max_g": 150_000, "containers": []}));
        let style = json!({"name": "Filter", "nominal_loss": 0.13, "rest_days": 3, "fresh_days": 30, "shade": 2});
        self.style = self.put::<Style>(style).into();
        let hours = vec![Value::Null; 7];
        let roaster = json!({"name": "Drum", "min_charge_g": 4_000, "max_charge_g": 15_000, "step_g": 100, "cycle_min": 15, "changeover_min": 5,
            "startup_min": 30, "hours": hours, "exceptions": [], "weighs": "after_destoner", "green_scale": scale, "roasted_scale": scale,
            "charge_limits": []});
        self.roaster = self.put::<Roaster>(roaster).into();
        let delivery =
            json!({"supplier": "Harbour Green", "reference": "HG-1", "expected_day": "2021-11-02"});
        let delivery = self.put::<Delivery>(delivery);
        for n in 0..lots {
            let lot = json!({"name": format!("Alder {n}"), "delivery": delivery, "coffee": coffee, "grade": "AA", "storeroom": self.room, "expected_g": 0,
                "packing": {"kind": "jute", "sacks": 10, "sack_g": 60_000, "loose_g": 0}, "moisture": [], "claims": [], "use_rank": 1});
            self.lots.push(self.put::<Lot>(lot).into());
        }
        self.lot = self.lots[0];
        let cost = json!({"delivery": delivery, "kind": "coffee", "day": "2021-11-26", "amount": {"minor": 500_000_000, "currency": "EUR"}});
        self.put::<CostLine>(cost);
        let weight = json!({"basis": "reckoned", "mass_g": 9_000_000_000_i64});
        let line = |lot: &LotId| json!({"lot": lot, "storeroom": self.room, "weight": weight});
        let lines: Vec<Value> = self.lots.iter().map(line).collect();
        let receipt = json!({"v": 1, "happened_at": "2021-11-26T09:00:00Z", "delivery": delivery, "lines": lines});
        let receipt: Receipt = serde_json::from_value(receipt).expect("a receipt");
        let id = self.app.clock.new_id();
        self.runtime
            .block_on(self.app.carry_out(self.actor(), id, receipt))
            .expect("a receipt");
    }

    /// Books so many batches in few turns, spread evenly over the years, each turn when the last of its batches is done.
    fn roast(&self, batches: i64) {
        self.runtime.block_on(async {
            let day_of = |n: i64| today().plus(n * DAYS / batches - DAYS);
            for first in (0..batches).step_by(1_000) {
                let tx = self.app.store.write().await.expect("a turn");
                let last = day_of(batches.min(first + 1_000) - 1).plus(1);
                let now = Zone::UTC.start_of(last);
                set_clock(&self.app, now);
                let mut book = Book::open(tx, self.app.site, Zone::UTC, self.actor(), [0; 32], now)
                    .await
                    .expect("a turn");
                for n in first..batches.min(first + 1_000) {
                    let day = day_of(n);
                    let at = usize::try_from(n).unwrap_or(0) % self.lots.len();
                    let lot = self.lots[at];
                    self.roast_one(&mut book, lot, Zone::UTC.start_of(day))
                        .await;
                }
                book.close(None, "").await.expect("a commit");
            }
        });
        set_clock(&self.app, NOW.parse().expect("an instant"));
    }

    fn size(&self) -> i64 {
        self.runtime.block_on(async {
            let mut tx = self.app.read().await.expect("a snapshot");
            let head = tx.head(self.app.site).await.expect("a head");
            head.map_or(0, |head| head.size)
        })
    }

    async fn roast_one(&self, book: &mut Book, lot: LotId, at: Instant) {
        let mut batch = Batch::new(BatchId(self.app.clock.new_id()));
        let (drum, roasted) = (Place::Batch(batch.id), Place::Roasted(batch.id));
        let day = Zone::UTC.day(at);
        let by = PostingId(self.app.clock.new_id());
        let weighed_in = Step::WeighedIn(WeighedIn {
            by,
            lot,
            style: self.style,
            roaster: self.roaster,
            card: None,
            storeroom: self.room,
            mass_g: mass(10_000),
            at,
            day,
            division_g: mass(10),
            reckoned: false,
        });
        let moves = [(Place::Store(self.room), drum, 10_000)];
        self.post(
            book,
            (by, Kind::WeighIn, at),
            (lot, &moves),
            Some((&batch, &weighed_in)),
        )
        .await;
        batch.steps.push(weighed_in);
        let by = PostingId(self.app.clock.new_id());
        let weighed_out = Step::WeighedOut(WeighedOut {
            by,
            mass_g: mass(8_700),
            covers: vec![batch.id],
            at,
            day,
            minute: Zone::UTC.local_minute(at),
            division_g: mass(10),
            reckoned: false,
            verdict: verdict(),
        });
        let moves = [(drum, roasted, 8_700), (drum, Place::Air, 1_300)];
        self.post(
            book,
            (by, Kind::WeighOut, at),
            (lot, &moves),
            Some((&batch, &weighed_out)),
        )
        .await;
        batch.steps.push(weighed_out);
        let row = batch.row(None).expect("a row");
        book.tx()
            .put_batch(self.app.site, &row)
            .await
            .expect("a batch");
        if self.lots.len() > 1 {
            self.sell(book, lot, roasted, at).await;
        }
    }

    /// A sample of green, and three packings of the batch, each sent away.
    async fn sell(&self, book: &mut Book, lot: LotId, roasted: Place, at: Instant) {
        let new = || PostingId(self.app.clock.new_id());
        let sample = [(Place::Store(self.room), Place::Sample, 100)];
        self.post(book, (new(), Kind::Sample, at), (lot, &sample), None)
            .await;
        for grams in [3_000, 3_000, 2_700] {
            let (packing, shipment) = (new(), new());
            let bags = [(roasted, Place::Packed(packing), grams)];
            self.post(book, (packing, Kind::Pack, at), (lot, &bags), None)
                .await;
            let sent = [(Place::Packed(packing), Place::Shipped(shipment), grams)];
            self.post(book, (shipment, Kind::Ship, at), (lot, &sent), None)
                .await;
        }
    }

    async fn post(
        &self,
        book: &mut Book,
        (id, kind, happened_at): (PostingId, Kind, Instant),
        (lot, moves): (LotId, &[(Place, Place, i64)]),
        step: Option<(&Batch, &Step)>,
    ) {
        let movement = |(from, to, grams): &(Place, Place, i64)| Movement {
            lot,
            from: *from,
            to: *to,
            mass_mg: mass(*grams).mg(),
        };
        let facts = step.map_or(Value::Null, |(batch, step)| {
            let mut step = serde_json::to_value(step).expect("a step");
            step["batch"] = json!(batch.id);
            json!({ "steps": [step] })
        });
        let draft = Draft {
            id,
            kind,
            happened_at,
            reason: None,
            card: None,
            reverses: None,
            facts,
            movements: moves.iter().map(movement).collect(),
            weighings: Vec::new(),
        };
        book.post(draft).await.expect("a posting");
        self.answer(book, id).await;
    }

    /// What was answered, without which a posting would not hold.
    async fn answer(&self, book: &mut Book, PostingId(id): PostingId) {
        let hash = answer_hash(id, &[0; 32], "null");
        let answered = book
            .tx()
            .insert_command(id, self.app.site, &[0; 32], "null", &hash);
        answered.await.expect("an answer");
    }

    /// Packs all that was roasted into bags, twenty batches at a time, and ships every packing for an order of its own.
    fn sell_all(&self) {
        let coffee = self.runtime.block_on(async {
            let mut tx = self.app.read().await.expect("a snapshot");
            let lot = outturn::setup::need::<Lot>(&mut *tx, self.app.site, self.lot).await;
            lot.expect("the lot").fields.coffee
        });
        let product = json!({"name": "Alder 250", "parts": [{"coffee": coffee, "share": 1}], "style": self.style, "bag_g": 250});
        let product = self.put::<Product>(product);
        let ship_day =
            json!({"day": "2026-11-25", "packing_day": "2026-11-25", "carrier_at": "15:00"});
        self.put::<ShipDay>(ship_day);
        self.runtime.block_on(async {
            let mut tx = self.app.read().await.expect("a snapshot");
            let standing = tx.standing(self.app.site, "roasted").await.expect("roasted");
            drop(tx);
            for (n, some) in standing.chunks(20).enumerate() {
                let order = json!({"number": format!("A-{n}"), "customer": "Corner Cafe", "ship_day": "2026-11-25", "transit_days": 1, "priority": 1,
                    "lines": [{"line": 1, "product": product, "bags": 600}]});
                let order: Order = serde_json::from_value(order).expect("an order");
                let id = self.app.clock.new_id();
                let kept = self.app.put(self.actor(), id, Expected::Nothing, order);
                self.sell_some(some, product, kept.await.expect("an order").id).await;
            }
        });
    }

    async fn sell_some(&self, roasted: &[Standing], product: Uuid, order: Uuid) {
        let tx = self.app.store.write().await.expect("a turn");
        let now: Instant = NOW.parse().expect("an instant");
        let mut book = Book::open(tx, self.app.site, Zone::UTC, self.actor(), [0; 32], now)
            .await
            .expect("a turn");
        let [pack, ship] = [(); 2].map(|()| PostingId(self.app.clock.new_id()));
        let packed = Place::Packed(pack);
        let row = BagsRow {
            order: Some(order.into()),
            product: product.into(),
            bags: 600,
            grind: None,
            packing: None,
        };
        for (id, kind) in [(pack, Kind::Pack), (ship, Kind::Ship)] {
            let movement = |standing: &Standing| Movement {
                lot: standing.lot,
                from: if kind == Kind::Pack {
                    standing.place
                } else {
                    packed
                },
                to: if kind == Kind::Pack {
                    packed
                } else {
                    Place::Shipped(ship)
                },
                mass_mg: standing.mass.mg(),
            };
            let draft = Draft {
                id,
                kind,
                happened_at: now,
                reason: None,
                card: None,
                reverses: None,
                facts: json!({ "bags": [row] }),
                movements: roasted.iter().map(movement).collect(),
                weighings: Vec::new(),
            };
            book.post(draft).await.expect("a posting");
            book.tx().insert_bags(id, 0, &row).await.expect("bags");
            self.answer(&mut book, id).await;
        }
        book.close(None, "").await.expect("a commit");
    }

    fn copy(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        self.runtime.block_on(async {
            let mut tx = self.app.read().await.expect("a snapshot");
            let written = copy::write(&mut *tx, &mut bytes).await;
            written.expect("a copy");
        });
        bytes
    }

    fn first_order(&self) -> Uuid {
        self.runtime.block_on(async {
            let mut tx = self.app.read().await.expect("a snapshot");
            let orders = outturn::setup::page::<Order>(&mut *tx, self.app.site, None, 1).await;
            orders.expect("orders").0[0].id
        })
    }

    fn statement(&self, from: Option<Day>, known: Option<i64>) -> usize {
        let asked = Asked {
            lot: self.lot,
            from,
            to: today(),
            known,
        };
        self.runtime.block_on(async {
            let mut tx = self.app.read().await.expect("a snapshot");
            let drawn = statement(&mut *tx, self.app.site, asked).await;
            drawn.expect("a statement").lines.len()
        })
    }
}

fn verdict() -> Verdict {
    let ppm = Fraction::from_ppm;
    Verdict {
        judgement: Judgement::Ok,
        loss: ppm(130_000),
        mean: ppm(131_000),
        sd: ppm(4_000),
        lo: ppm(119_000),
        hi: ppm(143_000),
        alpha: ppm(2_700),
        state_key: "bench".to_owned(),
        sentence: "as expected".to_owned(),
    }
}

/// The roasteries by how many movements their lot has; each is made once.
fn roastery(movements: i64) -> Arc<Roastery> {
    static MADE: Mutex<BTreeMap<i64, Arc<Roastery>>> = Mutex::new(BTreeMap::new());
    let mut made = MADE.lock().expect("no bench fails");
    let of = made.entry(movements).or_insert_with(|| {
        let roastery = Roastery::new(1);
        roastery.roast(movements / 3);
        Arc::new(roastery)
    });
    of.clone()
}

/// A drying, from the command to its answer: on disk when it is answered.
#[divan::bench(sample_count = 200, sample_size = 1)]
fn posting(bencher: Bencher) {
    let roastery = roastery(3);
    let weight = json!({"basis": "reckoned", "mass_g": 1});
    let drying = json!({"v": 1, "happened_at": NOW, "lot": roastery.lot, "storeroom": roastery.room, "weight": weight});
    let drying: Drying = serde_json::from_value(drying).expect("a drying");
    bencher.bench(|| {
        let id = roastery.app.clock.new_id();
        let done = roastery.app.carry_out(roastery.actor(), id, drying.clone());
        roastery.runtime.block_on(done).expect("a posting")
    });
}

const SIZES: [i64; 3] = [1_000, 10_000, 100_000];

/// The statement of the whole life of a lot with so many movements.
#[divan::bench(args = SIZES, sample_count = 5, sample_size = 1)]
fn statement_of_a_life(bencher: Bencher, movements: i64) {
    let roastery = roastery(movements);
    bencher.bench(|| roastery.statement(None, None));
}

/// The statement of its last month.
#[divan::bench(args = SIZES, sample_count = 10, sample_size = 1)]
fn statement_of_a_month(bencher: Bencher, movements: i64) {
    let roastery = roastery(movements);
    bencher.bench(|| roastery.statement(Some(today().plus(-30)), None));
}

/// The same as it was known before the last leaf.
#[divan::bench(args = SIZES, sample_count = 10, sample_size = 1)]
fn statement_of_a_month_as_known_then(bencher: Bencher, movements: i64) {
    let roastery = roastery(movements);
    let size = roastery.size();
    bencher.bench(|| roastery.statement(Some(today().plus(-30)), Some(size - 1)));
}

const DEPTHS: [i64; 3] = [10_000, 100_000, 1_000_000];

/// What stood in store on a day in its life, as known now, or when so many leaves were written.
fn balance(bencher: Bencher, roastery: &Roastery, day: Day, known: Option<i64>) {
    bencher.bench(|| {
        roastery.runtime.block_on(async {
            let mut tx = roastery.app.read().await.expect("a snapshot");
            let site = roastery.app.site;
            let standing = tx.standing_on(site, roastery.lot, Some("store"), day, known);
            standing.await.expect("a balance")
        })
    });
}

/// In the middle of its life.
#[divan::bench(args = DEPTHS, sample_count = 100, sample_size = 1)]
fn balance_at_a_past_day(bencher: Bencher, movements: i64) {
    let roastery = roastery(movements);
    balance(bencher, &roastery, today().plus(-DAYS / 2), None);
}

/// On an earlier day, as it was known when half of the book was written.
#[divan::bench(args = DEPTHS, sample_count = 100, sample_size = 1)]
fn balance_at_a_past_day_as_known_then(bencher: Bencher, movements: i64) {
    let roastery = roastery(movements);
    let known = Some(roastery.size() / 2);
    balance(bencher, &roastery, today().plus(-DAYS * 3 / 4), known);
}

/// A mock recall: everything that touched a lot of five years, 40,000 batches, all of it packed and shipped (200,000 movements); and where
/// one of its orders came from.
#[divan::bench(args = [("lot", 40_000), ("order", 40_000)], sample_count = 3, sample_size = 1)]
fn recall(bencher: Bencher, (of, batches): (&str, i64)) {
    static SOLD: Mutex<Option<Arc<Roastery>>> = Mutex::new(None);
    let roastery = {
        let mut sold = SOLD.lock().expect("no bench fails");
        let made = sold.get_or_insert_with(|| {
            let roastery = Roastery::new(1);
            roastery.roast(batches);
            roastery.sell_all();
            Arc::new(roastery)
        });
        Arc::clone(made)
    };
    let asked = match of {
        "lot" => trace::Asked {
            of: trace::Subject::Lot,
            id: roastery.lot.0,
            direction: trace::Direction::Forward,
        },
        _ => trace::Asked {
            of: trace::Subject::Order,
            id: roastery.first_order(),
            direction: trace::Direction::Backward,
        },
    };
    bencher.bench(|| {
        roastery.runtime.block_on(async {
            let mut tx = roastery.app.read().await.expect("a snapshot");
            let traced = trace::trace(&mut *tx, roastery.app.site, asked).await;
            traced.expect("a trace").legs.len()
        })
    });
}

/// A start of the learner on 40,000 batches: from nothing, and from what it wrote down.
#[divan::bench(args = ["nothing", "written"], sample_count = 3, sample_size = 1)]
fn starting(bencher: Bencher, from: &str) {
    let roastery = roastery(120_000);
    let (app, runtime) = (&roastery.app, &roastery.runtime);
    let open = || async {
        let learner = Expect::open(&*app.store, app.site).await;
        learner.expect("a learner")
    };
    runtime.block_on(async {
        if from == "written" {
            let written = open().await.write(&*app.store, app.site).await;
            written.expect("a write");
        }
    });
    bencher.bench(|| runtime.block_on(open()));
}

/// Writing the whole book as a copy, in memory.
#[divan::bench(args = SIZES, sample_count = 2, sample_size = 1)]
fn copying(bencher: Bencher, movements: i64) {
    let roastery = roastery(movements);
    bencher.bench(|| roastery.copy().len());
}

/// Checking the copy with nothing else.
#[divan::bench(args = SIZES, sample_count = 2, sample_size = 1)]
fn checking_a_copy(bencher: Bencher, movements: i64) {
    let copy = roastery(movements).copy();
    bencher.bench(|| {
        let checked = copy::check(std::io::Cursor::new(&copy[..]), &[]);
        checked.expect("a whole copy").len()
    });
}

/// Taking the copy into an empty embedded database.
#[divan::bench(args = [1_000, 10_000], sample_count = 1, sample_size = 1)]
fn taking_a_copy_in(bencher: Bencher, movements: i64) {
    let roastery = roastery(movements);
    let copy = roastery.copy();
    bencher.bench(|| {
        let folder = tempfile::tempdir().expect("a folder");
        let url = format!("sqlite:{}", folder.path().join("copy.sqlite").display());
        roastery.runtime.block_on(async {
            let store = store::open(&url).await.expect("a database");
            let taken = copy::take(&*store, std::io::Cursor::new(&copy[..])).await;
            taken.expect("a whole copy").len()
        })
    });
}

/// The check of the whole book.
#[divan::bench(args = SIZES, sample_count = 2, sample_size = 1)]
fn verifying(bencher: Bencher, movements: i64) {
    let roastery = roastery(movements);
    bencher.bench(|| {
        roastery.runtime.block_on(async {
            let mut tx = roastery.app.read().await.expect("a snapshot");
            verify(&mut *tx, roastery.app.site)
                .await
                .expect("a report")
                .size
        })
    });
}

/// Five years of forty lots: 40,000 batches, 400,000 movements.
fn five_years() -> Arc<Roastery> {
    static MADE: OnceLock<Arc<Roastery>> = OnceLock::new();
    let made = MADE.get_or_init(|| {
        let roastery = Roastery::new(40);
        roastery.roast(40_000);
        Arc::new(roastery)
    });
    Arc::clone(made)
}

/// A statement of many, over so many days up to today.
fn together(roastery: &Roastery, scope: Scope, days: i64, known: Option<i64>, limit: i64) -> usize {
    let asked = AskedMany {
        scope,
        from: Some(today().plus(-days)),
        to: today(),
        known,
        after: None,
        limit,
    };
    roastery.runtime.block_on(async {
        let mut tx = roastery.app.read().await.expect("a snapshot");
        let drawn = many(&mut *tx, roastery.app.site, asked)
            .await
            .expect("a statement");
        serde_json::to_string(&drawn).expect("JSON").len()
    })
}

/// The statement of all green over five years: sums, lots, places and the first 500 lines, as JSON.
#[divan::bench(sample_count = 20, sample_size = 1)]
fn five_years_of_all_green(bencher: Bencher) {
    let roastery = five_years();
    bencher.bench(|| together(&roastery, Scope::All, DAYS, None, 500));
}

/// The same, as it was known when half of it was booked.
#[divan::bench(sample_count = 10, sample_size = 1)]
fn five_years_of_all_green_as_known_half_way(bencher: Bencher) {
    let roastery = five_years();
    let known = roastery.size() / 2;
    bencher.bench(|| together(&roastery, Scope::All, DAYS, Some(known), 500));
}

/// The statement of one of forty lots over five years with every line.
#[divan::bench(sample_count = 20, sample_size = 1)]
fn five_years_of_one_lot(bencher: Bencher) {
    let roastery = five_years();
    bencher.bench(|| together(&roastery, Scope::Lot(roastery.lots[7]), DAYS, None, 100_000));
}

/// The statement of all green in the last month with every line.
#[divan::bench(sample_count = 20, sample_size = 1)]
fn a_month_of_all_green(bencher: Bencher) {
    let roastery = five_years();
    bencher.bench(|| together(&roastery, Scope::All, 30, None, 100_000));
}

/// A workbook of all green in the last year.
#[divan::bench(sample_count = 3, sample_size = 1)]
fn workbook_of_a_year(bencher: Bencher) {
    let roastery = five_years();
    bencher.bench(|| {
        let asked = AskedMany {
            scope: Scope::All,
            from: Some(today().plus(-365)),
            to: today(),
            known: None,
            after: None,
            limit: 1_000_000,
        };
        roastery.runtime.block_on(async {
            let mut tx = roastery.app.read().await.expect("a snapshot");
            let drawn = many(&mut *tx, roastery.app.site, asked).await;
            workbook(&drawn.expect("a statement"))
                .expect("a workbook")
                .len()
        })
    });
}

/// The value of all stock, and where the cost of five years went.
#[divan::bench(sample_count = 20, sample_size = 1)]
fn value_of_five_years(bencher: Bencher) {
    let roastery = five_years();
    let asked = value::Asked {
        from: Some(today().plus(-DAYS)),
        to: today(),
        known: None,
    };
    bencher.bench(|| {
        roastery.runtime.block_on(async {
            let mut tx = roastery.app.read().await.expect("a snapshot");
            let drawn = value(&mut *tx, roastery.app.site, asked).await;
            drawn.expect("a value").lots.len()
        })
    });
}
