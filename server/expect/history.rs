//! The facts that the learner learns from, as the book holds them.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use super::{past, told};
use crate::day::{Day, TimeOfDay, Zone};
use crate::floor::batch::{Batch, Finding, State};
use crate::follow::News;
use crate::ids::{BatchId, LotId, RoasterId, SiteId, StyleId};
use crate::loss::{self, Fact, Happening, Learner, Weights};
use crate::mass::Mass;
use crate::setup::{self, Kept, Lot, Roaster, Site, Style};
use crate::store::{BatchFilter, Read, StoreError};

const PAGE: i64 = 2_000;
/// Standard uncertainty of a moisture meter where none is said (common practice, no source).
pub const METER_SD: f64 = 0.003;

/// What a batch has become for the learner.
pub struct Change {
    id: String,
    fact: Option<Fact>,
}

/// What facts and questions are made from.
pub struct Beside {
    pub zone: Zone,
    pub lots: HashMap<LotId, Kept<Lot>>,
    pub styles: HashMap<StyleId, Kept<Style>>,
    pub roasters: HashMap<RoasterId, Kept<Roaster>>,
    pub received: HashMap<LotId, Day>,
}

/// All facts of a site's book.
pub async fn read(tx: &mut dyn Read, site: SiteId) -> Result<Vec<Fact>, StoreError> {
    let beside = Beside::read(tx, site).await?;
    let mut facts = beside.moisture();
    let mut last_out: HashMap<LotId, i64> = HashMap::new();
    let mut after = None;
    let mut covered: HashMap<BatchId, Batch> = HashMap::new();
    loop {
        let page = tx.weighed_out(site, after, PAGE).await?;
        let Some(last) = page.last() else { break };
        after = last.out_minute.map(|minute| (minute, last.id));
        for row in &page {
            if let Some(minute) = row.out_minute {
                last_out
                    .entry(row.lot)
                    .and_modify(|m| *m = minute.max(*m))
                    .or_insert(minute);
            }
            covered.insert(row.id, Batch::of_row(row)?);
        }
    }
    for batch in covered.values() {
        facts.extend(beside.fact(batch, |id| covered.get(&id).cloned()));
    }
    let past = past::batches(tx, site).await?;
    for batch in &past {
        if let Some(lot) = batch.lot {
            let last = last_out.entry(lot).or_insert(batch.minute);
            *last = batch.minute.max(*last);
        }
    }
    facts.extend(past::facts(&past, &beside));
    facts.extend(told::facts(tx, site, beside.zone).await?);
    facts.extend(left(tx, site, &beside, &last_out).await?);
    Ok(facts)
}

/// What one batch has become: the fact of the reading it belongs to.
pub async fn of_batch(
    tx: &mut dyn Read,
    site: SiteId,
    id: BatchId,
) -> Result<Vec<Change>, StoreError> {
    match tx.batch(site, id).await? {
        Some(row) => as_if(tx, site, Batch::of_row(&row)?).await,
        None => Ok(Vec::new()),
    }
}

/// What one batch would be, were its steps these.
pub async fn as_if(
    tx: &mut dyn Read,
    site: SiteId,
    batch: Batch,
) -> Result<Vec<Change>, StoreError> {
    let id = batch.id;
    let Some(out) = batch.weighed_out() else {
        return Ok(vec![Change {
            id: id.to_string(),
            fact: None,
        }]);
    };
    let mut covered = HashMap::new();
    for other in out.covers.iter().filter(|other| **other != id) {
        if let Some(row) = tx.batch(site, *other).await? {
            covered.insert(*other, Batch::of_row(&row)?);
        }
    }
    let first = out.covers.first().copied().unwrap_or(id);
    covered.insert(id, batch);
    let beside = Beside::read(tx, site).await?;
    let fact = covered
        .get(&first)
        .and_then(|batch| beside.fact(batch, |id| covered.get(&id).cloned()));
    Ok(vec![Change {
        id: first.to_string(),
        fact,
    }])
}

/// The id of the first fact that changes touch.
pub fn first_id(changes: &[Change]) -> Option<String> {
    changes.first().map(|change| change.id.clone())
}

