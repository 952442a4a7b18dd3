//! Ways out of a shortage, and what keeping the released cards costs. Nothing is guessed: each is planned again with one thing changed,
//! and the difference to the plan as it stands is told.

use std::collections::HashMap;

use serde::{Deserialize, Serialize};
use tokio::sync::Semaphore;

use super::answer::{named, reason};
use super::facts::{Facts, LotFacts, RoasterFacts};
use super::instance::{grams, limits, outlook};
use super::plan::{Asked, Planned, compute, facts};
use super::view::ShortReason;
use crate::app::App;
use crate::book::leaf::words;
use crate::day::Day;
use crate::floor::view::Named;
use crate::fraction::Fraction;
use crate::ids::{CoffeeId, LotId, OrderId};
use crate::mass::Mass;
use crate::planner::Effort;
use crate::refusal::Outcome;

/// Of so many lines at most, the weightiest, ways out are looked for.
const MOST_LINES: usize = 8;
/// Minutes more of a day that are tried, the most first: what does not help with that is not tried with less.
const MINUTES: [u32; 4] = [240, 120, 60, 30];
/// Days later that are tried.
const MOST_DAYS_LATER: i64 = 3;

words! {
    /// What would be changed.
    WayKind {
        /// A roaster and its people work longer on a day.
        Minutes = "minutes",
        /// There is more green of a lot.
        Green = "green",
        /// The hold of a lot's delivery is lifted.
        Hold = "hold",
        /// A lot that is expected comes sooner.
        Arrival = "arrival",
        /// The order ships later.
        Later = "later",
        /// The line is promised fewer bags.
        FewerBags = "fewer_bags",
    }
}

/// What can be done about a plan.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Advice {
    /// The lines that ship short, the weightiest first and at most eight, with the cheapest ways out of each.
    pub lines: Vec<LineAdvice>,
    /// What planning freely would change; null where no released card is kept.
    pub freely: Option<Difference>,
}

/// Ways out for a line that ships short.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct LineAdvice {
    /// The order.
    pub order: OrderId,
    /// The line.
    pub line: u16,
    /// At most one of each kind: those that leave the fewest bags of the line short first, then the fewest of all lines, then the fewest
    /// minutes. Empty where nothing that was tried helps.
    pub ways: Vec<WayOut>,
}

/// A way out: one thing changed, and what a plan then comes to.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct WayOut {
    /// What is changed.
    pub kind: WayKind,
    /// The whole in a sentence.
    pub sentence: String,
    /// The roaster that works longer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub roaster: Option<Named>,
    /// The day on which it does, on which the lot comes, or on which the order ships.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub day: Option<Day>,
    /// By how many minutes the day is longer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub minutes: Option<u32>,
    /// The lot of which there is more, that is no longer held, or that comes sooner.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lot: Option<Named>,
    /// How much more green there is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mass_g: Option<Mass>,
    /// How many bags fewer are promised.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bags: Option<u32>,
    /// Bags of the line that are short even so.
    pub left_bags: u32,
    /// What changes in the whole plan.
    pub effect: Difference,
}

/// A plan less another: negative where there is less of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Difference {
    /// Bags short, all lines.
    pub bags: i64,
    /// Minutes of all roasters.
    pub roaster_min: i64,
    /// Green charged.
    pub green_g: Mass,
    /// Batches.
    pub batches: i64,
}

/// Advice is long work that nobody waits for: one at a time, so that a core is left for the floor.
static ADVISING: Semaphore = Semaphore::const_new(1);

/// Ways out of what a plan leaves short, and what planning freely would change.
///
/// # Errors
/// As [`super::plan()`].
pub async fn advice(app: &App, asked: Asked) -> Outcome<Advice> {
    let facts = facts(app, &asked).await?;
    compute(&ADVISING, move || {
        let base = Planned::of(&facts, &asked, Effort::Full)?;
        let freely = freely(&facts, &asked, &base)?;
        let lines = Desk::new(facts, asked, &base).lines(&base)?;
        Ok(Advice { lines, freely })
    })
    .await
}

