//! An instance as dense tables for the search: ids become positions, masses of roasted coffee become units of 0.1 mg.
//!
//! Everything is sorted by id, so that the order in which a file lists its entries does not matter.

use std::collections::{BTreeMap, BTreeSet};

use super::instance::{Instance, Lot, Roaster, UNITS_PER_GRAM};
use super::rules::{limits_of, yield_of};

/// The weight of a coffee's oldest rank in L4; the next younger rank weighs one more, which is 5 %.
const RANK_BASE: i64 = 20;

/// An instance ready to be searched.
pub(super) struct Problem<'a> {
    /// The instance.
    pub instance: &'a Instance,
    /// Days of the plan.
    pub days: usize,
    /// `day[d]` is d, as the number that dates are compared with.
    pub day: Vec<i64>,
    /// The roasters, by id.
    pub roasters: Vec<&'a Roaster>,
    /// Roaster-days; roaster r on day d is `r * days + d`.
    pub slots: Vec<Slot>,
    /// Minutes of the crew per day, less the pinned batches.
    pub crew: Option<Vec<i64>>,
    /// The lots, by id.
    pub lots: Vec<Bin<'a>>,
    /// Families grouped by coffee.
    pub coffees: Vec<Coffee>,
    /// The families that want something.
    pub families: Vec<Family<'a>>,
    /// Weighted units of items that nothing can reach.
    pub hopeless_units: i64,
    /// Positions in the demand of the instance of those items.
    pub hopeless: Vec<usize>,
    /// Minutes of the pinned batches.
    pub pinned_minutes: i64,
}

/// A roaster on a day.
pub(super) struct Slot {
    /// The roaster's position.
    pub roaster: usize,
    /// The day.
    pub day: usize,
    /// Minutes there, all told.
    pub room: i64,
    /// Minutes of the start-up; 0 where the roaster is hot.
    pub startup: i64,
    /// Minutes that the pinned batches take, start-up included.
    pub pinned_minutes: i64,
    /// Number of pinned batches.
    pub pinned_batches: i64,
}

/// A lot of green.
pub(super) struct Bin<'a> {
    /// The lot.
    pub lot: &'a Lot,
    /// Green left after the pinned batches, grams.
    pub green: i64,
    /// Weight w in L4.
    pub weight: i64,
    /// Smallest legal charge of any roaster that can roast it.
    pub tail: i64,
    /// Largest rest that no plan can use.
    pub dust: i64,
    /// The coffee's position, if the coffee is wanted.
    pub coffee: Option<usize>,
}

impl Bin<'_> {
    /// Grams of `left` that are stranded (L3).
    pub(super) fn stranded(&self, left: i64) -> i64 {
        if self.dust < left && left < self.tail {
            left
        } else {
            0
        }
    }
}

/// Families and lots that share green.
pub(super) struct Coffee {
    /// Positions of its families.
    pub families: Vec<usize>,
    /// Positions of its lots.
    pub lots: Vec<usize>,
}

/// A coffee in a style, with everything that can serve it.
pub(super) struct Family<'a> {
    /// The coffee's position.
    pub coffee: usize,
    /// The style.
    pub style: &'a str,
    /// What is wanted, by last roasting day, then heaviest first.
    pub items: Vec<Want>,
    /// Places of the items in the order in which shortage spares them: heaviest first, then the earlier ship day.
    pub heaviest: Vec<usize>,
    /// The distinct first roasting days of the items, in order.
    pub froms: Vec<i64>,
    /// The distinct last roasting days of the items, in order.
    pub tos: Vec<i64>,
    /// Roasted stock and pinned output.
    pub fixed: Vec<Supply>,
    /// Lot and roaster pairs that can make it.
    pub ways: Vec<Way>,
    /// Minutes and units of the full batch that takes the fewest minutes per unit.
    pub quickest: Option<(i64, i64)>,
    /// Every item accepts every lot.
    pub open: bool,
    /// Slot and way of the pinned streams, whose change-over is paid.
    pub paid: Vec<(usize, usize)>,
}

/// An item that something can reach.
pub(super) struct Want {
    /// Position in the demand of the instance.
    pub item: usize,
    /// Mass q, units.
    pub units: i64,
    /// First roasting day e.
    pub from: i64,
    /// Last roasting day f.
    pub to: i64,
    /// Place of the first roasting day among those of the family's items.
    pub from_at: usize,
    /// Place of the last one.
    pub to_at: usize,
    /// Ship day h.
    pub ship: i64,
    /// Weight p.
    pub priority: i64,
    /// Which lots of the coffee will do, by their place in it.
    pub lots: Vec<bool>,
}

