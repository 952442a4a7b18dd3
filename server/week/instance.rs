//! From facts to what the planner is asked.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::Pin;
use super::facts::{Facts, LotFacts, RoasterFacts, Want};
use crate::day::Day;
use crate::fraction::Fraction;
use crate::ids::{CoffeeId, LotId, RoasterId, StyleId};
use crate::loss::{Outlook, Question};
use crate::mass::Mass;
use crate::planner::{Batch, ChargeLimits, Draft, Item, Lot, Roaster, Stock, Yield, YieldLine};

/// The most that the planner takes as one mass, grams.
const MOST_GRAMS: i64 = 1_000_000_000;
/// Coffee roasted longer ago than this, by a clock that stood wrong, is as old as this to the planner.
const MOST_DAYS_AGO: i64 = 10_000;

/// A coffee in a style: what batches are made for.
pub type Family = (CoffeeId, StyleId);

/// What the planner is asked, and which part of which want each item stands for.
pub struct Asking {
    /// The instance, without pins.
    pub draft: Draft,
    /// Want and part by item.
    pub items: HashMap<String, (usize, usize)>,
}

/// Asks for so many bags of each want. `batches` says in how many batches families are expected to be roasted; those it does not name
/// are reckoned at full drums.
pub fn asking(facts: &Facts, bags: &[u32], pins: &[Pin], batches: &HashMap<Family, u32>) -> Asking {
    let mut asking = Asking {
        draft: Draft {
            name: format!("{} days from {}", facts.days, facts.from),
            days: facts.days,
            roasters: facts.roasters.iter().map(roaster).collect(),
            crew_min: facts
                .crew
                .as_ref()
                .map(|crew| crew.iter().map(|minutes| i64::from(*minutes)).collect()),
            ..Draft::default()
        },
        items: HashMap::new(),
    };
    let needed = families(facts, bags, pins);
    let demand = demand(facts, bags);
    for id in lots_in_play(facts, pins) {
        if let Some(lot) = facts.lots.get(&id) {
            let lot = self::lot(facts, id, lot, &needed, &demand, batches);
            asking.draft.lots.push(lot);
        }
    }
    for (n, (want, bags)) in facts.wants.iter().zip(bags).enumerate() {
        if *bags > 0 {
            asking.add_items(facts, n, want, *bags);
        }
    }
    asking.draft.roasted_stock = facts
        .supplies
        .iter()
        .filter(|supply| supply.mass.whole_grams() > 0)
        .map(|supply| Stock {
            id: supply.name.clone(),
            lot: supply.lot.to_string(),
            style: supply.style.to_string(),
            roasted_day: supply.day.since(facts.from).max(-MOST_DAYS_AGO),
            mass_g: supply.mass.whole_grams().min(MOST_GRAMS),
        })
        .collect();
    asking
}

impl Asking {
    fn add_items(&mut self, facts: &Facts, n: usize, want: &Want, bags: u32) {
        let in_play: BTreeSet<&str> = self.draft.lots.iter().map(|lot| lot.id.as_str()).collect();
        let mut items = Vec::new();
        for (part, (coffee, share)) in want.parts.iter().enumerate() {
            let lots = want.lots.as_ref().map(|lots| {
                lots.iter()
                    .filter(|lot| {
                        facts
                            .lots
                            .get(lot)
                            .is_some_and(|lot| lot.fields.coffee == *coffee)
                    })
                    .map(ToString::to_string)
                    .filter(|lot| in_play.contains(lot.as_str()))
                    .collect::<Vec<_>>()
            });
            // A product that names lots of which none is there can only fall short.
            if lots.as_ref().is_some_and(Vec::is_empty) {
                continue;
            }
            let item = Item {
                id: item(want, part),
                coffee: coffee.to_string(),
                style: want.style.to_string(),
                roasted_g: grams(bags, want.bag, *share),
                ship_day: want.ship_day.since(facts.from),
                roast_from_day: want.window.from.since(facts.from),
                roast_to_day: want.window.to.since(facts.from),
                priority: want.weight(),
                lots,
            };
            self.items.insert(item.id.clone(), (n, part));
            items.push(item);
        }
        self.draft.demand.extend(items);
    }
}

/// The name of a want's part. No order's number begins with a blank, so the shelf's differ from all.
fn item(want: &Want, part: usize) -> String {
    if want.is_shelf() {
        return format!(" shelf/{}/{part}", want.line);
    }
    format!("{}/{}/{part}", want.number, want.line)
}

