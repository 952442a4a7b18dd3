//! What an auditor reads: postings with their readings, the journal, closings, what waits to be settled, and the statement of a lot.
//!
//! Everything here reads one snapshot and changes nothing, but for the two commands that close a period and open it again.

mod as_known;
mod claims;
mod close;
pub mod copy;
mod findings;
mod journal;
mod postings;
pub mod seal;
pub mod statement;
pub mod trace;
mod unsettled;
pub mod value;
pub mod verify;

pub use claims::{ClaimLot, ClaimVolumes, Masses, claims};
pub use close::{
    ClosedTotal, Closing, ClosingDetail, ClosingView, PeriodClosed, Reopening, closing, closings,
};
pub use findings::{FindingAnswer, FindingClosing, FindingList, FindingView, finding, findings};
pub use journal::{EntryView, journal};
pub use postings::{MovementNames, PostingDetail, ReadingView, WeighingView, posting, postings};
pub use seal::{Consistency, SealView, Seals, consistency, seals};
pub use statement::{ManyStatement, Statement, many, statement};
pub use unsettled::{UnsettledView, unsettled};
pub use value::{ValueView, value};

use std::collections::HashMap;

use serde::Serialize;
use uuid::Uuid;

use crate::book::damaged;
use crate::book::leaf::Leaf;
use crate::chart::Drawdown;
use crate::day::Day;
use crate::floor::view::Named;
use crate::green::stock::Stock;
use crate::ids::{LotId, PersonId, SiteId};
use crate::mass::Mass;
use crate::refusal::Outcome;
use crate::setup::{self, Lot, Person};
use crate::store::{LogRow, Read, StoreError};
use crate::text::Name;

/// A page of what the log holds.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct LogPage<T> {
    /// What is on the page.
    pub items: Vec<T>,
    /// Where the next page begins, to be sent as `after`; null on the last.
    pub next: Option<String>,
}

impl<T> LogPage<T> {
    /// A page of at most `limit` of the items that were read; `next` is the place of the last one on it where there are more.
    fn of(mut items: Vec<T>, limit: i64, place: impl Fn(&T) -> i64) -> Self {
        let limit = usize::try_from(limit).unwrap_or(usize::MAX);
        let more = items.len() > limit;
        items.truncate(limit);
        let next = items
            .last()
            .filter(|_| more)
            .map(|last| place(last).to_string());
        Self { items, next }
    }
}

/// How a lot's green in store went down, as a picture.
///
/// # Errors
/// [`crate::refusal::Refusal::NotFound`] if there is no such lot.
pub async fn drawdown(
    tx: &mut dyn Read,
    site: SiteId,
    lot: LotId,
    today: Day,
) -> Outcome<Drawdown> {
    let kept = setup::need::<Lot>(tx, site, lot).await?;
    let mut balance = Mass::ZERO;
    let mut days = Vec::new();
    for (day, change) in tx.store_days(site, lot).await? {
        balance = balance.plus(change)?;
        days.push((day, balance));
    }
    let stock = Stock::read(tx, site)
        .await?
        .with_use(tx, site, today)
        .await?;
    Ok(Drawdown {
        name: kept.fields.name.to_string(),
        lasts: stock.lot(kept).lasts,
        days,
        today,
    })
}

/// Names of the people who booked.
struct People(HashMap<PersonId, Name>);

impl People {
    async fn read(tx: &mut dyn Read, site: SiteId) -> Result<Self, StoreError> {
        let people = setup::all::<Person>(tx, site).await?;
        Ok(Self(
            people
                .into_iter()
                .map(|person| (person.id.into(), person.fields.name))
                .collect(),
        ))
    }

    fn named(&self, person: PersonId) -> Result<Named, StoreError> {
        let name = self.0.get(&person).cloned();
        name.map(|name| Named { id: person.0, name })
            .ok_or_else(|| StoreError::Damaged(format!("a leaf of nobody: {person}")))
    }
}

/// The leaf of a row.
fn leaf(row: &LogRow) -> Result<Leaf, StoreError> {
    serde_json::from_str(&row.leaf).map_err(damaged)
}

/// A leaf that is not what the tables say it is.
fn another_kind(what: &str, id: Uuid) -> StoreError {
    StoreError::Damaged(format!("the leaf of {what} {id} is of another kind"))
}
