//! What a word on a batch would change in what is expected: looked at before it is said.

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::history;
use super::{Expect, Questions, Range, judgement_of, sentence};
use crate::floor::batch::{Batch, Finding, Judgement, State, Step};
use crate::fraction::Fraction;
use crate::ids::{BatchId, LotId, PostingId, RoasterId, SiteId, StyleId};
use crate::loss::{Fact, Learner, Question};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Lot};
use crate::store::Read;

/// A word on a batch: a finding, or what is right.
#[derive(Debug, Clone, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReviewText {
    /// The batch.
    pub batch: BatchId,
    /// What was found.
    #[serde(default)]
    pub finding: Option<Finding>,
    /// The right green mass.
    #[serde(default)]
    pub green_g: Option<Mass>,
    /// The right roasted mass.
    #[serde(default)]
    pub roasted_g: Option<Mass>,
    /// The right lot.
    #[serde(default)]
    pub lot: Option<LotId>,
}

/// How what is expected of a lot in a style on a roaster would change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct RangeChange {
    /// The lot.
    pub lot: LotId,
    /// The style.
    pub style: StyleId,
    /// The roaster.
    pub roaster: RoasterId,
    /// What is expected of its next batch now.
    pub before: Range,
    /// What would be.
    pub after: Range,
}

/// How a batch stands with the learner.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Standing {
    /// How its loss stands to what was expected of it.
    pub judgement: Judgement,
    /// It in words.
    pub sentence: String,
    /// Whether it is learned.
    pub learned: bool,
}

/// What a word on a batch would change.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct ReviewEffect {
    /// How the batch stands now; none where nothing is learned from its kind.
    pub before: Option<Standing>,
    /// How it would stand.
    pub after: Option<Standing>,
    /// What is expected of its lot, and of the lot that it would be.
    pub ranges: Vec<RangeChange>,
}

/// Looks at what a word on a batch would change; nothing is booked.
///
/// # Errors
/// [`Refusal`] for a batch that is not there or not weighed out, and for a lot that is not there.
pub async fn effect(
    expect: &Expect,
    mut snapshot: Box<dyn Read>,
    site: SiteId,
    text: &ReviewText,
) -> Outcome<ReviewEffect> {
    let tx = &mut *snapshot;
    let Some(row) = tx.batch(site, text.batch).await? else {
        return Err(Refusal::field("/batch", "there is no such batch"));
    };
    if let Some(lot) = text.lot {
        setup::named::<Lot>(tx, site, "/lot", lot).await?;
    }
    for (field, mass) in [("/green_g", text.green_g), ("/roasted_g", text.roasted_g)] {
        if mass.is_some_and(|mass| !mass.is_positive()) {
            return Err(Refusal::field(field, "a mass above nothing"));
        }
    }
    let mut batch = Batch::of_row(&row)?;
    if batch.state() != State::WeighedOut {
        return Err(Refusal::field(
            "/batch",
            "only a batch that has been weighed out, and not scrapped, can be reviewed",
        ));
    }
    let lot_before = batch.lot();
    batch.steps.extend(steps(text));
    let questions = expect.questions(tx, site).await?;
    let asked: Vec<(LotId, StyleId, RoasterId, Question)> = asked(&questions, &batch, lot_before);
    let changes = history::as_if(tx, site, batch).await?;
    drop(snapshot);
    let learner = expect.learner();
    let looked = tokio::task::spawn_blocking(move || {
        let mut after = Learner::clone(&learner);
        let fact = history::first_id(&changes);
        history::apply(&mut after, changes);
        compare(&learner, &after, fact.as_deref(), asked)
    });
    looked.await.map_err(|error| {
        crate::store::StoreError::Database(format!("looking ahead failed: {error}")).into()
    })
}

/// The steps that the word would book.
fn steps(text: &ReviewText) -> Vec<Step> {
    let nobody = Uuid::nil();
    let mut steps = Vec::new();
    if text.green_g.is_some() || text.roasted_g.is_some() || text.lot.is_some() {
        steps.push(Step::Corrected {
            by: PostingId(nobody),
            green_g: text.green_g,
            roasted_g: text.roasted_g,
            lot: text.lot,
            reason: String::new(),
        });
    }
    steps.extend(text.finding.map(|finding| Step::Reviewed {
        by: nobody,
        finding,
        reason: String::new(),
    }));
    steps
}

/// What is asked before and after: the next batch of its lot, and of the lot that it would be.
fn asked(
    questions: &Questions,
    batch: &Batch,
    lot_before: Option<LotId>,
) -> Vec<(LotId, StyleId, RoasterId, Question)> {
    let Some(first) = batch.weighed_in() else {
        return Vec::new();
    };
    let mut lots: Vec<LotId> = lot_before.into_iter().chain(batch.lot()).collect();
    lots.dedup();
    lots.into_iter()
        .filter_map(|lot| {
            let question = questions.question(lot, first.style, first.roaster, batch.charged())?;
            Some((lot, first.style, first.roaster, question))
        })
        .collect()
}

fn compare(
    before: &Arc<Learner>,
    after: &Learner,
    fact: Option<&str>,
    asked: Vec<(LotId, StyleId, RoasterId, Question)>,
) -> ReviewEffect {
    ReviewEffect {
        before: fact.and_then(|id| standing(before, id)),
        after: fact.and_then(|id| standing(after, id)),
        ranges: asked
            .into_iter()
            .map(|(lot, style, roaster, question)| RangeChange {
                lot,
                style,
                roaster,
                before: Range::of(&before.predict(&question)),
                after: Range::of(&after.predict(&question)),
            })
            .collect(),
    }
}

fn standing(learner: &Learner, id: &str) -> Option<Standing> {
    let facts = learner.history().facts();
    let judged = learner.judged().iter().rfind(|judged| {
        matches!(facts.get(judged.fact).map(|fact| &**fact), Some(Fact::Batch(batch)) if batch.id == id)
    })?;
    let [loss, lo, hi] =
        [judged.verdict.loss, judged.verdict.lo, judged.verdict.hi].map(Fraction::nearest);
    let judgement = judgement_of(judged.verdict.outcome);
    Some(Standing {
        judgement,
        sentence: sentence(judgement, loss, lo, hi),
        learned: judged.learned,
    })
}