/// Roasted coffee from one day and lot.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Supply {
    /// Roasting day.
    pub day: i64,
    /// The lot's place in its coffee.
    pub place: usize,
    /// Mass, units.
    pub units: i64,
}

/// A lot on a roaster, for one style.
pub(super) struct Way {
    /// The roaster's position.
    pub roaster: usize,
    /// The lot's position.
    pub lot: usize,
    /// The lot's place in its coffee.
    pub place: usize,
    /// Units roasted per gram of green.
    pub rate: i64,
    /// Smallest legal charge m', grams.
    pub least: i64,
    /// Largest legal charge M', grams.
    pub most: i64,
    /// Charge step s, grams.
    pub step: i64,
    /// Minutes tau of a batch.
    pub cycle: i64,
    /// Minutes kappa of a change-over.
    pub change: i64,
    /// First day on which the lot is there.
    pub from: usize,
}

impl Want {
    /// May roasted coffee of this day and lot serve the item?
    pub(super) fn accepts(&self, day: i64, place: usize) -> bool {
        self.from <= day && day <= self.to && self.lots[place]
    }
}

impl Family<'_> {
    /// Sets the items and what follows from them.
    fn take(&mut self, items: Vec<Want>) {
        self.items = items;
        self.open = self.items.iter().all(|w| w.lots.iter().all(|yes| *yes));
        self.heaviest = (0..self.items.len()).collect();
        let items = &self.items;
        let spared = |j: &usize| (-items[*j].priority, items[*j].ship, *j);
        self.heaviest.sort_by_key(spared);
        self.froms = distinct(self.items.iter().map(|w| w.from));
        self.tos = distinct(self.items.iter().map(|w| w.to));
        for w in &mut self.items {
            w.from_at = self.froms.partition_point(|from| *from < w.from);
            w.to_at = self.tos.partition_point(|to| *to < w.to);
        }
    }
}

fn distinct(days: impl Iterator<Item = i64>) -> Vec<i64> {
    let days: BTreeSet<i64> = days.collect();
    days.into_iter().collect()
}

impl<'a> Problem<'a> {
    /// The tables of an instance.
    pub(super) fn new(instance: &'a Instance) -> Self {
        let mut roasters: Vec<&Roaster> = instance.roasters.iter().collect();
        roasters.sort_by(|a, b| a.id.cmp(&b.id));
        let day: Vec<i64> = (0..instance.days).collect();
        let mut problem = Problem {
            instance,
            days: day.len(),
            slots: slots(&roasters, day.len()),
            day,
            roasters,
            crew: instance.crew_min.clone(),
            lots: Vec::new(),
            coffees: Vec::new(),
            families: Vec::new(),
            hopeless_units: 0,
            hopeless: Vec::new(),
            pinned_minutes: 0,
        };
        problem.lots();
        problem.families();
        problem.pin();
        problem.drop_hopeless();
        problem
    }

    /// The first and last day of the plan on which a batch may serve the item.
    pub(super) fn plan_days(&self, want: &Want) -> std::ops::Range<usize> {
        let first = usize::try_from(want.from.max(0)).unwrap_or(self.days);
        let end = usize::try_from(want.to + 1).unwrap_or(0).min(self.days);
        first.min(end)..end
    }

    /// The slot of a roaster on a day.
    pub(super) fn slot(&self, roaster: usize, day: usize) -> usize {
        roaster * self.days + day
    }

    fn lots(&mut self) {
        let mut lots: Vec<&Lot> = self.instance.lots.iter().collect();
        lots.sort_by(|a, b| a.id.cmp(&b.id));
        let mut ranks: BTreeMap<&str, BTreeSet<i64>> = BTreeMap::new();
        for lot in &lots {
            ranks.entry(&lot.coffee).or_default().insert(lot.rank);
        }
        for lot in lots {
            let able: Vec<&Roaster> = self
                .roasters
                .iter()
                .copied()
                .filter(|r| {
                    lot.yields
                        .iter()
                        .any(|y| yield_of(lot, r, &y.style).is_some())
                })
                .collect();
            let older = ranks[lot.coffee.as_str()].range(..lot.rank).count();
            self.lots.push(Bin {
                lot,
                green: lot.available_g,
                weight: RANK_BASE + i64::try_from(older).unwrap_or(0),
                tail: able
                    .iter()
                    .map(|r| legal_charges(lot, r))
                    .filter(|(l, m)| l <= m)
                    .map(|(l, _)| l)
                    .min()
                    .unwrap_or(0),
                dust: able.iter().map(|r| r.charge_step_g).min().unwrap_or(1) - 1,
                coffee: None,
            });
        }
    }

