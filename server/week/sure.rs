//! How sure a plan is to cover what is promised: for each coffee and style, up to each ship day.
//!
//! What the batches of a family give together is log-normal (`loss::total`); what is promised beyond roasted stock must come from them.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::bags::Given;
use super::facts::Facts;
use super::instance::{Family, outlook, roaster_of};
use super::plan::Round;
use crate::day::Day;
use crate::fraction::Fraction;
use crate::ids::{LotId, RoasterId, StyleId};
use crate::loss;
use crate::mass::Mass;
use crate::planner::{Batch, Plan, Source, UNITS_PER_GRAM};

/// By how much a plan may miss the site's certainty before it is made anew.
const TOLERANCE: f64 = 0.005;

/// How sure a family covers what is promised up to a ship day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sure {
    /// Coffee and style.
    pub family: Family,
    /// The ship day.
    pub ship_day: Day,
    /// The probability.
    pub probability: f64,
    /// Batches of the family that serve it.
    pub batches: u32,
}

/// A batch with what it is made of.
struct Made {
    day: Day,
    lot: LotId,
    style: StyleId,
    roaster: RoasterId,
    grams: i64,
}

/// How sure each family is up to each ship day that its batches serve.
pub fn sure(facts: &Facts, plan: &Plan, given: &Given) -> Vec<Sure> {
    let mut families: BTreeMap<Family, Vec<Made>> = BTreeMap::new();
    for batch in &plan.batches {
        if let Some((coffee, made)) = made(facts, batch) {
            families.entry((coffee, made.style)).or_default().push(made);
        }
    }
    let mut found = Vec::new();
    for (family, batches) in &families {
        for (ship_day, (last, promised)) in promises(facts, given, *family) {
            let serving: Vec<&Made> = batches.iter().filter(|made| made.day <= last).collect();
            if let Some(probability) = probability(facts, &serving, promised) {
                found.push(Sure {
                    family: *family,
                    ship_day,
                    probability,
                    batches: u32::try_from(serving.len()).unwrap_or(u32::MAX),
                });
            }
        }
    }
    found
}

/// In how many batches the families are roasted that a plan does not cover surely enough.
pub fn own_batches(facts: &Facts, round: &Round) -> HashMap<Family, u32> {
    let mut own: HashMap<Family, u32> = HashMap::new();
    let wanted = facts.service.value() - TOLERANCE;
    for sure in round.sure.iter().filter(|sure| sure.probability < wanted) {
        let batches = own.entry(sure.family).or_insert(sure.batches);
        *batches = (*batches).min(sure.batches).max(1);
    }
    own
}

fn made(facts: &Facts, batch: &Batch) -> Option<(crate::ids::CoffeeId, Made)> {
    let lot: LotId = id(&batch.lot)?;
    Some((
        facts.lots.get(&lot)?.fields.coffee,
        Made {
            day: facts.from.plus(batch.day),
            lot,
            style: id(&batch.style)?,
            roaster: id(&batch.roaster)?,
            grams: batch.charge_g,
        },
    ))
}

/// An id as the planner has it.
pub fn id<I: From<uuid::Uuid>>(text: &str) -> Option<I> {
    text.parse::<uuid::Uuid>().ok().map(I::from)
}

/// What is promised of a family's batches up to each ship day: the last day on which it may be roasted, and grams.
fn promises(facts: &Facts, given: &Given, family: Family) -> BTreeMap<Day, (Day, f64)> {
    let mut by_day: BTreeMap<Day, (Day, i64)> = BTreeMap::new();
    for gift in &given.0 {
        let want = &facts.wants[gift.want];
        let Source::Batches { .. } = gift.source else {
            continue;
        };
        if (want.parts[gift.part].0, want.style) == family {
            let entry = by_day.entry(want.ship_day).or_insert((want.window.to, 0));
            entry.0 = entry.0.max(want.window.to);
            entry.1 += gift.units;
        }
    }
    let (mut last, mut units) = (facts.from, 0);
    by_day
        .into_iter()
        .map(|(ship_day, (to, more))| {
            last = last.max(to);
            units += more;
            let mass = Mass::from_mg(units / (UNITS_PER_GRAM / 1_000)).unwrap_or(Mass::MAX);
            (ship_day, (last, mass.grams()))
        })
        .collect()
}

/// The probability that batches together give at least so many grams; none where there are no batches.
fn probability(facts: &Facts, batches: &[&Made], promised: f64) -> Option<f64> {
    let streams: BTreeSet<(LotId, StyleId, RoasterId)> = batches
        .iter()
        .map(|made| (made.lot, made.style, made.roaster))
        .collect();
    let (mut questions, mut parts) = (Vec::new(), Vec::new());
    for (lot, style, roaster) in streams {
        let charges: Vec<i64> = batches
            .iter()
            .filter(|made| (made.lot, made.style, made.roaster) == (lot, style, roaster))
            .map(|made| made.grams)
            .collect();
        let mean = charges.iter().sum::<i64>() / i64::try_from(charges.len()).ok()?;
        let roaster = roaster_of(facts, roaster)?;
        let (question, outlook) = outlook(facts, (lot, style), roaster, mean)?;
        let charges = charges
            .into_iter()
            .map(|grams| Mass::from_grams(grams).unwrap_or_default().grams())
            .collect();
        questions.push(question);
        parts.push((outlook, charges));
    }
    if parts.is_empty() {
        return None;
    }
    let covariances = facts.questions.learner().covariances(&questions);
    Some(loss::total(&parts, &covariances).probability_of(promised))
}

impl Sure {
    /// The probability as a fraction.
    pub fn fraction(&self) -> Fraction {
        Fraction::nearest(self.probability)
    }
}
