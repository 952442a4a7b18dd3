//! A value to take away: as a table for a spreadsheet (RFC 4180), and as a workbook (ISO/IEC 29500) with real numbers and sums as formulas.

use rust_xlsxwriter::utility::column_number_to_name;
use rust_xlsxwriter::{
    DocProperties, ExcelDateTime, Format, Formula, Workbook, Worksheet, XlsxError,
};

use super::worth::minor;
use super::{CoffeeValue, LotValue, ValueView, Worth};
use crate::audit::statement::{damaged, exact, harmless, heads};
use crate::mass::Mass;
use crate::refusal::Outcome;
use crate::store::StoreError;

/// An amount of a lot: its name in the table, its heading in the workbook, and where it is read.
type Amount = (&'static str, &'static str, fn(&LotValue) -> i64);

const AMOUNTS: [Amount; 24] = [
    ("opening_store", "Opening: green", |of| of.opening.store),
    ("opening_written_down", "Opening: written down", |of| {
        -of.opening.written_down
    }),
    ("opening_batch", "Opening: weighed in", |of| {
        of.opening.batch
    }),
    ("opening_roasted", "Opening: roasted", |of| {
        of.opening.roasted
    }),
    ("opening_packed", "Opening: in bags", |of| of.opening.packed),
    ("opening_coming", "Opening: paid, not here", |of| {
        of.opening.coming
    }),
    ("opening", "Opening", |of| of.opening.all()),
    ("added", "Bills", |of| of.added),
    ("sold", "Sold", |of| -of.used.sold),
    ("samples", "Samples", |of| -of.used.samples),
    ("waste", "Waste", |of| -of.used.waste),
    ("differences", "Count differences", |of| {
        -of.used.differences
    }),
    ("blended", "Into blends", |of| -of.used.blended),
    ("sent", "To other sites", |of| -of.used.sent),
    ("written_down", "Written down", |of| -of.used.written_down),
    ("written_down_used", "Of that, used", |of| {
        of.used.written_down_used
    }),
    ("closing_store", "Closing: green", |of| of.closing.store),
    ("closing_written_down", "Closing: written down", |of| {
        -of.closing.written_down
    }),
    ("closing_batch", "Closing: weighed in", |of| {
        of.closing.batch
    }),
    ("closing_roasted", "Closing: roasted", |of| {
        of.closing.roasted
    }),
    ("closing_packed", "Closing: in bags", |of| of.closing.packed),
    ("closing_coming", "Closing: paid, not here", |of| {
        of.closing.coming
    }),
    ("closing", "Closing", |of| of.closing.all()),
    ("cost", "Cost of all of it", |of| of.cost),
];

/// The sums among the amounts. The parts of one stand before it, and bear its key before their own.
const SUMS: [&str; 2] = ["opening", "closing"];

/// The columns of a workbook before the amounts.
const BEFORE: [(&str, f64); 5] = [
    ("Lot", 24.0),
    ("Coffee", 18.0),
    ("Belongs to", 16.0),
    ("Green g", 14.0),
    ("Per kg", 10.0),
];

/// The columns of a table before the amounts.
const COLUMNS: [&str; 10] = [
    "row", "from", "to", "known", "currency", "lot", "coffee", "owned_by", "store_g", "per_kg",
];

/// A coffee's columns in a table, after the amounts.
const WAYS: [&str; 3] = ["by_lot", "weighted_average", "first_in_first_out"];

impl Worth {
    /// All that is there, less what is written down.
    const fn all(&self) -> i64 {
        self.store - self.written_down + self.batch + self.roasted + self.packed + self.coming
    }
}

impl CoffeeValue {
    const fn ways(&self) -> [i64; 3] {
        [self.by_lot, self.weighted_average, self.first_in_first_out]
    }
}

/// Whether all amounts add up to what a number can hold.
pub(super) fn fits(lots: &[LotValue]) -> Outcome<()> {
    for (_, _, read) in &AMOUNTS {
        minor(lots.iter().map(|of| i128::from(read(of))).sum())?;
    }
    Ok(())
}

/// How many parts a sum has.
fn parts(sum: &str) -> u16 {
    AMOUNTS
        .iter()
        .filter(|(key, _, _)| {
            key.strip_prefix(sum)
                .is_some_and(|rest| rest.starts_with('_'))
        })
        .map(|_| 1)
        .sum()
}

/// Minor units as a plain decimal number.
pub(super) fn decimal(minor: i64, digits: u32) -> String {
    let one = 10_u64.pow(digits);
    let (whole, rest) = (minor.unsigned_abs() / one, minor.unsigned_abs() % one);
    let sign = if minor < 0 { "-" } else { "" };
    let width = digits as usize;
    if digits == 0 {
        format!("{sign}{whole}")
    } else {
        format!("{sign}{whole}.{rest:0width$}")
    }
}

