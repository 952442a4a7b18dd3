//! Counts: what is really there, of green, roasted coffee and bags, at one frozen moment.
//!
//! Opening a count freezes a moment. People enter what they find, place by place, while work goes on; what moves after the moment is
//! taken off again, and what a tablet sends late from before it changes the book's figure, not the count's. Booked, the differences
//! bring the book to what was counted at that moment, and keep doing so whatever is learned of earlier days.

mod at_once;
mod book;
mod commands;
mod far;
mod late;
mod moment;
pub mod session;
mod sheet;
mod split;
mod unexplained;

pub use at_once::at_once;
pub use commands::{CountDecision, CountEntry, CountHandIn, CountOpening, Decided, OfGreen};
pub use far::ask as ask_if_far;
pub use late::recount;
pub use sheet::{CountSheet, CountView, SheetLine, counts, sheet};
pub use split::Split;
pub use unexplained::{Unexplained, unexplained};

use serde_json::Value;
use uuid::Uuid;

use crate::book::leaf::Act;
use crate::book::{Book, Remark, damaged};
use crate::day::Instant;
use crate::ids::SiteId;
use crate::refusal::{Outcome, Refusal};
use crate::store::{Read, StoreError};
use session::{KIND, Session, Step};

/// A count that must be there.
async fn need(tx: &mut dyn Read, site: SiteId, id: Uuid) -> Outcome<Session> {
    let row = tx.count_session(site, id).await?;
    let row = row.ok_or(Refusal::NotFound("count", id))?;
    Ok(Session::of_row(&row)?)
}

/// All counts of a site, in order of their moments.
async fn all(tx: &mut dyn Read, site: SiteId) -> Result<Vec<Session>, StoreError> {
    let rows = tx.count_sessions(site, Instant::from_ms(0)).await?;
    rows.iter().map(Session::of_row).collect()
}

/// Books a step, and stores the count with it.
async fn step(
    book: &mut Book,
    session: &mut Session,
    (id, act, step): (Uuid, Act, Step),
    happened_at: Instant,
    reason: Option<String>,
) -> Outcome<()> {
    let after = serde_json::to_value(&step).map_err(damaged)?;
    book.remark(Remark {
        id,
        kind: KIND,
        subject: session.id,
        act,
        happened_at,
        reason,
        before: Value::Null,
        after,
    })
    .await?;
    session.steps.push(step);
    store(book, session).await
}

/// Stores a count whose steps have grown.
async fn store(book: &mut Book, session: &Session) -> Outcome<()> {
    let site = book.site();
    if let Some(row) = session.row() {
        book.tx().put_count(site, &row).await?;
    }
    Ok(())
}
