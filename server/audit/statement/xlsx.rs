//! A statement of many lots as a workbook (ISO/IEC 29500): real numbers and dates, a header that stays in sight, sums as formulas.
//!
//! People's text is written as text, which no spreadsheet runs as a formula.

use rust_xlsxwriter::{
    DocProperties, ExcelDateTime, Format, Formula, Workbook, Worksheet, XlsxError,
};

use super::columns::{Cell, Column, InSheet, Row, in_sheet};
use super::{ManyStatement, Sums};
use crate::book::place::label_of;
use crate::mass::Mass;
use crate::store::StoreError;

struct Formats {
    plain: Format,
    strong: Format,
    mass: Format,
    strong_mass: Format,
    share: Format,
    day: Format,
    time: Format,
}

impl Formats {
    fn new() -> Self {
        Self {
            plain: Format::new(),
            strong: Format::new().set_bold(),
            mass: Format::new().set_num_format("#,##0.000"),
            strong_mass: Format::new().set_num_format("#,##0.000").set_bold(),
            share: Format::new().set_num_format("0.0 %"),
            day: Format::new().set_num_format("yyyy-mm-dd"),
            time: Format::new().set_num_format("yyyy-mm-dd hh:mm:ss"),
        }
    }
}

/// The statement as a workbook of three sheets: the lines, the lots with their sums, and where all of the green is.
///
/// # Errors
/// [`StoreError::Damaged`] for more lines than a sheet has rows.
pub fn workbook(statement: &ManyStatement) -> Result<Vec<u8>, StoreError> {
    let mut book = Workbook::new();
    let formats = Formats::new();
    // The same statement makes the same file.
    let made = ExcelDateTime::parse_from_str(&statement.to.to_string());
    let made = made.map(|day| {
        book.set_properties(&DocProperties::new().set_creation_datetime(&day));
    });
    let made = made
        .and_then(|()| lines(book.add_worksheet(), statement, &formats))
        .and_then(|()| lots(book.add_worksheet(), statement, &formats))
        .and_then(|()| places(book.add_worksheet(), statement, &formats))
        .and_then(|()| book.save_to_buffer());
    made.map_err(|error| StoreError::Damaged(error.to_string()))
}

fn row_number(row: usize) -> u32 {
    u32::try_from(row).unwrap_or(u32::MAX)
}

/// The heads of a sheet with the widths of its columns, staying in sight and repeated on each printed page.
pub(in crate::audit) fn heads(
    sheet: &mut Worksheet,
    heads: &[(&str, f64)],
) -> Result<(), XlsxError> {
    let format = Format::new().set_bold().set_text_wrap();
    for ((head, width), column) in heads.iter().zip(0_u16..) {
        sheet.write_with_format(0, column, *head, &format)?;
        sheet.set_column_width(column, *width)?;
    }
    sheet.set_freeze_panes(1, 0)?;
    sheet.set_repeat_rows(0, 0)?;
    sheet.set_landscape();
    sheet.set_print_fit_to_pages(1, 0);
    Ok(())
}

fn lines(
    sheet: &mut Worksheet,
    statement: &ManyStatement,
    formats: &Formats,
) -> Result<(), XlsxError> {
    sheet.set_name("Statement")?;
    let columns = in_sheet();
    let named: Vec<(&str, f64)> = columns
        .iter()
        .map(|(_, (_, head, width))| (*head, *width))
        .collect();
    heads(sheet, &named)?;
    let edge = |what, day, balance| Row {
        day,
        what,
        balance,
        ..Row::default()
    };
    let opening = edge("Opening balance", statement.from, Some(statement.carried_g));
    write_row(sheet, 1, &opening, &columns, formats)?;
    for (line, row) in statement.lines.iter().zip(2_u32..) {
        let line = Row::of_line(&line.line, Some(&line.lot.name));
        write_row(sheet, row, &line, &columns, formats)?;
    }
    let end = row_number(statement.lines.len() + 2);
    let closing = edge("Closing balance", Some(statement.to), None);
    write_row(sheet, end, &closing, &columns, formats)?;
    sum_up(sheet, end, statement, formats)
}

/// Where a column stands.
fn place_of(name: &str) -> u16 {
    let columns = in_sheet();
    let found = columns.iter().find(|(column, _)| column.name == name);
    found.map_or(0, |(_, (place, ..))| *place)
}

/// The sums below the lines, as formulas over them.
fn sum_up(
    sheet: &mut Worksheet,
    end: u32,
    statement: &ManyStatement,
    formats: &Formats,
) -> Result<(), XlsxError> {
    let lines = || statement.lines.iter().map(|line| &line.line);
    let batches = || lines().filter_map(|line| line.batch.as_ref());
    let sums = [
        ("change_g", Mass::sum(lines().map(|line| line.change_g))),
        ("charge_g", Mass::sum(batches().map(|batch| batch.charge_g))),
        (
            "roasted_g",
            Mass::sum(batches().filter_map(|batch| batch.roasted_g)),
        ),
        ("sample_g", Mass::sum(batches().map(|batch| batch.sample_g))),
    ];
    for (name, result) in sums {
        let column = place_of(name);
        // Rows are counted from 1 in a formula.
        let over = (&*letter(column), 3, end);
        sum(
            sheet,
            (end, column),
            over,
            result.unwrap_or_default(),
            formats,
        )?;
    }
    let balance = place_of("balance_g");
    let (change, balance_at) = (letter(place_of("change_g")), letter(balance));
    let closing = Formula::new(format!("={balance_at}2+{change}{}", end + 1));
    let closing = closing.set_result(statement.closing_g.grams().to_string());
    sheet.write_formula_with_format(end, balance, closing, &formats.strong_mass)?;
    Ok(())
}

