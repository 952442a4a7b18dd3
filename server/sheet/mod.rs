//! Sheets: tables that people have, as rows of text with the line that each stands on. Pure: bytes or text in, rows or errors out.
//!
//! A sheet comes as CSV (comma, semicolon or tab; with or without a byte order mark) or as XLSX. What an import takes is always text: a
//! workbook is turned into text first ([`Sheet::of_file`], [`Sheet::text`]), line for line, so that an error names the line that a person
//! sees. To read one: [`Sheet::of_text`], then [`Columns::find`] with the fields that the import knows and the headings that were
//! remembered for them, then [`Cells::of`] for each row. Every wrong cell is told with its line, column, value and what would be right.

mod cells;
mod columns;
mod csv;
mod forms;
mod xlsx;

pub use cells::Cells;
pub use columns::{Columns, Field, Headings};
pub use forms::{DayOrder, Forms, Sign};

use crate::refusal::LineError;

/// Where a sheet stands in the body of an import (JSON Pointer, RFC 6901).
pub const POINTER: &str = "/csv";
/// At most so many rows: thirty years of a small roastery.
pub const MOST_ROWS: usize = 200_000;
/// At most so many columns.
pub const MOST_COLUMNS: usize = 256;

/// A table as somebody has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sheet {
    /// The line of the headings.
    pub heading_line: u64,
    /// The headings, as written.
    pub headings: Vec<String>,
    /// The rows below, those without anything left out.
    pub rows: Vec<Row>,
    /// Lines that are no row.
    pub unreadable: Vec<LineError>,
    /// How its numbers and days are written.
    pub forms: Forms,
}

/// A row of a sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// The line that it begins on, from 1.
    pub line: u64,
    /// Its cells, trimmed; those missing at its end are empty.
    pub cells: Vec<String>,
}

impl Row {
    /// Without byte order marks at the ends of its cells, which nobody sees and which mean nothing there.
    fn bare(mut self) -> Self {
        for cell in &mut self.cells {
            let bare = cell.trim_matches(|c: char| c == csv::BYTE_ORDER_MARK || c.is_whitespace());
            if bare.len() < cell.len() {
                *cell = bare.to_owned();
            }
        }
        self
    }
}

impl Sheet {
    /// Reads text.
    ///
    /// # Errors
    /// When there is no line of headings.
    pub fn of_text(text: &str) -> Result<Self, LineError> {
        csv::read(text)
    }

    /// Reads a file: a workbook's first sheet with anything in it, or text.
    ///
    /// # Errors
    /// When it is neither, or has no headings.
    pub fn of_file(bytes: &[u8]) -> Result<Self, LineError> {
        if xlsx::is_workbook(bytes) {
            xlsx::read(bytes)
        } else {
            csv::read(&csv::decode(bytes)?)
        }
    }

    /// The sheet as text, each row on the line that it has.
    #[must_use]
    pub fn text(&self) -> String {
        csv::write(self)
    }

    /// A sheet of rows, the first with anything in it being the headings.
    fn of_rows(
        rows: impl IntoIterator<Item = Row>,
        unreadable: Vec<LineError>,
    ) -> Result<Self, LineError> {
        let mut rows = rows
            .into_iter()
            .map(Row::bare)
            .filter(|row| row.cells.iter().any(|cell| !cell.is_empty()));
        let Some(head) = rows.next() else {
            let first = unreadable.into_iter().next();
            return Err(first.unwrap_or_else(|| {
                wrong(1, "", "", "the first line holds the names of the columns")
            }));
        };
        let rows: Vec<Row> = rows.take(MOST_ROWS + 1).collect();
        if rows.len() > MOST_ROWS {
            let detail = format!("a table has at most {MOST_ROWS} rows: split it");
            return Err(wrong(rows[MOST_ROWS].line, "", "", detail));
        }
        if head.cells.len() > MOST_COLUMNS {
            let detail = format!("a table has at most {MOST_COLUMNS} columns");
            return Err(wrong(head.line, "", "", detail));
        }
        let forms = Forms::of(
            rows.iter()
                .flat_map(|row| row.cells.iter().map(String::as_str)),
        );
        Ok(Self {
            heading_line: head.line,
            headings: head.cells,
            rows,
            unreadable,
            forms,
        })
    }
}

/// What is wrong at a place of a sheet.
pub fn wrong(line: u64, column: &str, value: &str, detail: impl Into<String>) -> LineError {
    LineError {
        pointer: POINTER,
        line,
        column: column.to_owned(),
        value: value.chars().take(200).collect(),
        detail: detail.into(),
    }
}
