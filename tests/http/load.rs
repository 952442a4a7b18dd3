//! A day's work in a minute: twenty tablets and five who plan, all at once, on the program itself. No request fails, and the program keeps no memory
//! of what went through it but what it learned. How long a weigh-out takes is printed beside one bare durable insert of the same minutes.
//!
//! `OUTTURN_LOAD_SECONDS` says how long (60), `OUTTURN_BIN` which program (the one that was built with the tests), `OUTTURN_LOAD_FACTOR` fails
//! the run when the 99th percentile is more than so many times the bare insert: for a release build on a quiet machine, see tests/long.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteSynchronous};
use sqlx::{ConnectOptions, Connection};

use crate::green::reckoned;
use crate::program::{Program, run_by, serving, token};
use crate::support::{Client, Roastery, roastery};

const TABLETS: u64 = 20;
const PLANNERS: u64 = 5;
/// A tablet sends something so often; in a roastery it is every few minutes.
const PACE: Duration = Duration::from_secs(1);
/// A planner plans again after so long.
const THOUGHT: Duration = Duration::from_secs(3);
/// What caches may still take from the second quarter to the last.
const GROWTH_KB: u64 = 24 * 1_024;
/// What the learner may keep of a batch. An hour of this is the batches of four years, and it knows them all.
const LEARNED_KB: u64 = 2;

fn setting<T: std::str::FromStr>(name: &str) -> Option<T> {
    let text = std::env::var(name).ok()?;
    Some(text.parse().unwrap_or_else(|_| panic!("{name}={text}")))
}

/// Resident memory of a process in kilobytes (Linux, proc(5)); none elsewhere.
fn memory_kb(process: u32) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmRSS:"))?;
    line.trim().trim_end_matches(" kB").parse().ok()
}

/// One person at the drum: green in, roasted out, now and then a look at what stands there. How long each weigh-out took.
async fn roast(
    client: Client,
    made: Roastery,
    over: Arc<AtomicBool>,
    first: Duration,
) -> Vec<Duration> {
    let mut took = Vec::new();
    tokio::time::sleep(first).await;
    while !over.load(Ordering::Relaxed) {
        let batch = client.id();
        let green = json!({"batch": batch, "lot": made.screen_18, "style": made.light, "roaster": made.little, "storeroom": made.storeroom,
            "weight": reckoned(600), "confirmed": ["drum_busy", "beyond_book"]});
        client.command("weigh-ins", green).await;
        tokio::time::sleep(PACE).await;
        client.get("/api/batches?state=open").await;
        let begun = Instant::now();
        client
            .command(
                "weigh-outs",
                json!({"batches": [batch], "weight": reckoned(518)}),
            )
            .await;
        took.push(begun.elapsed());
        tokio::time::sleep(PACE).await;
        // What was roasted goes again, as from any roastery: what stands in the house is read by whoever plans, and must not grow for ever.
        client.command("scraps", json!({"batch": batch})).await;
    }
    took
}

/// One who plans, looks at stock and takes an order. How often.
async fn plan(client: Client, made: Roastery, over: Arc<AtomicBool>, day: String) -> usize {
    let mut plans = 0;
    while !over.load(Ordering::Relaxed) {
        let number = client.id();
        let order = json!({"number": number, "customer": "Blue Door", "ship_day": day, "transit_days": 1, "priority": 1,
            "lines": [{"line": 1, "product": made.kivu_bag, "bags": 4}]});
        // Only the first few are left to be roasted: a plan is of a week, not of all that was ever ordered.
        if plans < 3 {
            client.put_new("orders", order).await;
        }
        client.post("/api/plans", &json!({})).await.expect(200);
        client.get("/api/stock").await;
        plans += 1;
        tokio::time::sleep(THOUGHT).await;
    }
    plans
}

/// One row, on disk when it is answered, as often as nothing else is asked for: what the machine can do at best at this moment.
async fn insert(folder: &Path, over: Arc<AtomicBool>) -> Vec<Duration> {
    let options = SqliteConnectOptions::new()
        .filename(folder.join("bare.sqlite"))
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full);
    let mut bare = options.connect().await.unwrap();
    sqlx::query("CREATE TABLE bare (n INTEGER PRIMARY KEY, leaf TEXT NOT NULL)")
        .execute(&mut bare)
        .await
        .unwrap();
    let leaf = "x".repeat(1_000);
    let mut took = Vec::new();
    while !over.load(Ordering::Relaxed) {
        let begun = Instant::now();
        sqlx::query("INSERT INTO bare (leaf) VALUES ($1)")
            .bind(&leaf)
            .execute(&mut bare)
            .await
            .unwrap();
        took.push(begun.elapsed());
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    bare.close().await.unwrap();
    took
}

