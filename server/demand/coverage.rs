//! Whether green covers a demand of bags, how surely, and the most bags that can be promised. Pure: it knows no store and no clock.
//!
//! Green of a coffee is taken lot by lot in their order of use, in charges that the roaster takes, each charge in one style. What K batches
//! of a lot and style give is reached with probability p at the yield exp(eta - `z_p` sqrt(V + s^2/K)) (`loss::Outlook`). The lots of a coffee
//! are reckoned to err together, as the plan of the week reckons them: a promise made here is one that the planner can roast.

use std::collections::BTreeMap;

use super::Window;
use crate::day::Day;
use crate::ids::{CoffeeId, LotId, StyleId};
use crate::loss::Outlook;

/// The certainties between which is searched.
const CERTAINTIES: (f64, f64) = (0.01, 0.9999);
/// Halvings of a search for a certainty: to a thousandth.
const HALVINGS: u32 = 11;
/// No more bags of a coffee are thought of.
const MOST_BAGS: u64 = 1_000_000;

/// Charges that a roaster takes, grams.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Charges {
    /// The least.
    pub min_g: i64,
    /// The most.
    pub max_g: i64,
    /// They are multiples of it.
    pub step_g: i64,
}

/// What batches of a lot in a style are expected to give.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Roasting {
    /// The style.
    pub style: StyleId,
    /// Charges of the roaster it is roasted on.
    pub charges: Charges,
    /// The expected output.
    pub outlook: Outlook,
}

/// Green of a lot that may be used.
#[derive(Debug, Clone, PartialEq)]
pub struct Green {
    /// The lot.
    pub lot: LotId,
    /// How much of it is free, grams.
    pub free_g: i64,
    /// What it can be roasted to.
    pub roastings: Vec<Roasting>,
}

/// A coffee: its green, what is roasted of it, and what others are promised.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Supply {
    /// Its lots, in the order of their use.
    pub lots: Vec<Green>,
    /// Roasted and free to go, grams by style.
    pub roasted: BTreeMap<StyleId, i64>,
    /// Promised to others before, grams by style.
    pub promised: BTreeMap<StyleId, i64>,
}

/// Coffee of one roasting, there or to be roasted by a card.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Made {
    /// Its lot.
    pub lot: LotId,
    /// Its style.
    pub style: StyleId,
    /// The day it is roasted.
    pub day: Day,
    /// How much, grams.
    pub grams: i64,
}

/// What others are promised of a coffee.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Promise {
    /// In which style.
    pub style: StyleId,
    /// How much, grams.
    pub grams: i64,
    /// When it may be roasted.
    pub window: Window,
    /// Only of these lots.
    pub lots: Option<Vec<LotId>>,
}

impl Promise {
    fn takes(&self, made: &Made) -> bool {
        let lots = self.lots.as_ref();
        self.style == made.style
            && self.window.contains(made.day)
            && lots.is_none_or(|lots| lots.contains(&made.lot))
    }
}

/// Keeps promises with coffee that will do for them, the oldest first for those that end first, and leaves what is still to be roasted
/// of each. Among promises that take the same lots no
/// other way keeps more.
pub fn keep(promises: &mut [Promise], mut made: Vec<Made>) {
    made.sort_by_key(|made| (made.day, made.lot));
    promises.sort_by_key(|promise| promise.window.to);
    for made in made {
        let mut left = made.grams;
        for promise in promises.iter_mut().filter(|promise| promise.takes(&made)) {
            let grams = promise.grams.min(left).max(0);
            promise.grams -= grams;
            left -= grams;
        }
    }
}

/// Bags that are wanted of a coffee.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Wanted {
    /// By style.
    pub bags: BTreeMap<StyleId, u64>,
    /// Roasted coffee in a bag, milligrams.
    pub bag_mg: i64,
}

/// Batches of a lot in a style.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Batches {
    /// The lot.
    pub lot: LotId,
    /// The style.
    pub style: StyleId,
    /// How many.
    pub count: u32,
    /// Their charges together, grams.
    pub green_g: i64,
    /// The yield that is reached surely enough, to four decimals.
    pub safe_yield: f64,
}

/// How a demand can be roasted.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Roast {
    /// The batches.
    pub batches: Vec<Batches>,
    /// What they do not cover, grams by style.
    pub short: BTreeMap<StyleId, i64>,
}

/// What is known of a coffee in a dispatch.
#[derive(Debug, Clone, PartialEq)]
pub struct Covered {
    /// Whether all of it is covered.
    pub all: bool,
    /// How surely; nothing where it cannot be.
    pub certainty: f64,
    /// The most bags that can be promised, split between the styles as they are wanted.
    pub most_bags: u64,
    /// How it would be roasted, with what others are promised.
    pub roast: Roast,
    /// Green that it takes beyond what others are promised, grams by lot, more than nothing and no more than all of it takes.
    pub green_g: BTreeMap<LotId, i64>,
}

