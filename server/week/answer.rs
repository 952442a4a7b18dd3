//! From the planner's answer to a plan for people: order and start times within a day, what each batch is for, what ships short.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use uuid::Uuid;

use super::Feed;
use super::bags::bags_missing;
use super::facts::{Facts, ORDER_WEIGHT, RoasterFacts, less};
use super::instance::{grams, green, limits, roaster_of};
use super::pins::{Pins, minutes};
use super::plan::{Planned, Round};
use super::sure::id;
use super::view::{
    Certainty, CrewDay, DroppedPin, LevelValues, PlanBatch, PlanDay, PlanOrder, PlanRoaster,
    PlanView, PullLine, ShelfShort, ShortLine, ShortReason, SurplusLine, Without, WithoutLine,
};
use super::why::{unpacked, why};
use crate::day::{Day, TimeOfDay};
use crate::floor::view::Named;
use crate::fraction::Fraction;
use crate::ids::{CardId, CoffeeId, LotId, RoasterId, StyleId};
use crate::mass::Mass;
use crate::planner::{Cover, LevelProof, Reason, Source, UNITS_PER_GRAM, covers};
use crate::refusal::Outcome;
use crate::store::StoreError;
use crate::text::Name;

/// A batch on its way from the planner's form to that of people.
struct Placed {
    card: Option<CardId>,
    pinned: bool,
    roaster: RoasterId,
    day: Day,
    lot: LotId,
    style: StyleId,
    charge: i64,
    start: TimeOfDay,
    feeds: Vec<Feed>,
    without: Without,
}

/// A plan for people. What is short is what was asked for first beyond what ships in the end, for the reasons found first.
pub fn view(facts: &Facts, planned: &Planned) -> Outcome<PlanView> {
    let (pins, first, last) = (&planned.pins, &planned.first, planned.last());
    let mut placed = placed(facts, pins, last);
    name_cards(facts, &mut placed);
    set_times(facts, &mut placed);
    set_feeds(facts, last, &mut placed);
    let short = short(facts, planned);
    let missing = shorts_weight(facts, planned);
    let batches = placed
        .iter()
        .map(|batch| plan_batch(facts, batch))
        .collect::<Option<Vec<_>>>()
        .ok_or_else(|| StoreError::Damaged("a plan names what is not there".to_owned()))?;
    let proofs = &last.plan.proofs;
    let least_short = first.plan.proofs[0].bound.min(units(missing));
    let mut proved = proofs.map(|proof| proof.proved());
    proved[0] = least_short >= units(missing);
    Ok(PlanView {
        log_size: facts.log_size,
        from_day: facts.from,
        days: u16::try_from(facts.days).unwrap_or(u16::MAX),
        roasters: roasters(facts, &placed),
        crew: crew(facts, &placed),
        surplus_g: surplus(facts, last, &batches),
        surplus: surplus_lines(facts, last, &batches),
        pull: pull(facts, &placed),
        certainty: certainty(facts, last),
        levels: levels(missing, proofs, |proof| proof.value),
        bounds: levels(mass_of(least_short), proofs, |proof| proof.bound),
        proved,
        batches,
        orders: orders(facts),
        short,
        shelf_short: shelf_short(facts, planned),
        dropped_pins: pins
            .dropped
            .iter()
            .map(|(pin, sentence)| DroppedPin {
                pin: pin.clone(),
                sentence: sentence.clone(),
            })
            .collect(),
    })
}

fn placed(facts: &Facts, pins: &Pins, round: &Round) -> Vec<Placed> {
    let covers = covers(&round.instance, &round.plan);
    let batches = round.plan.batches.iter().zip(&covers).enumerate();
    batches
        .filter_map(|(n, (batch, cover))| {
            let pin = pins.kept.get(n).filter(|_| n < round.plan.pinned);
            Some(Placed {
                card: pin.and_then(|pin| pin.card),
                pinned: pin.is_some(),
                roaster: id(&batch.roaster)?,
                day: facts.from.plus(batch.day),
                lot: id(&batch.lot)?,
                style: id(&batch.style)?,
                charge: batch.charge_g,
                start: TimeOfDay::from_minutes(0),
                feeds: Vec::new(),
                without: without(facts, round, cover),
            })
        })
        .collect()
}

