//! The cells of one row, read into values; what is wrong is gathered.

use std::ops::RangeInclusive;

use super::{Columns, Forms, Row, Sheet, forms, wrong};
use crate::day::{Day, TimeOfDay};
use crate::mass::{Mass, Unit};
use crate::refusal::LineError;
use crate::text::Name;

/// The cells of a row. Each reading answers nothing where the cell is wrong, and remembers why.
#[derive(Debug)]
pub struct Cells<'a> {
    row: &'a Row,
    columns: &'a Columns,
    forms: Forms,
    errors: Vec<LineError>,
}

impl<'a> Cells<'a> {
    /// The cells of a row of a sheet.
    #[must_use]
    pub const fn of(sheet: &'a Sheet, columns: &'a Columns, row: &'a Row) -> Self {
        Self {
            row,
            columns,
            forms: sheet.forms,
            errors: Vec::new(),
        }
    }

    /// The line of the row.
    #[must_use]
    pub const fn line(&self) -> u64 {
        self.row.line
    }

    /// What stands there; nothing where the sheet has no such column.
    #[must_use]
    pub fn text(&self, field: &str) -> &'a str {
        let at = self.columns.place(field);
        at.and_then(|at| self.row.cells.get(at))
            .map_or("", String::as_str)
    }

    /// Says that a cell is wrong, and what would be right.
    pub fn wrong(&mut self, field: &str, detail: impl Into<String>) {
        let called = self.columns.called(field);
        self.errors
            .push(wrong(self.row.line, called, self.text(field), detail));
    }

    /// The value read from a cell; where there is none, why not is remembered.
    pub fn take<T, E: ToString>(&mut self, field: &str, read: Result<T, E>) -> Option<T> {
        read.map_err(|error| self.wrong(field, error.to_string()))
            .ok()
    }

    /// A name.
    pub fn name(&mut self, field: &str) -> Option<Name> {
        self.take(field, Name::new(self.text(field)))
    }

    /// A name, or none where the cell is empty; outside nothing where it is wrong.
    pub fn name_or_none(&mut self, field: &str) -> Option<Option<Name>> {
        if self.text(field).is_empty() {
            Some(None)
        } else {
            self.name(field).map(Some)
        }
    }

    /// A whole number; `usual` where the cell is empty.
    pub fn whole(
        &mut self,
        field: &str,
        range: RangeInclusive<u32>,
        usual: Option<u32>,
    ) -> Option<u32> {
        let text = self.text(field);
        let read = match usual {
            Some(usual) if text.is_empty() => Ok(usual),
            _ => text
                .parse()
                .ok()
                .filter(|n| range.contains(n))
                .ok_or_else(|| format!("a whole number from {} to {}", range.start(), range.end())),
        };
        self.take(field, read)
    }

    /// A mass in `unit`, or in the unit that stands behind it in the cell; more than nothing.
    pub fn mass(&mut self, field: &str, unit: Unit) -> Option<Mass> {
        let text = self.text(field).to_lowercase();
        let behind = [
            ("kg", Unit::Kg),
            ("lbs", Unit::Lb),
            ("lb", Unit::Lb),
            ("g", Unit::G),
        ];
        let (digits, unit) = behind
            .iter()
            .find_map(|(name, unit)| Some((text.strip_suffix(name)?, *unit)))
            .unwrap_or((&text, unit));
        let read = self.forms.number(digits).and_then(|number| {
            let mass = unit.read(&number).map_err(|error| error.to_string())?;
            if mass.is_positive() {
                Ok(mass)
            } else {
                Err("a mass above nothing".to_owned())
            }
        });
        self.take(field, read)
    }

    /// A fraction between 0 and 1, written so (0.112) or in percent (11.2 or 11.2 %): what is 1 or more is percent. None where the cell is
    /// empty; outside nothing where it is wrong.
    pub fn fraction_or_none(&mut self, field: &str) -> Option<Option<f64>> {
        let text = self.text(field);
        if text.is_empty() {
            return Some(None);
        }
        let percent = text.ends_with('%');
        let read = self
            .forms
            .number(text.trim_end_matches('%'))
            .and_then(|number| {
                let number: f64 = number
                    .parse()
                    .map_err(|_| "a number such as 11.2".to_owned())?;
                let value = if percent || number >= 1.0 {
                    number / 100.0
                } else {
                    number
                };
                if value > 0.0 && value < 1.0 {
                    Ok(value)
                } else {
                    Err("a fraction such as 0.112, or percent such as 11.2".to_owned())
                }
            });
        self.take(field, read).map(Some)
    }

    /// A day; `usual` where the cell is empty.
    pub fn day(&mut self, field: &str, usual: Option<Day>) -> Option<Day> {
        match usual {
            Some(usual) if self.text(field).is_empty() => Some(usual),
            _ => self.moment(field).map(|(day, _)| day),
        }
    }

    /// A day, with its time where one is written behind it.
    pub fn moment(&mut self, field: &str) -> Option<(Day, Option<TimeOfDay>)> {
        self.take(field, self.forms.moment(self.text(field)))
    }

    /// A time of day; none where the cell is empty, outside nothing where it is wrong.
    pub fn time_or_none(&mut self, field: &str) -> Option<Option<TimeOfDay>> {
        let text = self.text(field);
        if text.is_empty() {
            return Some(None);
        }
        let read = forms::time(text).ok_or("a time such as 07:30");
        self.take(field, read).map(Some)
    }

    /// Yes or no; no where the cell is empty.
    pub fn flag(&mut self, field: &str) -> Option<bool> {
        let read = match self.text(field).to_lowercase().as_str() {
            "" | "no" | "false" | "0" => Ok(false),
            "yes" | "true" | "1" | "x" => Ok(true),
            _ => Err("yes, or nothing"),
        };
        self.take(field, read)
    }

    /// Whether nothing is wrong so far.
    #[must_use]
    pub const fn is_sound(&self) -> bool {
        self.errors.is_empty()
    }

    /// What is wrong so far.
    #[must_use]
    pub fn errors(self) -> Vec<LineError> {
        self.errors
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::Field;

    const FIELDS: [Field; 5] = [
        named("day"),
        named("green"),
        named("moisture"),
        named("name"),
        named("count"),
    ];

    const fn named(name: &'static str) -> Field {
        Field { name, must: false }
    }

    fn with_row<T>(cells: &str, read: impl FnOnce(&mut Cells<'_>) -> T) -> (T, Vec<LineError>) {
        let sheet = Sheet::of_text(&format!("day;green;moisture;name;count\n{cells}\n")).unwrap();
        let columns = Columns::find(&sheet, &FIELDS, None).unwrap();
        let mut row = Cells::of(&sheet, &columns, &sheet.rows[0]);
        let read = read(&mut row);
        (read, row.errors())
    }

    #[test]
    fn values_and_their_units() {
        let (read, errors) = with_row("25.11.2026 7:30;12,5 kg;11,2 %;Kivu;3", |row| {
            (
                row.moment("day"),
                row.mass("green", Unit::Lb),
                row.fraction_or_none("moisture"),
                row.name("name"),
                row.whole("count", 1..=9, None),
            )
        });
        assert_eq!(errors, []);
        assert_eq!(
            read.0,
            Some((
                "2026-11-25".parse().unwrap(),
                Some(TimeOfDay::from_minutes(450))
            ))
        );
        assert_eq!(read.1, Mass::from_grams(12_500).ok());
        assert!((read.2.unwrap().unwrap() - 0.112).abs() < 1e-12);
        assert_eq!((read.3.unwrap().as_str(), read.4), ("Kivu", Some(3)));
        let (green, _) = with_row(";10;;;", |row| row.mass("green", Unit::Lb));
        assert_eq!(green.unwrap().mg(), 4_535_924);
    }

    #[test]
    fn each_wrong_cell_is_told() {
        let ((), errors) = with_row("32.11.2026;-1;200;;ten", |row| {
            assert_eq!(
                (
                    row.day("day", None),
                    row.mass("green", Unit::Kg),
                    row.name("name")
                ),
                (None, None, None)
            );
            assert_eq!(
                (
                    row.fraction_or_none("moisture"),
                    row.whole("count", 1..=9, Some(1))
                ),
                (None, None)
            );
        });
        let told: Vec<_> = errors
            .iter()
            .map(|error| (error.column.as_str(), error.value.as_str()))
            .collect();
        assert_eq!(
            told,
            [
                ("day", "32.11.2026"),
                ("green", "-1"),
                ("name", ""),
                ("moisture", "200"),
                ("count", "ten")
            ]
        );
        assert!(
            errors
                .iter()
                .all(|error| error.line == 2 && !error.detail.is_empty())
        );
    }
}