impl Charges {
    /// The least that can be charged, and is at least this much: in how many batches, and grams together.
    fn at_least(self, need_g: i64) -> (u32, i64) {
        if need_g <= 0 {
            return (0, 0);
        }
        let count = (need_g + self.most() - 1) / self.most();
        let stepped = (need_g + self.step_g - 1) / self.step_g * self.step_g;
        (
            u32::try_from(count).unwrap_or(u32::MAX),
            stepped.max(count * self.least()),
        )
    }

    /// The most that can be charged of so much green: in how many batches, and grams together.
    fn at_most(self, free_g: i64) -> (u32, i64) {
        let (least, most) = (self.least(), self.most());
        let batches = free_g / least;
        let grams = (batches * most).min(free_g / self.step_g * self.step_g);
        let needed = (grams + most - 1) / most;
        (u32::try_from(needed).unwrap_or(u32::MAX), grams.max(0))
    }

    /// The smallest charge there is.
    fn least(self) -> i64 {
        ((self.min_g + self.step_g - 1) / self.step_g * self.step_g).max(self.step_g)
    }

    /// The largest charge there is.
    fn most(self) -> i64 {
        (self.max_g / self.step_g * self.step_g).max(self.least())
    }
}

impl Wanted {
    /// Grams of so many bags, up.
    #[must_use]
    pub fn grams(&self, bags: u64) -> i64 {
        let mg = i128::from(bags) * i128::from(self.bag_mg);
        i64::try_from((mg + 999) / 1_000).unwrap_or(i64::MAX)
    }

    fn total(&self) -> u64 {
        self.bags.values().sum()
    }

    /// So many bags, split between the styles as these are; the first style takes what cannot be split.
    fn scaled(&self, bags: u64) -> Self {
        let total = self.total().max(1);
        let mut scaled: BTreeMap<StyleId, u64> = self
            .bags
            .iter()
            .map(|(style, part)| {
                let share = u128::from(bags) * u128::from(*part) / u128::from(total);
                (*style, u64::try_from(share).unwrap_or(u64::MAX))
            })
            .collect();
        let over = bags.saturating_sub(scaled.values().sum());
        let takes = |style: &&StyleId| self.bags.get(style).is_some_and(|part| *part > 0);
        let first = self.bags.keys().find(takes).or(self.bags.keys().next());
        if let Some(bags) = first.and_then(|style| scaled.get_mut(style)) {
            *bags += over;
        }
        Self {
            bags: scaled,
            bag_mg: self.bag_mg,
        }
    }
}

impl Supply {
    /// Roasts bags beside what others are promised, with a certainty.
    #[must_use]
    pub fn roast(&self, wanted: &Wanted, service: f64) -> Roast {
        self.roast_all([wanted], service)
    }

    /// Roasts bags of several kinds beside what others are promised.
    fn roast_all<'a>(&self, wanted: impl IntoIterator<Item = &'a Wanted>, service: f64) -> Roast {
        let mut needs = self.promised.clone();
        for wanted in wanted {
            for (style, bags) in &wanted.bags {
                *needs.entry(*style).or_default() += wanted.grams(*bags);
            }
        }
        let mut roast = Roast::default();
        let mut free: Vec<i64> = self.lots.iter().map(|lot| lot.free_g).collect();
        for (style, need) in needs {
            let roasted = self.roasted.get(&style).copied().unwrap_or(0);
            let mut left = need - roasted;
            for (lot, free) in self.lots.iter().zip(&mut free) {
                if left <= 0 {
                    break;
                }
                let Some(batches) = lot.batches(style, left, *free, service) else {
                    continue;
                };
                *free -= batches.green_g;
                left -= batches.gives();
                roast.batches.push(batches);
            }
            if left > 0 {
                roast.short.insert(style, left);
            }
        }
        roast
    }

    /// Whether bags are covered with a certainty.
    fn covers(&self, wanted: &Wanted, service: f64) -> bool {
        self.roast(wanted, service).short.is_empty()
    }

    /// How surely bags are covered.
    #[must_use]
    pub fn certainty(&self, wanted: &Wanted) -> f64 {
        let (mut low, mut high) = CERTAINTIES;
        if self.covers(wanted, high) {
            return high;
        }
        if !self.covers(wanted, low) {
            return 0.0;
        }
        for _ in 0..HALVINGS {
            let middle = f64::midpoint(low, high);
            if self.covers(wanted, middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    }

    /// The most bags that can be promised with a certainty, split between the styles as they are wanted. Each number that is answered has
    /// been roasted in charges that the roaster takes.
    #[must_use]
    pub fn most_bags(&self, wanted: &Wanted, service: f64) -> u64 {
        let covers = |bags: u64| self.covers(&wanted.scaled(bags), service);
        if wanted.bags.is_empty() {
            return 0;
        }
        most(covers)
    }

    /// Everything that is known of bags of this coffee.
    #[must_use]
    pub fn covered(&self, wanted: &Wanted, service: f64) -> Covered {
        let roast = self.roast(wanted, service);
        let others = self.roast(&wanted.scaled(0), service);
        let mut green_g = roast.green();
        for (lot, grams) in others.green() {
            *green_g.entry(lot).or_default() -= grams;
        }
        // Larger batches may need less of a lot than the others did alone.
        green_g.retain(|_, grams| *grams > 0);
        Covered {
            all: roast.short.is_empty(),
            certainty: self.certainty(wanted),
            most_bags: self.most_bags(wanted, service),
            roast,
            green_g,
        }
    }
}

impl Roast {
    /// Green by lot, grams.
    #[must_use]
    pub fn green(&self) -> BTreeMap<LotId, i64> {
        let mut green = BTreeMap::new();
        for batches in &self.batches {
            *green.entry(batches.lot).or_default() += batches.green_g;
        }
        green
    }
}

impl Batches {
    /// What they surely give, whole grams, down.
    #[must_use]
    pub fn gives(&self) -> i64 {
        let ten_thousandths = to_ten_thousandths(self.safe_yield);
        let grams = i128::from(self.green_g) * i128::from(ten_thousandths) / 10_000;
        i64::try_from(grams).unwrap_or(0)
    }
}

/// A coffee, and what each of several coffees and blends of a dispatch needs of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Shared {
    /// What there is of it; the dispatch is not promised before.
    pub supply: Supply,
    /// What each needs of it: as many bags of each at every coffee that it is made of.
    pub needs: BTreeMap<CoffeeId, Wanted>,
}

