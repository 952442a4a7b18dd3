//! Small moves on the runs of one coffee, each taken only if the five levels together get better: trim and stretch
//! charges, shift green between two runs, put a run on another day, roaster or lot.
//!
//! Trimming and shifting are line searches along one direction (steps out of one run, steps into another), because
//! every level is piecewise linear along it.

use super::build::ceil_div;
use super::plan::Levels;
use super::problem::Way;
use super::state::{FamilyPlan, Run, State};

/// A run, by family and place among its runs, and grams added to its charge.
#[derive(Clone, Copy)]
struct Edit {
    family: usize,
    run: usize,
    grams: i64,
}

/// A direction of a line search: `take` steps leave a run, what they made is made by another run.
#[derive(Clone, Copy)]
struct Shift {
    from: (usize, usize),
    to: Option<(usize, usize)>,
    /// Round the steps of `to` down instead of up.
    down: bool,
}

/// Moves runs of the coffee until none of the moves makes the plan better. True if anything changed.
pub(super) fn polish(state: &mut State, coffee: usize) -> bool {
    let before = state.levels;
    while charges(state, coffee) || replace_runs(state, coffee) {}
    state.levels < before
}

/// Trims, stretches and shifts charges until none of it makes the plan better.
pub(super) fn charges(state: &mut State, coffee: usize) -> bool {
    let before = state.levels;
    loop {
        let at = state.levels;
        for (f, r) in runs_of(state, coffee) {
            line(
                state,
                Shift {
                    from: (f, r),
                    to: None,
                    down: false,
                },
            );
        }
        clear_rests(state, coffee);
        let runs = runs_of(state, coffee);
        for a in &runs {
            for b in &runs {
                if a != b && related(state, *a, *b) {
                    line(
                        state,
                        Shift {
                            from: *a,
                            to: Some(*b),
                            down: false,
                        },
                    );
                    line(
                        state,
                        Shift {
                            from: *a,
                            to: Some(*b),
                            down: true,
                        },
                    );
                }
            }
        }
        if state.levels == at {
            return at < before;
        }
    }
}

fn runs_of(state: &State, coffee: usize) -> Vec<(usize, usize)> {
    let families = &state.problem.coffees[coffee].families;
    families
        .iter()
        .flat_map(|f| (0..state.families[*f].runs.len()).map(|r| (*f, r)))
        .collect()
}

/// Shifting between two runs can only help where they share a family or a lot.
fn related(state: &State, a: (usize, usize), b: (usize, usize)) -> bool {
    let lot = |x: (usize, usize)| way(state, x).lot;
    a.0 == b.0 || lot(a) == lot(b)
}

fn way<'p>(state: &State<'p>, at: (usize, usize)) -> &'p Way {
    &state.problem.families[at.0].ways[state.families[at.0].runs[at.1].way]
}

fn run(state: &State, at: (usize, usize)) -> Run {
    state.families[at.0].runs[at.1]
}

/// The best number of steps along a direction, applied if it makes the plan better.
fn line(state: &mut State, shift: Shift) -> bool {
    let source = run(state, shift.from);
    let from = way(state, shift.from);
    let most = (source.charge - source.batches * from.least) / from.step;
    if most <= 0 {
        return false;
    }
    let before = state.levels;
    let (mut best, mut best_levels) = (0, before);
    let mut k = 1;
    loop {
        let levels = probe(state, shift, k);
        if levels.is_some_and(|l| l < best_levels) {
            (best, best_levels) = (k, levels.unwrap_or(best_levels));
        } else if best > 0 || k > 8 {
            break;
        }
        if k == most {
            break;
        }
        k = (2 * k).min(most);
    }
    for k in special(state, shift) {
        if 0 < k && k <= most {
            if let Some(levels) = probe(state, shift, k) {
                if levels < best_levels {
                    (best, best_levels) = (k, levels);
                }
            }
        }
    }
    if best == 0 {
        return false;
    }
    let mut jump = best / 2;
    while jump > 0 {
        for k in [best + jump, best - jump] {
            if 0 < k && k <= most {
                if let Some(levels) = probe(state, shift, k) {
                    if levels < best_levels {
                        (best, best_levels) = (k, levels);
                    }
                }
            }
        }
        jump /= 2;
    }
    let edits = edits(state, shift, best);
    try_edits(state, &edits)
}

/// Step counts at which a lot stops being stranded.
fn special(state: &State, shift: Shift) -> [i64; 3] {
    let from = way(state, shift.from);
    let bin = &state.problem.lots[from.lot];
    let keep = ceil_div((bin.tail - state.green[from.lot]).max(0), from.step);
    let Some(to) = shift.to else {
        return [keep, 0, 0];
    };
    let to = way(state, to);
    let fill = state.green[to.lot] / to.step * to.step * to.rate / (from.step * from.rate);
    [keep, fill, fill + 1]
}

/// The edits of k steps along a direction.
fn edits(state: &State, shift: Shift, k: i64) -> [Edit; 2] {
    let from = way(state, shift.from);
    let first = Edit {
        family: shift.from.0,
        run: shift.from.1,
        grams: -k * from.step,
    };
    let Some(into) = shift.to else {
        return [first, Edit { grams: 0, ..first }];
    };
    let to = way(state, into);
    let same_family = shift.from.0 == into.0;
    let (mass, step) = if same_family {
        (k * from.step * from.rate, to.step * to.rate)
    } else {
        (k * from.step, to.step)
    };
    let steps = if shift.down || !same_family {
        mass / step
    } else {
        ceil_div(mass, step)
    };
    [
        first,
        Edit {
            family: into.0,
            run: into.1,
            grams: steps * to.step,
        },
    ]
}

