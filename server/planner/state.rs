//! A plan in the making: free runs per family and what they take, with all five levels kept up to date.

use super::flows::Desk;
use super::plan::Levels;
use super::problem::{Problem, Supply, Want, merged};

/// The free batches of one stream: n batches with a total charge of x grams, m' n <= x <= M' n.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Run {
    /// The roaster-day.
    pub slot: usize,
    /// The way (lot and roaster) of the family.
    pub way: usize,
    /// Number of batches n.
    pub batches: i64,
    /// Total charge x, grams.
    pub charge: i64,
}

/// What a family does and what that is worth.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct FamilyPlan {
    /// Its runs.
    pub runs: Vec<Run>,
    /// Sum of p * short.
    pub short: i64,
    /// Sum of flow * age.
    pub age: i64,
}

/// A plan in the making.
pub(super) struct State<'p> {
    /// The tables.
    pub problem: &'p Problem<'p>,
    /// Per family its runs.
    pub families: Vec<FamilyPlan>,
    /// Minutes used per slot, start-up included.
    pub used: Vec<i64>,
    /// Batches per slot, pinned ones included.
    pub batches: Vec<i64>,
    /// Crew minutes left per day.
    pub crew: Option<Vec<i64>>,
    /// Green left per lot.
    pub green: Vec<i64>,
    /// The levels of the whole.
    pub levels: Levels,
    /// Slots that may not be used for now.
    pub closed: Vec<bool>,
    /// A slot whose start-up counts as paid while choices are compared.
    pub lit: Option<usize>,
    /// Work units so far.
    pub effort: u64,
    desk: Desk,
    supplies: Vec<Supply>,
}

impl<'p> State<'p> {
    /// The plan that has only the pinned batches.
    pub(super) fn new(problem: &'p Problem<'p>) -> Self {
        let mut state = State {
            problem,
            families: vec![FamilyPlan::default(); problem.families.len()],
            used: problem.slots.iter().map(|s| s.pinned_minutes).collect(),
            batches: problem.slots.iter().map(|s| s.pinned_batches).collect(),
            crew: problem.crew.clone(),
            green: problem.lots.iter().map(|l| l.green).collect(),
            levels: Levels {
                short_units: problem.hopeless_units,
                minutes: problem.pinned_minutes,
                stranded_g: problem.lots.iter().map(|l| l.stranded(l.green)).sum(),
                weighted_green_g: problem
                    .lots
                    .iter()
                    .map(|l| l.weight * (l.lot.available_g - l.green))
                    .sum(),
                age_units: 0,
            },
            closed: vec![false; problem.slots.len()],
            lit: None,
            effort: 0,
            desk: Desk::default(),
            supplies: Vec::new(),
        };
        for f in 0..state.families.len() {
            state.weigh(f);
        }
        state
    }

    /// Adds (or, with a negative sign, takes away) grams of a lot.
    fn take_green(&mut self, lot: usize, grams: i64) {
        let bin = &self.problem.lots[lot];
        self.levels.stranded_g -= bin.stranded(self.green[lot]);
        self.green[lot] -= grams;
        debug_assert!(
            self.green[lot] >= 0,
            "more green of a lot is charged than is there"
        );
        self.levels.stranded_g += bin.stranded(self.green[lot]);
        self.levels.weighted_green_g += bin.weight * grams;
    }

    fn take_minutes(&mut self, slot: usize, minutes: i64) {
        self.used[slot] += minutes;
        self.levels.minutes += minutes;
        if let Some(crew) = &mut self.crew {
            crew[self.problem.slots[slot].day] -= minutes;
        }
    }

    /// Minutes left in a slot, the crew's included; none where the slot is closed.
    pub(super) fn room(&self, slot: usize) -> i64 {
        let there = &self.problem.slots[slot];
        if self.closed[slot] {
            return 0;
        }
        let room = there.room - self.used[slot];
        self.crew.as_ref().map_or(room, |c| room.min(c[there.day]))
    }

    /// Minutes of the start-up that a first batch there would cost.
    pub(super) fn startup(&self, slot: usize) -> i64 {
        if self.batches[slot] > 0 {
            0
        } else {
            self.problem.slots[slot].startup
        }
    }

    /// Minutes of the change-over that a first run of this stream would cost.
    pub(super) fn change(&self, family: usize, slot: usize, way: usize) -> i64 {
        let f = &self.problem.families[family];
        if f.paid.contains(&(slot, way)) {
            0
        } else {
            f.ways[way].change
        }
    }

    /// Puts a run into the plan, joining it with the family's run of the same stream. Call [`State::weigh`] after.
    pub(super) fn add(&mut self, family: usize, run: Run) {
        let way = &self.problem.families[family].ways[run.way];
        let same = self.families[family]
            .runs
            .iter()
            .position(|r| r.slot == run.slot && r.way == run.way);
        let mut minutes = run.batches * way.cycle + self.startup(run.slot);
        if let Some(n) = same {
            let there = &mut self.families[family].runs[n];
            there.batches += run.batches;
            there.charge += run.charge;
        } else {
            minutes += self.change(family, run.slot, run.way);
            self.families[family].runs.push(run);
        }
        self.batches[run.slot] += run.batches;
        self.take_minutes(run.slot, minutes);
        self.take_green(way.lot, run.charge);
    }

