//! What counts found that neither drying nor weighing explains: for an auditor to look at.

use uuid::Uuid;

use super::moment::Later;
use super::session::{CountState, Entered, OfLot, Session, Step};
use super::sheet::compared;
use super::split::{Asked, split};
use super::{all, moment};
use crate::book::Book;
use crate::book::leaf::Weighing;
use crate::day::Instant;
use crate::ids::{LotId, SiteId};
use crate::mass::Mass;
use crate::refusal::Outcome;
use crate::setup::{self, Lot, Site};
use crate::store::{Read, StoreError};

/// A difference that nothing explains.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unexplained {
    /// The count.
    pub session: Uuid,
    /// Its frozen moment.
    pub at: Instant,
    /// The lot.
    pub lot: LotId,
    /// The storeroom, batch or packing.
    pub key: Uuid,
    /// Positive when it is missing.
    pub mass: Mass,
}

/// All of them, of counts that are booked, as known now.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn unexplained(tx: &mut dyn Read, site: SiteId) -> Result<Vec<Unexplained>, StoreError> {
    let mut found = Vec::new();
    for session in all(tx, site).await? {
        let Some(at) = session.opened().map(|opened| opened.at) else {
            continue;
        };
        if session.state() != CountState::Booked {
            continue;
        }
        let lines = if is_recounted(&session) {
            recounted(tx, site, &session, at).await?
        } else {
            session.booked().to_vec()
        };
        found.extend(
            lines
                .iter()
                .filter(|line| line.unexplained_g != Mass::ZERO)
                .map(|line| Unexplained {
                    session: session.id,
                    at,
                    lot: line.lot,
                    key: line.place.key(),
                    mass: line.unexplained_g,
                }),
        );
    }
    Ok(found)
}

fn is_recounted(session: &Session) -> bool {
    session
        .steps
        .iter()
        .any(|step| matches!(step, Step::Recounted { .. }))
}

/// The lines of a count with what came late.
async fn recounted(
    tx: &mut dyn Read,
    site: SiteId,
    session: &Session,
    at: Instant,
) -> Result<Vec<super::session::Line>, StoreError> {
    let zone = setup::find::<Site>(tx, site, site)
        .await?
        .ok_or_else(|| StoreError::Damaged("the site has no record".to_owned()))?
        .fields
        .zone;
    let later = Later::than(tx, site, zone, at, &session.postings()).await?;
    compared(tx, site, zone, session, &later).await
}

/// Of what one lot's single count found, what nothing explains.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn of_single(
    book: &mut Book,
    account: moment::Account,
    (book_g, counted_g): (Mass, Mass),
    weighing: Option<&Weighing>,
    happened_at: Instant,
) -> Outcome<Mass> {
    let (site, zone, by) = (book.site(), book.zone(), book.actor().person);
    let at = happened_at.min(book.now());
    let (lot, place) = account;
    let counted = Entered {
        by: Uuid::nil(),
        person: by,
        at,
        place,
        masses: vec![OfLot {
            lot,
            mass_g: counted_g,
        }],
        weighings: weighing.cloned().into_iter().collect(),
        bags: None,
    };
    let asked = Asked {
        account,
        at,
        without: &[],
        book: book_g,
        counted: &counted,
    };
    let record = setup::need::<Lot>(book.tx(), site, lot).await?.fields;
    let sessions = all(book.tx(), site).await?;
    let of = split(book.tx(), site, zone, &asked, &record, &sessions).await?;
    Ok(of.unexplained_g)
}
