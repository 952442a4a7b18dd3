//! A statement of many lots to take away: as a table for a spreadsheet (RFC 4180) and as JSON Lines (one JSON text a line, RFC 8259).

use serde::Serialize;
use serde_json::{Value, json};

use super::csv::{batch, damaged, exact, harmless};
use super::{ManyLine, ManyStatement};
use crate::store::StoreError;

/// The columns of a table.
pub(super) const COLUMNS: [&str; 24] = [
    "row",
    "lot",
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
    "movement",
];

/// The statement as CSV: the opening, each line, the closing, each lot's closing, and where all of them are, which sums to nothing.
///
/// Text that a spreadsheet would take for a formula gets an apostrophe before it.
///
/// # Errors
/// [`StoreError::Damaged`] never in practice: writing to memory does not fail.
pub fn csv_of_many(statement: &ManyStatement) -> Result<String, StoreError> {
    let mut out = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    out.write_record(COLUMNS).map_err(damaged)?;
    let from = statement
        .from
        .map(|day| day.to_string())
        .unwrap_or_default();
    let to = statement.to.to_string();
    let mut write = |cells: Vec<String>| {
        let mut cells: Vec<String> = cells.into_iter().map(harmless).collect();
        cells.resize(COLUMNS.len(), String::new());
        out.write_record(cells).map_err(damaged)
    };
    let edge = |row: &str, lot: &str, day: &str, place: &str, balance: String| {
        [row, lot, day, "", place, "", &balance]
            .map(str::to_owned)
            .to_vec()
    };
    write(edge("opening", "", &from, "", exact(statement.carried_g)))?;
    for line in &statement.lines {
        write(line_cells(line))?;
    }
    write(edge("closing", "", &to, "", exact(statement.closing_g)))?;
    for part in &statement.lots {
        write(edge(
            "lot",
            part.lot.name.as_str(),
            &to,
            "",
            exact(part.closing_g),
        ))?;
    }
    for total in &statement.totals {
        write(edge("place", "", &to, &total.place, exact(total.mass_g)))?;
    }
    String::from_utf8(out.into_inner().map_err(damaged)?).map_err(damaged)
}

fn line_cells(of: &ManyLine) -> Vec<String> {
    let line = &of.line;
    let yes = |flag: bool| if flag { "yes" } else { "" }.to_owned();
    let mut cells = vec![
        "line".to_owned(),
        of.lot.name.to_string(),
        line.day.to_string(),
        line.text.clone(),
        String::new(),
        exact(line.change_g),
        exact(line.balance_g),
        yes(line.late),
        yes(line.undone),
    ];
    cells.extend(line.batch.as_ref().map(batch).unwrap_or_default());
    cells.extend([
        line.happened_at.to_string(),
        line.recorded_at.to_string(),
        line.posting.to_string(),
        line.line.to_string(),
    ]);
    cells
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
