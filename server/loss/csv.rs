//! Roast logs as CSV: reading them with every bad cell named, and writing what the learner said of each batch.
//!
//! Columns in: `batch_id time lot delivery grade style style_loss roaster green_g roasted_g received moisture moisture_sd d_in_g d_out_g`,
//! in any order, rows in order of time. Columns out: `batch_id mean_loss sd_loss lo hi flag alarm why`.

use std::collections::HashMap;
use std::fmt;
use std::sync::Arc;

use super::history::{Batch, DAY, Fact, Happening, Lot, Review, Style, Weights};
use super::learner::Learner;
use super::settings::Settings;

/// Columns that a roast log must have.
const COLUMNS: [&str; 15] = [
    "batch_id",
    "time",
    "lot",
    "delivery",
    "grade",
    "style",
    "style_loss",
    "roaster",
    "green_g",
    "roasted_g",
    "received",
    "moisture",
    "moisture_sd",
    "d_in_g",
    "d_out_g",
];

/// A cell that cannot be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadCell {
    /// Line of the file, from 1; the header is line 1.
    pub line: u64,
    /// Column by name; empty when the whole line is meant.
    pub column: String,
    /// What stands there.
    pub value: String,
    /// What would be right.
    pub expected: String,
}

impl fmt::Display for BadCell {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.column.is_empty() {
            return write!(f, "line {}: {}", self.line, self.expected);
        }
        write!(
            f,
            "line {}, column {}: `{}` should be {}",
            self.line, self.column, self.value, self.expected
        )
    }
}

impl std::error::Error for BadCell {}

/// A batch of a roast log with the moisture reading of its row.
#[derive(Debug, Clone, PartialEq)]
pub struct LoggedBatch {
    /// The batch; its id is the row's `batch_id`.
    pub batch: Batch,
    /// Moisture reading and its standard uncertainty, mass fractions.
    pub moisture: Option<(f64, f64)>,
}

/// Days from 1970-01-01 to a day of the Gregorian calendar; `None` if there is no such day.
#[must_use]
pub fn day_number(year: i64, month: i64, day: i64) -> Option<i64> {
    const BEFORE: [i64; 12] = [0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334];
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let length = match month {
        2 => 28 + i64::from(leap),
        4 | 6 | 9 | 11 => 30,
        1..=12 => 31,
        _ => return None,
    };
    if !(1..=length).contains(&day) || !(1..=9999).contains(&year) {
        return None;
    }
    let past = year - 1;
    let before = BEFORE[usize::try_from(month - 1).ok()?] + i64::from(leap && month > 2);
    Some(past * 365 + past / 4 - past / 100 + past / 400 + before + day - 1 - 719_162)
}

fn parse_day(text: &str) -> Option<i64> {
    let mut parts = text.split('-');
    let mut next = |width: usize| {
        parts
            .next()
            .filter(|p| p.len() == width && p.bytes().all(|b| b.is_ascii_digit()))
            .and_then(|p| p.parse().ok())
    };
    let day = day_number(next(4)?, next(2)?, next(2)?);
    if parts.next().is_some() { None } else { day }
}

/// Minutes since 1970-01-01T00:00 of `YYYY-MM-DDThh:mm`, with or without seconds.
fn parse_minute(text: &str) -> Option<i64> {
    let (day, time) = text.split_once(['T', ' '])?;
    let mut parts = time.split(':');
    let mut next = |below: i64| {
        parts
            .next()
            .filter(|p| p.len() == 2 && p.bytes().all(|b| b.is_ascii_digit()))
            .and_then(|p| p.parse().ok())
            .filter(|&v: &i64| v < below)
    };
    let (hour, minute) = (next(24)?, next(60)?);
    if time.len() > 5 {
        next(60)?;
    }
    Some(parse_day(day)? * DAY + hour * 60 + minute)
}

/// One row with the names of its columns.
struct Cells<'a> {
    row: &'a ::csv::StringRecord,
    places: &'a [usize],
    line: u64,
    errors: &'a mut Vec<BadCell>,
}