/// Planning without the released cards that nobody has set, against planning with them.
fn freely(facts: &Facts, asked: &Asked, base: &Planned) -> Outcome<Option<Difference>> {
    let set = |card| asked.pinned.iter().any(|pin| pin.card == Some(card));
    let mut cards = base.pins.kept.iter().filter_map(|pin| pin.card);
    if asked.freely || !cards.any(|card| !set(card)) {
        return Ok(None);
    }
    let asked = Asked {
        freely: true,
        ..asked.clone()
    };
    let free = Planned::of(facts, &asked, Effort::Full)?;
    Ok(Some(Sums::of(facts, &free).less(&Sums::of(facts, base))))
}

/// What plans are compared by.
#[derive(Clone)]
struct Sums {
    /// Bags missing, by want.
    missing: Vec<u32>,
    minutes: i64,
    grams: i64,
    batches: i64,
}

impl Sums {
    fn of(facts: &Facts, planned: &Planned) -> Self {
        let plan = &planned.last().plan;
        Self {
            missing: (0..facts.wants.len())
                .map(|n| planned.missing(facts, n))
                .collect(),
            minutes: plan.levels.minutes,
            grams: plan.batches.iter().map(|batch| batch.charge_g).sum(),
            batches: i64::try_from(plan.batches.len()).unwrap_or(i64::MAX),
        }
    }

    fn bags(&self) -> i64 {
        self.missing.iter().map(|bags| i64::from(*bags)).sum()
    }

    fn less(&self, other: &Self) -> Difference {
        Difference {
            bags: self.bags() - other.bags(),
            roaster_min: self.minutes - other.minutes,
            green_g: Mass::from_grams(self.grams - other.grams).unwrap_or_default(),
            batches: self.batches - other.batches,
        }
    }

    /// How good this is for one line.
    fn worth(&self, line: usize) -> (u32, i64, i64) {
        (self.missing[line], self.bags(), self.minutes)
    }
}

/// One thing changed. Places are those in the facts.
#[derive(Clone, PartialEq, Eq, Hash)]
enum Change {
    Minutes {
        roaster: usize,
        day: usize,
        minutes: u32,
    },
    Green {
        lot: LotId,
        more: Mass,
    },
    Lift {
        lot: LotId,
    },
    Arrival {
        lot: LotId,
        day: Day,
    },
    Later {
        want: usize,
        days: i64,
    },
    Fewer {
        want: usize,
        bags: u32,
    },
}

impl Change {
    /// Plans with the change, and takes it back.
    fn plan(&self, facts: &mut Facts, asked: &Asked, effort: Effort) -> Outcome<Sums> {
        let kept = self.apply(facts);
        let sums = Planned::of(facts, asked, effort).map(|planned| Sums::of(facts, &planned));
        kept.restore(facts);
        sums
    }

    fn apply(&self, facts: &mut Facts) -> Kept {
        let kept = Kept {
            roasters: facts.roasters.iter().map(|r| r.shifts.clone()).collect(),
            crew: facts.crew.clone(),
            wants: facts.wants.clone(),
            lots: facts
                .lots
                .iter()
                .map(|(id, lot)| (*id, (lot.green, lot.from, lot.held.clone())))
                .collect(),
        };
        match self {
            Self::Minutes {
                roaster,
                day,
                minutes,
            } => {
                facts.roasters[*roaster].shifts[*day].minutes += minutes;
                if let Some(crew) = &mut facts.crew {
                    crew[*day] += minutes;
                }
            }
            Self::Green { lot, more } => {
                if let Some(lot) = facts.lots.get_mut(lot) {
                    lot.green = lot.green.plus(*more).unwrap_or(lot.green);
                }
            }
            Self::Lift { lot } => {
                if let Some(lot) = facts.lots.get_mut(lot) {
                    (lot.green, lot.held) = (lot.there, None);
                }
            }
            Self::Arrival { lot, day } => {
                if let Some(lot) = facts.lots.get_mut(lot) {
                    lot.from = *day;
                }
            }
            Self::Later { want, days } => {
                let want = &mut facts.wants[*want];
                want.ship_day = want.ship_day.plus(*days);
                want.window.from = want.window.from.plus(*days);
                want.window.to = want.window.to.plus(*days);
            }
            Self::Fewer { want, bags } => facts.wants[*want].bags -= bags,
        }
        kept
    }

