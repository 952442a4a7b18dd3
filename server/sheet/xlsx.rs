//! Sheets in workbooks (Office Open XML, ECMA-376): numbers, days and times as text that cannot be read in two ways.

use std::io::{self, Cursor, Read as _};

use calamine::{DataRef, ExcelDateTime, Reader, Xlsx};
use zip::ZipArchive;

use super::{MOST_COLUMNS, MOST_ROWS, Row, Sheet, wrong};
use crate::refusal::LineError;

/// A workbook unfolds to at most so many bytes: a small file can hold a great deal of nothing.
const MOST_UNFOLDED: u64 = 64 << 20;
/// Characters in a cell: the limit of the format as it is in use (MS-OI29500, notes on ECMA-376 Part 1, section 18.4.12, `t`).
const MOST_IN_A_CELL: usize = 32_767;

/// Whether bytes begin like a workbook, which is a ZIP archive.
pub fn is_workbook(bytes: &[u8]) -> bool {
    bytes.starts_with(b"PK\x03\x04")
}

/// Reads the first sheet that has anything in it.
pub fn read(bytes: &[u8]) -> Result<Sheet, LineError> {
    let unreadable = |()| {
        wrong(
            1,
            "",
            "",
            "this workbook cannot be read: save it as XLSX again, or as CSV",
        )
    };
    if unfolded(bytes).ok_or_else(|| unreadable(()))? > MOST_UNFOLDED {
        return Err(wrong(
            1,
            "",
            "",
            "this workbook is too large: save its table as CSV",
        ));
    }
    let mut workbook = Xlsx::new(Cursor::new(bytes)).map_err(|_| unreadable(()))?;
    for name in workbook.sheet_names() {
        let Ok(mut reader) = workbook.worksheet_cells_reader(&name) else {
            // A sheet of charts has no cells.
            continue;
        };
        let mut rows: Vec<Row> = Vec::new();
        while let Some(cell) = reader.next_cell().map_err(|_| unreadable(()))? {
            if letters(cell.get_value()).is_some_and(is_too_long) {
                return Err(too_long(&name, cell.get_position()));
            }
            let text = text(cell.get_value());
            if !text.is_empty() {
                put(&mut rows, cell.get_position(), text)?;
            }
        }
        if !rows.is_empty() {
            return Sheet::of_rows(rows, Vec::new());
        }
    }
    Err(wrong(1, "", "", "this workbook has no table"))
}

/// Bytes of all files in the archive, no further than they are too many: unfolded to see, since its directory may say anything.
fn unfolded(bytes: &[u8]) -> Option<u64> {
    let mut archive = ZipArchive::new(Cursor::new(bytes)).ok()?;
    let mut sum = 0;
    for at in 0..archive.len() {
        let file = archive.by_index(at).ok()?;
        let mut left = file.take(MOST_UNFOLDED + 1 - sum);
        sum += io::copy(&mut left, &mut io::sink()).ok()?;
        if sum > MOST_UNFOLDED {
            break;
        }
    }
    Some(sum)
}

fn is_too_long(text: &str) -> bool {
    text.len() > MOST_IN_A_CELL && text.chars().nth(MOST_IN_A_CELL).is_some()
}

fn too_long(sheet: &str, (row, column): (u32, u32)) -> LineError {
    let cell = format!("{}{}", column_letters(column), u64::from(row) + 1);
    let detail = format!(
        "cell {cell} of the sheet {sheet:?} holds more than {MOST_IN_A_CELL} characters: shorten it"
    );
    wrong(u64::from(row) + 1, "", "", detail)
}

/// A column as a workbook names it: A to Z, then AA.
fn column_letters(column: u32) -> String {
    let mut letters = Vec::new();
    let mut left = column + 1;
    while left > 0 {
        left -= 1;
        letters.push(char::from(b'A' + u8::try_from(left % 26).unwrap_or(0)));
        left /= 26;
    }
    letters.into_iter().rev().collect()
}

/// The text of a cell that holds text.
fn letters<'a>(value: &'a DataRef<'_>) -> Option<&'a str> {
    match value {
        DataRef::String(text) | DataRef::DateTimeIso(text) | DataRef::DurationIso(text) => {
            Some(text)
        }
        DataRef::SharedString(text) => Some(text),
        _ => None,
    }
}

