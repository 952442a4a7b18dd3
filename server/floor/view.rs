//! A batch as it is answered.

use std::collections::HashMap;

use serde::Serialize;
use uuid::Uuid;

use super::batch::{Batch, Finding, State, Step, Verdict};
use crate::book::place::Place;
use crate::day::{Day, Instant};
use crate::fraction::Fraction;
use crate::ids::{BatchId, CardId, LotId, SiteId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Coffee, Lot, Roaster, Style};
use crate::store::{BatchRow, Read, StoreError};
use crate::text::Name;

/// A thing with its name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Named {
    /// Its id.
    pub id: Uuid,
    /// Its name.
    pub name: Name,
}

/// Why a batch is on hold.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct HoldView {
    /// Why.
    pub reason: String,
}

/// What a review found.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ReviewView {
    /// What was found.
    pub finding: Finding,
    /// Why.
    pub reason: String,
}

/// A batch as it is answered.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct BatchView {
    /// Its id.
    pub id: BatchId,
    /// How far it has come.
    pub state: State,
    /// The card it carries out.
    pub card: Option<CardId>,
    /// Its lot.
    pub lot: Named,
    /// Its coffee.
    pub coffee: Named,
    /// Its size grade.
    pub grade: Name,
    /// Its style.
    pub style: Named,
    /// Its roaster.
    pub roaster: Named,
    /// Green in, as put right.
    pub weighed_in_g: Mass,
    /// Roasted out, as put right.
    pub weighed_out_g: Option<Mass>,
    /// Samples drawn before the weigh-out.
    pub sample_g: Mass,
    /// Its loss, as put right.
    pub loss: Option<Fraction>,
    /// When it was weighed in.
    pub weighed_in_at: Option<Instant>,
    /// When it went into the drum.
    pub started_at: Option<Instant>,
    /// When it was weighed out.
    pub weighed_out_at: Option<Instant>,
    /// The day it was weighed out, or else weighed in.
    pub day: Day,
    /// What was expected and found when it was weighed out.
    pub verdict: Option<Verdict>,
    /// Why it is on hold.
    pub hold: Option<HoldView>,
    /// What the last review found.
    pub review: Option<ReviewView>,
    /// Whether one of its weights was reckoned.
    pub reckoned: bool,
    /// Whether a weight or its lot was put right.
    pub corrected: bool,
    /// What of it lies roasted and not yet in bags.
    pub roasted_left_g: Mass,
    /// What an undo would take back; none when there is nothing to undo.
    pub undo: Option<Uuid>,
}

/// Names of what batches are made of.
#[derive(Debug, Default)]
pub struct Names {
    lots: HashMap<Uuid, Lot>,
    coffees: HashMap<Uuid, Name>,
    styles: HashMap<Uuid, Name>,
    roasters: HashMap<Uuid, Name>,
}

impl Names {
    /// Reads the names that some batches need.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn of(
        tx: &mut dyn Read,
        site: SiteId,
        rows: &[BatchRow],
    ) -> Result<Self, StoreError> {
        let mut names = Self::default();
        for row in rows {
            if !names.lots.contains_key(&row.lot.0)
                && let Some(lot) = setup::find::<Lot>(tx, site, row.lot).await?
            {
                let coffee = lot.fields.coffee.0;
                if let Some(found) = setup::find::<Coffee>(tx, site, coffee).await? {
                    names.coffees.insert(coffee, found.fields.name);
                }
                names.lots.insert(row.lot.0, lot.fields);
            }
            if !names.styles.contains_key(&row.style)
                && let Some(style) = setup::find::<Style>(tx, site, row.style).await?
            {
                names.styles.insert(row.style, style.fields.name);
            }
            if !names.roasters.contains_key(&row.roaster)
                && let Some(roaster) = setup::find::<Roaster>(tx, site, row.roaster).await?
            {
                names.roasters.insert(row.roaster, roaster.fields.name);
            }
        }
        Ok(names)
    }

    fn view(&self, row: &BatchRow, batch: &Batch, left: Mass) -> Option<BatchView> {
        let lot = self.lots.get(&row.lot.0)?;
        let named = |names: &HashMap<Uuid, Name>, id: Uuid| {
            names.get(&id).map(|name| Named {
                id,
                name: name.clone(),
            })
        };
        let out = batch.weighed_out();
        let undo = match batch.steps.last() {
            Some(Step::Held { .. } | Step::Passed { .. } | Step::Reviewed { .. }) | None => None,
            Some(step) => Some(step.by()),
        };
        Some(BatchView {
            id: row.id,
            state: batch.state(),
            card: row.card,
            lot: Named {
                id: row.lot.0,
                name: lot.name.clone(),
            },
            coffee: named(&self.coffees, lot.coffee.0)?,
            grade: lot.grade.clone(),
            style: named(&self.styles, row.style)?,
            roaster: named(&self.roasters, row.roaster)?,
            weighed_in_g: batch.charged(),
            weighed_out_g: batch.roasted(),
            sample_g: batch.sampled_before(),
            loss: batch.loss(),
            weighed_in_at: batch.weighed_in().map(|first| first.at),
            started_at: batch.started_at(),
            weighed_out_at: out.map(|out| out.at),
            day: row.day,
            verdict: out.map(|out| out.verdict.clone()),
            hold: batch.hold().map(|reason| HoldView {
                reason: reason.to_owned(),
            }),
            review: batch.review().map(|(finding, reason)| ReviewView {
                finding,
                reason: reason.to_owned(),
            }),
            reckoned: batch.is_reckoned(),
            corrected: batch.is_corrected(),
            roasted_left_g: left,
            undo,
        })
    }
}

/// Batches as they are answered.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn many(
    tx: &mut dyn Read,
    site: SiteId,
    rows: &[BatchRow],
) -> Result<Vec<BatchView>, StoreError> {
    let names = Names::of(tx, site, rows).await?;
    let left = left_of(tx, site, rows).await?;
    let mut views = Vec::with_capacity(rows.len());
    for row in rows {
        let batch = Batch::of_row(row)?;
        let left = left.get(&(row.lot, Place::Roasted(row.id))).copied();
        let view = names.view(row, &batch, left.unwrap_or_default());
        views.push(view.ok_or_else(|| {
            StoreError::Damaged(format!("batch {} names what is not there", row.id))
        })?);
    }
    Ok(views)
}

/// What is left of the batches' roasted coffee. What stands there of all batches is little, and read at once.
async fn left_of(
    tx: &mut dyn Read,
    site: SiteId,
    rows: &[BatchRow],
) -> Result<HashMap<(LotId, Place), Mass>, StoreError> {
    if let [row] = rows {
        let place = Place::Roasted(row.id);
        let left = tx.balance(site, row.lot, place).await?;
        return Ok(HashMap::from([((row.lot, place), left)]));
    }
    let standing = tx.standing(site, "roasted").await?;
    Ok(standing
        .into_iter()
        .map(|of| ((of.lot, of.place), of.mass))
        .collect())
}

/// One batch by its id.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn of_row(
    tx: &mut dyn Read,
    site: SiteId,
    id: BatchId,
) -> Result<Option<BatchView>, StoreError> {
    let Some(row) = tx.batch(site, id).await? else {
        return Ok(None);
    };
    Ok(many(tx, site, &[row]).await?.pop())
}

/// One batch that must be there.
///
/// # Errors
/// [`Refusal::NotFound`] if it is not.
pub async fn one(tx: &mut dyn Read, site: SiteId, batch: &Batch) -> Outcome<BatchView> {
    of_row(tx, site, batch.id)
        .await?
        .ok_or(Refusal::NotFound("batch", batch.id.0))
}
