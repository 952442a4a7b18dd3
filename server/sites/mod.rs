//! More than one site in one database: each has its own storerooms, roasters, people, plans and log, and green goes between them.
//!
//! A site's book knows nothing of another's. What is sent leaves its storeroom for `transit` under the id of the posting that sent it; what is
//! taken in comes out of `transit` under the same id in the other site's book, as a lot of that site. Over all sites the two sum to what is on
//! the way, so each book balances by itself and all of them together.

mod arrive;
mod found;
mod neighbours;
mod report;
mod send;
mod way;

pub use arrive::{SiteArrival, hardly_as_sent, undone};
pub use found::{Founded, SiteError, found, found_first, oldest, which};
pub use neighbours::Neighbours;
pub use report::{SiteFigures, SitesReport, report};
pub use send::Sending;
pub use way::{SendingView, Ways, ways};

use crate::audit::value::{self, ValueView};
use crate::book::leaf::{Kind, Posting};
use crate::book::{Book, damaged, need_posting};
use crate::day::Day;
use crate::ids::{LotId, PostingId, SiteId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Site};
use crate::store::{Read, Sendings, Standing, StoreError};

/// Green that one site sent to another, and what has become of it.
#[derive(Debug, Clone)]
pub(crate) struct Sent {
    /// The posting that sent it.
    pub posting: Posting,
    /// The site to which it was sent.
    pub to: SiteId,
    /// The sender's lot.
    pub lot: LotId,
    /// How much.
    pub mass: Mass,
    /// As which lot the other site has taken it in; none while it is on the way.
    pub taken_in: Option<LotId>,
}

impl Sent {
    /// Reads a sending; none where nothing was sent under this id, or it was called back.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn read(tx: &mut dyn Read, id: PostingId) -> Result<Option<Self>, StoreError> {
        let standing = tx.in_transit(Sendings::One(id)).await?;
        Self::of(tx, &standing).await
    }

    /// The sending of which this stands between the sites.
    async fn of(
        tx: &mut dyn Read,
        standing: &[(SiteId, Standing)],
    ) -> Result<Option<Self>, StoreError> {
        let (given, taken): (Vec<_>, Vec<_>) =
            standing.iter().partition(|(_, one)| one.mass.is_positive());
        let Some((from, given)) = given.first() else {
            return Ok(None);
        };
        let id = PostingId(given.place.key());
        let posting = need_posting(tx, *from, id).await?;
        let to = serde_json::from_value(posting.facts["to"].clone()).map_err(damaged)?;
        Ok(Some(Self {
            posting,
            to,
            lot: given.lot,
            mass: given.mass,
            taken_in: taken.first().map(|(_, one)| one.lot),
        }))
    }
}

/// The name and settings of a site that has a log.
///
/// # Errors
/// [`StoreError`] when the database fails, or the site has no record.
pub(crate) async fn record(tx: &mut dyn Read, site: SiteId) -> Result<Site, StoreError> {
    Ok(setup::site(tx, site).await?.fields)
}

/// What a site's green is worth at the end of a day.
async fn value_now(tx: &mut dyn Read, site: SiteId, to: Day) -> Outcome<ValueView> {
    let asked = value::Asked {
        from: None,
        to,
        known: None,
    };
    value::value(tx, site, asked).await
}

/// Refuses to undo a sending that the other site has taken in; whoever would take it in meanwhile waits.
///
/// # Errors
/// [`Refusal::Conflict`] with what to do.
pub async fn check_undone(book: &mut Book, posting: &Posting) -> Outcome<()> {
    if posting.kind != Kind::Dispatch {
        return Ok(());
    }
    book.tx().hold_sending(posting.id).await?;
    let Some(sent) = Sent::read(book.tx(), posting.id).await? else {
        return Ok(());
    };
    if sent.taken_in.is_some() {
        let name = record(book.tx(), sent.to).await?.name;
        return Err(Refusal::conflict(format!(
            "{name} has taken this in: it can be undone here once it is undone there"
        )));
    }
    Ok(())
}
