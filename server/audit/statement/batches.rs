//! What became of the batches that a statement's green was weighed in for, as it was known at the log's size of the statement.

use std::collections::HashMap;

use serde::Serialize;
use serde_json::Value;
use uuid::Uuid;

use super::words::Words;
use super::{Line, named};
use crate::audit::leaf;
use crate::book::damaged;
use crate::book::leaf::Kind;
use crate::book::place::Place;
use crate::floor::batch::{self, Batch, Judgement, State};
use crate::floor::view::Named;
use crate::fraction::Fraction;
use crate::ids::{BatchId, PostingId, SiteId};
use crate::mass::Mass;
use crate::store::{Period, Read, StoreError, StoreLine};

/// What became of a batch.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct StatementBatch {
    /// The batch.
    pub id: BatchId,
    /// Its roaster.
    pub roaster: Named,
    /// Its style.
    pub style: Named,
    /// Green weighed in, as put right: of all its lines.
    pub charge_g: Mass,
    /// Roasted coffee weighed out, as put right.
    pub roasted_g: Option<Mass>,
    /// Samples drawn before the weigh-out.
    pub sample_g: Mass,
    /// Its loss.
    pub loss: Option<Fraction>,
    /// The loss that was expected.
    pub mean: Option<Fraction>,
    /// The range's lower end.
    pub lo: Option<Fraction>,
    /// The range's upper end.
    pub hi: Option<Fraction>,
    /// How the loss stood to the range.
    pub judgement: Option<Judgement>,
}

/// Puts each batch of the lot on the last line of its charge.
pub(super) async fn attach(
    tx: &mut dyn Read,
    site: SiteId,
    period: &Period,
    past: bool,
    rows: &[StoreLine],
    words: &Words,
    lines: &mut [Line],
) -> Result<(), StoreError> {
    let last_lines = last_lines(tx, site, rows, words).await?;
    let ids: Vec<BatchId> = last_lines.keys().copied().collect();
    let batches = if past {
        known_then(tx, site, &ids, period.known).await?
    } else {
        known_now(tx, site, &ids).await?
    };
    for batch in batches {
        let line = last_lines.get(&batch.id).and_then(|i| lines.get_mut(*i));
        if let Some(line) = line.filter(|_| batch.lot() == Some(period.lot)) {
            line.batch = view(&batch, words)?;
        }
    }
    Ok(())
}

/// The last line of each batch's charge. A correction takes green from the store to wherever the batch's coffee has gone on to, so it is
/// asked for the batch itself.
async fn last_lines(
    tx: &mut dyn Read,
    site: SiteId,
    rows: &[StoreLine],
    words: &Words,
) -> Result<HashMap<BatchId, usize>, StoreError> {
    let mut lines = HashMap::new();
    for (i, row) in rows.iter().enumerate().filter(|(_, row)| !row.undone) {
        if !matches!(words.place(row.from)?, Place::Store(_)) {
            continue;
        }
        if let Place::Batch(batch) = words.place(row.to)? {
            lines.insert(batch, i);
        } else if row.kind == Kind::Correct.word() {
            lines.extend(
                corrected(tx, site, row.posting)
                    .await?
                    .into_iter()
                    .map(|batch| (batch, i)),
            );
        }
    }
    Ok(lines)
}

/// The batches that a posting corrected.
pub(super) async fn corrected(
    tx: &mut dyn Read,
    site: SiteId,
    posting: PostingId,
) -> Result<Vec<BatchId>, StoreError> {
    let text = tx.posting_leaf(site, posting).await?.unwrap_or_default();
    let mut steps = HashMap::new();
    batch::follow(&mut steps, &serde_json::from_str(&text).map_err(damaged)?);
    Ok(steps.into_keys().map(BatchId).collect())
}

pub(super) async fn known_now(
    tx: &mut dyn Read,
    site: SiteId,
    ids: &[BatchId],
) -> Result<Vec<Batch>, StoreError> {
    tx.batches_by_id(site, ids)
        .await?
        .iter()
        .map(Batch::of_row)
        .collect()
}

/// The batches as the log's first `known` leaves have them.
pub(super) async fn known_then(
    tx: &mut dyn Read,
    site: SiteId,
    ids: &[BatchId],
    known: i64,
) -> Result<Vec<Batch>, StoreError> {
    let mut steps: HashMap<Uuid, Vec<Value>> = HashMap::new();
    for row in tx.leaves_of_batches(site, ids, known).await? {
        batch::follow(&mut steps, &leaf(&row)?);
    }
    let batches = steps.into_iter().map(|(id, steps)| {
        let steps = steps.into_iter().map(serde_json::from_value);
        Ok(Batch {
            id: id.into(),
            steps: steps.collect::<Result<_, _>>().map_err(damaged)?,
        })
    });
    batches.collect()
}

pub(super) fn view(batch: &Batch, words: &Words) -> Result<Option<StatementBatch>, StoreError> {
    let Some(first) = batch
        .weighed_in()
        .filter(|_| batch.state() != State::Undone)
    else {
        return Ok(None);
    };
    let verdict = batch.weighed_out().map(|out| &out.verdict);
    Ok(Some(StatementBatch {
        id: batch.id,
        roaster: named(&words.roasters, first.roaster.0)?,
        style: named(&words.styles, first.style.0)?,
        charge_g: batch.charged(),
        roasted_g: batch.roasted(),
        sample_g: batch.sampled_before(),
        loss: batch.loss(),
        mean: verdict.map(|v| v.mean),
        lo: verdict.map(|v| v.lo),
        hi: verdict.map(|v| v.hi),
        judgement: verdict.map(|v| v.judgement),
    }))
}