    /// Takes a whole run out of the plan. Call [`State::weigh`] after.
    pub(super) fn remove(&mut self, family: usize, index: usize) -> Run {
        let run = self.families[family].runs.swap_remove(index);
        let way = &self.problem.families[family].ways[run.way];
        self.batches[run.slot] -= run.batches;
        let minutes = run.batches * way.cycle
            + self.change(family, run.slot, run.way)
            + self.startup(run.slot);
        self.take_minutes(run.slot, -minutes);
        self.take_green(way.lot, -run.charge);
        run
    }

    /// Takes a run back that was joined with another of its stream.
    pub(super) fn take_back(&mut self, family: usize, run: Run) {
        let way = &self.problem.families[family].ways[run.way];
        for there in &mut self.families[family].runs {
            if there.slot == run.slot && there.way == run.way {
                there.batches -= run.batches;
                there.charge -= run.charge;
            }
        }
        self.batches[run.slot] -= run.batches;
        self.take_minutes(run.slot, -run.batches * way.cycle);
        self.take_green(way.lot, -run.charge);
    }

    /// Takes all runs of a family out, leaving its items to stock and pinned batches.
    pub(super) fn clear(&mut self, family: usize) {
        while let Some(last) = self.families[family].runs.len().checked_sub(1) {
            self.remove(family, last);
        }
    }

    /// Changes the charge of a run by some grams. Call [`State::weigh`] after.
    pub(super) fn charge(&mut self, family: usize, index: usize, grams: i64) {
        let run = &mut self.families[family].runs[index];
        run.charge += grams;
        let lot = self.problem.families[family].ways[run.way].lot;
        self.take_green(lot, grams);
    }

    /// Changes the number of batches of a run; the charge must stay legal for it.
    pub(super) fn change_batches(&mut self, family: usize, index: usize, more: i64) {
        let run = &mut self.families[family].runs[index];
        run.batches += more;
        let (slot, way) = (run.slot, run.way);
        self.batches[slot] += more;
        self.take_minutes(slot, more * self.problem.families[family].ways[way].cycle);
    }

    /// Brings the family's shortage and age up to date with its runs.
    pub(super) fn weigh(&mut self, family: usize) {
        self.weigh_within(family, i64::MAX);
    }

    /// Brings the family's shortage up to date with its runs, and its age too unless the whole is short by more than
    /// `most_short`: such a plan is taken back by whoever asks for it.
    pub(super) fn weigh_within(&mut self, family: usize, most_short: i64) {
        let f = &self.problem.families[family];
        gather(
            self.problem,
            family,
            &self.families[family].runs,
            &mut self.supplies,
        );
        self.effort += weighing(f.items.len() * self.supplies.len());
        let plan = &mut self.families[family];
        let others = self.levels.short_units - plan.short;
        let most_short = most_short.saturating_sub(others);
        let served = self.desk.serve(f, &self.supplies, most_short);
        self.levels.short_units += served.short - plan.short;
        self.levels.age_units += served.age - plan.age;
        plan.short = served.short;
        plan.age = served.age;
    }

    /// What each item of a family misses under the best flows: its place in the demand of the instance, and units.
    pub(super) fn missing(&self, family: usize) -> Vec<(usize, i64)> {
        let items = &self.problem.families[family].items;
        let mut supplies = Vec::new();
        gather(
            self.problem,
            family,
            &self.families[family].runs,
            &mut supplies,
        );
        let mut desk = Desk::default();
        let flow = desk.assign(&self.problem.families[family], &merged(&supplies));
        let served = |j: usize| flow.iter().skip(j).step_by(items.len()).sum::<i64>();
        let missing = |(j, want): (usize, &Want)| (want.item, want.units - served(j));
        items.iter().enumerate().map(missing).collect()
    }

    /// Replaces a family's runs by others.
    pub(super) fn restore(&mut self, family: usize, plan: &FamilyPlan) {
        self.clear(family);
        for run in &plan.runs {
            self.add(family, *run);
        }
        self.set_served(family, (plan.short, plan.age));
    }

    /// Sets a family's shortage and age to what they are known to be.
    pub(super) fn set_served(&mut self, family: usize, (short, age): (i64, i64)) {
        let here = &mut self.families[family];
        self.levels.short_units += short - here.short;
        self.levels.age_units += age - here.age;
        here.short = short;
        here.age = age;
    }
}

/// Work units of serving so many pairs of an item and a supply.
fn weighing(pairs: usize) -> u64 {
    1 + u64::try_from(pairs / 8).unwrap_or(0)
}

/// All supplies of a family, by day: stock, pinned output and its runs.
pub(super) fn gather(problem: &Problem, family: usize, runs: &[Run], supplies: &mut Vec<Supply>) {
    let f = &problem.families[family];
    supplies.clear();
    supplies.extend_from_slice(&f.fixed);
    for run in runs {
        let way = &f.ways[run.way];
        let day = problem.day[problem.slots[run.slot].day];
        supplies.push(Supply {
            day,
            place: way.place,
            units: run.charge * way.rate,
        });
    }
    supplies.sort_unstable();
}