/// A pin as the planner takes it.
pub fn batch(facts: &Facts, pin: &Pin) -> Batch {
    Batch {
        roaster: pin.roaster.to_string(),
        day: pin.day.since(facts.from),
        lot: pin.lot.to_string(),
        style: pin.style.to_string(),
        charge_g: pin.charge_g.whole_grams(),
    }
}

/// Roasted coffee of one share that bags take, whole grams, up.
pub fn grams(bags: u32, bag: Mass, share: Fraction) -> i64 {
    let exact = i128::from(bags) * i128::from(bag.mg()) * i128::from(share.ppm());
    let grams = (exact + 999_999_999) / 1_000_000_000;
    i64::try_from(grams).unwrap_or(MOST_GRAMS).min(MOST_GRAMS)
}

/// Green of a lot that this plan may use, whole grams, down: what cards outside its days will take is not.
pub fn green(facts: &Facts, id: LotId, lot: &LotFacts) -> i64 {
    let elsewhere = facts.elsewhere.get(&id).copied().unwrap_or_default();
    let free = lot.green.minus(elsewhere).unwrap_or_default();
    free.max(Mass::ZERO).whole_grams().min(MOST_GRAMS)
}

/// Smallest and largest charge of a lot on a roaster, grams: the lot's own limits, else the roaster's for the lot, else for its grade, all
/// inside the roaster's; none where no charge is left.
pub fn limits(roaster: &RoasterFacts, id: LotId, lot: &LotFacts) -> Option<(i64, i64)> {
    let own = lot
        .fields
        .charge_limits
        .iter()
        .find(|limit| limit.roaster == roaster.id)
        .map(|limit| (limit.min_charge_g, limit.max_charge_g));
    let of_roaster = |fits: &dyn Fn(&crate::setup::ChargeLimit) -> bool| {
        let limit = roaster
            .fields
            .charge_limits
            .iter()
            .find(|limit| fits(limit));
        limit.map(|limit| (limit.min_charge_g, limit.max_charge_g))
    };
    let (least, most) = own
        .or_else(|| of_roaster(&|limit| limit.lot == Some(id)))
        .or_else(|| of_roaster(&|limit| limit.grade.as_ref() == Some(&lot.fields.grade)))
        .unwrap_or((roaster.fields.min_charge_g, roaster.fields.max_charge_g));
    let least = least.max(roaster.fields.min_charge_g);
    let most = most.min(roaster.fields.max_charge_g).whole_grams();
    let least = (least.mg() + 999) / 1_000;
    let step = roaster.fields.step_g.whole_grams().max(1);
    (most / step * step >= least).then_some((least, most))
}

/// What batches of a lot in a style on a roaster are expected to give for bags, at about this charge, grams.
pub fn outlook(
    facts: &Facts,
    (lot, style): (LotId, StyleId),
    roaster: &RoasterFacts,
    charge: i64,
) -> Option<(Question, Outlook)> {
    let (question, learned) = learned(facts, (lot, style), roaster)?;
    Some((question, for_bags(facts, &learned, charge)?))
}

/// What batches of a lot in a style on a roaster are expected to give.
fn learned(
    facts: &Facts,
    (lot, style): (LotId, StyleId),
    roaster: &RoasterFacts,
) -> Option<(Question, Outlook)> {
    let full = roaster.fields.max_charge_g;
    let question = facts.questions.question(lot, style, roaster.id, full)?;
    let outlook = facts.questions.learner().outlook(&question);
    Some((question, outlook))
}

/// What is left for bags of what batches of about this charge give, grams.
fn for_bags(facts: &Facts, learned: &Outlook, charge: i64) -> Option<Outlook> {
    let charge = Mass::from_grams(charge).ok()?.grams();
    Some(learned.less(facts.kept_back.grams(), charge))
}

fn roaster(facts: &RoasterFacts) -> Roaster {
    let fields = &facts.fields;
    Roaster {
        id: facts.id.to_string(),
        min_charge_g: fields.min_charge_g.whole_grams(),
        max_charge_g: fields.max_charge_g.whole_grams(),
        charge_step_g: fields.step_g.whole_grams(),
        cycle_min: i64::from(fields.cycle_min),
        changeover_min: i64::from(fields.changeover_min),
        startup_min: i64::from(fields.startup_min),
        available_min: facts
            .shifts
            .iter()
            .map(|shift| i64::from(shift.minutes))
            .collect(),
        styles: fields
            .styles
            .as_ref()
            .map(|styles| styles.iter().map(ToString::to_string).collect()),
        hot_days: if facts.hot { vec![0] } else { Vec::new() },
    }
}