/// What a batch alone covers, by order line.
fn without(facts: &Facts, round: &Round, cover: &Cover) -> Without {
    let mut lines: BTreeMap<usize, (u32, i64)> = BTreeMap::new();
    for missed in &cover.short {
        let Some((n, part)) = round.items.get(&missed.item).copied() else {
            continue;
        };
        let want = &facts.wants[n];
        if want.is_shelf() {
            continue;
        }
        let bags = bags_missing(missed.units, want.bag, want.parts[part].1);
        let (most, units) = lines.entry(n).or_default();
        *most = bags.max(*most);
        *units += missed.units;
    }
    let line = |(n, (bags, units)): (usize, (u32, i64))| {
        let want = &facts.wants[n];
        WithoutLine {
            order: want.order,
            customer: want.customer.clone(),
            line: want.line,
            product: want.product,
            bags,
            mass_g: mass_of(units),
        }
    };
    Without {
        saved_min: u32::try_from(cover.minutes).unwrap_or(0),
        short: lines.into_iter().map(line).collect(),
    }
}

/// A batch that is what a released card says already goes on under that card.
fn name_cards(facts: &Facts, placed: &mut [Placed]) {
    let mut taken: HashSet<CardId> = placed.iter().filter_map(|batch| batch.card).collect();
    for batch in placed.iter_mut().filter(|batch| batch.card.is_none()) {
        let same = facts.cards.iter().find(|(id, card)| {
            !taken.contains(id)
                && (card.roaster, card.day, card.lot, card.style)
                    == (batch.roaster, batch.day, batch.lot, batch.style)
                && Mass::from_grams(batch.charge) == Ok(card.charge_g)
        });
        if let Some((id, _)) = same {
            taken.insert(*id);
            batch.card = Some(*id);
        }
    }
}

/// The minute a roaster has come to on a day, how many batches it has roasted, and what last.
type Clockwork = (u32, u32, Option<(LotId, StyleId)>);

/// Puts the batches of each roaster's day in order and gives them their starts: what needs a clean drum first, then light styles before
/// dark, and among equals a scarce lot never first; the batches of a stream follow one another, larger first.
fn set_times(facts: &Facts, placed: &mut [Placed]) {
    let scarce = scarce(facts, placed);
    placed.sort_by_cached_key(|batch| {
        let shade = facts
            .styles
            .get(&batch.style)
            .map_or(0, |style| style.shade);
        (
            (batch.day, batch.roaster),
            (!needs_clean_drum(facts, batch.lot), shade),
            (scarce.contains(&batch.lot), batch.style, batch.lot),
            (!batch.pinned, std::cmp::Reverse(batch.charge)),
        )
    });
    let mut at: HashMap<(RoasterId, Day), Clockwork> = HashMap::new();
    for batch in placed.iter_mut() {
        let Some(roaster) = roaster_of(facts, batch.roaster) else {
            continue;
        };
        let fields = &roaster.fields;
        let (minute, batches, stream) = at
            .entry((batch.roaster, batch.day))
            .or_insert_with(|| (begins(facts, batch.roaster, batch.day), 0, None));
        *minute += fields
            .cleaning
            .map_or(0, |cleaning| cleaning.before(*batches));
        *batches += 1;
        if *stream != Some((batch.lot, batch.style)) {
            *minute += fields.changeover_min;
            *stream = Some((batch.lot, batch.style));
        }
        batch.start = TimeOfDay::from_minutes(*minute);
        *minute += fields.cycle_min;
    }
    placed.sort_by_key(|batch| (batch.day, batch.roaster, batch.start));
}

/// Whether a lot must not take up what others leave in the drum: it is sold under a claim, or its coffee is one that needs it clean.
fn needs_clean_drum(facts: &Facts, lot: LotId) -> bool {
    facts.lots.get(&lot).is_some_and(|lot| {
        !lot.fields.claims.is_empty() || facts.clean_drum.contains(&lot.fields.coffee)
    })
}

/// The minute at which the first change-over of a roaster's day begins: when it opens and has heated up.
fn begins(facts: &Facts, roaster: RoasterId, day: Day) -> u32 {
    let Some(roaster) = roaster_of(facts, roaster) else {
        return 0;
    };
    let opens = roaster
        .shifts
        .iter()
        .find(|shift| shift.day == day)
        .and_then(|shift| shift.opens);
    let heating = if roaster.hot && day == facts.from {
        0
    } else {
        roaster.fields.startup_min
    };
    opens.map_or(0, TimeOfDay::minutes) + heating
}

/// Lots of which nothing can be roasted beyond this plan.
fn scarce(facts: &Facts, placed: &[Placed]) -> HashSet<LotId> {
    let mut used: HashMap<LotId, i64> = HashMap::new();
    for batch in placed {
        *used.entry(batch.lot).or_default() += batch.charge;
    }
    used.into_iter()
        .filter(|(id, used)| {
            let lot = facts.lots.get(id);
            let rest = lot.map_or(0, |lot| green(facts, *id, lot) - used);
            let least = lot.into_iter().flat_map(|lot| {
                facts
                    .roasters
                    .iter()
                    .filter_map(|roaster| limits(roaster, *id, lot))
                    .map(|(least, _)| least)
            });
            least.min().is_none_or(|least| rest < least)
        })
        .map(|(lot, _)| lot)
        .collect()
}