/// The value as CSV: a row for each lot, whose openings, changes and closings add up, and one for each coffee by the three ways of reckoning.
/// What lessens the value is negative.
///
/// Text that a spreadsheet would take for a formula gets an apostrophe before it.
///
/// # Errors
/// [`StoreError::Damaged`] never in practice: writing to memory does not fail.
pub fn csv(value: &ValueView) -> Result<String, StoreError> {
    let mut out = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    let amounts = AMOUNTS.iter().map(|(name, ..)| *name);
    let columns: Vec<&str> = COLUMNS.into_iter().chain(amounts).chain(WAYS).collect();
    out.write_record(&columns).map_err(damaged)?;
    let money = |minor: i64| decimal(minor, value.digits);
    let mut write = |row: &str, names: [&str; 3], store: Mass, amounts: Vec<String>| {
        let from = value.from.map(|day| day.to_string()).unwrap_or_default();
        let mut cells: Vec<String> = [
            row,
            &from,
            &value.to.to_string(),
            &value.known.to_string(),
            &value.currency,
        ]
        .map(str::to_owned)
        .to_vec();
        cells.extend(names.map(|name| harmless(name.to_owned())));
        cells.push(exact(store));
        cells.extend(amounts);
        cells.resize(columns.len(), String::new());
        out.write_record(cells).map_err(damaged)
    };
    for of in &value.lots {
        let mut amounts = vec![of.per_kg.map(money).unwrap_or_default()];
        amounts.extend(AMOUNTS.iter().map(|(_, _, read)| money(read(of))));
        let owner = of.owned_by.as_deref().unwrap_or_default();
        let names = [of.lot.name.as_str(), of.coffee.name.as_str(), owner];
        write("lot", names, of.store_g, amounts)?;
    }
    for of in &value.coffees {
        let mut amounts = vec![String::new(); AMOUNTS.len() + 1];
        amounts.extend(of.ways().map(money));
        write(
            "coffee",
            ["", of.coffee.name.as_str(), ""],
            of.store_g,
            amounts,
        )?;
    }
    String::from_utf8(out.into_inner().map_err(damaged)?).map_err(damaged)
}

/// The formats of a workbook's cells.
struct Formats {
    strong: Format,
    mass: Format,
    money: Format,
    strong_mass: Format,
    strong_money: Format,
    digits: u32,
}

impl Formats {
    fn new(digits: u32) -> Self {
        let places = "0".repeat(digits as usize);
        let point = if digits == 0 { "" } else { "." };
        let money = format!("#,##0{point}{places};-#,##0{point}{places}");
        let strong = Format::new().set_bold();
        Self {
            mass: Format::new().set_num_format("#,##0.000"),
            strong_mass: strong.clone().set_num_format("#,##0.000"),
            money: Format::new().set_num_format(&money),
            strong_money: strong.clone().set_num_format(&money),
            strong,
            digits,
        }
    }

    /// An amount as the number that a cell holds.
    fn number(&self, minor: i64) -> Result<f64, XlsxError> {
        let text = decimal(minor, self.digits);
        text.parse()
            .map_err(|_| XlsxError::ParameterError(format!("no amount: {text}")))
    }
}

/// The value as a workbook of three sheets: the lots, the coffees by three ways of reckoning, and what to keep in mind.
///
/// # Errors
/// [`StoreError::Damaged`] for more lots than a sheet has rows.
pub fn workbook(value: &ValueView) -> Result<Vec<u8>, StoreError> {
    let made = || -> Result<Vec<u8>, XlsxError> {
        let mut book = Workbook::new();
        let formats = Formats::new(value.digits);
        // The same value makes the same file.
        let day = ExcelDateTime::parse_from_str(&value.to.to_string())?;
        book.set_properties(&DocProperties::new().set_creation_datetime(&day));
        lots(book.add_worksheet(), value, &formats)?;
        coffees(book.add_worksheet(), value, &formats)?;
        about(book.add_worksheet(), value, &formats)?;
        book.save_to_buffer()
    };
    made().map_err(|error| StoreError::Damaged(error.to_string()))
}