    /// What is changed, in words that go before "every bag ships".
    fn words(&self, facts: &Facts) -> String {
        let lot = |id: &LotId| {
            let lot = facts.lots.get(id);
            lot.map_or_else(String::new, |lot| lot.fields.name.to_string())
        };
        match self {
            Self::Minutes {
                roaster,
                day,
                minutes,
            } => {
                let roaster = &facts.roasters[*roaster];
                let day = roaster.shifts[*day].day.short();
                format!(
                    "With {minutes} minutes more of {} on {day}",
                    roaster.fields.name
                )
            }
            Self::Green { lot: id, more } => format!("With {more} more green of {}", lot(id)),
            Self::Lift { lot: id } => {
                format!("If the hold of {}'s delivery is lifted", lot(id))
            }
            Self::Arrival { lot: id, day } => format!("If {} comes by {}", lot(id), day.short()),
            Self::Later { want, days } => {
                let day = facts.wants[*want].ship_day.plus(*days);
                format!("Shipped on {}", day.short())
            }
            Self::Fewer { bags: 1, .. } => "With 1 bag fewer promised".to_owned(),
            Self::Fewer { bags, .. } => format!("With {bags} bags fewer promised"),
        }
    }

    fn way_out(&self, facts: &Facts, line: usize, base: &Sums, then: &Sums) -> WayOut {
        let left_bags = then.missing[line];
        let outcome = match left_bags {
            0 => "every bag of the line ships.".to_owned(),
            1 => "1 bag of the line is still short.".to_owned(),
            n => format!("{n} bags of the line are still short."),
        };
        let mut way = WayOut {
            kind: WayKind::FewerBags,
            sentence: format!("{}, {outcome}", self.words(facts)),
            roaster: None,
            day: None,
            minutes: None,
            lot: None,
            mass_g: None,
            bags: None,
            left_bags,
            effect: then.less(base),
        };
        let lot = |id: &LotId| facts.lots.get(id).map(|lot| named(*id, &lot.fields.name));
        match self {
            Self::Minutes {
                roaster,
                day,
                minutes,
            } => {
                let roaster = &facts.roasters[*roaster];
                way.kind = WayKind::Minutes;
                way.roaster = Some(named(roaster.id, &roaster.fields.name));
                way.day = Some(roaster.shifts[*day].day);
                way.minutes = Some(*minutes);
            }
            Self::Green { lot: id, more } => {
                way.kind = WayKind::Green;
                (way.lot, way.mass_g) = (lot(id), Some(*more));
            }
            Self::Lift { lot: id } => (way.kind, way.lot) = (WayKind::Hold, lot(id)),
            Self::Arrival { lot: id, day } => {
                way.kind = WayKind::Arrival;
                (way.lot, way.day) = (lot(id), Some(*day));
            }
            Self::Later { want, days } => {
                way.kind = WayKind::Later;
                way.day = Some(facts.wants[*want].ship_day.plus(*days));
            }
            Self::Fewer { bags, .. } => way.bags = Some(*bags),
        }
        way
    }
}

/// What of a lot may be used, from when, and why none of it may.
type Usable = (Mass, Day, Option<String>);

/// The facts that changes touch, as they were.
struct Kept {
    roasters: Vec<Vec<super::day::Shift>>,
    crew: Option<Vec<u32>>,
    wants: Vec<super::facts::Want>,
    lots: Vec<(LotId, Usable)>,
}

impl Kept {
    fn restore(self, facts: &mut Facts) {
        for (roaster, shifts) in facts.roasters.iter_mut().zip(self.roasters) {
            roaster.shifts = shifts;
        }
        facts.crew = self.crew;
        facts.wants = self.wants;
        for (id, kept) in self.lots {
            if let Some(lot) = facts.lots.get_mut(&id) {
                (lot.green, lot.from, lot.held) = kept;
            }
        }
    }
}

/// Tries changes; what one comes to is found once for all lines.
struct Desk {
    facts: Facts,
    asked: Asked,
    base: Sums,
    tried: HashMap<Change, Sums>,
}

