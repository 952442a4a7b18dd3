//! The journal: who changed what that is not a movement, with what it was before and what it is now.

use serde::Serialize;
use serde_json::Value;
use uuid::Uuid;

use super::{LogPage, People, another_kind};
use crate::book::damaged;
use crate::book::leaf::{Act, Entry, Leaf};
use crate::day::Instant;
use crate::floor::view::Named;
use crate::ids::SiteId;
use crate::store::{JournalFilter, Read, StoreError};

/// A journal entry as it is answered.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct EntryView {
    /// Its id.
    pub id: Uuid,
    /// Its place in the log.
    pub position: i64,
    /// What kind of thing it is about, such as `lot` or `batch`.
    pub kind: String,
    /// Which one.
    pub subject: Uuid,
    /// What was done to it.
    pub act: Act,
    /// Who did it.
    pub person: Named,
    /// On which device, if it has a name of its own.
    pub device: Option<Uuid>,
    /// Whether the device alone was proved, and it said who the person was.
    pub claimed: bool,
    /// When it happened.
    pub happened_at: Instant,
    /// When the book learned it.
    pub recorded_at: Instant,
    /// Why.
    pub reason: Option<String>,
    /// What it was before; null where it is new.
    #[schema(value_type = Option<Object>)]
    pub before: Value,
    /// What it is now.
    #[schema(value_type = Option<Object>)]
    pub after: Value,
}

/// The journal, newest first.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn journal(
    tx: &mut dyn Read,
    site: SiteId,
    filter: &JournalFilter,
    limit: i64,
) -> Result<LogPage<EntryView>, StoreError> {
    let people = People::read(tx, site).await?;
    let mut entries = Vec::new();
    for row in tx.journal(site, filter, limit + 1).await? {
        let Leaf::Entry(entry) = serde_json::from_str(&row.leaf).map_err(damaged)? else {
            return Err(another_kind("journal entry", Uuid::nil()));
        };
        entries.push(EntryView {
            id: entry.id,
            position: row.position,
            kind: entry.kind,
            subject: entry.subject,
            act: entry.act,
            person: people.named(entry.head.person)?,
            device: entry.head.device,
            claimed: entry.head.claimed,
            happened_at: Instant::from_ms(entry.happened_at),
            recorded_at: Instant::from_ms(entry.head.recorded_at),
            reason: entry.reason,
            before: entry.before,
            after: entry.after,
        });
    }
    Ok(LogPage::of(entries, limit, |entry| entry.position))
}

/// What was written of a kind of record, oldest first, as the first `known` leaves say; all of it unless that is said. Other things that
/// the journal says of records, such as that a lot was used up, are no writing.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub(super) async fn puts(
    tx: &mut dyn Read,
    site: SiteId,
    kind: &str,
    known: Option<i64>,
) -> Result<Vec<Entry>, StoreError> {
    const PAGE: i64 = 1_000;
    let mut filter = JournalFilter {
        kind: Some(kind.to_owned()),
        subject: None,
        before: known,
    };
    let mut puts = Vec::new();
    loop {
        let page = tx.journal(site, &filter, PAGE).await?;
        let Some(last) = page.last() else { break };
        filter.before = Some(last.position);
        for row in &page {
            match serde_json::from_str(&row.leaf).map_err(damaged)? {
                Leaf::Entry(entry) if entry.act == Act::Put => puts.push(entry),
                Leaf::Entry(_) => {}
                _ => return Err(another_kind("journal entry", Uuid::nil())),
            }
        }
    }
    puts.reverse();
    Ok(puts)
}
