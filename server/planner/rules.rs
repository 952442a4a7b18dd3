//! The rules that a draft must keep to be an instance (the limits below, and model sections 1 to 3 for pinned batches).

use std::collections::{BTreeMap, BTreeSet};

use super::instance::{Batch, Draft, Fault, Item, Lot, Roaster, UNITS_PER_GRAM, Yield};
use super::reader::MOST_FAULTS;

/// Minutes of a roaster's day, and its streams.
type Slot<'a> = (i64, BTreeSet<(&'a str, &'a str)>);

/// Longest plan, days.
const MOST_DAYS: i64 = 1_000;
/// Heaviest single mass, grams: a thousand tonnes.
const MOST_GRAMS: i64 = 1_000_000_000;
/// Longest single time, minutes.
const MOST_MINUTES: i64 = 100_000;
/// Farthest day from the first day of the plan.
const FARTHEST_DAY: i64 = 10_000;
/// Heaviest weight of a missing gram.
const MOST_PRIORITY: i64 = 1_000_000;
/// Longest id or name, characters.
const LONGEST_TEXT: usize = 200;
/// The largest sum that the levels may reach, so that every one of them is exact in 64 bits.
const MOST_SUM: i128 = 1 << 60;

/// Everything that is wrong with the draft.
pub(super) fn faults(draft: &Draft) -> Vec<Fault> {
    let mut rules = Rules {
        draft,
        faults: Vec::new(),
    };
    rules.range("/days", draft.days, 1, MOST_DAYS);
    rules.text("/name", &draft.name, true);
    rules.roasters();
    rules.lots();
    rules.demand();
    rules.stock();
    rules.crew();
    if rules.faults.is_empty() {
        rules.sums();
        rules.pinned();
    }
    rules.faults
}

struct Rules<'a> {
    draft: &'a Draft,
    faults: Vec<Fault>,
}

impl<'a> Rules<'a> {
    fn fault(&mut self, pointer: impl Into<String>, message: impl Into<String>) {
        if self.faults.len() < MOST_FAULTS {
            self.faults.push(Fault {
                pointer: pointer.into(),
                message: message.into(),
            });
        }
    }

    fn range(&mut self, pointer: impl Into<String>, value: i64, low: i64, high: i64) {
        if value < low || value > high {
            self.fault(pointer, format!("{value} is outside {low}..{high}"));
        }
    }

    fn text(&mut self, pointer: impl Into<String>, value: &str, may_be_empty: bool) {
        let pointer = pointer.into();
        if value.is_empty() && !may_be_empty {
            self.fault(pointer, "is empty: give a text");
        } else if value.chars().count() > LONGEST_TEXT {
            self.fault(
                pointer,
                format!("is too long: at most {LONGEST_TEXT} characters"),
            );
        } else if value.chars().any(char::is_control) {
            self.fault(
                pointer,
                "contains a control character: use printed characters only",
            );
        }
    }

    /// Checks the ids of a list: given, printable, each once.
    fn ids(&mut self, list: &str, ids: impl Iterator<Item = &'a str>) {
        let mut first: BTreeMap<&str, usize> = BTreeMap::new();
        for (n, id) in ids.enumerate() {
            self.text(format!("/{list}/{n}/id"), id, false);
            if let Some(earlier) = first.insert(id, n) {
                self.fault(
                    format!("/{list}/{n}/id"),
                    format!("{id:?} is also /{list}/{earlier}: each id may stand once"),
                );
            }
        }
    }

    /// Checks texts that must differ from each other.
    fn distinct(&mut self, pointer: &str, texts: &[String]) {
        for (n, t) in texts.iter().enumerate() {
            self.text(format!("{pointer}/{n}"), t, false);
            if texts[..n].contains(t) {
                self.fault(
                    format!("{pointer}/{n}"),
                    format!("{t:?} stands here twice: name it once"),
                );
            }
        }
    }