impl Cells<'_> {
    fn text(&self, column: &str) -> &str {
        COLUMNS
            .iter()
            .position(|&c| c == column)
            .and_then(|c| self.row.get(self.places[c]))
            .unwrap_or("")
            .trim()
    }

    fn bad(&mut self, column: &str, expected: &str) {
        let value = self.text(column).to_owned();
        self.errors.push(BadCell {
            line: self.line,
            column: column.to_owned(),
            value,
            expected: expected.to_owned(),
        });
    }

    fn name(&mut self, column: &str) -> String {
        let text = self.text(column).to_owned();
        if text.is_empty() && column != "grade" {
            self.bad(column, "a name");
        }
        text
    }

    fn number(&mut self, column: &str, expected: &str, right: impl Fn(f64) -> bool) -> f64 {
        match self.text(column).parse::<f64>() {
            Ok(value) if value.is_finite() && right(value) => value,
            _ => {
                self.bad(column, expected);
                1.0
            }
        }
    }

    fn moment(&mut self, column: &str, expected: &str, parse: impl Fn(&str) -> Option<i64>) -> i64 {
        let moment = parse(self.text(column));
        if moment.is_none() {
            self.bad(column, expected);
        }
        moment.unwrap_or(0)
    }

    fn moisture(&mut self) -> Option<(f64, f64)> {
        if self.text("moisture").is_empty() {
            return None;
        }
        let reading = self.number(
            "moisture",
            "a mass fraction between 0 and 0.5 such as 0.112, or empty",
            |v| v > 0.0 && v < 0.5,
        );
        let sd = self.number(
            "moisture_sd",
            "the meter's standard uncertainty, a mass fraction above 0 such as 0.003",
            |v| v > 0.0 && v < 0.5,
        );
        Some((reading, sd))
    }

    fn batch(&mut self) -> LoggedBatch {
        let received_day = self.moment("received", "a day such as 2025-03-31", parse_day);
        let grams = "grams above 0 such as 12000";
        let lot = Lot {
            id: self.name("lot"),
            delivery: self.name("delivery"),
            grade: self.name("grade"),
            received_day,
        };
        let nominal_loss = self.number(
            "style_loss",
            "a fraction between 0 and 0.5 such as 0.15",
            |v| v > 0.0 && v < 0.5,
        );
        let weights = Weights {
            charges_g: vec![self.number("green_g", grams, |v| v > 0.0 && v < 1e9)],
            roasted_g: self.number("roasted_g", grams, |v| v > 0.0 && v < 1e9),
            division_in_g: self.number("d_in_g", "the scale's division, grams", |v| {
                (0.0..1e6).contains(&v)
            }),
            division_out_g: self.number("d_out_g", "the scale's division, grams", |v| {
                (0.0..1e6).contains(&v)
            }),
        };
        let batch = Batch {
            id: self.name("batch_id"),
            minute: self.moment(
                "time",
                "a local time such as 2025-04-01T09:30",
                parse_minute,
            ),
            millisecond: 0,
            lot: lot.into(),
            style: Arc::new(Style {
                id: self.name("style"),
                nominal_loss,
            }),
            roaster: self.name("roaster").into(),
            weights,
            teaches: true,
            review: Review::None,
        };
        LoggedBatch {
            batch,
            moisture: self.moisture(),
        }
    }
}

/// Something wrong with a whole line.
fn bad_line(line: u64, expected: String) -> BadCell {
    BadCell {
        line,
        column: String::new(),
        value: String::new(),
        expected,
    }
}

/// Places of the columns in the header.
fn places_of(header: &::csv::StringRecord) -> Result<Vec<usize>, Vec<BadCell>> {
    let find = |column: &str| header.iter().position(|h| h.trim() == column);
    let missing: Vec<&str> = COLUMNS
        .into_iter()
        .filter(|column| find(column).is_none())
        .collect();
    if !missing.is_empty() {
        let expected = format!("the header lacks {}", missing.join(", "));
        return Err(vec![bad_line(1, expected)]);
    }
    Ok(COLUMNS.into_iter().filter_map(find).collect())
}

/// Reads a roast log.
///
/// # Errors
/// Every bad cell with its line, column, value and what would be right; no batch unless all are sound.
pub fn read_batches(text: &str) -> Result<Vec<LoggedBatch>, Vec<BadCell>> {
    let mut reader = ::csv::ReaderBuilder::new()
        .flexible(true)
        .from_reader(text.trim_start_matches('\u{feff}').as_bytes());
    let header = reader
        .headers()
        .map_err(|e| vec![bad_line(1, format!("a header line is needed ({e})"))])?
        .clone();
    let places = places_of(&header)?;
    let (mut batches, mut errors) = (Vec::new(), Vec::new());
    let mut lines = HashMap::new();
    for record in reader.records() {
        let row = match record {
            Ok(row) => row,
            Err(e) => {
                let line = e.position().map_or(0, ::csv::Position::line);
                errors.push(bad_line(line, format!("cannot be read as CSV ({e})")));
                continue;
            }
        };
        let line = row.position().map_or(0, ::csv::Position::line);
        if row.len() != header.len() {
            let (cells, columns) = (row.len(), header.len());
            let expected = format!("has {cells} cells where the header has {columns}");
            errors.push(bad_line(line, expected));
            continue;
        }
        let (row, places) = (&row, &places[..]);
        let logged = Cells {
            row,
            places,
            line,
            errors: &mut errors,
        }
        .batch();
        if let Some(first) = lines.insert(logged.batch.id.clone(), line) {
            errors.push(BadCell {
                line,
                column: "batch_id".into(),
                value: logged.batch.id.clone(),
                expected: format!("another id: line {first} has the same"),
            });
        }
        batches.push(logged);
    }
    if errors.is_empty() {
        Ok(batches)
    } else {
        Err(errors)
    }
}

