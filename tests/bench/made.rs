//! Books of any size, made in turns of a thousand batches: what the benches measure.
//!
//! They lie on an embedded database in the folder for temporary files, which should be on a disk.

use std::ops::Range;
use std::sync::Arc;

use outturn::app::App;
use outturn::audit::copy;
use outturn::audit::statement::{Asked, statement};
use outturn::book::leaf::{Kind, Movement};
use outturn::book::place::Place;
use outturn::book::{Actor, Book, Draft, answer_hash};
use outturn::clock::Clock;
use outturn::day::{Day, Instant, Zone};
use outturn::floor::batch::{Batch, Judgement, Step, Verdict, WeighedIn, WeighedOut};
use outturn::fraction::Fraction;
use outturn::green::Receipt;
use outturn::ids::{BatchId, LotId, PostingId, RoasterId, SiteId, StoreroomId, StyleId};
use outturn::mass::Mass;
use outturn::setup::{
    Coffee, CostLine, Delivery, Expected, Lot, Order, Product, Record, Roaster, Scale, ShipDay,
    Storeroom, Style,
};
use outturn::store::{self, BagsRow, Standing, Store};
use serde_json::{Value, json};
use tempfile::TempDir;
use tokio::runtime::Runtime;
use uuid::Uuid;

/// What becomes of roasted coffee.
#[derive(Clone, Copy)]
pub enum Then {
    /// It stands: three movements a batch.
    Stands,
    /// It is thrown away: four.
    Scrapped,
    /// It is bagged and sent away, and green drawn as a sample: ten.
    Sold,
}

/// A book of lots, roasted for five years.
pub struct Roastery {
    pub app: Arc<App>,
    pub runtime: Runtime,
    pub lot: LotId,
    /// All lots, roasted in turn.
    pub lots: Vec<LotId>,
    pub room: StoreroomId,
    pub style: StyleId,
    roaster: RoasterId,
    then: Then,
    pub folder: TempDir,
}

pub const NOW: &str = "2026-11-25T09:00:00Z";
const BEGINS: &str = "2021-11-26T09:00:00Z";
pub const DAYS: i64 = 5 * 365;
/// Lots of a delivery, roasted beside one another.
const BESIDE: usize = 40;

fn mass(grams: i64) -> Mass {
    Mass::from_grams(grams).expect("a mass")
}

fn set_clock(app: &App, at: Instant) {
    let Clock::Set(clock) = &app.clock else {
        return;
    };
    clock.set(at);
}

pub fn today() -> Day {
    Zone::UTC.day(NOW.parse().expect("an instant"))
}

async fn open_store(folder: &TempDir) -> Arc<dyn Store> {
    let url = format!("sqlite:{}", folder.path().join("book.sqlite").display());
    store::open(&url).await.expect("a database")
}

async fn open_app(store: Arc<dyn Store>, clock: Clock) -> Arc<App> {
    let key = outturn::book::seal::SealKey::of_secret(&[7; 32]);
    let app = App::open(store, clock, Zone::UTC, key);
    app.await.expect("a book")
}

/// What was learned is no longer written down.
pub async fn forget(store: &dyn Store, site: SiteId) {
    let mut tx = store.write().await.expect("a turn");
    let nothing = tx.put_learned(site, Vec::new()).await;
    nothing.expect("nothing written down");
    tx.commit().await.expect("a commit");
}

impl Roastery {
    pub fn new(lots: usize, then: Then) -> Self {
        let runtime = Runtime::new().expect("a runtime");
        let folder = tempfile::tempdir().expect("a folder");
        let clock = Clock::set(BEGINS.parse().expect("an instant"), 1);
        let app = runtime.block_on(async { open_app(open_store(&folder).await, clock).await });
        let nil = Uuid::nil();
        let mut made = Self {
            app,
            runtime,
            lot: nil.into(),
            lots: Vec::new(),
            room: nil.into(),
            style: nil.into(),
            roaster: nil.into(),
            then,
            folder,
        };
        made.set_up(lots);
        made
    }

    pub fn actor(&self) -> Actor {
        Actor::person(self.app.owner)
    }

    pub fn put<R: Record>(&self, fields: Value) -> Uuid {
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
        let open = json!({"from": "08:00", "to": "16:00"});
        let hours = json!([open, open, open, open, open, null, null]);
        let roaster = json!({"name": "Drum", "min_charge_g": 4_000, "max_charge_g": 15_000, "step_g": 100, "cycle_min": 15, "changeover_min": 5,
            "startup_min": 30, "hours": hours, "exceptions": [], "weighs": "after_destoner", "green_scale": scale, "roasted_scale": scale,
            "charge_limits": []});
        self.roaster = self.put::<Roaster>(roaster).into();
        let numbers: Vec<usize> = (0..lots).collect();
        // A receipt takes no more than 1,000 t of a lot, and a book 1,000,000 t: a million batches are of one lot or of a thousand.
        let receipts = 12_usize.div_ceil(lots);
        for numbers in numbers.chunks(BESIDE) {
            self.take_in(numbers, coffee, receipts);
        }
        self.lot = self.lots[0];
    }

