//! Greedy first, then ruin and recreate: take some families out, build them again in another order, keep what is better,
//! now and then what is a little longer. Which roaster-days run at all decides most of the minutes, so excursions close
//! one or count one as lit for a while and come back only if that did not pay. At the end the same with polishing, for
//! the levels after the minutes.

use super::bounds;
use super::build::{self, Builder, Shake};
use super::exact;
use super::plan::{Effort, Levels, Options};
use super::polish;
use super::problem::Problem;
use super::random::Random;
use super::shake;
use super::state::{FamilyPlan, Run, State};

/// Ruin-and-recreate steps between two excursions.
const STEPS_BETWEEN: usize = 40;
/// Steps of an excursion.
const EXCURSION: usize = 60;
/// Shakes of a short coffee after each fine step.
const SHAKES: usize = 4;
/// Largest relative excess of minutes that a warm search accepts, in thousandths.
const WARMTH: i64 = 12;

/// How often the search cools down from full warmth, each time from where it stands.
const COOLINGS: u64 = 2;

/// With so few streams, trying every plan is worth an attempt.
const FEW_STREAMS: usize = 16;
/// Work units of the usual search by number of streams, in proportion between them: measured so that an instance of each
/// size keeps its time with some to spare (tests/bench/planner.rs). A unit is about 0.08 microseconds.
const EFFORTS: [(u64, u64); 8] = [
    (0, 60_000),
    (100, 80_000),
    (290, 105_000),
    (420, 700_000),
    (600, 950_000),
    (900, 1_080_000),
    (1_400, 3_600_000),
    (7_000, 20_000_000),
];
/// Work units that the largest instance gets.
const MOST_EFFORT: u64 = 60_000_000;
/// Work units that a hard instance gets that is smaller than an ordinary week.
const HARD_EFFORT: u64 = 1_500_000;
/// Streams of an ordinary week.
const WEEK: u64 = 500;
/// Work units that find a first plan at least.
const FIRST_EFFORT: u64 = 10_000;

/// What a search ends with.
pub(super) struct Found<'p> {
    /// The best plan found.
    pub state: State<'p>,
    /// The search was stopped from outside.
    pub stopped: bool,
    /// Every plan was tried.
    pub exhausted: bool,
}

/// Searches as long as the options say.
pub(super) fn best<'p>(problem: &'p Problem<'p>, options: &Options) -> Found<'p> {
    let mut search = Search::new(problem, options);
    let small = problem
        .families
        .iter()
        .map(|f| f.ways.len() * problem.days)
        .sum::<usize>()
        <= FEW_STREAMS;
    if small
        && options.effort == Effort::Full
        && let Some(plans) = exact::best(&mut State::new(problem))
    {
        load(&mut search.state, &plans);
        return Found {
            state: search.state,
            stopped: false,
            exhausted: true,
        };
    }
    if !problem.families.is_empty() {
        search.coarse(search.budget * coarse_part(&search.state) / 10);
        search.fine(search.budget);
    }
    let best = std::mem::take(&mut search.best);
    load(&mut search.state, &best);
    Found {
        state: search.state,
        stopped: search.stopped,
        exhausted: false,
    }
}

struct Search<'p, 'o> {
    state: State<'p>,
    random: Random,
    builder: Builder,
    options: &'o Options<'o>,
    budget: u64,
    stopped: bool,
    best: Vec<FamilyPlan>,
    best_levels: Levels,
    chosen: Vec<usize>,
    saved: Vec<FamilyPlan>,
}

fn load(state: &mut State, families: &[FamilyPlan]) {
    for (f, plan) in families.iter().enumerate() {
        if state.families[f] != *plan {
            state.clear(f);
        }
    }
    for (f, plan) in families.iter().enumerate() {
        if state.families[f] != *plan {
            state.restore(f, plan);
        }
    }
}

/// Work units to spend.
fn budget(problem: &Problem, effort: Effort, hard: bool) -> u64 {
    let streams = problem.families.iter().map(|f| f.ways.len() * problem.days);
    let streams = u64::try_from(streams.sum::<usize>()).unwrap_or(u64::MAX);
    let mut full = usual_effort(streams).min(MOST_EFFORT);
    if hard && streams < WEEK {
        full = full.max(HARD_EFFORT.min(5_000 * streams));
    }
    match effort {
        Effort::First => (full / 10).max(FIRST_EFFORT),
        Effort::Full => full,
        Effort::Units(units) => units,
    }
}

