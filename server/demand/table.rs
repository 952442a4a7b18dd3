//! Reading a table of order lines: a row for each line, in the form that a spreadsheet saves.

use crate::day::Day;
use crate::refusal::LineError;
use crate::sheet::{Cells, Columns, Field, Headings, Sheet, wrong};
use crate::text::Name;

/// The columns, and whether a table must have them.
pub const FIELDS: [Field; 8] = [
    field("order", true),
    field("customer", true),
    field("ship_day", false),
    field("transit_days", false),
    field("priority", false),
    field("product", true),
    field("bags", true),
    field("cancelled", false),
];
/// Days on the way where a table does not say.
const USUAL_TRANSIT_DAYS: u16 = 1;
/// Weight where a table does not say.
const USUAL_PRIORITY: u16 = 1;

/// A row of the table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// The line of the text it begins on.
    pub line: u64,
    /// The order's number.
    pub order: Name,
    /// What is wanted; nothing where the order is called off.
    pub wanted: Option<Wanted>,
}

/// What a row asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wanted {
    /// Who wants it.
    pub customer: Name,
    /// When it leaves the house.
    pub ship_day: Day,
    /// Days on the way.
    pub transit_days: u16,
    /// Weight of what would be short.
    pub priority: u16,
    /// The product's name as written.
    pub product: String,
    /// How many bags.
    pub bags: u32,
}

const fn field(name: &'static str, must: bool) -> Field {
    Field { name, must }
}

/// Reads a table, with the headings chosen for its columns. `ship_default` is the ship day of rows that name none. All that is wrong is
/// told at once.
pub fn read(
    text: &str,
    headings: Option<&Headings>,
    ship_default: Option<Day>,
) -> (Vec<Row>, Vec<LineError>) {
    let sheet = match Sheet::of_text(text) {
        Ok(sheet) => sheet,
        Err(error) => return (Vec::new(), vec![error]),
    };
    let columns = match Columns::find(&sheet, &FIELDS, headings) {
        Ok(columns) => columns,
        Err(errors) => return (Vec::new(), errors),
    };
    let (mut rows, mut errors) = (Vec::new(), sheet.unreadable.clone());
    for line in &sheet.rows {
        let mut cells = Cells::of(&sheet, &columns, line);
        match row(&mut cells, ship_default) {
            Some(row) => rows.push(row),
            None => errors.extend(cells.errors()),
        }
    }
    if rows.is_empty() && errors.is_empty() {
        let detail = "the table has no rows below its header";
        errors.push(wrong(sheet.heading_line + 1, "order", "", detail));
    }
    (rows, errors)
}

fn row(cells: &mut Cells<'_>, ship_default: Option<Day>) -> Option<Row> {
    let order = cells.name("order");
    let wanted = match cells.flag("cancelled") {
        Some(true) => Some(None),
        _ => wanted(cells, ship_default).map(Some),
    };
    (cells.is_sound()).then_some(Row {
        line: cells.line(),
        order: order?,
        wanted: wanted?,
    })
}

