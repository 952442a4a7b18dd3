//! Postings: what moved, who booked it, and the readings as they were typed.

use std::collections::HashMap;

use serde::Serialize;
use uuid::Uuid;

use super::trace::{Names, Orders};
use super::{LogPage, People, another_kind, leaf};
use crate::book::damaged;
use crate::book::leaf::{Basis, Leaf, Posting, Source, Weighing};
use crate::book::place::Place;
use crate::day::Instant;
use crate::floor::view::Named;
use crate::green::PostingView;
use crate::ids::{CardId, PostingId, SiteId};
use crate::mass::{Mass, MassRange, Unit};
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Scale};
use crate::store::{PostingFilter, Read, StoreError};

/// A posting with all that is known of it.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PostingDetail {
    /// What moved.
    #[serde(flatten)]
    pub posting: PostingView,
    /// What moved, in the names that people know.
    pub lines: Vec<MovementNames>,
    /// Who booked it.
    pub person: Named,
    /// On which device, if it has a name of its own.
    pub device: Option<Uuid>,
    /// Whether the device alone was proved, and it said who the person was.
    pub claimed: bool,
    /// When it counts: when it happened, or the start of the first open day where its day was closed.
    pub effective_at: Instant,
    /// The card it carries out.
    pub card: Option<CardId>,
    /// The posting that undid it.
    pub undone_by: Option<PostingId>,
    /// What else was known or answered.
    #[schema(value_type = Option<Object>)]
    pub facts: serde_json::Value,
    /// How the masses are known.
    pub weighings: Vec<WeighingView>,
    /// SHA-256 of the command, hex.
    pub digest: String,
}

/// A movement in names.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct MovementNames {
    /// Whose coffee.
    pub lot: Named,
    /// What the place it left is called.
    pub from: String,
    /// What the place it went to is called.
    pub to: String,
}

/// How the mass of a movement is known.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct WeighingView {
    /// The movement, from 0.
    pub movement: usize,
    /// Weighed, nominal or reckoned.
    pub basis: Basis,
    /// Where the figure came from.
    pub source: Source,
    /// The scale.
    pub scale: Option<Named>,
    /// The unit it shows.
    pub unit: Option<Unit>,
    /// Its division.
    pub division_g: Option<Mass>,
    /// Net mass.
    pub net_g: Mass,
    /// Each reading.
    pub readings: Vec<ReadingView>,
}

/// A reading of a scale.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ReadingView {
    /// The digits as typed or sent, in the scale's unit.
    pub gross: String,
    /// Gross mass.
    pub gross_g: Mass,
    /// The container that stood on the scale.
    pub container: Option<String>,
    /// The container's mass.
    pub tare_g: Mass,
    /// Gross less container.
    pub net_g: Mass,
}

/// Postings in the order of the log, after a place in it.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn postings(
    tx: &mut dyn Read,
    site: SiteId,
    filter: &PostingFilter,
    limit: i64,
) -> Result<LogPage<PostingView>, StoreError> {
    let rows = tx.posting_leaves(site, filter, limit + 1).await?;
    let views = rows.iter().filter_map(|row| match leaf(row) {
        Ok(Leaf::Posting(posting)) => Some(Ok(PostingView::from(&posting))),
        Ok(_) => None,
        Err(error) => Some(Err(error)),
    });
    let views = views.collect::<Result<Vec<_>, _>>()?;
    Ok(LogPage::of(views, limit, |view| view.position))
}

/// One posting with its weighings.
///
/// # Errors
/// [`Refusal::NotFound`] if there is none.
pub async fn posting(tx: &mut dyn Read, site: SiteId, id: PostingId) -> Outcome<PostingDetail> {
    let text = tx.posting_leaf(site, id).await?;
    let text = text.ok_or(Refusal::NotFound("posting", id.0))?;
    let Leaf::Posting(posting) = serde_json::from_str(&text).map_err(damaged)? else {
        return Err(another_kind("posting", id.0).into());
    };
    let scales = scales(tx, site, &posting).await?;
    let weighing = |weighing: &Weighing| view(weighing, &scales);
    let weighings = posting.weighings.iter().map(weighing);
    Ok(PostingDetail {
        lines: lines(tx, site, &posting).await?,
        weighings: weighings.collect::<Result<_, _>>()?,
        person: People::read(tx, site).await?.named(posting.head.person)?,
        device: posting.head.device,
        claimed: posting.head.claimed,
        effective_at: Instant::from_ms(posting.effective_at),
        card: posting.card,
        undone_by: tx.reversal_of(id).await?,
        posting: PostingView::from(&posting),
        facts: posting.facts,
        digest: posting.digest,
    })
}

async fn lines(
    tx: &mut dyn Read,
    site: SiteId,
    posting: &Posting,
) -> Result<Vec<MovementNames>, StoreError> {
    let both = posting.movements.iter().flat_map(|m| [m.from, m.to]);
    let places: Vec<Place> = both.collect();
    let names = Names::read(tx, site, &places, Orders::Named).await?;
    let line = |m: &crate::book::leaf::Movement| {
        Ok(MovementNames {
            lot: Named {
                id: m.lot.0,
                name: names.lot(m.lot)?,
            },
            from: names.of(m.from),
            to: names.of(m.to),
        })
    };
    posting.movements.iter().map(line).collect()
}

async fn scales(
    tx: &mut dyn Read,
    site: SiteId,
    posting: &Posting,
) -> Result<HashMap<Uuid, Named>, StoreError> {
    let mut scales = HashMap::new();
    for scale in posting.weighings.iter().filter_map(|w| w.scale) {
        if let Some(kept) = setup::find::<Scale>(tx, site, scale).await? {
            let (id, name) = (kept.id, kept.fields.name);
            scales.insert(id, Named { id, name });
        }
    }
    Ok(scales)
}

fn view(weighing: &Weighing, scales: &HashMap<Uuid, Named>) -> Result<WeighingView, MassRange> {
    let reading = |r: &crate::book::leaf::Reading| {
        Ok(ReadingView {
            gross: r.gross.clone(),
            gross_g: Mass::from_mg(r.gross_mg)?,
            container: r.container.clone(),
            tare_g: Mass::from_mg(r.tare_mg)?,
            net_g: Mass::from_mg(r.net_mg)?,
        })
    };
    Ok(WeighingView {
        movement: weighing.movement,
        basis: weighing.basis,
        source: weighing.source,
        scale: weighing
            .scale
            .and_then(|scale| scales.get(&scale.0).cloned()),
        unit: weighing.unit,
        division_g: weighing.division_mg.map(Mass::from_mg).transpose()?,
        net_g: Mass::from_mg(weighing.net_mg)?,
        readings: weighing
            .readings
            .iter()
            .map(reading)
            .collect::<Result<_, _>>()?,
    })
}
