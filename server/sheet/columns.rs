//! Which column holds what: by the field's own name, or by a heading that a person chose for it.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::{Sheet, wrong};
use crate::refusal::LineError;

/// A field that an import knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Field {
    /// Its name.
    pub name: &'static str,
    /// Whether a table must have it.
    pub must: bool,
}

/// The heading chosen for each field that is not headed by its own name.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(transparent)]
pub struct Headings(BTreeMap<String, String>);

impl Headings {
    /// Whether none is chosen.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Each field with its heading.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &str)> {
        self.0
            .iter()
            .map(|(field, heading)| (field.as_str(), heading.as_str()))
    }

    fn of(&self, field: &str) -> Option<&str> {
        self.0.get(field).map(String::as_str)
    }
}

/// Where each field stands in a sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Columns {
    /// Column and the name by which errors call it.
    places: BTreeMap<&'static str, (usize, String)>,
}

impl Columns {
    /// Finds the columns of `fields`: at the heading chosen for them in `headings`, otherwise at their own name (case, blanks and dashes
    /// do not matter). Without chosen headings a column that no field has is refused, since it may be a name mistyped; with them it is
    /// left aside, since people's own tables have more columns than an import takes.
    ///
    /// # Errors
    /// A column that is missing, stands twice or is not known, each with what would be right.
    pub fn find(
        sheet: &Sheet,
        fields: &[Field],
        headings: Option<&Headings>,
    ) -> Result<Self, Vec<LineError>> {
        let none = Headings::default();
        let chosen = headings.unwrap_or(&none);
        let line = sheet.heading_line;
        let mut errors = not_known(line, fields, chosen);
        let mut places = BTreeMap::new();
        for field in fields {
            let heading = chosen.of(field.name);
            let wanted = plain(heading.unwrap_or(field.name));
            let mut found = (0..sheet.headings.len())
                .filter(|at| !wanted.is_empty() && plain(&sheet.headings[*at]) == wanted);
            let called = heading.unwrap_or(field.name);
            match (found.next(), found.next()) {
                (Some(at), None) => {
                    places.insert(field.name, (at, called.to_owned()));
                }
                (Some(_), Some(second)) => {
                    let detail = "this column stands twice";
                    errors.push(wrong(line, called, &sheet.headings[second], detail));
                }
                (None, _) if heading.is_some() => {
                    let detail = format!(
                        "no column is headed so: {}",
                        listed(
                            "the headings are",
                            sheet.headings.iter().map(String::as_str)
                        )
                    );
                    errors.push(chosen_wrong(line, field.name, called, detail));
                }
                (None, _) if field.must => {
                    let detail = format!("this column is missing: {}", known(fields));
                    errors.push(wrong(line, field.name, "", detail));
                }
                (None, _) => {}
            }
        }
        if headings.is_none() {
            errors.extend(not_taken(sheet, fields));
        }
        if errors.is_empty() {
            Ok(Self { places })
        } else {
            Err(errors)
        }
    }

    /// The column of a field, if the sheet has it.
    #[must_use]
    pub fn place(&self, field: &str) -> Option<usize> {
        self.places.get(field).map(|(at, _)| *at)
    }

    /// What a person calls the field's column.
    #[must_use]
    pub fn called<'a>(&'a self, field: &'a str) -> &'a str {
        self.places.get(field).map_or(field, |(_, called)| called)
    }
}

/// Headings chosen for what is no field.
fn not_known(line: u64, fields: &[Field], chosen: &Headings) -> Vec<LineError> {
    chosen
        .iter()
        .filter(|(name, _)| !fields.iter().any(|field| field.name == *name))
        .map(|(name, heading)| {
            let detail = format!("no such field: {}", known(fields));
            chosen_wrong(line, name, heading, detail)
        })
        .collect()
}

/// What is wrong with a chosen heading.
fn chosen_wrong(line: u64, field: &str, heading: &str, detail: String) -> LineError {
    LineError {
        pointer: "/headings",
        ..wrong(line, field, heading, detail)
    }
}

/// Columns that are no field.
fn not_taken(sheet: &Sheet, fields: &[Field]) -> Vec<LineError> {
    let is_field = |heading: &str| {
        fields
            .iter()
            .any(|field| plain(field.name) == plain(heading))
    };
    sheet
        .headings
        .iter()
        .filter(|heading| !heading.is_empty() && !is_field(heading))
        .map(|heading| {
            let detail = format!("no such column: {}", known(fields));
            wrong(sheet.heading_line, heading, heading, detail)
        })
        .collect()
}

/// A heading without what does not matter.
fn plain(heading: &str) -> String {
    heading.trim().to_lowercase().replace([' ', '-'], "_")
}

fn known(fields: &[Field]) -> String {
    listed("the columns are", fields.iter().map(|field| field.name))
}

fn listed<'a>(what: &str, names: impl Iterator<Item = &'a str>) -> String {
    let names: Vec<&str> = names.filter(|name| !name.is_empty()).collect();
    format!("{what} {}", names.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIELDS: [Field; 3] = [
        Field {
            name: "day",
            must: true,
        },
        Field {
            name: "green",
            must: true,
        },
        Field {
            name: "note",
            must: false,
        },
    ];

    fn find(text: &str, headings: &[(&str, &str)]) -> Result<Columns, Vec<LineError>> {
        let sheet = Sheet::of_text(text).unwrap();
        let headings = Headings(
            headings
                .iter()
                .map(|(field, heading)| ((*field).to_owned(), (*heading).to_owned()))
                .collect(),
        );
        let headings = (!headings.is_empty()).then_some(&headings);
        Columns::find(&sheet, &FIELDS, headings)
    }

    #[test]
    fn by_name_and_by_chosen_heading() {
        let columns = find("Green,DAY\n", &[]).unwrap();
        assert_eq!(
            (
                columns.place("day"),
                columns.place("green"),
                columns.place("note")
            ),
            (Some(1), Some(0), None)
        );
        let columns = find(
            "Datum,Roh kg,Farbe,note\n",
            &[("day", "datum"), ("green", "Roh kg")],
        )
        .unwrap();
        assert_eq!(
            (
                columns.place("day"),
                columns.place("green"),
                columns.place("note")
            ),
            (Some(0), Some(1), Some(3))
        );
        assert_eq!(
            (columns.called("green"), columns.called("note")),
            ("Roh kg", "note")
        );
    }

    #[test]
    fn what_does_not_fit_is_named() {
        for (text, headings, column) in [
            ("day\n", &[][..], "green"),
            ("day,green,green\n", &[], "green"),
            ("day,green,colour\n", &[], "colour"),
            ("day,raw\n", &[("green", "roh")], "green"),
            ("day,green\n", &[("weight", "green")], "weight"),
        ] {
            let errors = find(text, headings).unwrap_err();
            assert_eq!(
                (errors.len(), errors[0].column.as_str(), errors[0].line),
                (1, column, 1),
                "{text}: {errors:?}"
            );
        }
    }
}