/// The line through the two entries around so many streams; beyond the last one it goes on.
fn usual_effort(streams: u64) -> u64 {
    let next = EFFORTS.partition_point(|(n, _)| *n <= streams);
    let next = next.clamp(1, EFFORTS.len() - 1);
    let ((n, units), (more, most)) = (EFFORTS[next - 1], EFFORTS[next]);
    units + (streams - n).saturating_mul(most - units) / (more - n)
}

/// Tenths of the effort for shortage and minutes alone. Where it is green that is short, the shortage hangs on charges,
/// which only polishing sees.
fn coarse_part(state: &State) -> u64 {
    let short = state.levels.short_units;
    let green_is_short =
        short > state.problem.hopeless_units && bounds::shortage(state.problem) * 4 > short;
    if green_is_short { 3 } else { 7 }
}

/// Do the minutes or the green hardly suffice? Then the search is harder than its size tells.
fn hard(state: &State) -> bool {
    let problem = state.problem;
    let room: i64 = problem.slots.iter().map(|s| s.room).sum();
    let coffees = || 0..problem.coffees.len();
    let made: i64 = coffees().map(|c| bounds::green_made(problem, c)).sum();
    let wanted: i64 = coffees().map(|c| bounds::wanted(problem, c)).sum();
    state.levels.minutes * 2 > room || made * 4 < wanted * 7
}

impl<'p, 'o> Search<'p, 'o> {
    fn new(problem: &'p Problem<'p>, options: &'o Options<'o>) -> Self {
        let mut state = State::new(problem);
        let mut random = Random::seeded(&problem.instance.name);
        let mut builder = Builder::default();
        for f in build::order(problem) {
            builder.build(
                &mut state,
                f,
                &mut random,
                Shake {
                    noise: 0,
                    jitter: 1,
                },
                20,
            );
        }
        Search {
            random,
            builder,
            options,
            budget: budget(problem, options.effort, hard(&state)),
            stopped: false,
            best: state.families.clone(),
            best_levels: state.levels,
            chosen: Vec::new(),
            saved: Vec::new(),
            state,
        }
    }

    fn goes_on(&mut self, until: u64) -> bool {
        self.stopped |= self.options.stop.is_some_and(|stop| stop());
        !self.stopped && self.state.effort < until
    }

    /// Shortage and minutes.
    fn coarse(&mut self, until: u64) {
        let start = self.state.effort;
        while self.goes_on(until) {
            let done = 1_000 * COOLINGS * (self.state.effort - start) / (until - start);
            let left = 1_000 - done % 1_000;
            let warmth = WARMTH * i64::try_from(left).unwrap_or(0);
            for _ in 0..STEPS_BETWEEN {
                self.step(warmth);
            }
            self.excursion(warmth);
            if self.random.chance(1, 8) && self.state.levels.minutes > self.best_levels.minutes {
                let b = self.best.clone();
                load(&mut self.state, &b);
            }
        }
    }

    /// Rebuilds some families; keeps the outcome if it is better, or longer by no more than chance allows.
    fn step(&mut self, warmth: i64) {
        let before = self.state.levels;
        self.choose();
        self.rebuild(None);
        let r = self.random.whole(1_000);
        self.decide(before, warmth * (r * r / 1_000) / 1_000 * r / 1_000);
    }

    /// Takes the chosen families out and builds them again, noting what they were.
    fn rebuild(&mut self, lit: Option<usize>) {
        self.saved.clear();
        for f in &self.chosen {
            self.saved.push(self.state.families[*f].clone());
            self.state.clear(*f);
        }
        let jitter = [1, 16, 64, 200][self.random.below(4)];
        let noise = [0, 50, 300, 1_000][self.random.below(4)];
        let trials = [4, 20, 60, 150][self.random.below(4)];
        self.state.lit = lit;
        for f in &self.chosen {
            self.builder.build(
                &mut self.state,
                *f,
                &mut self.random,
                Shake { noise, jitter },
                trials,
            );
        }
        self.state.lit = None;
    }

    /// Keeps or takes back the last rebuild; `slack` in millionths of the minutes before.
    fn decide(&mut self, before: Levels, slack: i64) {
        let now = self.state.levels;
        let limit = before.minutes + before.minutes * slack / 1_000_000;
        if now <= before || (now.short_units <= before.short_units && now.minutes < limit) {
            self.note();
        } else {
            self.take_back();
        }
    }