/// The value below which so many of a hundred lie.
fn percentile(times: &mut [Duration], of_hundred: usize) -> Duration {
    times.sort_unstable();
    times[(times.len() * of_hundred / 100).min(times.len() - 1)]
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn twenty_tablets_and_five_planners() {
    let seconds: u64 = setting("OUTTURN_LOAD_SECONDS").unwrap_or(60);
    let folder = tempfile::tempdir().unwrap();
    let url = format!("sqlite:{}", folder.path().join("book.sqlite").display());
    let program = Program::of(run_by(serving(&url, folder.path())), folder.path()).unwrap();
    let token = token(&url);
    let owner = program.client(&token, 1);
    let made = roastery(&owner).await;
    let day = in_four_days(&owner).await;
    receive(&owner, &made, seconds).await;

    let over = Arc::new(AtomicBool::new(false));
    let tablets: Vec<_> = (0..TABLETS)
        .map(|n| {
            let first = PACE * 2 * u32::try_from(n).unwrap() / u32::try_from(TABLETS).unwrap();
            tokio::spawn(roast(
                program.client(&token, 100 + n),
                made.clone(),
                Arc::clone(&over),
                first,
            ))
        })
        .collect();
    let planners: Vec<_> = (0..PLANNERS)
        .map(|n| {
            tokio::spawn(plan(
                program.client(&token, 200 + n),
                made.clone(),
                Arc::clone(&over),
                day.clone(),
            ))
        })
        .collect();
    let (path, told) = (folder.path().to_owned(), Arc::clone(&over));
    let bare = tokio::spawn(async move { insert(&path, told).await });

    let quarter = Duration::from_secs(seconds) / 4;
    tokio::time::sleep(quarter).await;
    let begin = lowest(&program, quarter).await;
    tokio::time::sleep(quarter).await;
    let end = lowest(&program, quarter).await;
    over.store(true, Ordering::Relaxed);
    let (mut out, mut plans) = (Vec::new(), 0);
    for tablet in tablets {
        out.extend(tablet.await.unwrap());
    }
    for planner in planners {
        plans += planner.await.unwrap();
    }
    let mut bare = bare.await.unwrap();
    let (typical, slow) = (percentile(&mut bare, 50), percentile(&mut out, 99));
    let factor = slow.as_secs_f64() / typical.as_secs_f64();
    println!(
        "{seconds} s: {} weigh-outs, half within {:?}, 99 % within {slow:?}; {plans} plans; a bare durable insert {typical:?} (99 % within {:?}; {factor:.1} times); memory at least {begin} KB in the second quarter, {end} KB in the last",
        out.len(),
        percentile(&mut out, 50),
        percentile(&mut bare, 99),
    );
    let learned = out.len() as u64 / 2;
    assert!(
        end <= begin + GROWTH_KB + LEARNED_KB * learned,
        "memory grows: {begin} KB, then {end} KB"
    );
    if let Some(most) = setting::<f64>("OUTTURN_LOAD_FACTOR") {
        assert!(factor <= most, "{factor} times a bare insert");
    }
    assert_eq!(owner.get("/api/verify").await["ok"], true);
    program.stop();
}

/// The least memory that the program has in a while: what it keeps, without what a plan takes for a moment.
async fn lowest(program: &Program, time: Duration) -> u64 {
    let until = Instant::now() + time;
    let mut least = u64::MAX;
    while Instant::now() < until {
        least = least.min(memory_kb(program.id()).unwrap_or(0));
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    least
}

/// Green for all that the tablets roast.
async fn receive(owner: &Client, made: &Roastery, seconds: u64) {
    let grams = TABLETS * seconds.max(60) * 600;
    let line = json!({"lot": made.screen_18, "storeroom": made.storeroom, "weight": reckoned(i64::try_from(grams).unwrap())});
    let body = json!({"delivery": made.kivu_delivery, "lines": [line]});
    owner.command("receipts", body).await;
}

/// A ship day that the plan of this week sees.
async fn in_four_days(owner: &Client) -> String {
    let today: Value = owner.get("/api/me").await["today"].clone();
    let today: outturn::day::Day = today.as_str().unwrap().parse().unwrap();
    let day = today.plus(4).to_string();
    let fields = json!({"day": day, "packing_day": today.plus(3), "carrier_at": "15:00"});
    owner.put_new("ship-days", fields).await;
    day
}