/// Facts of a roast log in the order of its rows: ids are the row's place, so that batches of one minute keep that order. A moisture
/// reading counts from the receipt, a changed one from its row; a lot leaves after its last row.
#[must_use]
pub fn facts(batches: &[LoggedBatch]) -> Vec<Fact> {
    let mut facts = Vec::with_capacity(batches.len() + 64);
    let mut readings = HashMap::new();
    let last_of = |key: fn(&Lot) -> &str| -> HashMap<&str, usize> {
        batches
            .iter()
            .enumerate()
            .map(|(i, b)| (key(&b.batch.lot), i))
            .collect()
    };
    let (last, last_sibling) = (last_of(|lot| &lot.id), last_of(|lot| &lot.delivery));
    for (i, logged) in batches.iter().enumerate() {
        let (batch, id) = (&logged.batch, format!("{i:08}"));
        let known = readings.insert(batch.lot.id.as_str(), logged.moisture);
        if let (Some((reading, sd)), true) = (logged.moisture, known != Some(logged.moisture)) {
            let minute = if known.is_none() {
                batch.lot.received_day.saturating_mul(DAY).min(batch.minute)
            } else {
                batch.minute
            };
            facts.push(Fact::Event {
                id: format!("{id}m"),
                minute,
                millisecond: 0,
                what: Happening::Moisture {
                    lot: batch.lot.id.clone(),
                    reading,
                    sd,
                },
            });
        }
        facts.push(Fact::Batch(Batch {
            id: id.clone(),
            ..batch.clone()
        }));
        if last.get(batch.lot.id.as_str()) == Some(&i) {
            let with_delivery = last_sibling.get(batch.lot.delivery.as_str()) == Some(&i);
            facts.push(Fact::Event {
                id: format!("{id}z"),
                minute: batch.minute,
                millisecond: 0,
                what: Happening::LotLeft {
                    lot: batch.lot.id.clone(),
                    with_delivery,
                },
            });
        }
    }
    facts
}

/// Replays batches through a learner of its own; `judged()` of the result is in the order of the batches.
///
/// # Errors
/// When the rows are not in order of time: the first line that is not.
pub fn replay(batches: &[LoggedBatch], settings: Settings) -> Result<Learner, BadCell> {
    if let Some(i) = batches
        .windows(2)
        .position(|w| w[1].batch.minute < w[0].batch.minute)
    {
        let line = u64::try_from(i + 3).unwrap_or(u64::MAX);
        let expected = "not before the time of the line above: sort the rows by time".to_owned();
        return Err(BadCell {
            line,
            column: "time".into(),
            value: batches[i + 1].batch.id.clone(),
            expected,
        });
    }
    let mut learner = Learner::new(settings);
    learner.replay(facts(batches).into_iter().collect());
    Ok(learner)
}

/// The learner's CSV for a replayed log.
#[must_use]
pub fn learner_csv(batches: &[LoggedBatch], learner: &Learner) -> String {
    use fmt::Write as _;
    let mut out = String::from("batch_id,mean_loss,sd_loss,lo,hi,flag,alarm,why\n");
    for (logged, judged) in batches.iter().zip(learner.judged()) {
        let v = &judged.verdict;
        let notices = match (judged.lot_notice, judged.roaster_notice) {
            (false, false) => "",
            (true, false) => "lot",
            (false, true) => "roaster",
            (true, true) => "lot;roaster",
        };
        let id = quoted(&logged.batch.id);
        let why = judged.explanations.first().map_or("", |e| e.cause.word());
        let flag = v.outcome.word();
        let _ = writeln!(
            out,
            "{id},{:.6},{:.6},{:.6},{:.6},{flag},{notices},{why}",
            v.mean, v.sd, v.lo, v.hi
        );
    }
    out
}

fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}