/// Says what each batch is for: what a stream gives on a day is taken from its batches in order.
fn set_feeds(facts: &Facts, round: &Round, placed: &mut [Placed]) {
    let mut streams: BTreeMap<(Day, LotId, StyleId), Vec<(usize, i64)>> = BTreeMap::new();
    for (n, batch) in placed.iter().enumerate() {
        let room = expected(facts, batch).map_or(0, |[mean, ..]| units(for_bags(facts, mean)));
        streams
            .entry((batch.day, batch.lot, batch.style))
            .or_default()
            .push((n, room));
    }
    for gift in &round.given.0 {
        let Source::Batches { day, lot, style } = &gift.source else {
            continue;
        };
        let (Some(lot), Some(style)) = (id(lot), id(style)) else {
            continue;
        };
        let key = (facts.from.plus(*day), lot, style);
        let Some(stream) = streams.get_mut(&key) else {
            continue;
        };
        let mut left = gift.units;
        let last = stream.len() - 1;
        for (at, (n, room)) in stream.iter_mut().enumerate() {
            // The planning yield may be above the mean where little certainty is asked for: what is over goes to the last batch.
            let part = if at == last { left } else { left.min(*room) };
            if part > 0 {
                feed(facts, &mut placed[*n].feeds, gift.want, part);
                left -= part;
                *room -= part;
            }
        }
    }
}

fn feed(facts: &Facts, feeds: &mut Vec<Feed>, want: usize, units: i64) {
    let want = &facts.wants[want];
    if want.is_shelf() {
        return;
    }
    let mass = mass_of(units);
    let same = feeds
        .iter_mut()
        .find(|feed| feed.order == want.order && feed.line == Some(want.line));
    match same {
        Some(feed) => feed.mass_g = feed.mass_g.plus(mass).unwrap_or(Mass::MAX),
        None => feeds.push(Feed {
            order: want.order,
            line: Some(want.line),
            product: want.product,
            mass_g: mass,
        }),
    }
}

/// Expected mass of a batch, and the ends of its range.
fn expected(facts: &Facts, batch: &Placed) -> Option<[Mass; 3]> {
    let charge = Mass::from_grams(batch.charge).ok()?;
    let range = facts
        .questions
        .range(batch.lot, batch.style, batch.roaster, charge)?;
    // Most loss is least coffee.
    Some([range.mean, range.hi, range.lo].map(|lost| less(charge, lost)))
}

/// What is left for bags of what a batch gives.
fn for_bags(facts: &Facts, mass: Mass) -> Mass {
    mass.minus(facts.kept_back)
        .unwrap_or_default()
        .max(Mass::ZERO)
}

fn plan_batch(facts: &Facts, batch: &Placed) -> Option<PlanBatch> {
    let lot = &facts.lots.get(&batch.lot)?.fields;
    let roaster = &roaster_of(facts, batch.roaster)?.fields;
    let [expected_g, lo_g, hi_g] = expected(facts, batch)?;
    Some(PlanBatch {
        card: batch.card,
        pinned: batch.pinned,
        roaster: named(batch.roaster, &roaster.name),
        day: batch.day,
        start: batch.start,
        minutes: roaster.cycle_min,
        lot: named(batch.lot, &lot.name),
        coffee: coffee(facts, lot.coffee)?,
        grade: lot.grade.clone(),
        style: named(batch.style, &facts.styles.get(&batch.style)?.name),
        charge_g: Mass::from_grams(batch.charge).ok()?,
        expected_g,
        lo_g,
        hi_g,
        feeds: batch.feeds.clone(),
        without: batch.without.clone(),
    })
}

pub(super) fn named(id: impl Into<Uuid>, name: &Name) -> Named {
    Named {
        id: id.into(),
        name: name.clone(),
    }
}

fn coffee(facts: &Facts, id: CoffeeId) -> Option<Named> {
    facts.coffees.get(&id).map(|name| named(id, name))
}

fn roasters(facts: &Facts, placed: &[Placed]) -> Vec<PlanRoaster> {
    facts
        .roasters
        .iter()
        .map(|roaster| PlanRoaster {
            id: roaster.id.0,
            name: roaster.fields.name.clone(),
            days: roaster
                .shifts
                .iter()
                .map(|shift| {
                    let used = used_minutes(facts, placed, (roaster.id, shift.day));
                    PlanDay {
                        day: shift.day,
                        opens: shift.opens,
                        available_min: shift.minutes,
                        used_min: u32::try_from(used).unwrap_or(u32::MAX),
                    }
                })
                .collect(),
        })
        .collect()
}

