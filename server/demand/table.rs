//! Reading a table of order lines: a row for each line, in the form that a spreadsheet saves.

use crate::day::Day;
use crate::refusal::LineError;
use crate::text::Name;

/// The columns, and whether a table must have them.
const COLUMNS: [(&str, bool); 8] = [
    ("order", true),
    ("customer", true),
    ("ship_day", false),
    ("transit_days", false),
    ("priority", false),
    ("product", true),
    ("bags", true),
    ("cancelled", false),
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

/// What is wrong with a cell.
pub fn wrong(line: u64, column: &str, value: &str, detail: impl Into<String>) -> LineError {
    LineError {
        pointer: "/csv",
        line,
        column: column.to_owned(),
        value: value.chars().take(200).collect(),
        detail: detail.into(),
    }
}

/// Reads a table. `ship_default` is the ship day of rows that name none. All that is wrong is told at once.
pub fn read(text: &str, ship_default: Option<Day>) -> (Vec<Row>, Vec<LineError>) {
    let text = text.trim_start_matches('\u{feff}');
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(separator(text))
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let columns = match reader.headers().map(find_columns) {
        Ok(Ok(columns)) => columns,
        Ok(Err(errors)) => return (Vec::new(), errors),
        Err(error) => return (Vec::new(), vec![unreadable(1, &error)]),
    };
    let (mut rows, mut errors) = (Vec::new(), Vec::new());
    for record in reader.records() {
        match record {
            Err(error) => {
                let line = error.position().map_or(0, csv::Position::line);
                errors.push(unreadable(line, &error));
            }
            Ok(record) if record.iter().all(str::is_empty) => {}
            Ok(record) => {
                let cells = Cells {
                    line: record.position().map_or(0, csv::Position::line),
                    columns: &columns,
                    record: &record,
                    ship_default,
                };
                match cells.row() {
                    Ok(row) => rows.push(row),
                    Err(wrong) => errors.extend(wrong),
                }
            }
        }
    }
    if rows.is_empty() && errors.is_empty() {
        errors.push(wrong(
            2,
            "order",
            "",
            "the table has no rows below its header",
        ));
    }
    (rows, errors)
}

/// The sign that stands most often between the names of the first line.
fn separator(text: &str) -> u8 {
    let header = text.lines().next().unwrap_or_default();
    let count = |sign: u8| header.bytes().filter(|b| *b == sign).count();
    [b',', b';', b'\t']
        .into_iter()
        .rev()
        .max_by_key(|sign| count(*sign))
        .unwrap_or(b',')
}

fn unreadable(line: u64, error: &csv::Error) -> LineError {
    let detail = match error.kind() {
        csv::ErrorKind::Utf8 { .. } => "save the table as UTF-8".to_owned(),
        _ => format!("this line cannot be read as a table: {error}"),
    };
    wrong(line, "", "", detail)
}

/// Where each column stands.
type Columns = [Option<usize>; COLUMNS.len()];

fn find_columns(headers: &csv::StringRecord) -> Result<Columns, Vec<LineError>> {
    let mut columns: Columns = [None; COLUMNS.len()];
    let mut errors = Vec::new();
    for (at, header) in headers.iter().enumerate() {
        let name = header.to_lowercase().replace([' ', '-'], "_");
        match COLUMNS.iter().position(|(known, _)| *known == name) {
            Some(known) if columns[known].is_some() => errors.push(wrong(
                1,
                COLUMNS[known].0,
                header,
                "this column stands twice",
            )),
            Some(known) => columns[known] = Some(at),
            None if name.is_empty() => {}
            None => errors.push(wrong(
                1,
                header,
                header,
                format!("no such column: {}", known_columns()),
            )),
        }
    }
    let missing = columns.iter().zip(COLUMNS);
    for (_, (name, _)) in missing.filter(|(at, (_, must))| at.is_none() && *must) {
        let detail = format!("this column is missing: {}", known_columns());
        errors.push(wrong(1, name, "", detail));
    }
    if errors.is_empty() {
        Ok(columns)
    } else {
        Err(errors)
    }
}

fn known_columns() -> String {
    let names: Vec<&str> = COLUMNS.iter().map(|(name, _)| *name).collect();
    format!("the columns are {}", names.join(", "))
}

/// The cells of one row.
struct Cells<'a> {
    line: u64,
    columns: &'a Columns,
    record: &'a csv::StringRecord,
    ship_default: Option<Day>,
}

