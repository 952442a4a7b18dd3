//! Larger moves for a coffee whose green does not cover its demand. There the shortage hangs on the gram: another small
//! batch on the right day, its green taken from other runs of the lot, can cover what a coarser charge step leaves over.

use super::polish;
use super::problem::{Family, Way};
use super::random::Random;
use super::state::{FamilyPlan, Run, State};

/// Adds, enlarges or drops a few runs of the coffee at random, now and then in place of a batch of another coffee, and
/// settles the charges again; keeps that if it is better.
pub(super) fn shake(state: &mut State, coffee: usize, random: &mut Random) -> bool {
    let before = state.levels;
    let families = &state.problem.coffees[coffee].families;
    let mut touched = families.clone();
    touched.extend(partner(state, coffee, random));
    let home: Vec<FamilyPlan> = touched.iter().map(|f| state.families[*f].clone()).collect();
    for f in &touched[families.len()..] {
        one_batch_less(state, *f, random);
    }
    if random.chance(1, 4) {
        state.clear(families[random.below(families.len())]);
    }
    for _ in 0..=random.below(4) {
        let f = families[random.below(families.len())];
        match random.below(5) {
            0 => drop_run(state, f, random),
            1 => one_batch_more(state, f, random),
            _ => add_run(state, f, random),
        }
    }
    for f in &touched {
        state.weigh(*f);
    }
    polish::charges(state, coffee);
    if state.levels.short_units <= before.short_units {
        polish::polish(state, coffee);
    }
    let sideways = state.levels.short_units == before.short_units && random.chance(1, 8);
    if state.levels <= before || sideways {
        return true;
    }
    for f in &touched {
        state.clear(*f);
    }
    for (f, plan) in touched.iter().zip(&home) {
        state.restore(*f, plan);
    }
    false
}

/// In every second shake a family of another coffee, to give up a batch.
fn partner(state: &State, coffee: usize, random: &mut Random) -> Option<usize> {
    let f = random.below(2 * state.families.len());
    (f < state.families.len() && state.problem.families[f].coffee != coffee).then_some(f)
}

fn one_batch_less(state: &mut State, f: usize, random: &mut Random) {
    let runs = state.families[f].runs.len();
    if runs == 0 {
        return;
    }
    let n = random.below(runs);
    let run = state.families[f].runs[n];
    if run.batches == 1 {
        state.remove(f, n);
        return;
    }
    let most = (run.batches - 1) * state.problem.families[f].ways[run.way].most;
    state.charge(f, n, most.min(run.charge) - run.charge);
    state.change_batches(f, n, -1);
}

fn drop_run(state: &mut State, f: usize, random: &mut Random) {
    let runs = state.families[f].runs.len();
    if runs > 0 {
        state.remove(f, random.below(runs));
    }
}

fn one_batch_more(state: &mut State, f: usize, random: &mut Random) {
    let runs = state.families[f].runs.len();
    if runs == 0 {
        return;
    }
    let n = random.below(runs);
    let run = state.families[f].runs[n];
    let way = &state.problem.families[f].ways[run.way];
    let missing = (run.batches + 1) * way.least - run.charge;
    if state.room(run.slot) >= way.cycle && free_green(state, f, way, missing.max(0), Some(n)) {
        if missing > 0 {
            state.charge(f, n, missing);
        }
        state.change_batches(f, n, 1);
    }
}

fn add_run(state: &mut State, f: usize, random: &mut Random) {
    let family = &state.problem.families[f];
    let Some((slot, w)) = any_stream(state, family, random) else {
        return;
    };
    let way = &family.ways[w];
    if state.families[f]
        .runs
        .iter()
        .any(|r| (r.slot, r.way) == (slot, w))
    {
        return;
    }
    let minutes = way.cycle + state.startup(slot) + state.change(f, slot, w);
    if minutes <= state.room(slot) && free_green(state, f, way, way.least, None) {
        state.add(
            f,
            Run {
                slot,
                way: w,
                batches: 1,
                charge: way.least,
            },
        );
    }
}

/// A random stream that could serve a random item.
fn any_stream(state: &State, family: &Family, random: &mut Random) -> Option<(usize, usize)> {
    if family.ways.is_empty() || family.items.is_empty() {
        return None;
    }
    let w = random.below(family.ways.len());
    let (way, want) = (
        &family.ways[w],
        &family.items[random.below(family.items.len())],
    );
    let days = state.problem.plan_days(want);
    let day = days.start + random.below(days.len());
    (days.contains(&day) && day >= way.from && want.lots[way.place])
        .then(|| (state.problem.slot(way.roaster, day), w))
}

/// Frees green of the way's lot by trimming runs of the coffee other than the family's run `keep`, as far as it is needed
/// and possible.
fn free_green(state: &mut State, f: usize, way: &Way, grams: i64, keep: Option<usize>) -> bool {
    let coffee = state.problem.families[f].coffee;
    for g in &state.problem.coffees[coffee].families {
        for n in 0..state.families[*g].runs.len() {
            let missing = grams - state.green[way.lot];
            if missing <= 0 {
                return true;
            }
            let run = state.families[*g].runs[n];
            let other = &state.problem.families[*g].ways[run.way];
            if other.lot == way.lot && !(*g == f && keep == Some(n)) {
                let steps = (missing + other.step - 1) / other.step;
                let spare = (run.charge - run.batches * other.least) / other.step;
                state.charge(*g, n, -steps.min(spare) * other.step);
            }
        }
    }
    grams <= state.green[way.lot]
}