/// The orders of what is wanted, each once, in order of ship day and number.
fn orders(facts: &Facts) -> Vec<PlanOrder> {
    let orders: BTreeSet<PlanOrder> = facts
        .wants
        .iter()
        .map(|want| PlanOrder {
            ship_day: want.ship_day,
            number: want.number.clone(),
            id: want.order,
            customer: want.customer.clone(),
        })
        .collect();
    orders.into_iter().collect()
}

fn short(facts: &Facts, planned: &Planned) -> Vec<ShortLine> {
    let mut lines = Vec::new();
    for (n, want) in facts.wants.iter().enumerate() {
        let missing = planned.missing(facts, n);
        if missing == 0 || want.is_shelf() {
            continue;
        }
        let (reason, sentence) = reason(facts, planned, n);
        lines.push(ShortLine {
            order: want.order,
            customer: want.customer.clone(),
            line: want.line,
            product: want.product,
            bags: missing,
            mass_g: Mass::from_grams(grams(missing, want.bag, Fraction::ONE)).unwrap_or(Mass::MAX),
            reason,
            sentence,
        });
    }
    lines
}

/// Why a want is short: what the planner says of its scarcest coffee, else of another line that competes for it.
pub(super) fn reason(facts: &Facts, planned: &Planned, n: usize) -> (ShortReason, String) {
    let (first, last) = (&planned.first, planned.last());
    let want = &facts.wants[n];
    if planned.missing(facts, n) == want.bags - want.packable && !want.window.is_empty() {
        return unpacked(want);
    }
    let mut own: Option<(i64, CoffeeId, Reason)> = None;
    let mut others: Option<(CoffeeId, Reason)> = None;
    for round in [first, last] {
        for short in &round.plan.short {
            let Some((of, part)) = round.items.get(&short.item).copied() else {
                continue;
            };
            let coffee = facts.wants[of].parts[part].0;
            if of == n && own.is_none_or(|(units, ..)| short.units > units) {
                own = Some((short.units, coffee, short.reason));
            } else if facts.wants[of].style == want.style
                && want.parts.iter().any(|(own, _)| *own == coffee)
            {
                others = others.or(Some((coffee, short.reason)));
            }
        }
    }
    let missing_item = want
        .parts
        .iter()
        .enumerate()
        .find(|(part, _)| !first.items.values().any(|item| *item == (n, *part)));
    let (coffee, reason) = match (own, missing_item, others) {
        (Some((_, coffee, reason)), _, _) => (coffee, reason),
        (None, Some((_, (coffee, _))), _) => (*coffee, Reason::NoStream),
        (None, None, Some(other)) => other,
        (None, None, None) => (want.parts[0].0, Reason::Green),
    };
    why(facts, want, coffee, reason)
}

/// Missing grams, each weighted as the planner weighs it.
fn shorts_weight(facts: &Facts, planned: &Planned) -> Mass {
    let mut sum = Mass::ZERO;
    for (n, want) in facts.wants.iter().enumerate() {
        let grams = grams(planned.missing(facts, n), want.bag, Fraction::ONE);
        let mass = Mass::from_grams(grams).unwrap_or(Mass::MAX);
        let weighted = mass.times(want.weight()).unwrap_or(Mass::MAX);
        sum = sum.plus(weighted).unwrap_or(Mass::MAX);
    }
    sum
}

/// What the shelf of the shop will still lack.
fn shelf_short(facts: &Facts, planned: &Planned) -> Vec<ShelfShort> {
    let shelf = facts
        .wants
        .iter()
        .enumerate()
        .filter(|(_, want)| want.is_shelf());
    let short = shelf.map(|(n, want)| ShelfShort {
        product: want.product,
        bags: planned.missing(facts, n),
    });
    short.filter(|short| short.bags > 0).collect()
}

/// What the batches are expected to give beyond what they are for.
fn surplus(facts: &Facts, round: &Round, batches: &[PlanBatch]) -> Mass {
    let made = batches
        .iter()
        .map(|batch| for_bags(facts, batch.expected_g));
    let made = Mass::sum(made).unwrap_or(Mass::MAX);
    let given: i64 = round
        .given
        .0
        .iter()
        .filter(|gift| matches!(gift.source, Source::Batches { .. }))
        .map(|gift| gift.units)
        .sum();
    made.minus(mass_of(given))
        .unwrap_or_default()
        .max(Mass::ZERO)
}

