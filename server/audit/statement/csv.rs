//! A statement as a table for a spreadsheet (RFC 4180).

use super::{Line, Statement, StatementBatch};
use crate::fraction::Fraction;
use crate::mass::Mass;
use crate::store::StoreError;

const COLUMNS: [&str; 22] = [
    "row",
    "day",
    "what",
    "place",
    "change_g",
    "balance_g",
    "late",
    "undone",
    "batch",
    "roaster",
    "style",
    "charge_g",
    "roasted_g",
    "sample_g",
    "loss",
    "expected",
    "lowest",
    "highest",
    "judgement",
    "happened_at",
    "recorded_at",
    "posting",
];

/// The statement as CSV: the opening, each line, the closing, and where all of the lot is then, which sums to nothing.
///
/// Text that a spreadsheet would take for a formula gets an apostrophe before it.
///
/// # Errors
/// [`StoreError::Damaged`] never in practice: writing to memory does not fail.
pub fn csv(statement: &Statement) -> Result<String, StoreError> {
    let mut out = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    let mut rows = vec![COLUMNS.map(str::to_owned)];
    let edge = |row: &str, day: String, balance: Mass| Cells {
        row: row.to_owned(),
        day,
        balance: exact(balance),
        ..Cells::default()
    };
    rows.push(edge("opening", statement.from.to_string(), statement.opening_g).cells());
    rows.extend(statement.lines.iter().map(line));
    rows.push(edge("closing", statement.to.to_string(), statement.closing_g).cells());
    for total in &statement.totals {
        let cells = Cells {
            row: "place".to_owned(),
            day: statement.to.to_string(),
            what: total.key_text.clone(),
            place: total.place.clone(),
            balance: exact(total.mass_g),
            ..Cells::default()
        };
        rows.push(cells.cells());
    }
    for row in rows {
        out.write_record(row.map(harmless)).map_err(damaged)?;
    }
    String::from_utf8(out.into_inner().map_err(damaged)?).map_err(damaged)
}

/// The cells that not every row has.
#[derive(Default)]
struct Cells {
    row: String,
    day: String,
    what: String,
    place: String,
    change: String,
    balance: String,
    late: String,
    undone: String,
    batch: [String; 11],
    happened_at: String,
    recorded_at: String,
    posting: String,
}

impl Cells {
    fn cells(self) -> [String; 22] {
        let [a, b, c, d, e, f, g, h, i, j, k] = self.batch;
        [
            self.row,
            self.day,
            self.what,
            self.place,
            self.change,
            self.balance,
            self.late,
            self.undone,
            a,
            b,
            c,
            d,
            e,
            f,
            g,
            h,
            i,
            j,
            k,
            self.happened_at,
            self.recorded_at,
            self.posting,
        ]
    }
}

fn line(line: &Line) -> [String; 22] {
    let yes = |flag: bool| if flag { "yes" } else { "" }.to_owned();
    Cells {
        row: "line".to_owned(),
        day: line.day.to_string(),
        what: line.text.clone(),
        change: exact(line.change_g),
        balance: exact(line.balance_g),
        late: yes(line.late),
        undone: yes(line.undone),
        batch: line.batch.as_ref().map(batch).unwrap_or_default(),
        happened_at: line.happened_at.to_string(),
        recorded_at: line.recorded_at.to_string(),
        posting: line.posting.to_string(),
        ..Cells::default()
    }
    .cells()
}

pub(super) fn batch(batch: &StatementBatch) -> [String; 11] {
    let share = |share: Option<Fraction>| share.map(fraction).unwrap_or_default();
    [
        batch.id.to_string(),
        batch.roaster.name.to_string(),
        batch.style.name.to_string(),
        exact(batch.charge_g),
        batch.roasted_g.map(exact).unwrap_or_default(),
        exact(batch.sample_g),
        share(batch.loss),
        share(batch.mean),
        share(batch.lo),
        share(batch.hi),
        batch
            .judgement
            .map(|j| j.word().to_owned())
            .unwrap_or_default(),
    ]
}

/// Grams with all their decimals and no more.
pub(in crate::audit) fn exact(mass: Mass) -> String {
    decimal(mass.mg(), 1_000, 3)
}

/// A fraction with all its decimals and no more.
pub(super) fn fraction(fraction: Fraction) -> String {
    decimal(i64::from(fraction.ppm()), 1_000_000, 6)
}

fn decimal(value: i64, per: u64, places: usize) -> String {
    let sign = if value < 0 { "-" } else { "" };
    let (whole, rest) = (value.unsigned_abs() / per, value.unsigned_abs() % per);
    let digits = format!("{rest:0places$}");
    let digits = digits.trim_end_matches('0');
    let point = if digits.is_empty() { "" } else { "." };
    format!("{sign}{whole}{point}{digits}")
}

/// A cell that no spreadsheet takes for a formula: what is no number and begins as one of their signs gets an apostrophe before it.
pub(in crate::audit) fn harmless(cell: String) -> String {
    let number = cell.strip_prefix('-').is_some_and(|rest| {
        !rest.is_empty() && rest.bytes().all(|b| b.is_ascii_digit() || b == b'.')
    });
    if cell.starts_with(['=', '+', '-', '@', '\t', '\r']) && !number {
        format!("'{cell}")
    } else {
        cell
    }
}

pub(in crate::audit) fn damaged(error: impl std::fmt::Display) -> StoreError {
    StoreError::Damaged(error.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn masses_are_written_exactly() {
        for (mg, text) in [
            (0, "0"),
            (1, "0.001"),
            (-1_500, "-1.5"),
            (12_340_000, "12340"),
            (-999, "-0.999"),
        ] {
            assert_eq!(exact(Mass::from_mg(mg).unwrap()), text);
        }
        assert_eq!(fraction(Fraction::from_ppm(148_000)), "0.148");
    }

    /// The signs that begin a formula: OWASP, "CSV Injection".
    #[test]
    fn formulas_are_defused_and_numbers_are_not() {
        for text in ["=1+1", "+1", "@SUM(A1)", "-2+3", "\t=1", "\r=1", "-"] {
            assert_eq!(harmless(text.to_owned()), format!("'{text}"));
        }
        for text in ["-12.5", "12", "Sample: -", ""] {
            assert_eq!(harmless(text.to_owned()), text);
        }
    }
}
