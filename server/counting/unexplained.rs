//! What counts found that neither drying nor weighing explains: for an auditor to look at.

use uuid::Uuid;

use super::all;
use super::moment::{Later, Own};
use super::session::{CountState, Session, Step};
use super::sheet::compared;
use crate::day::Instant;
use crate::ids::{LotId, SiteId};
use crate::mass::Mass;
use crate::setup;
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
            recounted(tx, site, &session).await?
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
) -> Result<Vec<super::session::Line>, StoreError> {
    let zone = setup::site(tx, site).await?.fields.zone;
    let later = Later::than(tx, site, zone, session, Own::LeftOut).await?;
    compared(tx, site, zone, session, &later).await
}