impl Cells<'_> {
    fn cell(&self, name: &str) -> &str {
        COLUMNS
            .iter()
            .position(|(known, _)| *known == name)
            .and_then(|at| self.columns[at])
            .and_then(|at| self.record.get(at))
            .unwrap_or_default()
    }

    fn row(&self) -> Result<Row, Vec<LineError>> {
        let mut errors = Vec::new();
        let order = self.need(&mut errors, "order", Name::new(self.cell("order")));
        let cancelled = self.need(&mut errors, "cancelled", flag(self.cell("cancelled")));
        let wanted = if cancelled == Some(true) {
            None
        } else {
            self.wanted(&mut errors)
        };
        match order {
            Some(order) if errors.is_empty() => Ok(Row {
                line: self.line,
                order,
                wanted,
            }),
            _ => Err(errors),
        }
    }

    fn wanted(&self, errors: &mut Vec<LineError>) -> Option<Wanted> {
        let ship_day = match (self.cell("ship_day"), self.ship_default) {
            ("", Some(day)) => Ok(day),
            ("", None) => Err("give the day it leaves the house, as 2026-11-25".to_owned()),
            (text, _) => text
                .parse::<Day>()
                .map_err(|_| "write the day as 2026-11-25".to_owned()),
        };
        let customer = self.need(errors, "customer", Name::new(self.cell("customer")));
        let ship_day = self.need(errors, "ship_day", ship_day);
        let transit_days = self.need(
            errors,
            "transit_days",
            self.whole("transit_days", 0, 60, Some(USUAL_TRANSIT_DAYS.into())),
        );
        let priority = self.need(
            errors,
            "priority",
            self.whole("priority", 1, 1_000, Some(USUAL_PRIORITY.into())),
        );
        let product = match self.cell("product") {
            "" => Err("name the product".to_owned()),
            name => Ok(name.to_owned()),
        };
        let product = self.need(errors, "product", product);
        let bags = self.need(errors, "bags", self.whole("bags", 1, 1_000_000, None));
        Some(Wanted {
            customer: customer?,
            ship_day: ship_day?,
            transit_days: u16::try_from(transit_days?).ok()?,
            priority: u16::try_from(priority?).ok()?,
            product: product?,
            bags: bags?,
        })
    }

    fn whole(
        &self,
        column: &str,
        least: u32,
        most: u32,
        usual: Option<u32>,
    ) -> Result<u32, String> {
        match (self.cell(column), usual) {
            ("", Some(usual)) => Ok(usual),
            (text, _) => text
                .parse()
                .ok()
                .filter(|n| (least..=most).contains(n))
                .ok_or_else(|| format!("a whole number from {least} to {most}")),
        }
    }

    fn need<T, E: ToString>(
        &self,
        errors: &mut Vec<LineError>,
        column: &str,
        value: Result<T, E>,
    ) -> Option<T> {
        value
            .map_err(|error| {
                errors.push(wrong(
                    self.line,
                    column,
                    self.cell(column),
                    error.to_string(),
                ));
            })
            .ok()
    }
}

fn flag(text: &str) -> Result<bool, &'static str> {
    match text.to_lowercase().as_str() {
        "" | "no" | "false" | "0" => Ok(false),
        "yes" | "true" | "1" | "x" => Ok(true),
        _ => Err("yes where the order is called off, otherwise nothing"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEADER: &str = "order,customer,ship_day,transit_days,priority,product,bags";

    fn read_all(text: &str) -> Vec<Row> {
        let (rows, errors) = read(text, None);
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
        let (rows, errors) = read(text, Some("2026-11-25".parse().unwrap()));
        assert_eq!(errors, []);
        let wanted = rows[0].wanted.as_ref().unwrap();
        assert_eq!(wanted.ship_day.to_string(), "2026-11-25");
        assert_eq!((wanted.transit_days, wanted.priority), (1, 1));
        let (rows, errors) = read(text, None);
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
            (2, "ship_day", "25.11.2026"),
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
        let (rows, errors) = read(&text, None);
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
            ("", "order"),
        ] {
            let (rows, errors) = read(text, None);
            assert_eq!(rows, []);
            assert_eq!(errors[0].line, 1);
            assert!(
                errors.iter().any(|error| error.column == column),
                "{text}: {errors:?}"
            );
        }
        assert_eq!(read(HEADER, None).1.len(), 1, "a header alone is no table");
    }
}