/// The most bags of several coffees and blends that can be promised together with a certainty, all raised or lowered alike. As in
/// [`Supply::most_bags`], what is answered has been roasted, all of it at once.
#[must_use]
pub fn most_together(coffees: &[Shared], service: f64) -> BTreeMap<CoffeeId, u64> {
    let needs = coffees.iter().flat_map(|of| &of.needs);
    let wanted: BTreeMap<CoffeeId, u64> = needs.map(|(id, of)| (*id, of.total())).collect();
    let total: u64 = wanted.values().sum();
    let part = |of: u64, bags: u64| {
        let exact = u128::from(of) * u128::from(bags) / u128::from(total.max(1));
        u64::try_from(exact).unwrap_or(u64::MAX)
    };
    let covers = |bags: u64| {
        coffees.iter().all(|coffee| {
            let needs = coffee.needs.values();
            let scaled: Vec<Wanted> = needs.map(|of| of.scaled(part(of.total(), bags))).collect();
            let roast = coffee.supply.roast_all(&scaled, service);
            roast.short.is_empty()
        })
    };
    let bags = if total == 0 { 0 } else { most(covers) };
    let of = wanted.into_iter();
    of.map(|(id, wanted)| (id, part(wanted, bags))).collect()
}

/// The most bags that are covered, none where not even none are.
fn most(covers: impl Fn(u64) -> bool) -> u64 {
    if !covers(0) {
        return 0;
    }
    let (mut low, mut high) = (0, 1);
    while high < MOST_BAGS && covers(high) {
        (low, high) = (high, high * 2);
    }
    while high - low > 1 {
        let middle = u64::midpoint(low, high);
        if covers(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// The least number from one to the most that does, where more always do when fewer do; none if the most does not.
fn fewest(most: u32, does: impl Fn(u32) -> bool) -> Option<u32> {
    if most == 0 || !does(most) {
        return None;
    }
    let (mut low, mut high) = (0, most);
    while high - low > 1 {
        let middle = u32::midpoint(low, high);
        if does(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Some(high)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::as_conversions,
    reason = "a yield to four decimals"
)]
fn to_ten_thousandths(fraction: f64) -> i64 {
    (fraction * 1e4).round() as i64
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    clippy::as_conversions,
    reason = "grams of a need, far below 2^52"
)]
fn green_for(need_g: i64, ten_thousandths: i64) -> i64 {
    (need_g as f64 * 1e4 / ten_thousandths.max(1) as f64).ceil() as i64
}

impl Green {
    /// Batches in a style for a need, of what is free; none where nothing can be roasted.
    fn batches(&self, style: StyleId, need_g: i64, free_g: i64, service: f64) -> Option<Batches> {
        let roasting = self
            .roastings
            .iter()
            .find(|roasting| roasting.style == style)?;
        let charges = roasting.charges;
        let (most_count, most_g) = charges.at_most(free_g);
        if most_g <= 0 {
            return None;
        }
        let safe = |count: u32| roasting.outlook.safe_yield(service, count.max(1));
        // The more the batches, the surer their yield and the less green they need: the fewest that do, and never more than take all the green.
        let green = |count: u32| green_for(need_g, to_ten_thousandths(safe(count)));
        let does = |count: u32| {
            let (needed, grams) = charges.at_least(green(count));
            needed <= count && grams <= most_g
        };
        let (count, green_g) = match fewest(most_count, does) {
            Some(count) => {
                let (_, grams) = charges.at_least(green(count));
                (count, grams.max(i64::from(count) * charges.least()))
            }
            None => (most_count, most_g),
        };
        Some(Batches {
            lot: self.lot,
            style,
            count,
            green_g,
            safe_yield: safe(count),
        })
    }
}
