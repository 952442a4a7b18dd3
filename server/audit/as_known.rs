//! Records as they were when the log had so many leaves: the names and fields in which a reckoning of then is told, so that it stays the same
//! text whatever is renamed or edited afterwards.

use std::collections::BTreeMap;

use uuid::Uuid;

use super::journal::puts;
use crate::book::damaged;
use crate::day::{Day, Instant};
use crate::ids::SiteId;
use crate::refusal::Outcome;
use crate::setup::{self, Kept, Record};
use crate::store::{Read, StoreError};

/// All records of a kind in order of their ids, as the first `known` leaves say; as they are now unless that is said.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn all<R: Record>(
    tx: &mut dyn Read,
    site: SiteId,
    known: Option<i64>,
) -> Result<Vec<Kept<R>>, StoreError> {
    let Some(known) = known else {
        return setup::all(tx, site).await;
    };
    let mut then: BTreeMap<Uuid, Kept<R>> = BTreeMap::new();
    for entry in puts(tx, site, R::KIND, Some(known)).await? {
        let id = entry.subject;
        let revision = then.get(&id).map_or(0, |before| before.revision) + 1;
        let fields = serde_json::from_value(entry.after).map_err(damaged)?;
        then.insert(
            id,
            Kept {
                id,
                revision,
                fields,
            },
        );
    }
    Ok(then.into_values().collect())
}

/// One record that must be there, as the first `known` leaves say. What they do not speak of yet is told as it is now: nothing had moved, and
/// only its name is wanted.
///
/// # Errors
/// [`crate::refusal::Refusal::NotFound`] if there is none of this kind and id even now.
pub async fn need<R: Record>(
    tx: &mut dyn Read,
    site: SiteId,
    id: impl Into<Uuid>,
    known: Option<i64>,
) -> Outcome<Kept<R>> {
    let now = setup::need::<R>(tx, site, id).await?;
    if known.is_none() {
        return Ok(now);
    }
    let then = all::<R>(tx, site, known).await?;
    let found = then.into_iter().find(|kept| kept.id == now.id);
    Ok(found.unwrap_or(now))
}

/// The day up to which something as known then is reckoned: a posting is of no later day than the one on which it was recorded, so that nothing
/// which the first `known` leaves say is of a day after the last of them. Without it all that happened since would be summed and taken off again.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn until(
    tx: &mut dyn Read,
    site: SiteId,
    day: Day,
    known: Option<i64>,
) -> Result<Day, StoreError> {
    let Some(known) = known else {
        return Ok(day);
    };
    let last = tx.leaves(site, (known - 1).max(0), 1).await?;
    let Some(leaf) = last.first() else {
        return Ok(day);
    };
    let at = leaf.recorded_at;
    let zone = setup::site(tx, site).await?.fields.zone;
    Ok(day.min(zone.day(at)))
}

/// The moment at which more than the first `known` leaves was known; none where there is nothing more.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn end(
    tx: &mut dyn Read,
    site: SiteId,
    known: Option<i64>,
) -> Result<Option<Instant>, StoreError> {
    let Some(known) = known else {
        return Ok(None);
    };
    let next = tx.leaves(site, known, 1).await?;
    Ok(next.first().map(|leaf| leaf.recorded_at))
}
