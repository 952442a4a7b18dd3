//! A statement of many lots as a workbook (ISO/IEC 29500): real numbers and dates, a header that stays in sight, sums as formulas.
//!
//! People's text is written as text, which no spreadsheet runs as a formula.

use rust_xlsxwriter::{
    DocProperties, ExcelDateTime, Format, Formula, Workbook, Worksheet, XlsxError,
};

use super::{ManyLine, ManyStatement, Sums};
use crate::book::place::label_of;
use crate::day::{Day, Instant};
use crate::fraction::Fraction;
use crate::mass::Mass;
use crate::store::StoreError;

const HEADS: [(&str, f64); 22] = [
    ("Day", 11.0),
    ("Lot", 24.0),
    ("What", 40.0),
    ("Change g", 14.0),
    ("In store g", 14.0),
    ("Late", 6.0),
    ("Undone", 8.0),
    ("Weighed in g", 14.0),
    ("Weighed out g", 14.0),
    ("Samples g", 12.0),
    ("Loss", 8.0),
    ("Expected", 9.0),
    ("Lowest", 8.0),
    ("Highest", 8.0),
    ("Judgement", 11.0),
    ("Roaster", 16.0),
    ("Style", 16.0),
    ("Happened (UTC)", 20.0),
    ("Recorded (UTC)", 20.0),
    ("Batch", 38.0),
    ("Posting", 38.0),
    ("Movement", 10.0),
];

struct Formats {
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
    heads(sheet, &HEADS)?;
    if let Some(from) = statement.from {
        write_day(sheet, 1, 0, from, formats)?;
    }
    sheet.write_with_format(1, 2, "Opening balance", &formats.strong)?;
    write_mass(sheet, 1, 4, statement.carried_g, &formats.strong_mass)?;
    for (line, row) in statement.lines.iter().zip(2_u32..) {
        write_line(sheet, row, line, formats)?;
    }
    let end = row_number(statement.lines.len() + 2);
    write_day(sheet, end, 0, statement.to, formats)?;
    sheet.write_with_format(end, 2, "Closing balance", &formats.strong)?;
    let change = statement.closing_g.minus(statement.carried_g);
    // Rows are counted from 1 in a formula.
    sum(
        sheet,
        (end, 3),
        ("D", 3, end),
        change.unwrap_or_default(),
        formats,
    )?;
    let closing = Formula::new(format!("=E2+D{}", end + 1));
    let closing = closing.set_result(statement.closing_g.grams().to_string());
    sheet.write_formula_with_format(end, 4, closing, &formats.strong_mass)?;
    let batches = || {
        statement
            .lines
            .iter()
            .filter_map(|line| line.line.batch.as_ref())
    };
    let charged = Mass::sum(batches().map(|batch| batch.charge_g)).unwrap_or_default();
    let roasted = Mass::sum(batches().filter_map(|batch| batch.roasted_g)).unwrap_or_default();
    let sampled = Mass::sum(batches().map(|batch| batch.sample_g)).unwrap_or_default();
    sum(sheet, (end, 7), ("H", 3, end), charged, formats)?;
    sum(sheet, (end, 8), ("I", 3, end), roasted, formats)?;
    sum(sheet, (end, 9), ("J", 3, end), sampled, formats)
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

fn write_day(
    sheet: &mut Worksheet,
    row: u32,
    column: u16,
    day: Day,
    formats: &Formats,
) -> Result<(), XlsxError> {
    let date = ExcelDateTime::parse_from_str(&day.to_string())?;
    sheet.write_datetime_with_format(row, column, &date, &formats.day)?;
    Ok(())
}

fn write_time(
    sheet: &mut Worksheet,
    row: u32,
    column: u16,
    at: Instant,
    formats: &Formats,
) -> Result<(), XlsxError> {
    let date = ExcelDateTime::from_timestamp(at.ms().div_euclid(1_000))?;
    sheet.write_datetime_with_format(row, column, &date, &formats.time)?;
    Ok(())
}

fn write_line(
    sheet: &mut Worksheet,
    row: u32,
    of: &ManyLine,
    formats: &Formats,
) -> Result<(), XlsxError> {
    let line = &of.line;
    write_day(sheet, row, 0, line.day, formats)?;
    sheet.write_string(row, 1, of.lot.name.as_str())?;
    sheet.write_string(row, 2, &line.text)?;
    write_mass(sheet, row, 3, line.change_g, &formats.mass)?;
    write_mass(sheet, row, 4, line.balance_g, &formats.mass)?;
    for (flag, column) in [(line.late, 5), (line.undone, 6)] {
        if flag {
            sheet.write_string(row, column, "yes")?;
        }
    }
    if let Some(batch) = &line.batch {
        write_mass(sheet, row, 7, batch.charge_g, &formats.mass)?;
        if let Some(roasted) = batch.roasted_g {
            write_mass(sheet, row, 8, roasted, &formats.mass)?;
        }
        write_mass(sheet, row, 9, batch.sample_g, &formats.mass)?;
        let shares = [batch.loss, batch.mean, batch.lo, batch.hi];
        for (share, column) in shares.into_iter().zip(10_u16..) {
            if let Some(share) = share.map(Fraction::value) {
                sheet.write_number_with_format(row, column, share, &formats.share)?;
            }
        }
        let judgement = batch.judgement.map_or("", |judgement| judgement.word());
        sheet.write_string(row, 14, judgement)?;
        sheet.write_string(row, 15, batch.roaster.name.as_str())?;
        sheet.write_string(row, 16, batch.style.name.as_str())?;
        sheet.write_string(row, 19, batch.id.to_string())?;
    }
    write_time(sheet, row, 17, line.happened_at, formats)?;
    write_time(sheet, row, 18, line.recorded_at, formats)?;
    sheet.write_string(row, 20, line.posting.to_string())?;
    // A movement's number is small.
    let movement = u32::try_from(line.line).unwrap_or(u32::MAX);
    sheet.write_number(row, 21, movement)?;
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
