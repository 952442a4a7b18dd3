//! How people's own tables are headed: remembered for each kind of import, so that it is said once.

use serde::{Deserialize, Serialize};

use super::{Expected, Kept, Record, fault, find_labelled, put};
use crate::book::Book;
use crate::clock::Clock;
use crate::ids::SiteId;
use crate::refusal::{FieldError, Outcome};
use crate::sheet::Headings;
use crate::store::{Read, StoreError};

/// A kind of table that can be imported.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum TableKind {
    /// Order lines.
    Orders,
    /// Batches roasted before this book began.
    PastBatches,
    /// Lines of standing orders.
    StandingOrders,
    /// Subscribers.
    Subscribers,
}

impl TableKind {
    /// Its word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Orders => "orders",
            Self::PastBatches => "past_batches",
            Self::StandingOrders => "standing_orders",
            Self::Subscribers => "subscribers",
        }
    }
}

/// The headings that a kind of table has in this house.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TableHeadings {
    /// The kind of table.
    pub table: TableKind,
    /// The heading of each field that is not headed by its own name.
    pub headings: Headings,
}

impl Record for TableHeadings {
    const KIND: &'static str = "table_headings";
    const LABEL_AT: &'static str = "/table";

    fn label(&self) -> Option<String> {
        Some(self.table.word().to_owned())
    }

    fn faults(&self) -> Vec<FieldError> {
        let wrong = |text: &str| {
            text.trim().is_empty() || text.chars().count() > 120 || text.contains(char::is_control)
        };
        let fields = self
            .headings
            .iter()
            .filter(|(field, heading)| wrong(field) || wrong(heading));
        fields
            .map(|(field, _)| {
                fault(
                    format!("/headings/{field}"),
                    "a heading has 1 to 120 characters on one line",
                )
            })
            .collect()
    }
}

/// The headings to read a table with: those said, otherwise those remembered; none where there are neither.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn headings(
    tx: &mut dyn Read,
    site: SiteId,
    table: TableKind,
    said: Option<&Headings>,
) -> Result<Option<Headings>, StoreError> {
    let headings = match said {
        Some(said) => Some(said.clone()),
        None => find_labelled::<TableHeadings>(tx, site, table.word())
            .await?
            .map(|kept| kept.fields.headings),
    };
    Ok(headings.filter(|headings| !headings.is_empty()))
}

/// Remembers the headings that a table was taken with.
///
/// # Errors
/// [`crate::refusal::Refusal`] for headings that are none.
pub async fn remember_headings(
    book: &mut Book,
    clock: &Clock,
    table: TableKind,
    said: Option<&Headings>,
) -> Outcome<()> {
    let Some(headings) = said.cloned() else {
        return Ok(());
    };
    let site = book.site();
    let known = find_labelled::<TableHeadings>(book.tx(), site, table.word()).await?;
    let (id, expected) = match &known {
        Some(Kept { fields, .. }) if fields.headings == headings => return Ok(()),
        Some(known) => (known.id, Expected::Revision(known.revision)),
        None => (clock.new_id(), Expected::Nothing),
    };
    put(
        book,
        id,
        expected,
        TableHeadings { table, headings },
        clock.new_id(),
    )
    .await?;
    Ok(())
}