/// Whether a lot of which green came ages from another day than the learner knows of its batches.
pub async fn lots_age_otherwise(
    tx: &mut dyn Read,
    site: SiteId,
    learner: &Learner,
    news: &News,
) -> Result<bool, StoreError> {
    for id in &news.came {
        let days = received_days(tx, site, Some(*id)).await?;
        let day = received_day(days.get(id).copied());
        let name = id.to_string();
        let mut facts = learner.history().facts().iter();
        let other = |fact: &Arc<Fact>| matches!(&**fact, Fact::Batch(batch) if batch.lot.id == name && batch.lot.received_day != day);
        if facts.any(other) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Whether a lot of which green went, or of these batches, is used up, or was and may be no longer: which lots the learner may forget is then to be read anew.
pub async fn lots_come_or_go(
    tx: &mut dyn Read,
    site: SiteId,
    learner: &Learner,
    news: &News,
) -> Result<bool, StoreError> {
    let mut lots = news.taken.clone();
    for batch in &news.batches {
        lots.extend(tx.batch(site, *batch).await?.iter().map(|row| row.lot));
        if let Some(Fact::Batch(known)) = learner.history().find(true, &batch.to_string()) {
            lots.extend(known.lot.id.parse::<uuid::Uuid>().ok().map(LotId::from));
        }
    }
    for lot in lots {
        let left = learner.history().find(false, &left_id(lot)).is_some();
        if left || !(tx.in_store(site, lot).await? || stays_open(tx, site, lot, news).await?) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Whether a batch of a lot was open before and is so still.
async fn stays_open(
    tx: &mut dyn Read,
    site: SiteId,
    lot: LotId,
    news: &News,
) -> Result<bool, StoreError> {
    let open = BatchFilter {
        lot: Some(lot),
        ..open_batches()
    };
    let enough = i64::try_from(news.batches.len()).map_or(PAGE, |changed| changed + 1);
    let open = tx.batches(site, &open, enough).await?;
    Ok(open.iter().any(|row| !news.batches.contains(&row.id)))
}

fn open_batches() -> BatchFilter {
    BatchFilter {
        under_way: true,
        ..BatchFilter::default()
    }
}

pub fn left_id(lot: LotId) -> String {
    format!("left {lot}")
}

/// Takes what batches have become into the learner. What it knows already, as of a reading of several batches that comes with each of them, is not learned again.
pub fn apply(learner: &mut Learner, changes: Vec<Change>) {
    for change in changes {
        if !is_news(learner, &change) {
            continue;
        }
        if let Some(fact) = change.fact {
            learner.append(fact);
            continue;
        }
        if let Some(fact) = learner.history().find(true, &change.id).cloned() {
            learner.remove(&fact);
        }
    }
}

/// Whether a change tells a learner anything: most of what is booked of a batch is nothing to learn.
pub fn is_news(learner: &Learner, change: &Change) -> bool {
    learner.history().find(true, &change.id) != change.fact.as_ref()
}

/// The day from which each lot, or one, ages.
pub async fn received_days(
    tx: &mut dyn Read,
    site: SiteId,
    lot: Option<LotId>,
) -> Result<HashMap<LotId, Day>, StoreError> {
    let mut days = HashMap::new();
    for receipts in tx.receipts(site, lot).await? {
        if let Some(day) = receipts.ages_from {
            let first = days.entry(receipts.lot).or_insert(day);
            *first = day.min(*first);
        }
    }
    Ok(days)
}

/// Days since 1970 of a day.
pub fn day_number(day: Day) -> i64 {
    Zone::UTC.local_minute(Zone::UTC.start_of(day)) / 1_440
}

/// The day from which a lot ages. One that has not come ages from nothing.
fn received_day(received: Option<Day>) -> i64 {
    received.map_or(i64::from(i32::MAX), day_number)
}

/// A lot as the learner knows it.
pub fn lot(kept: &Kept<Lot>, received: Option<Day>) -> loss::Lot {
    loss::Lot {
        id: kept.id.to_string(),
        delivery: kept.fields.delivery.to_string(),
        grade: kept.fields.grade.to_string(),
        received_day: received_day(received),
    }
}

/// A style as the learner knows it.
pub fn style(kept: &Kept<Style>) -> loss::Style {
    loss::Style {
        id: kept.id.to_string(),
        nominal_loss: kept.fields.nominal_loss.value(),
    }
}

impl Beside {
    pub async fn read(tx: &mut dyn Read, site: SiteId) -> Result<Self, StoreError> {
        let zone = setup::find::<Site>(tx, site, site)
            .await?
            .map_or(Zone::UTC, |site| site.fields.zone);
        Ok(Self {
            zone,
            lots: setup::all::<Lot>(tx, site)
                .await?
                .into_iter()
                .map(|kept| (kept.id.into(), kept))
                .collect(),
            styles: setup::all::<Style>(tx, site)
                .await?
                .into_iter()
                .map(|kept| (kept.id.into(), kept))
                .collect(),
            roasters: setup::all::<Roaster>(tx, site)
                .await?
                .into_iter()
                .map(|kept| (kept.id.into(), kept))
                .collect(),
            received: received_days(tx, site, None).await?,
        })
    }

    /// The moisture readings of all lots, each from noon of its day on.
    fn moisture(&self) -> Vec<Fact> {
        let mut facts = Vec::new();
        for (id, kept) in &self.lots {
            for (n, reading) in kept.fields.moisture.iter().enumerate() {
                let at = self.zone.at(reading.day, TimeOfDay::from_minutes(12 * 60));
                facts.push(Fact::Event {
                    id: format!("moisture {id} {n:04}"),
                    minute: self.zone.local_minute(at),
                    millisecond: at.millisecond(),
                    what: Happening::Moisture {
                        lot: id.to_string(),
                        reading: reading.fraction.value(),
                        sd: reading
                            .sd
                            .map_or(METER_SD, crate::fraction::Fraction::value),
                    },
                });
            }
        }
        facts
    }

    /// The fact of the reading that a batch belongs to; none for all but the first batch of a reading.
    fn fact(&self, batch: &Batch, other: impl Fn(BatchId) -> Option<Batch>) -> Option<Fact> {
        let out = batch.weighed_out()?;
        if out.covers.first() != Some(&batch.id) {
            return None;
        }
        let first = batch.weighed_in()?;
        let run: Vec<Batch> = out
            .covers
            .iter()
            .filter_map(|id| {
                if *id == batch.id {
                    Some(batch.clone())
                } else {
                    other(*id)
                }
            })
            .collect();
        let lot_id = batch.lot()?;
        let roaster = self.roasters.get(&first.roaster)?;
        let came_out = run
            .iter()
            .filter_map(Batch::came_out)
            .fold(Mass::ZERO, |sum, mass| sum.plus(mass).unwrap_or(sum));
        let charges_g: Vec<f64> = run.iter().map(|batch| batch.charged().grams()).collect();
        let scrapped = run.iter().any(|batch| batch.state() == State::Scrapped);
        let teaches = !roaster.fields.sample_roaster
            && !scrapped
            && run.iter().all(|batch| !batch.is_reckoned());
        Some(Fact::Batch(loss::Batch {
            id: batch.id.to_string(),
            minute: out.minute,
            millisecond: out.at.millisecond(),
            lot: lot(self.lots.get(&lot_id)?, self.received.get(&lot_id).copied()).into(),
            style: style(self.styles.get(&first.style)?).into(),
            roaster: first.roaster.to_string().into(),
            review: review(&run),
            weights: Weights {
                charges_g,
                roasted_g: came_out.grams(),
                division_in_g: first.division_g.grams(),
                division_out_g: out.division_g.grams(),
            },
            teaches,
        }))
    }
}

/// What people have said of the batches of a reading: what keeps it from being learned counts before what makes it sound.
/// Weights and lots that were put right are in the fact already.
fn review(run: &[Batch]) -> loss::Review {
    let found: HashSet<Finding> = run
        .iter()
        .filter_map(|batch| batch.review().map(|(finding, _)| finding))
        .collect();
    if found.contains(&Finding::SetAside) {
        loss::Review::SetAside
    } else if found.contains(&Finding::CarriedOver) {
        loss::Review::CarriedOver
    } else if found.contains(&Finding::WasSo) {
        loss::Review::Sound
    } else {
        loss::Review::None
    }
}

/// Lots that are used up and of which no batch is open: they leave the learner after their last batch.
async fn left(
    tx: &mut dyn Read,
    site: SiteId,
    beside: &Beside,
    last_out: &HashMap<LotId, i64>,
) -> Result<Vec<Fact>, StoreError> {
    let in_store: HashSet<LotId> = tx
        .standing(site, "store")
        .await?
        .into_iter()
        .map(|standing| standing.lot)
        .collect();
    let open: HashSet<LotId> = tx
        .batches(site, &open_batches(), PAGE)
        .await?
        .into_iter()
        .map(|row| row.lot)
        .collect();
    let gone = |lot: &LotId| {
        beside.received.contains_key(lot) && !in_store.contains(lot) && !open.contains(lot)
    };
    let stays: HashSet<_> = beside
        .lots
        .iter()
        .filter(|(lot, _)| !gone(lot))
        .map(|(_, kept)| kept.fields.delivery)
        .collect();
    let mut facts = Vec::new();
    for (lot, kept) in &beside.lots {
        if let Some(minute) = last_out.get(lot).filter(|_| gone(lot)) {
            facts.push(Fact::Event {
                id: left_id(*lot),
                minute: *minute,
                millisecond: 0,
                what: Happening::LotLeft {
                    lot: lot.to_string(),
                    with_delivery: !stays.contains(&kept.fields.delivery),
                },
            });
        }
    }
    Ok(facts)
}