/// Puts a cell in its place; cells come row by row.
fn put(rows: &mut Vec<Row>, (row, column): (u32, u32), text: String) -> Result<(), LineError> {
    let (line, column) = (
        u64::from(row) + 1,
        usize::try_from(column).unwrap_or(usize::MAX),
    );
    if column >= MOST_COLUMNS || rows.len() > MOST_ROWS + 1 {
        let detail = format!("a table has at most {MOST_ROWS} rows and {MOST_COLUMNS} columns");
        return Err(wrong(line, "", &text, detail));
    }
    if rows.last().is_none_or(|last| last.line != line) {
        rows.push(Row {
            line,
            cells: Vec::new(),
        });
    }
    if let Some(last) = rows.last_mut() {
        last.cells
            .resize(last.cells.len().max(column + 1), String::new());
        last.cells[column] = text;
    }
    Ok(())
}

fn text(value: &DataRef<'_>) -> String {
    match value {
        DataRef::Int(whole) => whole.to_string(),
        DataRef::Float(number) => decimal(*number),
        DataRef::Bool(yes) => if *yes { "yes" } else { "no" }.to_owned(),
        DataRef::DateTime(at) => moment(at),
        text => letters(text).unwrap_or_default().trim().to_owned(),
    }
}

/// A number with at most six decimals, never with just three, which could be taken for thousands.
fn decimal(number: f64) -> String {
    let text = format!("{number:.6}");
    let short = text.trim_end_matches('0').trim_end_matches('.');
    match short.split_once('.') {
        Some((_, decimals)) if decimals.len() == 3 => format!("{short}0"),
        _ if short == "-0" => "0".to_owned(),
        _ => short.to_owned(),
    }
}

/// A day, a day with its time, or a time alone.
fn moment(at: &ExcelDateTime) -> String {
    let (year, month, day, hour, minute, ..) = at.to_ymd_hms_milli();
    let (date, time) = (
        format!("{year:04}-{month:02}-{day:02}"),
        format!("{hour:02}:{minute:02}"),
    );
    if at.as_f64() < 1.0 {
        time
    } else if at.as_f64().fract() == 0.0 {
        date
    } else {
        format!("{date} {time}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Written by `tests/reference/workbook.py`.
    const WORKBOOK: &[u8] = include_bytes!("../../tests/fixtures/workbook.xlsx");

    #[test]
    fn a_workbook_reads_like_the_table_it_shows() {
        let sheet = Sheet::of_file(WORKBOOK).unwrap();
        assert_eq!(
            (sheet.heading_line, sheet.headings.join("|")),
            (3, "Date|Time|Coffee|Green kg|Roasted kg|OK".to_owned())
        );
        let rows: Vec<(u64, String)> = sheet
            .rows
            .iter()
            .map(|row| (row.line, row.cells.join("|")))
            .collect();
        let right = [
            (4, "2026-03-02|07:30|Kivu AA|12.5|10.62|yes"),
            (5, "2026-03-02 08:15||Kivu, peaberry|12|10.1250|no"),
            (7, "3 Mar 2026|9:05 am|Sidama|0.5|1234567.25"),
        ];
        assert_eq!(rows, right.map(|(line, cells)| (line, cells.to_owned())));
        assert_eq!(Sheet::of_text(&sheet.text()).unwrap().rows.len(), 3);
    }

    #[test]
    fn columns_are_named_as_workbooks_name_them() {
        for (column, name) in [
            (0, "A"),
            (25, "Z"),
            (26, "AA"),
            (701, "ZZ"),
            (16_383, "XFD"),
        ] {
            assert_eq!(column_letters(column), name);
        }
    }

    #[test]
    fn what_is_no_workbook_is_said() {
        for bytes in [&b"PK\x03\x04"[..], &WORKBOOK[..WORKBOOK.len() / 2]] {
            assert!(read(bytes).is_err());
        }
    }

    #[test]
    fn numbers_keep_their_value() {
        for (number, text) in [
            (12.0, "12"),
            (12.5, "12.5"),
            (12.125, "12.1250"),
            (0.1 + 0.2, "0.3"),
            (-0.000_000_1, "0"),
            (1e9, "1000000000"),
        ] {
            assert_eq!(decimal(number), text);
        }
    }
}