fn lots(sheet: &mut Worksheet, value: &ValueView, formats: &Formats) -> Result<(), XlsxError> {
    sheet.set_name("Lots")?;
    let columns: Vec<(&str, f64)> = BEFORE
        .into_iter()
        .chain(AMOUNTS.iter().map(|(_, head, _)| (*head, 14.0)))
        .collect();
    heads(sheet, &columns)?;
    for (of, row) in value.lots.iter().zip(1_u32..) {
        let owner = of.owned_by.as_deref().unwrap_or_default();
        let names = [of.lot.name.as_str(), of.coffee.name.as_str(), owner];
        for (name, column) in names.into_iter().zip(0_u16..) {
            sheet.write_string(row, column, name)?;
        }
        sheet.write_number_with_format(row, 3, of.store_g.grams(), &formats.mass)?;
        if let Some(per_kg) = of.per_kg {
            sheet.write_number_with_format(row, 4, formats.number(per_kg)?, &formats.money)?;
        }
        for ((key, _, read), column) in AMOUNTS.iter().zip(5_u16..) {
            let amount = formats.number(read(of))?;
            if SUMS.contains(key) {
                let area = area((column - parts(key), column - 1), (row + 1, row + 1));
                let sum = Formula::new(format!("=SUM({area})")).set_result(amount.to_string());
                sheet.write_formula_with_format(row, column, sum, &formats.strong_money)?;
            } else {
                sheet.write_number_with_format(row, column, amount, &formats.money)?;
            }
        }
    }
    let masses = Mass::sum(value.lots.iter().map(|of| of.store_g)).unwrap_or_default();
    let end = last_row(value.lots.len());
    sheet.write_with_format(end, 0, "All of them", &formats.strong)?;
    total(sheet, (end, 3), masses.grams(), &formats.strong_mass)?;
    for ((_, _, read), column) in AMOUNTS.iter().zip(5_u16..) {
        let all = formats.number(value.lots.iter().map(read).sum())?;
        total(sheet, (end, column), all, &formats.strong_money)?;
    }
    Ok(())
}

fn coffees(sheet: &mut Worksheet, value: &ValueView, formats: &Formats) -> Result<(), XlsxError> {
    sheet.set_name("Coffees")?;
    let columns = [
        ("Coffee", 24.0),
        ("Green g", 14.0),
        ("Each lot at its cost", 18.0),
        ("Weighted average", 18.0),
        ("First in, first out", 18.0),
    ];
    heads(sheet, &columns)?;
    for (of, row) in value.coffees.iter().zip(1_u32..) {
        sheet.write_string(row, 0, of.coffee.name.as_str())?;
        sheet.write_number_with_format(row, 1, of.store_g.grams(), &formats.mass)?;
        for (minor, column) in of.ways().into_iter().zip(2_u16..) {
            let amount = formats.number(minor)?;
            sheet.write_number_with_format(row, column, amount, &formats.money)?;
        }
    }
    let end = last_row(value.coffees.len());
    sheet.write_with_format(end, 0, "All of them", &formats.strong)?;
    let masses = Mass::sum(value.coffees.iter().map(|of| of.store_g)).unwrap_or_default();
    total(sheet, (end, 1), masses.grams(), &formats.strong_mass)?;
    for (way, column) in (0..WAYS.len()).zip(2_u16..) {
        let all = value.coffees.iter().map(|of| of.ways()[way]).sum();
        total(
            sheet,
            (end, column),
            formats.number(all)?,
            &formats.strong_money,
        )?;
    }
    Ok(())
}

fn about(sheet: &mut Worksheet, value: &ValueView, formats: &Formats) -> Result<(), XlsxError> {
    sheet.set_name("About")?;
    sheet.set_column_width(0, 24)?;
    sheet.set_column_width(1, 90)?;
    let lines = [
        (
            "From",
            value
                .from
                .map_or("the beginning".to_owned(), |day| day.to_string()),
        ),
        ("To", value.to.to_string()),
        ("Entries of the log", value.known.to_string()),
        ("Currency", value.currency.clone()),
        (
            "Without a rate, not counted",
            value.unreadable.len().to_string(),
        ),
        ("To keep in mind", value.notice.clone()),
    ];
    let wrapped = Format::new().set_text_wrap();
    for ((head, text), row) in lines.into_iter().zip(0_u32..) {
        sheet.write_with_format(row, 0, head, &formats.strong)?;
        sheet.write_string_with_format(row, 1, text, &wrapped)?;
    }
    Ok(())
}

/// The row after so many, from 0.
fn last_row(rows: usize) -> u32 {
    u32::try_from(rows + 1).unwrap_or(u32::MAX)
}

/// Cells from one column to another and one row to another, as formulas name them; rows from 1.
fn area((first, last): (u16, u16), (top, bottom): (u32, u32)) -> String {
    let (first, last) = (column_number_to_name(first), column_number_to_name(last));
    format!("{first}{top}:{last}{bottom}")
}

/// The sum of all rows above, with what it comes to.
fn total(
    sheet: &mut Worksheet,
    (row, column): (u32, u16),
    result: f64,
    format: &Format,
) -> Result<(), XlsxError> {
    if row < 2 {
        sheet.write_number_with_format(row, column, 0.0, format)?;
        return Ok(());
    }
    let sum = Formula::new(format!("=SUM({})", area((column, column), (2, row))));
    sheet.write_formula_with_format(row, column, sum.set_result(result.to_string()), format)?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::decimal;

    #[test]
    fn minor_units_are_written_in_full() {
        let written = [(0, 2), (5, 2), (-5, 2), (123_456, 2), (-7, 0), (1_001, 3)];
        let written = written.map(|(minor, digits)| decimal(minor, digits));
        assert_eq!(written, ["0.00", "0.05", "-0.05", "1234.56", "-7", "1.001"]);
    }
}