impl Desk {
    fn new(facts: Facts, asked: Asked, base: &Planned) -> Self {
        Self {
            base: Sums::of(&facts, base),
            facts,
            asked,
            tried: HashMap::new(),
        }
    }

    fn lines(&mut self, base: &Planned) -> Outcome<Vec<LineAdvice>> {
        let weight = |n: &usize| {
            let want = &self.facts.wants[*n];
            grams(self.base.missing[*n], want.bag, Fraction::ONE) * want.weight()
        };
        let wants = 0..self.facts.wants.len();
        let mut short: Vec<usize> = wants
            .filter(|n| self.base.missing[*n] > 0 && !self.facts.wants[*n].is_shelf())
            .collect();
        short.sort_by_key(|n| std::cmp::Reverse(weight(n)));
        let mut lines = Vec::new();
        for n in short.into_iter().take(MOST_LINES) {
            let (why, _) = reason(&self.facts, base, n);
            let (order, line) = (self.facts.wants[n].order, self.facts.wants[n].line);
            let ways = self.ways(n, why)?;
            lines.push(LineAdvice { order, line, ways });
        }
        Ok(lines)
    }

    /// The best change of each kind that has to do with the reason, planned with the usual effort.
    fn ways(&mut self, n: usize, why: ShortReason) -> Outcome<Vec<WayOut>> {
        let bags = self.base.missing[n];
        let fewer = Change::Fewer { want: n, bags };
        let mut chosen = vec![(bags < self.facts.wants[n].bags).then_some(fewer)];
        chosen.push(self.best(
            n,
            (1..=MOST_DAYS_LATER).map(|days| Change::Later { want: n, days }),
        )?);
        match why {
            ShortReason::Minutes => chosen.push(self.longer_day(n)?),
            ShortReason::Green | ShortReason::NoLot => {
                let (green, arrivals) = (self.more_green(n), self.arrivals(n));
                let held = self.held(n);
                chosen.push(self.best(n, green.into_iter())?);
                chosen.push(self.best(n, held.into_iter())?);
                chosen.push(self.best(n, arrivals.into_iter())?);
            }
            ShortReason::Window | ShortReason::Packing => {}
        }
        let mut ways = Vec::new();
        for change in chosen.into_iter().flatten() {
            let then = change.plan(&mut self.facts, &self.asked, Effort::Full)?;
            if then.missing[n] < bags {
                ways.push((
                    then.worth(n),
                    change.way_out(&self.facts, n, &self.base, &then),
                ));
            }
        }
        ways.sort_by_key(|(worth, _)| *worth);
        Ok(ways.into_iter().map(|(_, way)| way).collect())
    }

    /// What a change comes to, by a short search.
    fn outcome(&mut self, change: &Change) -> Outcome<Sums> {
        if let Some(sums) = self.tried.get(change) {
            return Ok(sums.clone());
        }
        let sums = change.plan(&mut self.facts, &self.asked, Effort::First)?;
        self.tried.insert(change.clone(), sums.clone());
        Ok(sums)
    }

    /// The change that does most for a line, the first of equals; none where none helps.
    fn best(&mut self, n: usize, changes: impl Iterator<Item = Change>) -> Outcome<Option<Change>> {
        let mut best: Option<((u32, i64, i64), Change)> = None;
        for change in changes {
            let worth = self.outcome(&change)?.worth(n);
            let helps = worth.0 < self.base.missing[n];
            if helps
                && best
                    .as_ref()
                    .is_none_or(|(than, _)| (worth.0, worth.1) < (than.0, than.1))
            {
                best = Some((worth, change));
            }
        }
        Ok(best.map(|(_, change)| change))
    }

    /// The fewest minutes more of one roaster on one day that do most for a line.
    fn longer_day(&mut self, n: usize) -> Outcome<Option<Change>> {
        let window = self.facts.wants[n].window;
        let style = self.facts.wants[n].style;
        let mut changes = Vec::new();
        for (roaster, there) in self.facts.roasters.iter().enumerate() {
            let days = there.shifts.iter().enumerate();
            let days = days.filter(|(_, shift)| (window.from..=window.to).contains(&shift.day));
            if there.fields.roasts(style) {
                changes.extend(days.map(|(day, _)| (roaster, day)));
            }
        }
        let mut best: Option<((u32, i64, u32, i64), Change)> = None;
        for (roaster, day) in changes {
            for minutes in MINUTES {
                let change = Change::Minutes {
                    roaster,
                    day,
                    minutes,
                };
                let (left, all, total) = self.outcome(&change)?.worth(n);
                if left >= self.base.missing[n] {
                    break;
                }
                let worth = (left, all, minutes, total);
                if best.as_ref().is_none_or(|(than, _)| worth < *than) {
                    best = Some((worth, change));
                }
            }
        }
        Ok(best.map(|(_, change)| change))
    }

