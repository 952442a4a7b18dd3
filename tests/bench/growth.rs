//! How the planner's time grows with the size of a roastery: `cargo bench --bench growth` prints it, with a file name after `--` it draws it too
//! (demo/pictures/planner-growth.svg is drawn so). Processor time of one thread.

use std::fmt::Write;
use std::time::Instant;

use outturn::planner::{Draft, Effort, Instance, Options, plan_with};

#[path = "../planner/roastery.rs"]
mod roastery;
use roastery::{Size, roastery};

/// Name, size, and the milliseconds that a plan of that size may take.
const SIZES: [(&str, Size, f64); 6] = [
    ("tiny", size(3, 1, 3), 10.0),
    ("small", size(5, 2, 8), 10.0),
    ("week", size(6, 2, 16), 100.0),
    ("month", size(10, 2, 24), 500.0),
    ("big", size(10, 4, 60), 2_000.0),
    ("huge", size(14, 20, 680), 10_000.0),
];
/// Seeds of each size; the middle one of their times counts.
const SEEDS: u64 = 5;

const fn size(days: i64, roasters: i64, coffees: i64) -> Size {
    Size {
        days,
        roasters,
        coffees,
    }
}

/// A plan is made anew for at least so long.
const LEAST_MS: u128 = 500;

/// Times of one size, milliseconds.
struct Row {
    name: &'static str,
    streams: f64,
    first: f64,
    whole: f64,
    allowed: f64,
}

fn main() {
    println!("size     streams    first plan ms     whole ms    may take ms");
    let rows: Vec<Row> = SIZES.iter().map(measured).collect();
    if let Some(file) = std::env::args().skip(1).find(|a| !a.starts_with("--")) {
        std::fs::write(&file, picture(&rows)).expect("the picture can be written");
    }
}