/// The levels after k steps along a direction, the plan left as it was; `None` where that is no legal plan.
fn probe(state: &mut State, shift: Shift, k: i64) -> Option<Levels> {
    let edits = edits(state, shift, k);
    if !legal(state, &edits) {
        return None;
    }
    let old = served(state, &edits);
    apply(state, &edits, 1);
    let levels = state.levels;
    undo(state, &edits, old);
    Some(levels)
}

fn legal(state: &State, edits: &[Edit]) -> bool {
    edits.iter().all(|e| {
        let (run, way) = (run(state, (e.family, e.run)), way(state, (e.family, e.run)));
        let charge = run.charge + e.grams;
        let others: i64 = edits
            .iter()
            .filter(|o| self::way(state, (o.family, o.run)).lot == way.lot)
            .map(|o| o.grams)
            .sum();
        (e.grams == 0 || (run.batches * way.least <= charge && charge <= run.batches * way.most))
            && others <= state.green[way.lot]
    })
}

fn served(state: &State, edits: &[Edit]) -> [(i64, i64); 2] {
    let of = |e: &Edit| (state.families[e.family].short, state.families[e.family].age);
    [of(&edits[0]), of(&edits[edits.len() - 1])]
}

fn apply(state: &mut State, edits: &[Edit], sign: i64) {
    for e in edits {
        if e.grams != 0 {
            state.charge(e.family, e.run, sign * e.grams);
        }
    }
    state.weigh(edits[0].family);
    let last = edits[edits.len() - 1];
    if last.family != edits[0].family {
        state.weigh(last.family);
    }
}

fn undo(state: &mut State, edits: &[Edit], old: [(i64, i64); 2]) {
    for e in edits {
        if e.grams != 0 {
            state.charge(e.family, e.run, -e.grams);
        }
    }
    state.set_served(edits[0].family, old[0]);
    state.set_served(edits[edits.len() - 1].family, old[1]);
}

fn try_edits(state: &mut State, edits: &[Edit; 2]) -> bool {
    let before = state.levels;
    if !legal(state, edits) {
        return false;
    }
    let old = served(state, edits);
    apply(state, edits, 1);
    if state.levels < before {
        return true;
    }
    undo(state, edits, old);
    false
}

/// Roasts out lots whose rest would be stranded, as far as their runs can be stretched.
fn clear_rests(state: &mut State, coffee: usize) {
    let problem = state.problem;
    for lot in &problem.coffees[coffee].lots {
        if problem.lots[*lot].stranded(state.green[*lot]) == 0 {
            continue;
        }
        let before = state.levels;
        let mut done: Vec<(Edit, (i64, i64))> = Vec::new();
        for (f, r) in runs_of(state, coffee) {
            let (run, way) = (run(state, (f, r)), way(state, (f, r)));
            let grams =
                (run.batches * way.most - run.charge).min(state.green[*lot] / way.step * way.step);
            if way.lot == *lot && grams > 0 {
                done.push((
                    Edit {
                        family: f,
                        run: r,
                        grams,
                    },
                    (state.families[f].short, state.families[f].age),
                ));
                state.charge(f, r, grams);
                state.weigh(f);
            }
        }
        if state.levels > before {
            for (e, old) in done.into_iter().rev() {
                state.charge(e.family, e.run, -e.grams);
                state.set_served(e.family, old);
            }
        }
    }
}

/// Puts one run at a time into each other stream of its family. True as soon as one of the moves helps.
fn replace_runs(state: &mut State, coffee: usize) -> bool {
    let problem = state.problem;
    for f in &problem.coffees[coffee].families {
        for r in 0..state.families[*f].runs.len() {
            for w in 0..problem.families[*f].ways.len() {
                for day in problem.families[*f].ways[w].from..problem.days {
                    let slot = problem.slot(problem.families[*f].ways[w].roaster, day);
                    let run = state.families[*f].runs[r];
                    if (slot, w) != (run.slot, run.way)
                        && wanted_on(state, *f, w, day)
                        && replace_run(state, *f, r, slot, w)
                    {
                        return true;
                    }
                }
            }
        }
    }
    false
}

fn wanted_on(state: &State, f: usize, w: usize, day: usize) -> bool {
    let family = &state.problem.families[f];
    family
        .items
        .iter()
        .any(|i| i.accepts(state.problem.day[day], family.ways[w].place))
}

fn replace_run(state: &mut State, f: usize, r: usize, slot: usize, w: usize) -> bool {
    let before = state.levels;
    let saved: FamilyPlan = state.families[f].clone();
    let family = &state.problem.families[f];
    let old = state.remove(f, r);
    let (a, b) = (&family.ways[old.way], &family.ways[w]);
    let need = ceil_div(old.charge * a.rate, b.rate * b.step) * b.step;
    let batches = ceil_div(need, b.most).max(1);
    let joined = state.families[f]
        .runs
        .iter()
        .any(|x| x.slot == slot && x.way == w);
    let minutes =
        batches * b.cycle + state.startup(slot) + if joined { 0 } else { state.change(f, slot, w) };
    let charge = need.max(batches * b.least);
    let fits = minutes <= state.room(slot) && charge <= state.green[b.lot];
    let helps =
        fits && (state.levels.minutes + minutes <= before.minutes || before.short_units > 0);
    if helps {
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
        if (state.levels.short_units, state.levels.minutes) <= (before.short_units, before.minutes)
        {
            let at = state.families[f]
                .runs
                .iter()
                .position(|x| x.slot == slot && x.way == w)
                .unwrap_or(0);
            line(
                state,
                Shift {
                    from: (f, at),
                    to: None,
                    down: false,
                },
            );
        }
        if state.levels < before {
            return true;
        }
    }
    state.restore(f, &saved);
    false
}