    fn minutes_per_day(&mut self, pointer: &str, minutes: &[i64]) {
        if i64::try_from(minutes.len()) != Ok(self.draft.days) {
            self.fault(
                pointer,
                format!(
                    "has {} entries: give one per day, {}",
                    minutes.len(),
                    self.draft.days
                ),
            );
        }
        for (d, m) in minutes.iter().enumerate() {
            self.range(format!("{pointer}/{d}"), *m, 0, MOST_MINUTES);
        }
    }

    fn roasters(&mut self) {
        let roasters = &self.draft.roasters;
        self.ids("roasters", roasters.iter().map(|r| r.id.as_str()));
        for (n, r) in roasters.iter().enumerate() {
            let at = format!("/roasters/{n}");
            self.charges(&at, r.min_charge_g, r.max_charge_g, r.charge_step_g);
            self.range(format!("{at}/cycle_min"), r.cycle_min, 1, MOST_MINUTES);
            self.range(
                format!("{at}/changeover_min"),
                r.changeover_min,
                0,
                MOST_MINUTES,
            );
            self.range(format!("{at}/startup_min"), r.startup_min, 0, MOST_MINUTES);
            self.minutes_per_day(&format!("{at}/available_min"), &r.available_min);
            if let Some(styles) = &r.styles {
                self.distinct(&format!("{at}/styles"), styles);
            }
            for (m, d) in r.hot_days.iter().enumerate() {
                self.range(format!("{at}/hot_days/{m}"), *d, 0, self.draft.days - 1);
                if r.hot_days[..m].contains(d) {
                    self.fault(
                        format!("{at}/hot_days/{m}"),
                        format!("day {d} stands here twice: name it once"),
                    );
                }
            }
        }
    }

    /// Checks charge limits and that a multiple of the step lies between them.
    fn charges(&mut self, at: &str, min_g: i64, max_g: i64, step_g: i64) {
        let before = self.faults.len();
        self.range(format!("{at}/charge_step_g"), step_g, 1, MOST_GRAMS);
        self.range(format!("{at}/min_charge_g"), min_g, 1, MOST_GRAMS);
        self.range(format!("{at}/max_charge_g"), max_g, 1, MOST_GRAMS);
        if self.faults.len() == before && !has_multiple(min_g, max_g, step_g) {
            self.fault(
                format!("{at}/max_charge_g"),
                format!("no multiple of {step_g} g lies in {min_g}..{max_g} g: widen the limits or make the step smaller"),
            );
        }
    }

    fn lots(&mut self) {
        let lots = &self.draft.lots;
        self.ids("lots", lots.iter().map(|l| l.id.as_str()));
        for (n, l) in lots.iter().enumerate() {
            let at = format!("/lots/{n}");
            self.text(format!("{at}/coffee"), &l.coffee, false);
            if let Some(grade) = &l.grade {
                self.text(format!("{at}/grade"), grade, true);
            }
            self.range(format!("{at}/available_g"), l.available_g, 0, MOST_GRAMS);
            self.range(
                format!("{at}/available_from_day"),
                l.available_from_day,
                0,
                FARTHEST_DAY,
            );
            self.range(format!("{at}/rank"), l.rank, -MOST_GRAMS, MOST_GRAMS);
            self.yields(&at, l);
            self.charge_limits(&at, l);
        }
    }

    fn yields(&mut self, at: &str, lot: &Lot) {
        let mut seen = BTreeSet::new();
        for (n, y) in lot.yields.iter().enumerate() {
            self.text(format!("{at}/yields/{n}/style"), &y.style, false);
            if let Some(id) = &y.roaster {
                self.known_roaster(format!("{at}/yields/{n}/roaster"), id);
            }
            if !seen.insert((&y.style, &y.roaster)) {
                self.fault(
                    format!("{at}/yields/{n}"),
                    format!("style {:?} has two yields here: give one", y.style),
                );
            }
        }
    }