/// The sum of a column from one row of the sheet to another, as people count rows.
fn sum(
    sheet: &mut Worksheet,
    (row, column): (u32, u16),
    (letter, first, last): (&str, u32, u32),
    result: Mass,
    formats: &Formats,
) -> Result<(), XlsxError> {
    if last < first {
        return write_mass(sheet, row, column, Mass::ZERO, &formats.strong_mass);
    }
    let formula = Formula::new(format!("=SUM({letter}{first}:{letter}{last})"));
    let formula = formula.set_result(result.grams().to_string());
    sheet.write_formula_with_format(row, column, formula, &formats.strong_mass)?;
    Ok(())
}

fn write_mass(
    sheet: &mut Worksheet,
    row: u32,
    column: u16,
    mass: Mass,
    format: &Format,
) -> Result<(), XlsxError> {
    sheet.write_number_with_format(row, column, mass.grams(), format)?;
    Ok(())
}

/// A row of the statement; what is no line stands out.
fn write_row(
    sheet: &mut Worksheet,
    at: u32,
    row: &Row<'_>,
    columns: &[(&Column, InSheet)],
    formats: &Formats,
) -> Result<(), XlsxError> {
    let (mass, text) = match row.line {
        Some(_) => (&formats.mass, &formats.plain),
        None => (&formats.strong_mass, &formats.strong),
    };
    for (column, (place, ..)) in columns {
        let place = *place;
        match (column.cell)(row) {
            Cell::Nothing => {}
            Cell::Text(words) if words.is_empty() => {}
            Cell::Text(words) => {
                sheet.write_string_with_format(at, place, words, text)?;
            }
            Cell::Mass(of) => write_mass(sheet, at, place, of, mass)?,
            Cell::Share(share) => {
                sheet.write_number_with_format(at, place, share.value(), &formats.share)?;
            }
            Cell::Day(day) => {
                let date = ExcelDateTime::parse_from_str(&day.to_string())?;
                sheet.write_datetime_with_format(at, place, &date, &formats.day)?;
            }
            Cell::Time(time) => {
                let date = ExcelDateTime::from_timestamp(time.ms().div_euclid(1_000))?;
                sheet.write_datetime_with_format(at, place, &date, &formats.time)?;
            }
            Cell::Number(number) => {
                // A movement's number is small.
                let number = u32::try_from(number).unwrap_or(u32::MAX);
                sheet.write_number(at, place, number)?;
            }
        }
    }
    Ok(())
}

/// What people read for a sum's name.
fn label(name: &str) -> &'static str {
    match name {
        "received_g" => "Received g",
        "returned_g" => "Returned g",
        "blended_in_g" => "Blended into it g",
        "blended_out_g" => "Gone into blends g",
        "moved_g" => "Moved between rooms g",
        "difference_g" => "Count difference g",
        "charged_g" => "Weighed in g",
        "sampled_g" => "Samples of green g",
        "wasted_g" => "Waste of green g",
        "dried_g" => "Drying g",
        "sent_g" => "Sent to other sites g",
        "roasted_g" => "Weighed out g",
        "roasting_loss_g" => "Roasting loss g",
        "batch_sampled_g" => "Samples of batches g",
        "batch_wasted_g" => "Waste of batches g",
        "packed_g" => "Packed g",
        "shipped_g" => "Shipped g",
        _ => "Difference of roasted g",
    }
}

fn lots(
    sheet: &mut Worksheet,
    statement: &ManyStatement,
    formats: &Formats,
) -> Result<(), XlsxError> {
    sheet.set_name("Lots")?;
    let mut columns = vec![("Lot", 24.0), ("Grade", 10.0), ("Opening g", 14.0)];
    let sums = Sums::default().all();
    columns.extend(sums.iter().map(|(name, _)| (label(name), 14.0)));
    columns.push(("Closing g", 14.0));
    heads(sheet, &columns)?;
    for (part, row) in statement.lots.iter().zip(1_u32..) {
        sheet.write_string(row, 0, part.lot.name.as_str())?;
        sheet.write_string(row, 1, part.grade.as_str())?;
        let masses = [part.opening_g].into_iter();
        let masses = masses
            .chain(part.sums.all().map(|(_, mass)| mass))
            .chain([part.closing_g]);
        for (mass, column) in masses.zip(2_u16..) {
            write_mass(sheet, row, column, mass, &formats.mass)?;
        }
    }
    let end = row_number(statement.lots.len() + 1);
    sheet.write_with_format(end, 0, "All of them", &formats.strong)?;
    let masses = [statement.opening_g].into_iter();
    let masses = masses
        .chain(statement.sums.all().map(|(_, mass)| mass))
        .chain([statement.closing_g]);
    for (mass, column) in masses.zip(2_u16..) {
        sum(
            sheet,
            (end, column),
            (&letter(column), 2, end),
            mass,
            formats,
        )?;
    }
    Ok(())
}

/// A column's letter, as formulas have it: A to Z.
fn letter(column: u16) -> String {
    let number = u8::try_from(column).unwrap_or(25).min(25);
    char::from(b'A' + number).to_string()
}

fn places(
    sheet: &mut Worksheet,
    statement: &ManyStatement,
    formats: &Formats,
) -> Result<(), XlsxError> {
    sheet.set_name("Where it is")?;
    heads(sheet, &[("Place", 30.0), ("g", 16.0)])?;
    for (total, row) in statement.totals.iter().zip(1_u32..) {
        sheet.write_string(row, 0, label_of(&total.place))?;
        write_mass(sheet, row, 1, total.mass_g, &formats.mass)?;
    }
    let end = row_number(statement.totals.len() + 1);
    sheet.write_with_format(end, 0, "All places together", &formats.strong)?;
    sum(sheet, (end, 1), ("B", 2, end), Mass::ZERO, formats)
}
