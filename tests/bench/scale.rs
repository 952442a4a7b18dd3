//! How everything grows with the book of a site: five years of a thousand to forty thousand batches, ten movements each. `cargo bench --bench
//! scale` prints it; with a file name after `--` it draws it too (demo/pictures/book-growth.svg is drawn so), and with `million` it goes on to a
//! million batches of four movements, for which it needs some 15 GB in the folder for temporary files.
//!
//! What the pages ask is asked through the routes, from the request to the last byte of the answer; the middle one of several times counts.

use std::fmt::Write;
use std::time::Instant;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::Request;
use outturn::audit::statement::{AskedMany, Scope, many};
use outturn::expect::Expect;
use outturn::setup::{Coffee, Order, Product, ShipDay};
use outturn::web::{self, Door};
use serde_json::json;
use tower::ServiceExt;

mod made;
use made::{DAYS, Roastery, Then, forget, today};

/// Batches, and what becomes of them.
const SIZES: [(i64, Then); 4] = [
    (1_000, Then::Sold),
    (10_000, Then::Sold),
    (40_000, Then::Sold),
    (1_000_000, Then::Scrapped),
];
/// Batches of a lot.
const OF_A_LOT: i64 = 1_000;

/// What is measured, with the colour of its line.
const LINES: [(&str, &str); 8] = [
    ("page of the floor", "#7a4a21"),
    ("page of the findings", "#a8552b"),
    ("plan of a week", "#1f5f8b"),
    ("statement, 5 years", "#2c7a4b"),
    ("balance, past day", "#8a3d7c"),
    ("start", "#1b1b1b"),
    ("start from nothing", "#8a8a8a"),
    ("export", "#b08900"),
];

/// One size with its milliseconds, in order of [`LINES`].
struct Row {
    batches: i64,
    leaves: i64,
    megabytes: u64,
    ms: [f64; LINES.len()],
}

fn main() {
    let arguments: Vec<String> = std::env::args()
        .skip(1)
        .filter(|a| !a.starts_with("--"))
        .collect();
    let million = arguments.iter().any(|a| a == "million");
    let names = LINES.map(|(name, _)| format!("{name:>22}")).concat();
    println!("batches     leaves      MB{names}   (ms)");
    let rows: Vec<Row> = SIZES
        .iter()
        .filter(|(batches, _)| million || *batches < 1_000_000)
        .map(|(batches, then)| measured(*batches, *then))
        .collect();
    if let Some(file) = arguments.iter().find(|a| *a != "million") {
        std::fs::write(file, picture(&rows)).expect("the picture can be written");
    }
}

fn measured(batches: i64, then: Then) -> Row {
    let lots = usize::try_from(batches / OF_A_LOT).unwrap_or(1).max(2);
    let mut roastery = Roastery::new(lots, then);
    roastery.roast(batches);
    take_orders(&roastery);
    let row = Row {
        batches,
        leaves: roastery.size(),
        megabytes: megabytes(&roastery),
        ms: [
            middle(5, || floor_page(&roastery)),
            middle(3, || asked(&roastery, &["/api/findings"])),
            middle(5, || plan(&roastery)),
            middle(5, || statement(&roastery)),
            middle(20, || balance(&roastery)),
            start(&roastery, true),
            start(&roastery, false),
            middle(1, || export(&roastery)),
        ],
    };
    let told: String = row.ms.iter().map(|ms| format!("{ms:>22.1}")).collect();
    println!(
        "{:>7}{:>11}{:>8}{told}",
        row.batches, row.leaves, row.megabytes
    );
    row
}

