//! Tries every plan where there are few enough: streams one after the other, each with every batch count and charge that
//! room and green allow. What comes out is optimal at all five levels.

use super::plan::Levels;
use super::state::{FamilyPlan, Run, State};

/// More steps than this are not worth trying.
const MOST_STEPS: u64 = 60_000;

/// More combinations than this, counted stream by stream, are not even begun.
const MOST_USES: i64 = 1 << 40;

/// The best of all plans, or `None` if there are too many of them.
pub(super) fn best(state: &mut State) -> Option<Vec<FamilyPlan>> {
    for f in 0..state.families.len() {
        state.clear(f);
        state.weigh(f);
    }
    let streams = streams(state);
    if uses(state, &streams) > MOST_USES {
        return None;
    }
    let mut all = All {
        streams,
        steps: 0,
        best: None,
    };
    all.explore(state, 0);
    (all.steps <= MOST_STEPS).then(|| all.best.map(|(_, plans)| plans))?
}

/// How many plans there would be if the streams did not share minutes and green.
fn uses(state: &State, streams: &[(usize, usize, usize)]) -> i64 {
    let of = |(f, slot, w): &(usize, usize, usize)| {
        let way = &state.problem.families[*f].ways[*w];
        let batches = (state.room(*slot) / way.cycle).min(state.green[way.lot] / way.least);
        1 + batches * ((way.most - way.least) / way.step + 1)
    };
    streams.iter().map(of).fold(1, i64::saturating_mul)
}

struct All {
    /// Family, slot and way.
    streams: Vec<(usize, usize, usize)>,
    steps: u64,
    best: Option<(Levels, Vec<FamilyPlan>)>,
}

fn streams(state: &State) -> Vec<(usize, usize, usize)> {
    let problem = state.problem;
    let mut streams = Vec::new();
    for (f, family) in problem.families.iter().enumerate() {
        for (w, way) in family.ways.iter().enumerate() {
            for day in way.from..problem.days {
                let slot = problem.slot(way.roaster, day);
                if state.room(slot) >= way.cycle && state.green[way.lot] >= way.least {
                    streams.push((f, slot, w));
                }
            }
        }
    }
    streams
}

impl All {
    fn explore(&mut self, state: &mut State, n: usize) {
        self.steps += 1;
        if self.steps > MOST_STEPS {
            return;
        }
        let Some((f, slot, w)) = self.streams.get(n).copied() else {
            if self
                .best
                .as_ref()
                .is_none_or(|(levels, _)| state.levels < *levels)
            {
                self.best = Some((state.levels, state.families.clone()));
            }
            return;
        };
        self.explore(state, n + 1);
        let way = &state.problem.families[f].ways[w];
        let old = (state.families[f].short, state.families[f].age);
        let spare = state.room(slot) - state.startup(slot) - state.change(f, slot, w);
        let green = state.green[way.lot];
        for batches in 1..=(spare / way.cycle).min(green / way.least) {
            let mut charge = batches * way.least;
            while charge <= (batches * way.most).min(green) {
                let at = state.families[f].runs.len();
                state.add(
                    f,
                    Run {
                        slot,
                        way: w,
                        batches,
                        charge,
                    },
                );
                state.weigh(f);
                self.explore(state, n + 1);
                state.remove(f, at);
                state.set_served(f, old);
                if self.steps > MOST_STEPS {
                    return;
                }
                charge += way.step;
            }
        }
    }
}