    fn take_back(&mut self) {
        for f in &self.chosen {
            self.state.clear(*f);
        }
        for (f, plan) in self.chosen.iter().zip(&self.saved) {
            self.state.restore(*f, plan);
        }
    }

    fn note(&mut self) {
        if self.state.levels < self.best_levels {
            self.best_levels = self.state.levels;
            self.best.clone_from(&self.state.families);
        }
    }

    /// Closes a roaster-day or counts one as lit, searches on, and returns unless that was no worse.
    fn excursion(&mut self, warmth: i64) {
        let home = self.state.families.clone();
        let before = self.state.levels;
        let slots = self.state.used.len();
        let closed = if self.random.chance(3, 4) {
            self.pick_used()
        } else {
            None
        };
        let lit = if closed.is_none() || self.random.chance(1, 2) {
            Some(self.random.below(slots))
        } else {
            None
        };
        self.chosen.clear();
        if let Some(slot) = closed {
            self.state.closed[slot] = true;
            self.add_users(slot);
        }
        if let Some(slot) = lit {
            let some = 4 + self.random.below(16);
            self.add_takers(slot, some);
        }
        self.random.shuffle(&mut self.chosen);
        self.rebuild(lit);
        for _ in 0..EXCURSION {
            self.step(warmth / 4);
        }
        if let Some(slot) = closed {
            self.state.closed[slot] = false;
        }
        let now = self.state.levels;
        if (now.short_units, now.minutes) > (before.short_units, before.minutes) {
            load(&mut self.state, &home);
        } else {
            self.note();
        }
    }

    /// A roaster-day with batches that are not pinned.
    fn pick_used(&mut self) -> Option<usize> {
        let slots = &self.state.problem.slots;
        let free = |s: &usize| self.state.batches[*s] > slots[*s].pinned_batches;
        let used: Vec<usize> = (0..slots.len()).filter(free).collect();
        (!used.is_empty()).then(|| used[self.random.below(used.len())])
    }

    fn add(&mut self, family: usize) {
        if !self.chosen.contains(&family) {
            self.chosen.push(family);
        }
    }

    /// Chooses the families that run in a slot.
    fn add_users(&mut self, slot: usize) {
        for f in 0..self.state.families.len() {
            if self.state.families[f].runs.iter().any(|r| r.slot == slot) {
                self.add(f);
            }
        }
    }

    /// Chooses up to `most` of the families that could run in a slot.
    fn add_takers(&mut self, slot: usize, most: usize) {
        let problem = self.state.problem;
        let there = &problem.slots[slot];
        let day = problem.day[there.day];
        let could = |f: &usize| {
            let family = &problem.families[*f];
            family
                .ways
                .iter()
                .any(|w| w.roaster == there.roaster && w.from <= there.day)
                && family.items.iter().any(|w| w.from <= day && day <= w.to)
        };
        let mut takers: Vec<usize> = (0..problem.families.len()).filter(could).collect();
        self.random.shuffle(&mut takers);
        for f in takers.into_iter().take(most) {
            self.add(f);
        }
    }

    /// Chooses what to rebuild: families of one or two roaster-days, of one coffee, one that is short, or any.
    fn choose(&mut self) {
        self.chosen.clear();
        let count = self.state.families.len();
        let size = [1, 2, 2, 3, 4, 6, 8, 12][self.random.below(8)];
        match self.random.below(10) {
            0..=4 => {
                for _ in 0..=self.random.below(2) {
                    if let Some(slot) = self.pick_used() {
                        self.add_users(slot);
                    }
                }
            }
            5 => {
                let coffee = self.random.below(self.state.problem.coffees.len());
                self.chosen
                    .extend_from_slice(&self.state.problem.coffees[coffee].families);
            }
            6 | 7 if self.choose_short(size) => return,
            _ => {}
        }
        if self.chosen.is_empty() {
            self.chosen.extend(0..count);
        }
        self.random.shuffle(&mut self.chosen);
        self.chosen.truncate(size);
    }

    /// Chooses a family that is short and, after it, some that it could push out of a slot or that share its green.
    fn choose_short(&mut self, size: usize) -> bool {
        let problem = self.state.problem;
        let short: Vec<usize> = (0..problem.families.len())
            .filter(|f| self.state.families[*f].short > 0)
            .collect();
        if short.is_empty() {
            return false;
        }
        let f = short[self.random.below(short.len())];
        let family = &problem.families[f];
        if family.ways.is_empty() {
            return false;
        }
        let way = &family.ways[self.random.below(family.ways.len())];
        let item = &family.items[self.random.below(family.items.len())];
        let days = problem.plan_days(item);
        let day = days.start + self.random.below(days.len());
        if day < problem.days {
            self.add_users(problem.slot(way.roaster, day));
        }
        self.random.shuffle(&mut self.chosen);
        self.chosen.truncate(size);
        self.chosen.retain(|x| *x != f);
        self.chosen.insert(0, f);
        true
    }