/// Milliseconds of the middle one of several runs.
fn middle(runs: usize, mut run: impl FnMut()) -> f64 {
    let mut times: Vec<f64> = (0..runs)
        .map(|_| {
            let begun = Instant::now();
            run();
            begun.elapsed().as_secs_f64() * 1_000.0
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[runs / 2]
}

/// Twelve orders of forty bags for three days of the coming week.
fn take_orders(roastery: &Roastery) {
    let (coffees, _) = read(roastery, |tx, site| {
        Box::pin(async move {
            outturn::setup::page::<Coffee>(tx, site, None, 1)
                .await
                .expect("coffees")
        })
    });
    let product = json!({"name": "Alder 250", "parts": [{"coffee": coffees[0].id, "share": 1}], "style": roastery.style, "bag_g": 250});
    let product = roastery.put::<Product>(product);
    for day in ["2026-11-27", "2026-11-30", "2026-12-01"] {
        let ship_day = json!({"day": day, "packing_day": day, "carrier_at": "15:00"});
        roastery.put::<ShipDay>(ship_day);
        for n in 0..4 {
            let order = json!({"number": format!("{day}-{n}"), "customer": "Corner Cafe", "ship_day": day, "transit_days": 1, "priority": 1,
                "lines": [{"line": 1, "product": product, "bags": 40}]});
            roastery.put::<Order>(order);
        }
    }
    roastery.runtime.block_on(roastery.app.learned());
}

type Reading<'a, T> = std::pin::Pin<Box<dyn Future<Output = T> + Send + 'a>>;

fn read<T>(
    roastery: &Roastery,
    what: impl for<'a> FnOnce(&'a mut dyn outturn::store::Read, outturn::ids::SiteId) -> Reading<'a, T>,
) -> T {
    roastery.runtime.block_on(async {
        let mut tx = roastery.app.read().await.expect("a snapshot");
        what(&mut *tx, roastery.app.site).await
    })
}

/// Megabytes of the database's files.
fn megabytes(roastery: &Roastery) -> u64 {
    let files = std::fs::read_dir(roastery.folder.path()).expect("a folder");
    let bytes: u64 = files
        .map(|file| file.and_then(|file| file.metadata()).map_or(0, |m| m.len()))
        .sum();
    bytes / 1_000_000
}

fn router(roastery: &Roastery) -> Router {
    web::router(std::sync::Arc::clone(&roastery.app), Door::open())
}

fn answered(roastery: &Roastery, requests: Vec<Request<Body>>) {
    let router = router(roastery);
    roastery.runtime.block_on(async {
        for request in requests {
            let path = request.uri().clone();
            let answer = router.clone().oneshot(request).await;
            let answer = answer.expect("an answer");
            let status = answer.status();
            let bytes = to_bytes(answer.into_body(), usize::MAX)
                .await
                .expect("a body");
            assert!(
                status.is_success(),
                "{path}: {}",
                String::from_utf8_lossy(&bytes)
            );
        }
    });
}

fn asked(roastery: &Roastery, paths: &[&str]) {
    let get = |path: &&str| Request::get(*path).body(Body::empty()).expect("a request");
    answered(roastery, paths.iter().map(get).collect());
}

/// What the floor page reads when it is opened.
fn floor_page(roastery: &Roastery) {
    asked(
        roastery,
        &[
            "/api/me",
            "/api/cards?from=2026-11-25&to=2026-11-27",
            "/api/batches?state=open",
            "/api/batches?state=held",
            "/api/batches?from=2026-11-25&to=2026-11-25",
            "/api/lots?limit=500",
            "/api/roasters",
            "/api/styles",
            "/api/scales",
            "/api/storerooms",
        ],
    );
}

fn plan(roastery: &Roastery) {
    let request = Request::post("/api/plans")
        .header("content-type", "application/json")
        .body(Body::from("{}"));
    answered(roastery, vec![request.expect("a request")]);
}

/// All green over five years: sums, lots, places and the first 500 lines, as JSON.
fn statement(roastery: &Roastery) {
    let asked = AskedMany {
        scope: Scope::All,
        from: Some(today().plus(-DAYS)),
        to: today(),
        known: None,
        after: None,
        limit: 500,
    };
    read(roastery, |tx, site| {
        Box::pin(async move {
            let drawn = many(tx, site, asked).await.expect("a statement");
            serde_json::to_string(&drawn).expect("JSON").len()
        })
    });
}

/// What stood in store of a lot in the middle of the five years.
fn balance(roastery: &Roastery) {
    let (lot, day) = (roastery.lot, today().plus(-DAYS / 2));
    read(roastery, |tx, site| {
        Box::pin(async move {
            let standing = tx.standing_on(site, lot, Some("store"), day, None).await;
            standing.expect("a balance").len()
        })
    });
}

/// A start of the learner: from what was written down when the service stopped, or from the whole book.
fn start(roastery: &Roastery, from_written: bool) -> f64 {
    let (app, runtime) = (&roastery.app, &roastery.runtime);
    let open = || runtime.block_on(Expect::open(&*app.store, app.site));
    runtime.block_on(async {
        if from_written {
            let learned = open_anew(roastery).await;
            learned.write(&*app.store, app.site).await.expect("a write");
        } else {
            forget(&*roastery.app.store, roastery.app.site).await;
        }
    });
    middle(if from_written { 5 } else { 1 }, || {
        open().expect("a learner");
    })
}

async fn open_anew(roastery: &Roastery) -> Expect {
    forget(&*roastery.app.store, roastery.app.site).await;
    let learned = Expect::open(&*roastery.app.store, roastery.app.site).await;
    learned.expect("a learner")
}

/// The whole book as JSON Lines into a file, while people may work.
fn export(roastery: &Roastery) {
    let file = roastery.folder.path().join("copy.jsonl");
    roastery.runtime.block_on(async {
        let mut tx = roastery.app.read().await.expect("a snapshot");
        let written = outturn::copies::write_file(&mut *tx, &file, |_| Ok(())).await;
        written.expect("a copy");
    });
    std::fs::remove_file(file).expect("the copy");
}

const LEFT: f64 = 70.0;
const TOP: f64 = 30.0;
const WIDE: f64 = 560.0;
const HIGH: f64 = 300.0;
/// Powers of ten at the ends of the axes: batches, milliseconds.
const ACROSS: (f64, f64) = (3.0, 6.0);
const UP: (f64, f64) = (-1.0, 5.0);

#[expect(clippy::cast_precision_loss, reason = "at most a million")]
fn x(batches: i64) -> f64 {
    LEFT + ((batches as f64).log10() - ACROSS.0) / (ACROSS.1 - ACROSS.0) * WIDE
}

fn y(ms: f64) -> f64 {
    TOP + HIGH - (ms.max(0.1).log10() - UP.0) / (UP.1 - UP.0) * HIGH
}

const STYLE: &str = "text{font:13px system-ui,sans-serif;fill:#1b1b1b}.ground{fill:#fff}.grid{stroke:#d8d4cf}.line{fill:none;stroke-width:2}";

/// The growth as a picture, both axes in powers of ten.
fn picture(rows: &[Row]) -> String {
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 690 440\" role=\"img\" aria-labelledby=\"book-growth-title\">\n\
         <title id=\"book-growth-title\">Milliseconds by the number of batches in the book</title>\n<style>{STYLE}</style>\n\
         <rect class=\"ground\" width=\"690\" height=\"440\"/>\n"
    );
    for (power, label) in (-1..).zip(["0.1 ms", "1 ms", "10 ms", "0.1 s", "1 s", "10 s", "100 s"]) {
        let at = y(10_f64.powi(power));
        let _ = writeln!(
            out,
            "<line class=\"grid\" x1=\"{LEFT}\" y1=\"{at:.1}\" x2=\"{}\" y2=\"{at:.1}\"/><text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{label}</text>",
            LEFT + WIDE,
            LEFT - 8.0,
            at + 4.0
        );
    }
    for row in rows {
        let _ = writeln!(
            out,
            "<text x=\"{:.1}\" y=\"{}\" text-anchor=\"middle\">{} batches</text>",
            x(row.batches),
            TOP + HIGH + 20.0,
            thousands(row.batches)
        );
    }
    for (n, (name, colour)) in LINES.iter().enumerate() {
        line(&mut out, rows, n, colour);
        let column = f64::from(u8::try_from(n % 4).unwrap_or(0));
        let below = f64::from(u8::try_from(n / 4).unwrap_or(0));
        let (left, at) = (LEFT + 145.0 * column, TOP + HIGH + 50.0 + 22.0 * below);
        let _ = writeln!(
            out,
            "<circle fill=\"{colour}\" cx=\"{left}\" cy=\"{}\" r=\"5\"/><text x=\"{}\" y=\"{at}\">{name}</text>",
            at - 4.0,
            left + 10.0
        );
    }
    out.push_str("</svg>\n");
    out
}

fn thousands(batches: i64) -> String {
    match batches {
        1_000_000.. => format!("{},000,000", batches / 1_000_000),
        _ => format!("{},000", batches / 1_000),
    }
}

fn line(out: &mut String, rows: &[Row], n: usize, colour: &str) {
    let points: Vec<String> = rows
        .iter()
        .map(|row| format!("{:.1},{:.1}", x(row.batches), y(row.ms[n])))
        .collect();
    let _ = writeln!(
        out,
        "<polyline class=\"line\" stroke=\"{colour}\" points=\"{}\"/>",
        points.join(" ")
    );
    for row in rows {
        let _ = writeln!(
            out,
            "<circle fill=\"{colour}\" cx=\"{:.1}\" cy=\"{:.1}\" r=\"3\"/>",
            x(row.batches),
            y(row.ms[n])
        );
    }
}