/// The families that are asked for or pinned.
fn families(facts: &Facts, bags: &[u32], pins: &[Pin]) -> BTreeSet<Family> {
    let wanted = facts.wants.iter().zip(bags).filter(|(_, bags)| **bags > 0);
    let wanted = wanted.flat_map(|(want, _)| {
        want.parts
            .iter()
            .map(move |(coffee, _)| (*coffee, want.style))
    });
    let pinned = pins.iter().filter_map(|pin| {
        let lot = facts.lots.get(&pin.lot)?;
        Some((lot.fields.coffee, pin.style))
    });
    wanted.chain(pinned).collect()
}

/// Grams asked for by family.
fn demand(facts: &Facts, bags: &[u32]) -> BTreeMap<Family, i64> {
    let mut demand = BTreeMap::new();
    for (want, bags) in facts.wants.iter().zip(bags) {
        for (coffee, share) in &want.parts {
            let sum: &mut i64 = demand.entry((*coffee, want.style)).or_default();
            *sum = sum.saturating_add(grams(*bags, want.bag, *share));
        }
    }
    demand
}

/// Lots with green, pins or roasted coffee, and those that products name.
fn lots_in_play(facts: &Facts, pins: &[Pin]) -> BTreeSet<LotId> {
    let green = facts
        .lots
        .iter()
        .filter(|(id, lot)| green(facts, **id, lot) > 0)
        .map(|(id, _)| *id);
    green
        .chain(pins.iter().map(|pin| pin.lot))
        .chain(facts.supplies.iter().map(|supply| supply.lot))
        .collect()
}

fn lot(
    facts: &Facts,
    id: LotId,
    lot: &LotFacts,
    needed: &BTreeSet<Family>,
    demand: &BTreeMap<Family, i64>,
    batches: &HashMap<Family, u32>,
) -> Lot {
    let mut made = Lot {
        id: id.to_string(),
        coffee: lot.fields.coffee.to_string(),
        grade: Some(lot.fields.grade.to_string()),
        available_g: green(facts, id, lot),
        available_from_day: day(facts, lot.from),
        rank: i64::from(lot.fields.use_rank),
        yields: Vec::new(),
        charge_limits: Vec::new(),
    };
    for roaster in &facts.roasters {
        let Some((least, most)) = limits(roaster, id, lot) else {
            continue;
        };
        let whole = (
            roaster.fields.min_charge_g.whole_grams(),
            roaster.fields.max_charge_g.whole_grams(),
        );
        if (least, most) != whole {
            made.charge_limits.push(ChargeLimits {
                roaster: roaster.id.to_string(),
                min_charge_g: least,
                max_charge_g: most,
            });
        }
        for family in needed
            .iter()
            .filter(|(coffee, style)| *coffee == lot.fields.coffee && roaster.fields.roasts(*style))
        {
            let grams = demand.get(family).copied().unwrap_or(0);
            let own = batches.get(family).copied();
            if let Some(fraction) = safe_yield(facts, id, family.1, roaster, (grams, most), own) {
                made.yields.push(YieldLine {
                    style: family.1.to_string(),
                    roaster: Some(roaster.id.to_string()),
                    fraction,
                });
            }
        }
    }
    made
}

/// The yield that the family's batches together reach with the site's certainty, four decimals, down. In so many batches as said, or as full drums would take
/// for the grams.
fn safe_yield(
    facts: &Facts,
    lot: LotId,
    style: StyleId,
    roaster: &RoasterFacts,
    (grams, most): (i64, i64),
    own: Option<u32>,
) -> Option<Yield> {
    let (_, learned) = learned(facts, (lot, style), roaster)?;
    let full = for_bags(facts, &learned, most)?;
    let mean = i64::from(Fraction::nearest(full.mean_yield()).ppm()).max(1);
    let drum = i128::from(most) * i128::from(mean) / 1_000_000;
    let drums = (i128::from(grams) + drum.max(1) - 1) / drum.max(1);
    let batches = own.unwrap_or_else(|| u32::try_from(drums.max(1)).unwrap_or(u32::MAX));
    let each = i128::from(grams) * 1_000_000 / i128::from(mean) / i128::from(batches.max(1));
    let charge = own.map_or(most, |_| i64::try_from(each).unwrap_or(most).clamp(1, most));
    let outlook = for_bags(facts, &learned, charge)?;
    let safe = outlook.safe_yield(facts.service.value(), batches);
    Yield::from_ten_thousandths(i64::from(Fraction::nearest(safe).ppm()) / 100)
}

fn day(facts: &Facts, day: Day) -> i64 {
    day.since(facts.from).clamp(0, 10_000)
}

/// The roaster of an id.
pub fn roaster_of(facts: &Facts, id: RoasterId) -> Option<&RoasterFacts> {
    facts.roasters.iter().find(|roaster| roaster.id == id)
}
