//! What each batch alone covers: the plan without that batch, the charges of its coffee settled again, beside the plan with
//! it (model section 5). So a person sees when a whole batch is spent on the last few grams.

use std::collections::BTreeMap;

use super::allowance::drop_batch;
use super::instance::{Batch, Instance, UNITS_PER_GRAM};
use super::plan::{Cover, Missed, Plan};
use super::polish;
use super::problem::Problem;
use super::state::{Run, State};

/// What only each batch of the plan covers, in the order of its batches. Other batches keep their days, and free ones may
/// take larger charges in its place; nothing else is planned anew.
#[must_use]
pub fn covers(instance: &Instance, plan: &Plan) -> Vec<Cover> {
    let problem = Problem::new(instance);
    let mut state = State::new(&problem);
    load(&mut state, &plan.batches[plan.pinned..]);
    let with = missing(&state);
    let mut free: BTreeMap<&Batch, Cover> = BTreeMap::new();
    let pinned = (0..plan.pinned).map(|n| without_pin(instance, plan, n, &with));
    let mut covers: Vec<Cover> = pinned.collect();
    for batch in &plan.batches[plan.pinned..] {
        let cover = free
            .entry(batch)
            .or_insert_with(|| without_batch(&mut state, batch, &with));
        covers.push(cover.clone());
    }
    covers
}

/// Units that items miss, by place in the demand of the instance.
type Missing = BTreeMap<usize, i64>;

fn missing(state: &State) -> Missing {
    let mut missing: Missing = BTreeMap::new();
    for item in &state.problem.hopeless {
        let mass = state.problem.instance.demand[*item].roasted_g;
        missing.insert(*item, mass * UNITS_PER_GRAM);
    }
    for f in 0..state.families.len() {
        missing.extend(state.missing(f));
    }
    missing
}

/// Puts free batches into a plan that has only the pinned ones.
fn load(state: &mut State, batches: &[Batch]) {
    for batch in batches {
        if let Some((family, run)) = run_of(state.problem, batch) {
            state.add(family, run);
        }
    }
    for f in 0..state.families.len() {
        state.weigh(f);
    }
}

/// A batch as a run of its family.
fn run_of(problem: &Problem, batch: &Batch) -> Option<(usize, Run)> {
    let roaster = problem
        .roasters
        .iter()
        .position(|r| r.id == batch.roaster)?;
    let lot = problem.lots.iter().position(|l| l.lot.id == batch.lot)?;
    let coffee = problem.lots[lot].coffee?;
    let mut families = problem.coffees[coffee].families.iter().copied();
    let family = families.find(|f| problem.families[*f].style == batch.style)?;
    let mut ways = problem.families[family].ways.iter();
    let way = ways.position(|w| (w.roaster, w.lot) == (roaster, lot))?;
    let day = problem.day.iter().position(|d| *d == batch.day)?;
    let slot = problem.slot(roaster, day);
    let (batches, charge) = (1, batch.charge_g);
    Some((
        family,
        Run {
            slot,
            way,
            batches,
            charge,
        },
    ))
}

fn without_batch(state: &mut State, batch: &Batch, with: &Missing) -> Cover {
    let Some((family, at)) = run_of(state.problem, batch) else {
        return Cover::default();
    };
    let same = |r: &Run| (r.slot, r.way) == (at.slot, at.way);
    let Some(index) = state.families[family].runs.iter().position(same) else {
        return Cover::default();
    };
    let coffee = state.problem.families[family].coffee;
    let families = &state.problem.coffees[coffee].families;
    let home: Vec<_> = families
        .iter()
        .map(|f| state.families[*f].clone())
        .collect();
    let minutes = state.levels.minutes;
    drop_batch(state, family, index);
    let saved = minutes - state.levels.minutes;
    polish::charges(state, coffee);
    let without: Missing = families.iter().flat_map(|f| state.missing(*f)).collect();
    let short = lost(state, with, &without);
    for f in families {
        state.clear(*f);
    }
    for (f, plan) in families.iter().zip(&home) {
        state.restore(*f, plan);
    }
    Cover {
        minutes: saved,
        short,
    }
}

/// A pinned batch is no run: the instance without that pin is read, and the free batches are put into it.
fn without_pin(instance: &Instance, plan: &Plan, n: usize, with: &Missing) -> Cover {
    let mut draft = instance.clone().into_draft();
    let pin = draft.pinned.remove(n);
    let Ok(less) = Instance::new(draft) else {
        return Cover::default();
    };
    let problem = Problem::new(&less);
    let mut state = State::new(&problem);
    load(&mut state, &plan.batches[plan.pinned..]);
    let minutes = plan.levels.minutes - state.levels.minutes;
    if let Some((family, _)) = run_of(&problem, &pin) {
        polish::charges(&mut state, problem.families[family].coffee);
    }
    let without = missing(&state);
    let short = lost(&state, with, &without);
    Cover { minutes, short }
}

/// What is missing without a batch beyond what is missing with it.
fn lost(state: &State, with: &Missing, without: &Missing) -> Vec<Missed> {
    let more = without.iter().filter_map(|(item, units)| {
        let units = units - with.get(item).copied().unwrap_or(0);
        let item = &state.problem.instance.demand[*item].id;
        (units > 0).then(|| Missed {
            item: item.clone(),
            units,
        })
    });
    more.collect()
}
