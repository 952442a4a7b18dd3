//! Spends an allowance of shortage on minutes: batches that save the most minutes for what they leave short are dropped,
//! one at a time, while the weighted shortage stays within the limit (model section 5).

use super::polish;
use super::state::{FamilyPlan, State};

/// Drops batches while the weighted shortage stays at or under `limit` units.
pub(super) fn spend(state: &mut State, limit: i64) {
    while let Some((family, run)) = best_drop(state, limit) {
        drop_batch(state, family, run);
        let coffee = state.problem.families[family].coffee;
        polish::charges(state, coffee);
    }
}

/// The run whose last batch is worth dropping most: most minutes first, then least shortage.
fn best_drop(state: &mut State, limit: i64) -> Option<(usize, usize)> {
    let before = state.levels;
    let mut best: Option<((i64, i64), (usize, usize))> = None;
    for f in 0..state.families.len() {
        for r in 0..state.families[f].runs.len() {
            let coffee = state.problem.families[f].coffee;
            let families = &state.problem.coffees[coffee].families;
            let home: Vec<FamilyPlan> = families
                .iter()
                .map(|g| state.families[*g].clone())
                .collect();
            drop_batch(state, f, r);
            polish::charges(state, coffee);
            let worth = (
                state.levels.minutes - before.minutes,
                state.levels.short_units,
            );
            if worth.0 < 0 && worth.1 <= limit && best.as_ref().is_none_or(|(w, _)| worth < *w) {
                best = Some((worth, (f, r)));
            }
            for g in families {
                state.clear(*g);
            }
            for (g, plan) in families.iter().zip(&home) {
                state.restore(*g, plan);
            }
        }
    }
    best.map(|(_, at)| at)
}

/// Takes one batch out of a run, and as much of its charge as the others cannot hold.
pub(super) fn drop_batch(state: &mut State, family: usize, index: usize) {
    let run = state.families[family].runs[index];
    if run.batches == 1 {
        state.remove(family, index);
    } else {
        let most = (run.batches - 1) * state.problem.families[family].ways[run.way].most;
        state.charge(family, index, most.min(run.charge) - run.charge);
        state.change_batches(family, index, -1);
    }
    state.weigh(family);
}