    fn charge_limits(&mut self, at: &str, lot: &Lot) {
        for (n, c) in lot.charge_limits.iter().enumerate() {
            let here = format!("{at}/charge_limits/{n}");
            if lot.charge_limits[..n]
                .iter()
                .any(|o| o.roaster == c.roaster)
            {
                self.fault(
                    format!("{here}/roaster"),
                    format!("{:?} has two limits here: give one", c.roaster),
                );
            }
            let Some(r) = self.known_roaster(format!("{here}/roaster"), &c.roaster) else {
                continue;
            };
            if c.min_charge_g < r.min_charge_g || c.max_charge_g > r.max_charge_g {
                self.fault(
                    here,
                    format!(
                        "{}..{} g is wider than the roaster's own {}..{} g: stay inside it",
                        c.min_charge_g, c.max_charge_g, r.min_charge_g, r.max_charge_g
                    ),
                );
            } else if r.charge_step_g >= 1
                && !has_multiple(c.min_charge_g, c.max_charge_g, r.charge_step_g)
            {
                self.fault(
                    here,
                    format!(
                        "no multiple of {} g lies in {}..{} g: widen the limits",
                        r.charge_step_g, c.min_charge_g, c.max_charge_g
                    ),
                );
            }
        }
    }

    fn known_roaster(&mut self, pointer: String, id: &str) -> Option<&'a Roaster> {
        let found = self.draft.roasters.iter().find(|r| r.id == id);
        if found.is_none() {
            self.fault(pointer, format!("no roaster has the id {id:?}"));
        }
        found
    }

    fn known_lot(
        &mut self,
        pointer: String,
        id: &str,
        lots: &BTreeMap<&str, &'a Lot>,
    ) -> Option<&'a Lot> {
        let found = lots.get(id).copied();
        if found.is_none() {
            self.fault(pointer, format!("no lot has the id {id:?}"));
        }
        found
    }

    fn demand(&mut self) {
        let draft = self.draft;
        self.ids("demand", draft.demand.iter().map(|j| j.id.as_str()));
        let lots = lots_by_id(draft);
        for (n, j) in draft.demand.iter().enumerate() {
            let at = format!("/demand/{n}");
            self.text(format!("{at}/coffee"), &j.coffee, false);
            self.text(format!("{at}/style"), &j.style, false);
            self.range(format!("{at}/roasted_g"), j.roasted_g, 0, MOST_GRAMS);
            self.range(format!("{at}/priority"), j.priority, 1, MOST_PRIORITY);
            self.window(&at, j);
            self.accepted_lots(&at, j, &lots);
        }
    }

    fn window(&mut self, at: &str, j: &Item) {
        self.range(
            format!("{at}/ship_day"),
            j.ship_day,
            -FARTHEST_DAY,
            FARTHEST_DAY,
        );
        self.range(
            format!("{at}/roast_from_day"),
            j.roast_from_day,
            -FARTHEST_DAY,
            FARTHEST_DAY,
        );
        self.range(
            format!("{at}/roast_to_day"),
            j.roast_to_day,
            -FARTHEST_DAY,
            FARTHEST_DAY,
        );
        if j.roast_from_day > j.roast_to_day {
            self.fault(
                format!("{at}/roast_from_day"),
                format!("the window begins on day {} and ends on day {}: the first day must not be later than the last", j.roast_from_day, j.roast_to_day),
            );
        }
        if j.roast_to_day > j.ship_day {
            self.fault(
                format!("{at}/roast_to_day"),
                format!(
                    "day {} is after the ship day {}: roast by the ship day",
                    j.roast_to_day, j.ship_day
                ),
            );
        }
    }

    fn accepted_lots(&mut self, at: &str, j: &Item, lots: &BTreeMap<&str, &'a Lot>) {
        let Some(accepted) = &j.lots else { return };
        if accepted.is_empty() {
            self.fault(format!("{at}/lots"), "accepts no lot: name a lot, or leave the field out to accept every lot of the coffee");
        }
        self.distinct(&format!("{at}/lots"), accepted);
        for (m, id) in accepted.iter().enumerate() {
            let pointer = format!("{at}/lots/{m}");
            if let Some(l) = self.known_lot(pointer.clone(), id, lots)
                && l.coffee != j.coffee
            {
                self.fault(
                    pointer,
                    format!(
                        "lot {id:?} is {:?}, the item wants {:?}",
                        l.coffee, j.coffee
                    ),
                );
            }
        }
    }

    fn stock(&mut self) {
        let draft = self.draft;
        self.ids(
            "roasted_stock",
            draft.roasted_stock.iter().map(|s| s.id.as_str()),
        );
        let lots = lots_by_id(draft);
        for (n, s) in draft.roasted_stock.iter().enumerate() {
            let at = format!("/roasted_stock/{n}");
            self.known_lot(format!("{at}/lot"), &s.lot, &lots);
            self.text(format!("{at}/style"), &s.style, false);
            self.range(
                format!("{at}/roasted_day"),
                s.roasted_day,
                -FARTHEST_DAY,
                FARTHEST_DAY,
            );
            self.range(format!("{at}/mass_g"), s.mass_g, 0, MOST_GRAMS);
        }
    }

    fn crew(&mut self) {
        if let Some(crew) = &self.draft.crew_min {
            self.minutes_per_day("/crew_min", crew);
        }
    }

    /// The levels must stay exact in 64 bits.
    fn sums(&mut self) {
        let units = i128::from(UNITS_PER_GRAM);
        let weighted: i128 = self
            .draft
            .demand
            .iter()
            .map(|j| i128::from(j.roasted_g) * i128::from(j.priority) * units)
            .sum();
        let aged: i128 = self
            .draft
            .demand
            .iter()
            .map(|j| i128::from(j.roasted_g) * i128::from(2 * FARTHEST_DAY) * units)
            .sum();
        let heavier = if weighted > MOST_SUM {
            Some("priorities")
        } else {
            (aged > MOST_SUM).then_some("masses")
        };
        if let Some(what) = heavier {
            self.fault(
                "/demand",
                format!(
                    "the demand sums to more than can be counted exactly: make the {what} smaller"
                ),
            );
        }
        let green: i128 = self
            .draft
            .lots
            .iter()
            .map(|l| i128::from(l.available_g))
            .sum();
        let ranks = i128::try_from(self.draft.lots.len()).unwrap_or(MOST_SUM) + 20;
        if green * ranks > MOST_SUM {
            self.fault(
                "/lots",
                "the green sums to more than can be counted exactly: make the masses smaller",
            );
        }
    }

    fn pinned(&mut self) {
        let draft = self.draft;
        let lots = lots_by_id(draft);
        for (n, b) in draft.pinned.iter().enumerate() {
            let at = format!("/pinned/{n}");
            let lot = self.known_lot(format!("{at}/lot"), &b.lot, &lots);
            let roaster = self.known_roaster(format!("{at}/roaster"), &b.roaster);
            if let (Some(l), Some(r)) = (lot, roaster) {
                self.pinned_batch(&at, b, l, r);
            }
        }
        if self.faults.is_empty() {
            self.pinned_green(&lots);
            self.pinned_minutes();
        }
    }

    fn pinned_batch(&mut self, at: &str, b: &Batch, l: &Lot, r: &Roaster) {
        self.range(format!("{at}/day"), b.day, 0, self.draft.days - 1);
        if b.day < l.available_from_day {
            self.fault(
                format!("{at}/day"),
                format!("lot {:?} arrives on day {}", l.id, l.available_from_day),
            );
        }
        if yield_of(l, r, &b.style).is_none() {
            self.fault(
                format!("{at}/style"),
                format!(
                    "roaster {:?} may not roast {:?}, or lot {:?} has no yield for it",
                    r.id, b.style, l.id
                ),
            );
        }
        let (low, high) = limits_of(l, r);
        if b.charge_g < low || b.charge_g > high || b.charge_g % r.charge_step_g != 0 {
            self.fault(
                format!("{at}/charge_g"),
                format!(
                    "{} g is no legal charge: give a multiple of {} g in {low}..{high} g",
                    b.charge_g, r.charge_step_g
                ),
            );
        }
    }

    fn pinned_green(&mut self, lots: &BTreeMap<&str, &Lot>) {
        let mut used: BTreeMap<&str, i64> = BTreeMap::new();
        for (n, b) in self.draft.pinned.iter().enumerate() {
            let sum = used.entry(&b.lot).or_default();
            *sum += b.charge_g;
            let there = lots.get(b.lot.as_str()).map_or(0, |l| l.available_g);
            if *sum > there {
                let message = format!(
                    "with this batch the pinned batches need {sum} g of lot {:?}, {there} g are available: drop a pin",
                    b.lot
                );
                self.fault(format!("/pinned/{n}/charge_g"), message);
            }
        }
    }

    fn pinned_minutes(&mut self) {
        let mut slots: BTreeMap<(&str, i64), Slot<'_>> = BTreeMap::new();
        let mut crew: BTreeMap<i64, i64> = BTreeMap::new();
        let draft = self.draft;
        for (n, b) in draft.pinned.iter().enumerate() {
            let Some(r) = draft.roasters.iter().find(|r| r.id == b.roaster) else {
                continue;
            };
            let (minutes, streams) = slots.entry((&b.roaster, b.day)).or_default();
            let mut more = r.cycle_min;
            if streams.is_empty() && !r.hot_days.contains(&b.day) {
                more += r.startup_min;
            }
            if streams.insert((&b.lot, &b.style)) {
                more += r.changeover_min;
            }
            *minutes += more;
            let minutes = *minutes;
            let day = usize::try_from(b.day).unwrap_or(0);
            if minutes > r.available_min[day] {
                self.fault(
                    format!("/pinned/{n}"),
                    format!("with this batch the pinned batches need {minutes} min of {:?} on day {}, {} min are available: drop a pin", b.roaster, b.day, r.available_min[day]),
                );
            }
            let all = crew.entry(b.day).or_default();
            *all += more;
            if let Some(limit) = draft.crew_min.as_ref().map(|c| c[day])
                && *all > limit
            {
                let message = format!(
                    "with this batch the pinned batches need {all} min of the crew on day {}, {limit} min are available: drop a pin",
                    b.day
                );
                self.fault(format!("/pinned/{n}"), message);
            }
        }
    }
}

