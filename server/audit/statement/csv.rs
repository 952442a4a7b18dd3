//! A statement of a lot as a table for a spreadsheet (RFC 4180).

use super::Statement;
use super::columns::{COLUMNS, Cell, Column, Row};
use crate::fraction::Fraction;
use crate::mass::Mass;
use crate::store::StoreError;

/// The statement as CSV: the opening, each line, the closing, and where all of the lot is then, which sums to nothing.
///
/// Text that a spreadsheet would take for a formula gets an apostrophe before it.
///
/// # Errors
/// [`StoreError::Damaged`] never in practice: writing to memory does not fail.
pub fn csv(statement: &Statement) -> Result<String, StoreError> {
    let edge = |is, day, balance| Row {
        is,
        day: Some(day),
        balance: Some(balance),
        ..Row::default()
    };
    let mut rows = vec![edge("opening", statement.from, statement.opening_g)];
    rows.extend(statement.lines.iter().map(|line| Row::of_line(line, None)));
    rows.push(edge("closing", statement.to, statement.closing_g));
    rows.extend(statement.totals.iter().map(|total| Row {
        what: &total.key_text,
        place: &total.place,
        ..edge("place", statement.to, total.mass_g)
    }));
    let columns: Vec<&Column> = COLUMNS.iter().filter(|column| column.of_one).collect();
    written(&columns, &rows)
}

/// Rows as CSV, under the names of the columns.
pub(super) fn written(columns: &[&Column], rows: &[Row<'_>]) -> Result<String, StoreError> {
    let mut out = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    let names = columns.iter().map(|column| column.name);
    out.write_record(names).map_err(damaged)?;
    for row in rows {
        let cells = columns.iter().map(|column| plain((column.cell)(row)));
        out.write_record(cells).map_err(damaged)?;
    }
    String::from_utf8(out.into_inner().map_err(damaged)?).map_err(damaged)
}

/// A cell as text, with all its decimals.
fn plain(cell: Cell) -> String {
    match cell {
        Cell::Nothing => String::new(),
        Cell::Text(text) => harmless(text),
        Cell::Mass(mass) => exact(mass),
        Cell::Share(share) => fraction(share),
        Cell::Day(day) => day.to_string(),
        Cell::Time(at) => at.to_string(),
        Cell::Number(number) => number.to_string(),
    }
}

/// Grams with all their decimals and no more.
pub(in crate::audit) fn exact(mass: Mass) -> String {
    decimal(mass.mg(), 1_000, 3)
}

/// A fraction with all its decimals and no more.
fn fraction(fraction: Fraction) -> String {
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