    fn families(&mut self) {
        let mut wanted: BTreeMap<(&'a str, &'a str), Vec<usize>> = BTreeMap::new();
        for (n, j) in self.instance.demand.iter().enumerate() {
            if j.roasted_g > 0 {
                wanted.entry((&j.coffee, &j.style)).or_default().push(n);
            }
        }
        let mut last = None;
        for ((coffee, style), items) in wanted {
            if last != Some(coffee) {
                last = Some(coffee);
                self.coffee(coffee);
            }
            let here = self.coffees.len() - 1;
            let family = self.family(here, style, &items);
            self.coffees[here].families.push(self.families.len());
            self.families.push(family);
        }
    }

    fn coffee(&mut self, coffee: &str) {
        let here = self.coffees.len();
        let lots: Vec<usize> = (0..self.lots.len())
            .filter(|l| self.lots[*l].lot.coffee == coffee)
            .collect();
        for l in &lots {
            self.lots[*l].coffee = Some(here);
        }
        self.coffees.push(Coffee {
            families: Vec::new(),
            lots,
        });
    }

    fn family(&self, coffee: usize, style: &'a str, items: &[usize]) -> Family<'a> {
        let places = &self.coffees[coffee].lots;
        let mut wants: Vec<Want> = items.iter().map(|n| self.want(*n, places)).collect();
        wants.sort_by(|a, b| {
            let id = |w: &Want| &self.instance.demand[w.item].id;
            (a.to, -a.priority, a.ship, id(a)).cmp(&(b.to, -b.priority, b.ship, id(b)))
        });
        let stock = self
            .instance
            .roasted_stock
            .iter()
            .filter(|s| s.style == style && s.mass_g > 0);
        let fixed = stock.filter_map(|s| {
            let place = places.iter().position(|l| self.lots[*l].lot.id == s.lot)?;
            Some(Supply {
                day: s.roasted_day,
                place,
                units: s.mass_g * UNITS_PER_GRAM,
            })
        });
        let ways = self.ways(places, style);
        let batch = |w: &Way| (w.cycle, w.most * w.rate);
        let quicker = |a: &(i64, i64), b: &(i64, i64)| {
            (i128::from(a.0) * i128::from(b.1)).cmp(&(i128::from(b.0) * i128::from(a.1)))
        };
        Family {
            coffee,
            style,
            items: wants,
            heaviest: Vec::new(),
            froms: Vec::new(),
            tos: Vec::new(),
            fixed: fixed.collect(),
            quickest: ways.iter().map(batch).min_by(quicker),
            ways,
            open: true,
            paid: Vec::new(),
        }
    }

    fn want(&self, item: usize, places: &[usize]) -> Want {
        let j = &self.instance.demand[item];
        let accepts = |l: &usize| {
            j.lots
                .as_ref()
                .is_none_or(|only| only.contains(&self.lots[*l].lot.id))
        };
        Want {
            item,
            units: j.roasted_g * UNITS_PER_GRAM,
            from: j.roast_from_day,
            to: j.roast_to_day,
            from_at: 0,
            to_at: 0,
            ship: j.ship_day,
            priority: j.priority,
            lots: places.iter().map(accepts).collect(),
        }
    }

    fn ways(&self, places: &[usize], style: &str) -> Vec<Way> {
        let mut ways = Vec::new();
        for (place, l) in places.iter().enumerate() {
            let lot = self.lots[*l].lot;
            for (n, r) in self.roasters.iter().enumerate() {
                let Some(y) = yield_of(lot, r, style) else {
                    continue;
                };
                let (least, most) = legal_charges(lot, r);
                let Ok(from) = usize::try_from(lot.available_from_day) else {
                    continue;
                };
                if least <= most {
                    ways.push(Way {
                        roaster: n,
                        lot: *l,
                        place,
                        rate: y.ten_thousandths(),
                        least,
                        most,
                        step: r.charge_step_g,
                        cycle: r.cycle_min,
                        change: r.changeover_min,
                        from,
                    });
                }
            }
        }
        ways
    }

    /// Takes the pinned batches' green and minutes and counts their output as supply.
    fn pin(&mut self) {
        let mut seen = BTreeSet::new();
        for b in &self.instance.pinned {
            let (Some(r), Some(l)) = (
                self.roasters.iter().position(|r| r.id == b.roaster),
                self.lots.iter().position(|l| l.lot.id == b.lot),
            ) else {
                continue;
            };
            let Some(day) = self.day.iter().position(|d| *d == b.day) else {
                continue;
            };
            let slot = self.slot(r, day);
            let roaster = self.roasters[r];
            let mut minutes = roaster.cycle_min;
            if seen.insert((slot, l, &b.style)) {
                minutes += roaster.changeover_min;
            }
            let there = &mut self.slots[slot];
            if there.pinned_batches == 0 {
                minutes += there.startup;
            }
            there.pinned_batches += 1;
            there.pinned_minutes += minutes;
            self.pinned_minutes += minutes;
            if let Some(crew) = &mut self.crew {
                crew[day] -= minutes;
            }
            self.lots[l].green -= b.charge_g;
            self.pinned_output(slot, l, &b.style, b.charge_g);
        }
    }

    fn pinned_output(&mut self, slot: usize, lot: usize, style: &str, charge_g: i64) {
        let Some(coffee) = self.lots[lot].coffee else {
            return;
        };
        let Some(f) = self.coffees[coffee]
            .families
            .iter()
            .copied()
            .find(|f| self.families[*f].style == style)
        else {
            return;
        };
        let (roaster, day) = (self.slots[slot].roaster, self.day[self.slots[slot].day]);
        let family = &mut self.families[f];
        let Some(way) = family
            .ways
            .iter()
            .position(|w| w.roaster == roaster && w.lot == lot)
        else {
            return;
        };
        let supply = Supply {
            day,
            place: family.ways[way].place,
            units: charge_g * family.ways[way].rate,
        };
        family.fixed.push(supply);
        if !family.paid.contains(&(slot, way)) {
            family.paid.push((slot, way));
        }
    }

    /// Sets apart the items that no stock, pinned batch or stream can reach: they are short whatever is done.
    fn drop_hopeless(&mut self) {
        for f in 0..self.families.len() {
            let wants = std::mem::take(&mut self.families[f].items);
            let (reached, hopeless): (Vec<Want>, Vec<Want>) = wants
                .into_iter()
                .partition(|w| self.reached(&self.families[f], w));
            self.families[f].take(reached);
            for w in hopeless {
                self.hopeless_units += w.priority * w.units;
                self.hopeless.push(w.item);
            }
        }
        for family in &mut self.families {
            family.fixed = merged(&family.fixed);
        }
        self.hopeless.sort_unstable();
    }

    fn reached(&self, family: &Family, want: &Want) -> bool {
        family.fixed.iter().any(|s| want.accepts(s.day, s.place))
            || family.ways.iter().any(|w| self.way_reaches(w, want))
    }

    /// Can a batch of this way serve the item on some day, if nothing else but the pinned batches runs?
    pub(super) fn way_reaches(&self, way: &Way, want: &Want) -> bool {
        want.lots[way.place]
            && self.lots[way.lot].green >= way.least
            && self.plan_days(want).any(|d| self.way_runs(way, d))
    }

    /// Has the day room for a batch of this way beside the pinned batches?
    pub(super) fn way_runs(&self, way: &Way, day: usize) -> bool {
        let slot = &self.slots[self.slot(way.roaster, day)];
        let start = if slot.pinned_batches > 0 {
            0
        } else {
            slot.startup
        };
        // The change-over may be paid by a pinned batch of the same stream: without it the test stays valid as "may be".
        let minutes = start
            + way.cycle
            + if slot.pinned_batches > 0 {
                0
            } else {
                way.change
            };
        day >= way.from
            && slot.pinned_minutes + minutes <= slot.room
            && self.crew.as_ref().is_none_or(|c| minutes <= c[day])
    }
}

fn slots(roasters: &[&Roaster], days: usize) -> Vec<Slot> {
    let mut slots = Vec::with_capacity(roasters.len() * days);
    for (n, r) in roasters.iter().enumerate() {
        for (day, room) in r.available_min.iter().enumerate() {
            let hot = r.hot_days.iter().any(|h| usize::try_from(*h) == Ok(day));
            let startup = if hot { 0 } else { r.startup_min };
            slots.push(Slot {
                roaster: n,
                day,
                room: *room,
                startup,
                pinned_minutes: 0,
                pinned_batches: 0,
            });
        }
    }
    slots
}

/// The smallest and largest legal charge m', M' of a lot on a roaster, grams.
fn legal_charges(lot: &Lot, roaster: &Roaster) -> (i64, i64) {
    let (m, most) = limits_of(lot, roaster);
    let s = roaster.charge_step_g;
    ((m + s - 1) / s * s, most / s * s)
}

/// Supplies of the same day and lot put together, by day and place.
pub(super) fn merged(supplies: &[Supply]) -> Vec<Supply> {
    let mut sorted = supplies.to_vec();
    sorted.sort_unstable();
    let mut out: Vec<Supply> = Vec::with_capacity(sorted.len());
    for s in sorted {
        match out.last_mut() {
            Some(last) if last.day == s.day && last.place == s.place => last.units += s.units,
            _ => out.push(s),
        }
    }
    out
}
