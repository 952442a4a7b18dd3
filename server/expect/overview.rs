//! What the roastery knows of its losses: per lot, style and roaster, and the lasting shifts that wait for a person.

use std::collections::BTreeMap;

use serde::Serialize;
use uuid::Uuid;

use super::{Questions, Range};
use crate::floor::view::Named;
use crate::floor::{BatchView, view};
use crate::fraction::Fraction;
use crate::ids::{BatchId, LotId, RoasterId, SiteId, StyleId};
use crate::loss::chart::{self, Point};
use crate::loss::{Channel, Fact, Learner, Notice};
use crate::mass::Mass;
use crate::setup::{self, Kept, Lot, Roaster, Style};
use crate::store::{BatchFilter, Read, StoreError};

/// How many batches on hold one page shows.
const HELD_SHOWN: i64 = 100;

/// What is expected of a lot in a style on a roaster.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Known {
    /// The lot.
    pub lot: Named,
    /// The style.
    pub style: Named,
    /// The roaster.
    pub roaster: Named,
    /// Batches weighed out so far.
    pub batches: usize,
    /// Those that were learned from.
    pub learned: usize,
    /// The loss of the last one.
    pub last_loss: Fraction,
    /// What the next one is expected to lose, at the charge of the last.
    pub expected: Range,
}

/// A lasting shift that was noticed.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct NoticeView {
    /// The lot that shifted, if it was a lot.
    pub lot: Option<Named>,
    /// The roaster with its scales, if it was those.
    pub roaster: Option<Named>,
    /// The batch since which.
    pub since: Uuid,
    /// The batch at which it was noticed.
    pub raised: Uuid,
    /// By how much the loss changed.
    pub change: Fraction,
    /// Whether it still waits for a person.
    pub open: bool,
    /// The notice in words.
    pub sentence: String,
}

/// What the roastery knows of its losses.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Overview {
    /// Drift notices, open ones first, then newest first.
    pub notices: Vec<NoticeView>,
    /// Batches on hold, newest first.
    pub outside: Vec<BatchView>,
    /// What is expected of each lot, style and roaster that has been roasted.
    pub lots: Vec<Known>,
}

type Key = (LotId, StyleId, RoasterId);

/// What the learner has seen of a lot in a style on a roaster.
#[derive(Default)]
pub(super) struct Seen {
    batches: usize,
    /// Batches that were learned from.
    pub learned: usize,
    /// Green charged in the last one, grams.
    pub last_charge: f64,
    /// The last one.
    pub last: Option<BatchId>,
    last_loss: f64,
}

/// What is known, of all lots or of one.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn overview(
    questions: &Questions,
    tx: &mut dyn Read,
    site: SiteId,
    lot: Option<LotId>,
) -> Result<Overview, StoreError> {
    let names = Names::read(tx, site).await?;
    let filter = BatchFilter {
        held: true,
        lot,
        ..BatchFilter::default()
    };
    let held = tx.batches(site, &filter, HELD_SHOWN).await?;
    let seen = seen(questions.learner());
    let wanted = seen
        .iter()
        .filter(|((of, ..), _)| lot.is_none_or(|lot| lot == *of));
    let lots = wanted
        .filter_map(|(key, seen)| names.known(questions, *key, seen))
        .collect();
    let mut notices = names.notices(questions.learner());
    notices.retain(|notice| {
        lot.is_none_or(|lot| notice.lot.as_ref().is_some_and(|named| named.id == lot.0))
    });
    notices.sort_by_key(|notice| !notice.open);
    Ok(Overview {
        notices,
        outside: view::many(tx, site, &held).await?,
        lots,
    })
}

/// Drift notices of lots and roasters, newest first.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn notices(
    questions: &Questions,
    tx: &mut dyn Read,
    site: SiteId,
) -> Result<Vec<NoticeView>, StoreError> {
    Ok(Names::read(tx, site).await?.notices(questions.learner()))
}

/// What the learner has seen, by lot, style and roaster.
pub(super) fn seen(learner: &Learner) -> BTreeMap<Key, Seen> {
    let mut all: BTreeMap<Key, Seen> = BTreeMap::new();
    for judged in learner.judged() {
        let Some(Fact::Batch(batch)) = learner
            .history()
            .facts()
            .get(judged.fact)
            .map(|fact| &**fact)
        else {
            continue;
        };
        let id = |text: &str| text.parse::<Uuid>().ok();
        let Some(((lot, style), roaster)) = id(&batch.true_lot().id)
            .zip(id(&batch.style.id))
            .zip(id(&batch.roaster))
        else {
            continue;
        };
        let seen = all
            .entry((lot.into(), style.into(), roaster.into()))
            .or_default();
        seen.batches += 1;
        seen.learned += usize::from(judged.learned);
        seen.last_charge = batch.true_weights().0.first().copied().unwrap_or_default();
        seen.last_loss = judged.verdict.loss;
        seen.last = id(&batch.id).map(BatchId);
    }
    all
}

