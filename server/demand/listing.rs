//! What the imports of subscribers and standing orders have in common: names that a table uses, and what it does to records.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::coming::put;
use crate::app::App;
use crate::book::Book;
use crate::refusal::{LineError, Outcome};
use crate::setup::{Kept, Record};
use crate::sheet::Headings;
use crate::text::Name;

/// How many like names are offered for one that is not known.
const NEAREST: usize = 3;

/// A table of subscribers or standing orders.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TableText {
    /// The table as text, separated by commas, semicolons or tabs.
    pub csv: String,
    /// The headings of columns that are not headed by their names; those used last where nothing is said.
    #[serde(default)]
    pub headings: Option<Headings>,
}

/// What a table does to one record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct RowChange {
    /// Its number.
    pub number: Name,
    /// Whose it is.
    pub name: Name,
    /// What changes, in words; nothing where it is new.
    pub changes: Vec<String>,
}

/// What a table did.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, utoipa::ToSchema)]
pub struct TableTaken {
    /// What is new.
    pub added: Vec<RowChange>,
    /// What says something else now.
    pub changed: Vec<RowChange>,
    /// What was ended or called off.
    pub cancelled: Vec<RowChange>,
    /// How many it names that are so already.
    pub same: usize,
}

/// What a table would do, and what is wrong with it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct TableDryRun {
    /// How many rows can be read.
    pub lines: usize,
    /// What it would do.
    #[serde(flatten)]
    pub would: TableTaken,
    /// What is wrong; while there is anything, nothing can be taken.
    pub errors: Vec<LineError>,
}

/// A record as a table wants it, beside what the book has.
pub(super) struct Change<R> {
    pub before: Option<Kept<R>>,
    pub after: R,
}

/// What an import needs to know of its records.
pub(super) trait Row: Record + PartialEq {
    /// Number and name.
    fn called(&self) -> (Name, Name);
    /// Whether it is called off.
    fn is_off(&self) -> bool;
}

/// What changes do. `words` are a record's fields with what they say, in words.
pub(super) fn taken<R: Row>(
    changes: &[Change<R>],
    words: impl Fn(&R) -> Vec<(&'static str, String)>,
) -> TableTaken {
    let mut taken = TableTaken::default();
    for change in changes {
        let (number, name) = change.after.called();
        let mut told = RowChange {
            number,
            name,
            changes: Vec::new(),
        };
        match &change.before {
            None => taken.added.push(told),
            Some(before) if before.fields == change.after => taken.same += 1,
            Some(before) => {
                let pairs = words(&before.fields).into_iter().zip(words(&change.after));
                told.changes = pairs
                    .filter(|((_, old), (_, new))| old != new)
                    .map(|((field, old), (_, new))| format!("{field}: {old} before, {new} now"))
                    .collect();
                if change.after.is_off() && !before.fields.is_off() {
                    taken.cancelled.push(told);
                } else {
                    taken.changed.push(told);
                }
            }
        }
    }
    taken
}

/// Writes what changes.
pub(super) async fn write<R: Row>(
    book: &mut Book,
    app: &App,
    changes: Vec<Change<R>>,
) -> Outcome<()> {
    for change in changes {
        let (id, revision) = match &change.before {
            Some(before) if before.fields == change.after => continue,
            Some(before) => (before.id, Some(before.revision)),
            None => (app.clock.new_id(), None),
        };
        put(book, app, id, revision, change.after).await?;
    }
    Ok(())
}

/// Names of one kind of record that a table may use.
pub(super) struct Names {
    kind: &'static str,
    known: Vec<(Uuid, Name, bool)>,
}

impl Names {
    pub fn new<R: Record>(
        kind: &'static str,
        records: &[Kept<R>],
        of: impl Fn(&R) -> (Name, bool),
    ) -> Self {
        let known = records.iter().map(|kept| {
            let (name, retired) = of(&kept.fields);
            (kept.id, name, retired)
        });
        Self {
            kind,
            known: known.collect(),
        }
    }

    /// What a name stands for; upper and lower case do not matter.
    pub fn find(&self, name: &str) -> Result<Uuid, String> {
        let lower = name.trim().to_lowercase();
        let same = |(_, known, _): &&(Uuid, Name, bool)| known.as_str().to_lowercase() == lower;
        let found = self.known.iter().filter(same).min_by_key(|known| known.2);
        found
            .map(|(id, ..)| *id)
            .ok_or_else(|| self.nearest(&lower))
    }

    /// What names stand for that are separated by semicolons, bars or plus signs.
    pub fn find_all(&self, names: &str) -> Result<Vec<Uuid>, String> {
        let parts = names.split([';', '|', '+']).map(str::trim);
        parts
            .filter(|part| !part.is_empty())
            .map(|part| self.find(part))
            .collect()
    }

    /// The only one that is in use, if there is only one.
    pub fn only(&self) -> Option<Uuid> {
        let mut used = self.known.iter().filter(|(.., retired)| !retired);
        match (used.next(), used.next()) {
            (Some((id, ..)), None) => Some(*id),
            _ => None,
        }
    }

    pub fn name(&self, id: Uuid) -> &str {
        let known = self.known.iter().find(|(known, ..)| *known == id);
        known.map_or("?", |(_, name, _)| name.as_str())
    }

    pub fn names(&self, ids: impl Iterator<Item = Uuid>) -> String {
        let names: Vec<&str> = ids.map(|id| self.name(id)).collect();
        names.join(" + ")
    }

    fn nearest(&self, lower: &str) -> String {
        let used = self.known.iter().filter(|(.., retired)| !retired);
        let mut near: Vec<(usize, &str)> = used
            .map(|(_, name, _)| {
                let name = name.as_str();
                (
                    strsim::damerau_levenshtein(&name.to_lowercase(), lower),
                    name,
                )
            })
            .collect();
        near.sort_unstable();
        let names: Vec<&str> = near.iter().take(NEAREST).map(|(_, name)| *name).collect();
        if names.is_empty() {
            format!("there is no {} yet: set one up", self.kind)
        } else {
            format!(
                "no such {}; the nearest are: {}",
                self.kind,
                names.join(" / ")
            )
        }
    }
}