    /// More green of each lot that will do: what the missing bags need, as a charge that can be roasted.
    fn more_green(&self, n: usize) -> Vec<Change> {
        let facts = &self.facts;
        let mut changes = Vec::new();
        for (id, lot) in self.lots_of(n) {
            let in_time = facts.lots[&id].from <= facts.wants[n].window.to;
            let share = facts.wants[n].parts.iter().find(|part| part.0 == lot);
            let Some((_, share)) = share.filter(|_| in_time) else {
                continue;
            };
            let missing = grams(self.base.missing[n], facts.wants[n].bag, *share);
            let needs = facts
                .roasters
                .iter()
                .filter_map(|r| self.green_for(id, n, r, missing));
            if let Some(more) = needs.min() {
                changes.push(Change::Green { lot: id, more });
            }
        }
        changes
    }

    /// Green that gives so many grams on a roaster, in whole steps and no less than its smallest charge.
    fn green_for(&self, id: LotId, n: usize, roaster: &RoasterFacts, missing: i64) -> Option<Mass> {
        let facts = &self.facts;
        let style = facts.wants[n].style;
        if !roaster.fields.roasts(style) {
            return None;
        }
        let (least, most) = limits(roaster, id, facts.lots.get(&id)?)?;
        let (_, outlook) = outlook(facts, (id, style), roaster, most)?;
        // A twentieth more than the mean asks for, since plans are made with safe yields.
        let ppm = i64::from(Fraction::nearest(outlook.mean_yield()).ppm()) * 19 / 20;
        let step = roaster.fields.step_g.whole_grams().max(1);
        let needed = missing.saturating_mul(1_000_000) / ppm.max(1) + 1;
        Mass::from_grams((needed.max(least) + step - 1) / step * step).ok()
    }

    /// Each lot that is still to come, on the last day and on the first day that would do.
    fn arrivals(&self, n: usize) -> Vec<Change> {
        let window = self.facts.wants[n].window;
        let first = window.from.max(self.facts.from);
        let mut changes = Vec::new();
        for (id, _) in self.lots_of(n) {
            let from = self.facts.lots[&id].from;
            let days = [window.to, first].into_iter();
            let sooner = days.filter(|day| *day < from && *day >= first);
            changes.extend(sooner.map(|day| Change::Arrival { lot: id, day }));
        }
        changes
    }

    /// Each lot that is here or to come and only held.
    fn held(&self, n: usize) -> Vec<Change> {
        let lots = self.of_coffees(n);
        let held = lots.filter(|(_, lot)| {
            lot.held.is_some() && !lot.fields.retired && lot.there.is_positive()
        });
        held.map(|(id, _)| Change::Lift { lot: id }).collect()
    }

    /// Usable lots that will do for a line, with the coffee that each is.
    fn lots_of(&self, n: usize) -> Vec<(LotId, CoffeeId)> {
        let lots = self.of_coffees(n);
        let usable = lots.filter(|(_, lot)| lot.barred().is_none() && !lot.used_up);
        usable.map(|(id, lot)| (id, lot.fields.coffee)).collect()
    }

    /// Lots of a line's coffees that its product allows.
    fn of_coffees(&self, n: usize) -> impl Iterator<Item = (LotId, &LotFacts)> {
        let want = &self.facts.wants[n];
        let lots = self.facts.lots.iter().filter(|(id, lot)| {
            want.parts.iter().any(|part| part.0 == lot.fields.coffee)
                && want.lots.as_ref().is_none_or(|lots| lots.contains(id))
        });
        lots.map(|(id, lot)| (*id, lot))
    }
}