    /// A delivery of some lots, with its bill, and so many receipts of 900 t of each.
    fn take_in(&mut self, numbers: &[usize], coffee: Uuid, receipts: usize) {
        let reference = format!("HG-{}", numbers[0]);
        let delivery = json!({"supplier": "Harbour Green", "reference": reference, "expected_day": "2021-11-02"});
        let delivery = self.put::<Delivery>(delivery);
        let mut lines = Vec::new();
        for n in numbers {
            let lot = json!({"name": format!("Alder {n}"), "delivery": delivery, "coffee": coffee, "grade": "AA", "storeroom": self.room, "expected_g": 0,
                "packing": {"kind": "jute", "sacks": 10, "sack_g": 60_000, "loose_g": 0}, "moisture": [], "claims": [], "use_rank": 1});
            let lot = self.put::<Lot>(lot);
            self.lots.push(lot.into());
            let weight = json!({"basis": "reckoned", "mass_g": 900_000_000});
            lines.push(json!({"lot": lot, "storeroom": self.room, "weight": weight}));
        }
        let cost = json!({"delivery": delivery, "kind": "coffee", "day": "2021-11-26", "amount": {"minor": 500_000_000, "currency": "EUR"}});
        self.put::<CostLine>(cost);
        let receipt = json!({"v": 1, "happened_at": "2021-11-26T09:00:00Z", "delivery": delivery, "lines": lines});
        let receipt: Receipt = serde_json::from_value(receipt).expect("a receipt");
        for _ in 0..receipts {
            let id = self.app.clock.new_id();
            let done = self.app.carry_out(self.actor(), id, receipt.clone());
            self.runtime.block_on(done).expect("a receipt");
        }
    }

    /// Books so many batches in few turns, spread evenly over the years, each turn when the last of its batches is done. Nobody follows the
    /// book meanwhile; the learner learns all of it when it is done.
    pub fn roast(&mut self, batches: i64) {
        self.app = self.runtime.block_on(async {
            self.app.store.close().await;
            let store = open_store(&self.folder).await;
            for first in (0..batches).step_by(1_000) {
                self.roast_some(&*store, first..batches.min(first + 1_000), batches)
                    .await;
            }
            forget(&*store, self.app.site).await;
            open_app(store, self.app.clock.clone()).await
        });
        set_clock(&self.app, NOW.parse().expect("an instant"));
    }

    async fn roast_some(&self, store: &dyn Store, some: Range<i64>, batches: i64) {
        let day_of = |n: i64| today().plus(n * DAYS / batches - DAYS);
        let tx = store.write().await.expect("a turn");
        let now = Zone::UTC.start_of(day_of(some.end - 1).plus(1));
        set_clock(&self.app, now);
        let mut book = Book::open(tx, self.app.site, Zone::UTC, self.actor(), [0; 32], now)
            .await
            .expect("a turn");
        for n in some {
            let at = self.lot_of(usize::try_from(n).unwrap_or(0));
            let happened = Zone::UTC.start_of(day_of(n));
            self.roast_one(&mut book, self.lots[at], happened).await;
        }
        book.close(None, "").await.expect("a commit");
    }

    /// The place of a batch's lot: the lots of a delivery are roasted in turn, a thousand batches of each, then those of the next.
    fn lot_of(&self, n: usize) -> usize {
        let beside = self.lots.len().min(BESIDE);
        (n / (1_000 * beside) * beside + n % beside) % self.lots.len()
    }

    pub fn size(&self) -> i64 {
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
        match self.then {
            Then::Stands => {}
            Then::Scrapped => {
                let by = (PostingId(self.app.clock.new_id()), Kind::Scrap, at);
                let moves = [(roasted, Place::Waste, 8_700)];
                self.post(book, by, (lot, &moves), None).await;
            }
            Then::Sold => self.sell(book, lot, roasted, at).await,
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
    pub fn sell_all(&self) {
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

    pub fn copy(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        self.runtime.block_on(async {
            let mut tx = self.app.read().await.expect("a snapshot");
            let written = copy::write(&mut *tx, &mut bytes).await;
            written.expect("a copy");
        });
        bytes
    }

    pub fn first_order(&self) -> Uuid {
        self.runtime.block_on(async {
            let mut tx = self.app.read().await.expect("a snapshot");
            let orders = outturn::setup::page::<Order>(&mut *tx, self.app.site, None, 1).await;
            orders.expect("orders").0[0].id
        })
    }

    pub fn statement(&self, from: Option<Day>, known: Option<i64>) -> usize {
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