fn wanted(cells: &mut Cells<'_>, ship_default: Option<Day>) -> Option<Wanted> {
    let customer = cells.name("customer");
    let ship_day = cells.day("ship_day", ship_default);
    let transit_days = cells.whole("transit_days", 0..=60, Some(USUAL_TRANSIT_DAYS.into()));
    let priority = cells.whole("priority", 1..=1_000, Some(USUAL_PRIORITY.into()));
    let product = match cells.text("product") {
        "" => Err("name the product"),
        name => Ok(name.to_owned()),
    };
    let product = cells.take("product", product);
    let bags = cells.whole("bags", 1..=1_000_000, None);
    Some(Wanted {
        customer: customer?,
        ship_day: ship_day?,
        transit_days: u16::try_from(transit_days?).ok()?,
        priority: u16::try_from(priority?).ok()?,
        product: product?,
        bags: bags?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEADER: &str = "order,customer,ship_day,transit_days,priority,product,bags";

    fn read_all(text: &str) -> Vec<Row> {
        let (rows, errors) = read(text, None, None);
        assert_eq!(errors, []);
        rows
    }

    #[test]
    fn forms_that_spreadsheets_save() {
        let plain = read_all(&format!(
            "{HEADER}\nT1,Blue Door,2026-11-25,2,3,Filter 250 g,12\n"
        ));
        let wanted = plain[0].wanted.as_ref().unwrap();
        assert_eq!(
            (wanted.transit_days, wanted.priority, wanted.bags),
            (2, 3, 12)
        );
        for text in [
            "\u{feff}Order;CUSTOMER;Ship Day;transit-days;Priority;Product;Bags\r\nT1;Blue Door;2026-11-25;2;3;Filter 250 g;12\r\n",
            "product\tbags\tpriority\ttransit_days\tship_day\tcustomer\torder\nFilter 250 g\t12\t3\t2\t2026-11-25\tBlue Door\tT1\n",
            "order,customer,ship_day,transit_days,priority,product,bags,\n\n T1 ,\"Blue Door\", 2026-11-25,2,3,Filter 250 g,12,\n,,,,,,,\n",
        ] {
            assert_eq!(
                read_all(text)
                    .into_iter()
                    .map(|row| row.wanted)
                    .collect::<Vec<_>>(),
                [plain[0].wanted.clone()],
                "{text}"
            );
        }
    }

    #[test]
    fn what_a_table_leaves_out() {
        let text = "order,customer,product,bags\nT1,Blue Door,Filter,1\n";
        let (rows, errors) = read(text, None, Some("2026-11-25".parse().unwrap()));
        assert_eq!(errors, []);
        let wanted = rows[0].wanted.as_ref().unwrap();
        assert_eq!(wanted.ship_day.to_string(), "2026-11-25");
        assert_eq!((wanted.transit_days, wanted.priority), (1, 1));
        let (rows, errors) = read(text, None, None);
        assert!(rows.is_empty());
        assert_eq!((errors[0].line, errors[0].column.as_str()), (2, "ship_day"));
    }

    #[test]
    fn an_order_is_called_off_by_its_number_alone() {
        let rows = read_all("order,customer,product,bags,cancelled\nT1,,,,yes\n");
        assert_eq!(rows[0].wanted, None);
    }

    #[test]
    fn every_bad_cell_is_named() {
        let good = ["T1", "Blue Door", "2026-11-25", "2", "3", "Filter", "12"];
        let bad = [
            (0, "order", ""),
            (1, "customer", ""),
            (2, "ship_day", "next week"),
            (2, "ship_day", "2026-02-30"),
            (3, "transit_days", "-1"),
            (3, "transit_days", "61"),
            (3, "transit_days", "two"),
            (4, "priority", "0"),
            (4, "priority", "1e3"),
            (5, "product", ""),
            (6, "bags", ""),
            (6, "bags", "0"),
            (6, "bags", "2.5"),
            (6, "bags", "99999999999999999999"),
        ];
        let mut text = format!("{HEADER}\n");
        for (at, _, value) in bad {
            let mut row = good;
            row[at] = value;
            text.push_str(&row.join(","));
            text.push('\n');
        }
        let (rows, errors) = read(&text, None, None);
        assert_eq!(rows, []);
        let named: Vec<_> = errors
            .iter()
            .map(|e| (e.line, e.column.as_str(), e.value.as_str()))
            .collect();
        let expected: Vec<_> = bad
            .iter()
            .zip(2u64..)
            .map(|((_, column, value), line)| (line, *column, *value))
            .collect();
        assert_eq!(named, expected);
        assert!(errors.iter().all(|error| !error.detail.is_empty()));
    }

    #[test]
    fn headers_that_do_not_fit() {
        for (text, column) in [
            ("order,customer,product\nT1,a,b\n", "bags"),
            ("order,customer,product,bags,bags\nT1,a,b,1,1\n", "bags"),
            (
                "order,customer,product,bags,colour\nT1,a,b,1,red\n",
                "colour",
            ),
            ("", ""),
        ] {
            let (rows, errors) = read(text, None, None);
            assert_eq!(rows, []);
            assert_eq!(errors[0].line, 1);
            assert!(
                errors.iter().any(|error| error.column == column),
                "{text}: {errors:?}"
            );
        }
        assert_eq!(
            read(HEADER, None, None).1.len(),
            1,
            "a header alone is no table"
        );
    }
}
