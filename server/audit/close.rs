//! Closing a period and opening it again. A closed period takes nothing more; its statement is bound to its days and the log's size.

use async_trait::async_trait;
use serde::Serialize;
use uuid::Uuid;

use super::seal::seal;
use super::{People, another_kind, leaf};
use crate::app::App;
use crate::book::Book;
use crate::book::leaf::{self, Leaf};
use crate::command::{Command, Common, command};
use crate::day::{Day, Instant};
use crate::floor::view::Named;
use crate::ids::{ClosingId, LotId, SiteId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::store::{ClosingRow, Read, StoreError};

command! {
    /// Everything up to and with a day was closed: it takes nothing more.
    Closing {
        /// The last day.
        to_day: Day,
    }
}

command! {
    /// The last closed period was opened again.
    Reopening {
        /// The closing.
        closing: ClosingId,
    }
}

/// A closing as it is answered.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ClosingView {
    /// Its id.
    pub id: ClosingId,
    /// First day of the period; null for all before.
    pub from_day: Option<Day>,
    /// Last day of the period.
    pub to_day: Day,
    /// Whether it has been opened again.
    pub reopened: bool,
    /// Who closed it.
    pub person: Named,
    /// When.
    pub recorded_at: Instant,
    /// Why.
    pub reason: Option<String>,
    /// The log's size with it: a statement of these days as known then stays the same for ever.
    pub known: i64,
}

/// What of a lot stood at one kind of place when a period was closed.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ClosedTotal {
    /// Whose coffee.
    pub lot: LotId,
    /// The place's word.
    pub place: String,
    /// How much.
    pub mass_g: Mass,
}

/// A closing with what stood where at the end of its last day.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ClosingDetail {
    /// The closing.
    #[serde(flatten)]
    pub closing: ClosingView,
    /// What stood where.
    pub totals: Vec<ClosedTotal>,
}

/// The answer to closing a period or opening it again.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PeriodClosed {
    /// The closing as it is now.
    pub closing: ClosingDetail,
}

#[async_trait]
impl Command for Closing {
    const NAME: &'static str = "closings";
    type Answer = PeriodClosed;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, id: Uuid) -> Outcome<PeriodClosed> {
        let closing = book
            .close_period(id, self.to_day, self.common().why())
            .await?;
        seal(book, app, &closing).await?;
        answer(book, id).await
    }
}

#[async_trait]
impl Command for Reopening {
    const NAME: &'static str = "reopenings";
    type Answer = PeriodClosed;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<PeriodClosed> {
        let reason = self
            .common()
            .why()
            .ok_or_else(|| Refusal::field("/reason", "say why, in a few words"))?;
        let site = book.site();
        if !book
            .tx()
            .closings(site)
            .await?
            .iter()
            .any(|row| row.id == self.closing.0)
        {
            return Err(Refusal::field("/closing", "there is no such closing"));
        }
        book.reopen_period(id, self.closing.0, reason).await?;
        answer(book, self.closing.0).await
    }
}

async fn answer(book: &mut Book, id: Uuid) -> Outcome<PeriodClosed> {
    let site = book.site();
    Ok(PeriodClosed {
        closing: closing(book.tx(), site, ClosingId(id)).await?,
    })
}

/// All closings, oldest first.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn closings(tx: &mut dyn Read, site: SiteId) -> Result<Vec<ClosingView>, StoreError> {
    let people = People::read(tx, site).await?;
    let mut views = Vec::new();
    for row in tx.closings(site).await? {
        let said = said(tx, site, &row).await?;
        views.push(view(&row, said, &people)?.closing);
    }
    Ok(views)
}

/// One closing with its totals.
///
/// # Errors
/// [`Refusal::NotFound`] if there is none.
pub async fn closing(tx: &mut dyn Read, site: SiteId, id: ClosingId) -> Outcome<ClosingDetail> {
    let people = People::read(tx, site).await?;
    let row = tx
        .closings(site)
        .await?
        .into_iter()
        .find(|row| row.id == id.0);
    let row = row.ok_or(Refusal::NotFound("closing", id.0))?;
    let said = said(tx, site, &row).await?;
    Ok(view(&row, said, &people)?)
}

/// What the log says of a closing.
async fn said(
    tx: &mut dyn Read,
    site: SiteId,
    row: &ClosingRow,
) -> Result<leaf::Closing, StoreError> {
    let rows = tx.leaves(site, row.position, 1).await?;
    match rows.first().map(leaf).transpose()? {
        Some(Leaf::Closing(closing)) if closing.id == row.id => Ok(closing),
        _ => Err(another_kind("closing", row.id)),
    }
}

fn view(
    row: &ClosingRow,
    said: leaf::Closing,
    people: &People,
) -> Result<ClosingDetail, StoreError> {
    let total = |total: leaf::Total| {
        Ok(ClosedTotal {
            lot: total.lot,
            place: total.place,
            mass_g: Mass::from_mg(total.mass_mg).map_err(|e| StoreError::Damaged(e.to_string()))?,
        })
    };
    Ok(ClosingDetail {
        closing: ClosingView {
            id: ClosingId(row.id),
            from_day: row.from_day,
            to_day: row.to_day,
            reopened: row.reopened,
            person: people.named(said.head.person)?,
            recorded_at: Instant::from_ms(said.head.recorded_at),
            reason: said.reason,
            known: row.position + 1,
        },
        totals: said
            .totals
            .into_iter()
            .map(total)
            .collect::<Result<_, StoreError>>()?,
    })
}
