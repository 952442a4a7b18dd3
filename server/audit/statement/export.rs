//! A statement of many lots to take away: as a table for a spreadsheet (RFC 4180) and as JSON Lines (one JSON text a line, RFC 8259).

use serde::Serialize;
use serde_json::{Value, json};

use super::ManyStatement;
use super::columns::{COLUMNS, Column, Row};
use super::csv::{damaged, written};
use crate::store::StoreError;

/// The statement as CSV: the opening, each line, the closing, each lot's closing, and where all of them are, which sums to nothing.
///
/// Text that a spreadsheet would take for a formula gets an apostrophe before it.
///
/// # Errors
/// [`StoreError::Damaged`] never in practice: writing to memory does not fail.
pub fn csv_of_many(statement: &ManyStatement) -> Result<String, StoreError> {
    let edge = |is, balance| Row {
        is,
        day: Some(statement.to),
        balance: Some(balance),
        ..Row::default()
    };
    let mut rows = vec![Row {
        day: statement.from,
        ..edge("opening", statement.carried_g)
    }];
    let lines = statement.lines.iter();
    rows.extend(lines.map(|of| Row::of_line(&of.line, Some(&of.lot.name))));
    rows.push(edge("closing", statement.closing_g));
    rows.extend(statement.lots.iter().map(|part| Row {
        lot: Some(&part.lot.name),
        ..edge("lot", part.closing_g)
    }));
    rows.extend(statement.totals.iter().map(|total| Row {
        place: &total.place,
        ..edge("place", total.mass_g)
    }));
    let columns: Vec<&Column> = COLUMNS.iter().collect();
    written(&columns, &rows)
}

/// The statement as JSON Lines: each has its `row`, as in the table.
///
/// # Errors
/// [`StoreError::Damaged`] never in practice: writing to memory does not fail.
pub fn json_lines(statement: &ManyStatement) -> Result<String, StoreError> {
    fn row(row: &str, of: impl Serialize) -> Result<String, StoreError> {
        let mut value = serde_json::to_value(of).map_err(damaged)?;
        value["row"] = Value::from(row);
        Ok(format!("{value}\n"))
    }
    let mut out = row(
        "opening",
        json!({
            "scope": statement.scope, "id": statement.id, "name": statement.name, "from": statement.from, "to": statement.to,
            "known": statement.known, "balance_g": statement.carried_g,
        }),
    )?;
    for line in &statement.lines {
        out.push_str(&row("line", line)?);
    }
    let closing =
        json!({"day": statement.to, "balance_g": statement.closing_g, "sums": statement.sums});
    out.push_str(&row("closing", closing)?);
    for part in &statement.lots {
        out.push_str(&row("lot", part)?);
    }
    for total in &statement.totals {
        out.push_str(&row("place", total)?);
    }
    Ok(out)
}