struct Names {
    lots: BTreeMap<Uuid, Named>,
    styles: BTreeMap<Uuid, Named>,
    roasters: BTreeMap<Uuid, Named>,
}

impl Names {
    async fn read(tx: &mut dyn Read, site: SiteId) -> Result<Self, StoreError> {
        let named = |id, name| (id, Named { id, name });
        Ok(Self {
            lots: setup::all::<Lot>(tx, site)
                .await?
                .into_iter()
                .map(|kept| named(kept.id, kept.fields.name))
                .collect(),
            styles: setup::all::<Style>(tx, site)
                .await?
                .into_iter()
                .map(|kept| named(kept.id, kept.fields.name))
                .collect(),
            roasters: setup::all::<Roaster>(tx, site)
                .await?
                .into_iter()
                .map(|kept| named(kept.id, kept.fields.name))
                .collect(),
        })
    }

    fn known(
        &self,
        questions: &Questions,
        (lot, style, roaster): Key,
        seen: &Seen,
    ) -> Option<Known> {
        let charge = super::nearest_gram(seen.last_charge).unwrap_or(Mass::GRAM);
        Some(Known {
            lot: self.lots.get(&lot.0)?.clone(),
            style: self.styles.get(&style.0)?.clone(),
            roaster: self.roasters.get(&roaster.0)?.clone(),
            batches: seen.batches,
            learned: seen.learned,
            last_loss: Fraction::nearest(seen.last_loss),
            expected: questions.range(lot, style, roaster, charge)?,
        })
    }

    fn notices(&self, learner: &Learner) -> Vec<NoticeView> {
        let newest = learner.notices().iter().rev();
        newest.filter_map(|notice| self.notice(notice)).collect()
    }

    fn notice(&self, notice: &Notice) -> Option<NoticeView> {
        let find = |names: &BTreeMap<Uuid, Named>, id: &str| {
            id.parse().ok().and_then(|id: Uuid| names.get(&id).cloned())
        };
        let (lot, roaster) = match &notice.channel {
            Channel::Lot(id) => (find(&self.lots, id), None),
            Channel::Roaster(id) => (None, find(&self.roasters, id)),
        };
        let who = lot.as_ref().or(roaster.as_ref())?;
        let change = Fraction::nearest(notice.loss_change);
        let points = format!("{:.1}", (change.value() * 100.0).abs());
        let direction = if notice.more_loss { "more" } else { "less" };
        let whose = if roaster.is_some() {
            format!("{} or its scales", who.name)
        } else {
            who.name.to_string()
        };
        Some(NoticeView {
            sentence: format!("{whose}: about {points} points {direction} loss than before."),
            since: notice.since.parse().ok()?,
            raised: notice.raised.parse().ok()?,
            open: notice.waits(),
            lot,
            roaster,
            change,
        })
    }
}

/// A picture of a lot's batches beside what was expected of each, one panel for each style; none if it has no batch.
#[must_use]
pub fn picture(learner: &Learner, lot: &Kept<Lot>, styles: &[Kept<Style>]) -> String {
    let mut panels: BTreeMap<&str, Vec<Point>> = BTreeMap::new();
    let id = lot.id.to_string();
    for judged in learner.judged() {
        let fact = learner.history().facts().get(judged.fact);
        if let Some(Fact::Batch(batch)) = fact.map(|fact| &**fact)
            && batch.true_lot().id == id
        {
            let style = styles
                .iter()
                .find(|style| style.id.to_string() == batch.style.id);
            let name = style.map_or("", |style| style.fields.name.as_str());
            panels.entry(name).or_default().push(Point::from(judged));
        }
    }
    let batches: usize = panels.values().map(Vec::len).sum();
    let lots: Vec<(String, Vec<Point>)> = panels
        .into_iter()
        .map(|(style, points)| (format!("{}, {style}", lot.fields.name), points))
        .collect();
    let title = format!("Loss of {} with its expected range", lot.fields.name);
    chart::svg(
        &title,
        &format!("{batches} batches in order of time."),
        &lots,
    )
}