    /// All levels: the best plan so far, polished, then rebuilt bit by bit and polished again.
    fn fine(&mut self, until: u64) {
        let best = self.best.clone();
        load(&mut self.state, &best);
        for coffee in 0..self.state.problem.coffees.len() {
            if self.goes_on(until) {
                polish::polish(&mut self.state, coffee);
            }
        }
        self.note();
        while self.goes_on(until) {
            self.fine_step();
            self.swap_days();
            for _ in 0..SHAKES {
                self.shake_short();
            }
        }
    }

    /// Exchanges the days of two runs on one roaster, which rebuilding one after the other cannot do on full days.
    fn swap_days(&mut self) {
        let Some((f, a)) = self.any_run() else { return };
        let Some((g, b)) = self.any_run() else { return };
        let roaster = |slot: usize| self.state.problem.slots[slot].roaster;
        if f == g || a.slot == b.slot || roaster(a.slot) != roaster(b.slot) {
            return;
        }
        let before = self.state.levels;
        self.chosen.clear();
        for x in [f, g] {
            let coffee = self.state.problem.families[x].coffee;
            for h in &self.state.problem.coffees[coffee].families {
                self.add(*h);
            }
        }
        self.saved = self
            .chosen
            .iter()
            .map(|x| self.state.families[*x].clone())
            .collect();
        for (x, run) in [(f, a), (g, b)] {
            if let Some(n) = self.state.families[x].runs.iter().position(|r| *r == run) {
                self.state.remove(x, n);
            }
        }
        let fits = [(f, a, b.slot), (g, b, a.slot)]
            .into_iter()
            .all(|(x, run, slot)| self.put(x, Run { slot, ..run }));
        if fits {
            for x in [f, g] {
                self.state.weigh(x);
                let coffee = self.state.problem.families[x].coffee;
                polish::charges(&mut self.state, coffee);
            }
            self.decide(before, 0);
        } else {
            self.take_back();
        }
    }

    fn any_run(&mut self) -> Option<(usize, Run)> {
        let f = self.random.below(self.state.families.len());
        let runs = &self.state.families[f].runs;
        (!runs.is_empty()).then(|| (f, runs[self.random.below(runs.len())]))
    }

    /// Adds a run if its day has room and its lot is there.
    fn put(&mut self, f: usize, run: Run) -> bool {
        let way = &self.state.problem.families[f].ways[run.way];
        let minutes = run.batches * way.cycle
            + self.state.change(f, run.slot, run.way)
            + self.state.startup(run.slot);
        let fits = minutes <= self.state.room(run.slot)
            && way.from <= self.state.problem.slots[run.slot].day;
        if fits {
            self.state.add(f, run);
        }
        fits
    }

    /// Shakes a coffee that is short, if there is one.
    fn shake_short(&mut self) {
        let coffees = 0..self.state.problem.coffees.len();
        let short: Vec<usize> = coffees
            .filter(|c| polish::families_short(&self.state, *c))
            .collect();
        if !short.is_empty() {
            let coffee = short[self.random.below(short.len())];
            if shake::shake(&mut self.state, coffee, &mut self.random) {
                self.note();
            }
        }
    }

    fn fine_step(&mut self) {
        let before = self.state.levels;
        self.choose();
        let coffees = &self.state.problem.coffees;
        let lots: Vec<usize> = self
            .chosen
            .iter()
            .map(|f| self.state.problem.families[*f].coffee)
            .collect();
        for c in lots {
            for f in &coffees[c].families {
                self.add(*f);
            }
        }
        let short = self
            .chosen
            .iter()
            .any(|f| self.state.families[*f].short > 0);
        self.rebuild(None);
        let now = self.state.levels;
        if short || (now.short_units, now.minutes) <= (before.short_units, before.minutes) {
            let mut done = Vec::new();
            for n in 0..self.chosen.len() {
                let c = self.state.problem.families[self.chosen[n]].coffee;
                if !done.contains(&c) {
                    done.push(c);
                    polish::polish(&mut self.state, c);
                }
            }
        }
        self.decide(before, 0);
    }
}