/// Surplus by coffee and style.
fn surplus_lines(facts: &Facts, round: &Round, batches: &[PlanBatch]) -> Vec<SurplusLine> {
    let mut made: BTreeMap<(Uuid, Uuid), (&PlanBatch, i64)> = BTreeMap::new();
    for batch in batches {
        let key = (batch.coffee.id, batch.style.id);
        made.entry(key).or_insert((batch, 0)).1 += units(for_bags(facts, batch.expected_g));
    }
    let coffees: HashMap<Uuid, Uuid> = batches
        .iter()
        .map(|batch| (batch.lot.id, batch.coffee.id))
        .collect();
    for gift in &round.given.0 {
        let Source::Batches { lot, style, .. } = &gift.source else {
            continue;
        };
        let coffee = id(lot).and_then(|lot: Uuid| coffees.get(&lot).copied());
        if let Some(there) = coffee.zip(id(style)).and_then(|key| made.get_mut(&key)) {
            there.1 -= gift.units;
        }
    }
    made.into_values()
        .filter(|(_, units)| *units > 0)
        .map(|(batch, units)| SurplusLine {
            coffee: batch.coffee.clone(),
            style: batch.style.clone(),
            mass_g: mass_of(units),
        })
        .collect()
}

/// The people's days.
fn crew(facts: &Facts, placed: &[Placed]) -> Option<Vec<CrewDay>> {
    let crew = facts.crew.as_ref()?;
    let used = |day: Day| -> i64 {
        let minutes = |roaster: &RoasterFacts| used_minutes(facts, placed, (roaster.id, day));
        facts.roasters.iter().map(minutes).sum()
    };
    let days = crew.iter().zip(0..).map(|(available_min, n)| {
        let day = facts.from.plus(n);
        CrewDay {
            day,
            available_min: *available_min,
            used_min: u32::try_from(used(day)).unwrap_or(u32::MAX),
        }
    });
    Some(days.collect())
}

/// Minutes that batches take on a roaster's day.
fn used_minutes(facts: &Facts, placed: &[Placed], at: (RoasterId, Day)) -> i64 {
    let there: Vec<&Placed> = placed
        .iter()
        .filter(|batch| (batch.roaster, batch.day) == at)
        .collect();
    let streams: HashSet<_> = there.iter().map(|batch| (batch.lot, batch.style)).collect();
    minutes(facts, at, there.len(), streams.len())
}

fn pull(facts: &Facts, placed: &[Placed]) -> Vec<PullLine> {
    let mut sums: BTreeMap<(Day, LotId), i64> = BTreeMap::new();
    for batch in placed {
        *sums.entry((batch.day, batch.lot)).or_default() += batch.charge;
    }
    let line = |((day, id), grams): ((Day, LotId), i64)| {
        let lot = facts.lots.get(&id)?;
        Some(PullLine {
            day,
            lot: named(id, &lot.fields.name),
            storeroom: named(lot.storeroom, facts.storerooms.get(&lot.storeroom)?),
            mass_g: Mass::from_grams(grams).ok()?,
        })
    };
    sums.into_iter().filter_map(line).collect()
}

fn certainty(facts: &Facts, round: &Round) -> Vec<Certainty> {
    let told = round.sure.iter().filter_map(|sure| {
        let (of, style) = sure.family;
        Some(Certainty {
            coffee: coffee(facts, of)?,
            style: named(style, &facts.styles.get(&style)?.name),
            ship_day: sure.ship_day,
            probability: sure.fraction(),
        })
    });
    told.collect()
}

/// Levels as people read them: missing grams weighted by the priorities of orders.
fn levels(short: Mass, proofs: &[LevelProof; 5], of: impl Fn(&LevelProof) -> i64) -> LevelValues {
    let grams = |proof: &LevelProof| Mass::from_grams(of(proof)).ok();
    LevelValues {
        short_weighted_g: Mass::from_mg(short.mg() / ORDER_WEIGHT).ok(),
        roaster_min: u64::try_from(of(&proofs[1])).ok(),
        stranded_g: grams(&proofs[2]),
        rank_weighted_g: grams(&proofs[3]),
        age_g_days: Some(mass_of(of(&proofs[4]))),
    }
}

/// Planner's units as a mass, to the milligram.
fn mass_of(units: i64) -> Mass {
    Mass::from_mg(units / (UNITS_PER_GRAM / 1_000)).unwrap_or(Mass::MAX)
}

fn units(mass: Mass) -> i64 {
    mass.mg().saturating_mul(UNITS_PER_GRAM / 1_000)
}
