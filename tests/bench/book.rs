//! How long the book takes: a posting with its answer on disk, statements of a lot and of all green over five years, balances at a past day,
//! the value of the stock, a mock recall, a start of the learner, verifying, and carrying it away as a copy.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, OnceLock};

use divan::Bencher;
use outturn::audit::statement::{AskedMany, Scope, many, workbook};
use outturn::audit::value::{self, value};
use outturn::audit::verify::verify;
use outturn::audit::{copy, trace};
use outturn::day::Day;
use outturn::expect::Expect;
use outturn::green::Drying;
use outturn::store;
use serde_json::json;

mod made;
use made::{DAYS, NOW, Roastery, Then, today};

fn main() {
    divan::main();
}

/// The roasteries by how many movements their lot has; each is made once.
fn roastery(movements: i64) -> Arc<Roastery> {
    static MADE: Mutex<BTreeMap<i64, Arc<Roastery>>> = Mutex::new(BTreeMap::new());
    let mut made = MADE.lock().expect("no bench fails");
    let of = made.entry(movements).or_insert_with(|| {
        let mut roastery = Roastery::new(1, Then::Stands);
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

/// A mock recall over five years, 40,000 batches, all of it packed and shipped (200,000 movements): everything that touched a lot, and where an
/// order came from. There are forty lots, or, as it never was, all those years drank from one.
#[divan::bench(args = [("lot", 40), ("order", 40), ("lot", 1), ("order", 1)], sample_count = 5, sample_size = 1)]
fn recall(bencher: Bencher, (of, lots): (&str, usize)) {
    static SOLD: Mutex<BTreeMap<usize, Arc<Roastery>>> = Mutex::new(BTreeMap::new());
    let roastery = {
        let mut sold = SOLD.lock().expect("no bench fails");
        let made = sold.entry(lots).or_insert_with(|| {
            let mut roastery = Roastery::new(lots, Then::Stands);
            roastery.roast(40_000);
            roastery.sell_all();
            roastery.runtime.block_on(roastery.app.learned());
            Arc::new(roastery)
        });
        Arc::clone(made)
    };
    let asked = match of {
        "lot" => trace::Asked {
            of: trace::Subject::Lot,
            id: roastery.lot.0,
            direction: trace::Direction::Forward,
            orders_elsewhere: true,
        },
        _ => trace::Asked {
            of: trace::Subject::Order,
            id: roastery.first_order(),
            direction: trace::Direction::Backward,
            orders_elsewhere: true,
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
        let mut roastery = Roastery::new(40, Then::Sold);
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
