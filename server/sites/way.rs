//! What is on its way between sites, and what came lately.

use std::collections::BTreeMap;

use serde::Serialize;

use super::{Sent, record};
use crate::day::{Day, Instant};
use crate::floor::view::Named;
use crate::ids::{PostingId, SiteId};
use crate::mass::Mass;
use crate::setup::{self, Lot};
use crate::store::{Read, Sendings, Standing, StoreError};
use crate::text::Name;

/// Green that one site sent to another.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct SendingView {
    /// The posting that sent it.
    pub id: PostingId,
    /// The site that sent it.
    pub from: Named,
    /// The site to which it goes.
    pub to: Named,
    /// The sender's lot.
    pub lot: Named,
    /// Its size grade.
    pub grade: Name,
    /// How much was sent.
    pub mass_g: Mass,
    /// When it left.
    pub sent_at: Instant,
    /// The sender's day on which it left.
    pub day: Day,
    /// As which lot it was taken in; null while it is on the way.
    pub taken_in: Option<Named>,
    /// The posting that took it in, where that was at this site: what is undone to send it back on its way.
    pub arrival: Option<PostingId>,
}

/// The other sites, and what goes to and fro.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Ways {
    /// The sites to which something can be sent.
    pub sites: Vec<Named>,
    /// On the way to this site, or from it; the latest first.
    pub on_the_way: Vec<SendingView>,
    /// The last that arrived at either end.
    pub arrived: Vec<SendingView>,
}

/// How many arrivals are told.
const ARRIVED: usize = 20;

/// Reads what is on its way to and from a site.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn ways(tx: &mut dyn Read, site: SiteId) -> Result<Ways, StoreError> {
    let mut sites = Vec::new();
    for other in tx.sites().await?.into_iter().filter(|other| *other != site) {
        let record = record(tx, other).await?;
        if !record.retired {
            sites.push(Named {
                id: other.0,
                name: record.name,
            });
        }
    }
    let of_site = |of: &SendingView| [of.from.id, of.to.id].contains(&site.0);
    let (mut on_the_way, mut arrived) = (Vec::new(), Vec::new());
    let own = by_sending(tx, Sendings::Of(site)).await?;
    for standing in own.into_values().rev() {
        let has_arrived = is_balanced(&standing);
        if has_arrived && arrived.len() == ARRIVED {
            continue;
        }
        let seen = view(tx, &standing).await?;
        let Some(mut sending) = seen.filter(of_site) else {
            continue;
        };
        if has_arrived && sending.to.id == site.0 {
            sending.arrival = tx.arrival_of(site, sending.id).await?;
        }
        if has_arrived {
            arrived.push(sending);
        } else {
            on_the_way.push(sending);
        }
    }
    Ok(Ways {
        sites,
        on_the_way,
        arrived,
    })
}

/// All that is on its way between any sites.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub(super) async fn all_on_the_way(tx: &mut dyn Read) -> Result<Vec<SendingView>, StoreError> {
    let mut found = Vec::new();
    let all = by_sending(tx, Sendings::All).await?;
    for standing in all.into_values().rev() {
        if !is_balanced(&standing) {
            found.extend(view(tx, &standing).await?);
        }
    }
    Ok(found)
}

/// What stands between sites by the posting that sent it; their ids follow time.
async fn by_sending(
    tx: &mut dyn Read,
    which: Sendings,
) -> Result<BTreeMap<PostingId, Vec<(SiteId, Standing)>>, StoreError> {
    let mut by_sending: BTreeMap<PostingId, Vec<(SiteId, Standing)>> = BTreeMap::new();
    for (site, standing) in tx.in_transit(which).await? {
        let sending = PostingId(standing.place.key());
        by_sending
            .entry(sending)
            .or_default()
            .push((site, standing));
    }
    Ok(by_sending)
}

/// Whether what one site gave another has taken.
fn is_balanced(standing: &[(SiteId, Standing)]) -> bool {
    standing.iter().map(|(_, one)| one.mass.mg()).sum::<i64>() == 0
}

async fn view(
    tx: &mut dyn Read,
    standing: &[(SiteId, Standing)],
) -> Result<Option<SendingView>, StoreError> {
    let Some(sent) = Sent::of(tx, standing).await? else {
        return Ok(None);
    };
    let from = sent.posting.head.site;
    let site = |id: SiteId, name| Named { id: id.0, name };
    let lot = lot(tx, from, sent.lot.0).await?;
    Ok(Some(SendingView {
        id: sent.posting.id,
        from: site(from, record(tx, from).await?.name),
        to: site(sent.to, record(tx, sent.to).await?.name),
        grade: lot.grade,
        lot: Named {
            id: sent.lot.0,
            name: lot.name,
        },
        mass_g: sent.mass,
        sent_at: Instant::from_ms(sent.posting.happened_at),
        day: sent.posting.day,
        arrival: None,
        taken_in: match sent.taken_in {
            None => None,
            Some(taken) => Some(Named {
                id: taken.0,
                name: self::lot(tx, sent.to, taken.0).await?.name,
            }),
        },
    }))
}

async fn lot(tx: &mut dyn Read, site: SiteId, id: uuid::Uuid) -> Result<Lot, StoreError> {
    let kept = setup::find::<Lot>(tx, site, id).await?;
    kept.map(|kept| kept.fields)
        .ok_or_else(|| StoreError::Damaged(format!("coffee of no lot: {id}")))
}