fn lots_by_id(draft: &Draft) -> BTreeMap<&str, &Lot> {
    draft.lots.iter().map(|l| (l.id.as_str(), l)).collect()
}

fn has_multiple(min_g: i64, max_g: i64, step_g: i64) -> bool {
    max_g >= min_g && max_g / step_g * step_g >= min_g
}

/// Charge limits `m[r,l]..M[r,l]` of a lot on a roaster, grams.
pub(super) fn limits_of(lot: &Lot, roaster: &Roaster) -> (i64, i64) {
    let own = lot.charge_limits.iter().find(|c| c.roaster == roaster.id);
    own.map_or((roaster.min_charge_g, roaster.max_charge_g), |c| {
        (c.min_charge_g, c.max_charge_g)
    })
}

/// Planning yield `y[r,l,k]`; `None` where the roaster may not roast the style or the lot has no yield for it.
pub(super) fn yield_of(lot: &Lot, roaster: &Roaster, style: &str) -> Option<Yield> {
    if roaster
        .styles
        .as_ref()
        .is_some_and(|styles| !styles.iter().any(|s| s == style))
    {
        return None;
    }
    let lines = || lot.yields.iter().filter(|y| y.style == style);
    let own = lines().find(|y| y.roaster.as_deref() == Some(&roaster.id));
    own.or_else(|| lines().find(|y| y.roaster.is_none()))
        .map(|y| y.fraction)
}