fn measured((name, size, allowed): &(&'static str, Size, f64)) -> Row {
    let seeds = if *name == "huge" { 1 } else { SEEDS };
    let drafts: Vec<Draft> = (1..=seeds).map(|seed| roastery(*size, seed)).collect();
    let middle = |effort: Effort| {
        let mut times: Vec<f64> = drafts.iter().map(|draft| time(draft, effort)).collect();
        times.sort_by(f64::total_cmp);
        times[times.len() / 2]
    };
    let row = Row {
        name,
        streams: drafts.iter().map(streams).sum::<f64>()
            / f64::from(u32::try_from(seeds).expect("few")),
        first: middle(Effort::First),
        whole: middle(Effort::Full),
        allowed: *allowed,
    };
    println!(
        "{:8}{:8.0}{:17.1}{:13.1}{:15.0}",
        row.name, row.streams, row.first, row.whole, row.allowed
    );
    row
}

fn time(draft: &Draft, effort: Effort) -> f64 {
    let instance = Instance::new(draft.clone()).expect("an invented roastery is legal");
    let options = Options {
        effort,
        ..Options::default()
    };
    let (begun, worked) = (Instant::now(), worked_ms());
    let mut runs = 0.0;
    // The system tells processor time in steps of some milliseconds.
    while runs == 0.0 || begun.elapsed().as_millis() < LEAST_MS {
        assert!(plan_with(&instance, &options).levels.minutes > 0);
        runs += 1.0;
    }
    let passed = begun.elapsed().as_secs_f64() * 1_000.0;
    worked.zip(worked_ms()).map_or(passed, |(a, b)| b - a) / runs
}

/// Milliseconds that this thread has had a processor, where the system tells it (Linux): other programs do not count.
fn worked_ms() -> Option<f64> {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    let nanoseconds: f64 = told.split_whitespace().next()?.parse().ok()?;
    Some(nanoseconds / 1e6)
}

/// Lot, style and roaster on a day: what may be roasted.
fn streams(draft: &Draft) -> f64 {
    let lines: usize = draft.lots.iter().map(|lot| lot.yields.len()).sum();
    f64::from(u32::try_from(lines).expect("few"))
        * f64::from(i32::try_from(draft.days).expect("few"))
}

const LEFT: f64 = 70.0;
const TOP: f64 = 30.0;
const WIDE: f64 = 560.0;
const HIGH: f64 = 300.0;
/// Powers of ten at the ends of the axes: streams, milliseconds.
const ACROSS: (f64, f64) = (1.0, 6.0);
const UP: (f64, f64) = (-1.0, 5.0);

fn x(streams: f64) -> f64 {
    LEFT + (streams.log10() - ACROSS.0) / (ACROSS.1 - ACROSS.0) * WIDE
}

fn y(ms: f64) -> f64 {
    TOP + HIGH - (ms.log10() - UP.0) / (UP.1 - UP.0) * HIGH
}

const STYLE: &str = "text{font:13px system-ui,sans-serif;fill:#1b1b1b}.ground{fill:#fff}.grid{stroke:#d8d4cf}\
.whole{stroke:#7a4a21;fill:#7a4a21}.first{stroke:#1f5f8b;fill:#1f5f8b}.line{fill:none;stroke-width:2}.may{fill:none;stroke:#1b1b1b}";

/// The growth as a picture, both axes in powers of ten.
fn picture(rows: &[Row]) -> String {
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 690 400\" role=\"img\" aria-labelledby=\"growth-title\">\n\
         <title id=\"growth-title\">Milliseconds of a plan by the number of streams</title>\n<style>{STYLE}</style>\n\
         <rect class=\"ground\" width=\"690\" height=\"400\"/>\n"
    );
    for (power, label) in (-1..).zip(["0.1 ms", "1 ms", "10 ms", "0.1 s", "1 s", "10 s", "100 s"]) {
        let at = y(10_f64.powi(power));
        let _ = writeln!(
            out,
            "<line class=\"grid\" x1=\"{LEFT}\" y1=\"{at:.1}\" x2=\"{}\" y2=\"{at:.1}\"/>",
            LEFT + WIDE
        );
        let _ = writeln!(
            out,
            "<text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{label}</text>",
            LEFT - 8.0,
            at + 4.0
        );
    }
    for (power, label) in (1..).zip(["10", "100", "1,000", "10,000", "100,000", "1,000,000"]) {
        let at = x(10_f64.powi(power));
        let _ = writeln!(
            out,
            "<text x=\"{at:.1}\" y=\"{}\" text-anchor=\"middle\">{label}</text>",
            TOP + HIGH + 20.0
        );
    }
    line(&mut out, rows, "whole", |row| row.whole);
    line(&mut out, rows, "first", |row| row.first);
    for row in rows {
        let _ = writeln!(
            out,
            "<circle class=\"may\" cx=\"{:.1}\" cy=\"{:.1}\" r=\"6\"/>",
            x(row.streams),
            y(row.allowed)
        );
        let _ = writeln!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
            x(row.streams),
            y(row.allowed) - 12.0,
            row.name
        );
    }
    legend(&mut out);
    out.push_str("</svg>\n");
    out
}

fn line(out: &mut String, rows: &[Row], class: &str, of: impl Fn(&Row) -> f64) {
    let points: Vec<String> = rows
        .iter()
        .map(|row| format!("{:.1},{:.1}", x(row.streams), y(of(row))))
        .collect();
    let _ = writeln!(
        out,
        "<polyline class=\"{class} line\" points=\"{}\"/>",
        points.join(" ")
    );
    for row in rows {
        let _ = writeln!(
            out,
            "<circle class=\"{class}\" cx=\"{:.1}\" cy=\"{:.1}\" r=\"3\"/>",
            x(row.streams),
            y(of(row))
        );
    }
}

fn legend(out: &mut String) {
    let at = TOP + HIGH + 46.0;
    for (n, (class, words)) in (0..).zip([
        ("whole", "whole plan"),
        ("first", "first good plan"),
        ("may", "may take"),
    ]) {
        let left = LEFT + 130.0 * f64::from(n);
        let _ = writeln!(
            out,
            "<circle class=\"{class}\" cx=\"{left}\" cy=\"{}\" r=\"5\"/><text x=\"{}\" y=\"{at}\">{words}</text>",
            at - 4.0,
            left + 12.0
        );
    }
    let _ = writeln!(
        out,
        "<text x=\"{}\" y=\"{at}\" text-anchor=\"end\">streams (lot, style, roaster, day)</text>",
        LEFT + WIDE + 20.0
    );
}
