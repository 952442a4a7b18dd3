//! A statement as a table for a terminal or plain print.

use std::fmt::Write as _;

use super::{Line, Statement};
use crate::book::place::label_of;
use crate::fraction::Fraction;
use crate::mass::Mass;

const HEADS: [&str; 9] = [
    "day",
    "what",
    "change kg",
    "in store kg",
    "roasted kg",
    "loss",
    "expected",
    "range",
    "",
];
/// The columns that hold text; the others are numbers, set to the right.
const TEXT: [bool; 9] = [true, true, false, false, false, false, false, false, true];
const WIDEST: usize = 44;

/// The statement as readable text: opening, each line, closing, and where all of the lot is then.
#[must_use]
pub fn table(statement: &Statement) -> String {
    let mut rows = vec![HEADS.map(str::to_owned)];
    rows.push(edge(
        statement.from.to_string(),
        "opening",
        statement.opening_g,
    ));
    rows.extend(statement.lines.iter().map(row));
    rows.push(edge(
        statement.to.to_string(),
        "closing",
        statement.closing_g,
    ));
    let mut out = format!(
        "Statement of {} ({}), {} to {}, as the first {} leaves of the book say\n\n",
        statement.name, statement.grade, statement.from, statement.to, statement.known
    );
    lay_out(&mut out, &rows);
    let _ = writeln!(out, "\nWhere all of the lot is on {}:", statement.to);
    let places: Vec<[String; 2]> = statement
        .totals
        .iter()
        .map(|total| {
            [
                label(&total.place, &total.key_text),
                kilograms(total.mass_g),
            ]
        })
        .collect();
    let wide = places
        .iter()
        .map(|[label, _]| label.chars().count())
        .max()
        .unwrap_or(0);
    for [label, mass] in &places {
        let _ = writeln!(out, "  {label:wide$}  {mass:>14}");
    }
    let sum = Mass::sum(statement.totals.iter().map(|total| total.mass_g)).unwrap_or(Mass::MAX);
    let _ = writeln!(
        out,
        "  {:wide$}  {:>14}",
        "all places together",
        kilograms(sum)
    );
    out
}

fn edge(day: String, what: &str, balance: Mass) -> [String; 9] {
    let mut cells: [String; 9] = Default::default();
    cells[0] = day;
    what.clone_into(&mut cells[1]);
    cells[3] = kilograms(balance);
    cells
}

fn row(line: &Line) -> [String; 9] {
    let share = |share: Option<Fraction>| share.map(|f| f.to_string()).unwrap_or_default();
    let mut text = line.text.clone();
    if let Some(batch) = &line.batch {
        let _ = write!(text, " · {}, {}", batch.roaster.name, batch.style.name);
    }
    if text.chars().count() > WIDEST {
        text = text.chars().take(WIDEST - 1).chain(['…']).collect();
    }
    let batch = line.batch.as_ref();
    let range = batch.and_then(|b| Some(format!("{} – {}", b.lo?, b.hi?)));
    let mut marks = Vec::new();
    marks.extend(
        batch
            .and_then(|b| b.judgement)
            .map(crate::floor::batch::Judgement::word),
    );
    marks.extend(line.late.then_some("late"));
    marks.extend(line.undone.then_some("undone later"));
    [
        line.day.to_string(),
        text,
        kilograms(line.change_g),
        kilograms(line.balance_g),
        batch
            .and_then(|b| b.roasted_g)
            .map(kilograms)
            .unwrap_or_default(),
        share(batch.and_then(|b| b.loss)),
        share(batch.and_then(|b| b.mean)),
        range.unwrap_or_default(),
        marks.join(", "),
    ]
}

/// Kilograms, at least two decimals, and as many more as the milligrams ask for.
fn kilograms(mass: Mass) -> String {
    let sign = if mass.mg() < 0 { "-" } else { "" };
    let (whole, rest) = (
        mass.mg().unsigned_abs() / 1_000_000,
        mass.mg().unsigned_abs() % 1_000_000,
    );
    let digits = format!("{rest:06}");
    let needed = digits.trim_end_matches('0').len().max(2);
    format!("{sign}{whole}.{}", &digits[..needed])
}

fn label(place: &str, key_text: &str) -> String {
    let label = label_of(place);
    if key_text.is_empty() {
        label.to_owned()
    } else {
        format!("{label} ({key_text})")
    }
}

fn lay_out(out: &mut String, rows: &[[String; 9]]) {
    let mut wide = [0; 9];
    for row in rows {
        for (column, cell) in row.iter().enumerate() {
            wide[column] = wide[column].max(cell.chars().count());
        }
    }
    for row in rows {
        let mut text = String::new();
        for (column, cell) in row.iter().enumerate() {
            let width = wide[column];
            let _ = if TEXT[column] {
                write!(text, "{cell:width$}  ")
            } else {
                write!(text, "{cell:>width$}  ")
            };
        }
        out.push_str(text.trim_end());
        out.push('\n');
    }
}
