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

/// A direction of a line search, counted in charge steps of its run.
#[derive(Clone, Copy)]
struct Line {
    run: (usize, usize),
    kind: Kind,
}

#[derive(Clone, Copy)]
enum Kind {
    /// Steps leave the run.
    Trim,
    /// Steps come into the run.
    Stretch,
    /// Steps leave the run and another makes what they made, to the step above or below.
    Shift { to: (usize, usize), down: bool },
}

/// Moves runs of the coffee until none of the moves makes the plan better. True if anything changed.
pub(super) fn polish(state: &mut State, coffee: usize) -> bool {
    let before = state.levels;
    while charges(state, coffee) || fewer_batches(state, coffee) || replace_runs(state, coffee) {}
    state.levels < before
}

/// Trims, stretches and shifts charges until none of it makes the plan better.
pub(super) fn charges(state: &mut State, coffee: usize) -> bool {
    let before = state.levels;
    loop {
        let at = state.levels;
        let runs = runs_of(state, coffee);
        for run in &runs {
            search(
                state,
                Line {
                    run: *run,
                    kind: Kind::Trim,
                },
            );
        }
        if families_short(state, coffee) {
            for run in &runs {
                search(
                    state,
                    Line {
                        run: *run,
                        kind: Kind::Stretch,
                    },
                );
            }
        }
        clear_rests(state, coffee);
        for a in &runs {
            for b in &runs {
                if a != b && related(state, *a, *b) {
                    search(
                        state,
                        Line {
                            run: *a,
                            kind: Kind::Shift {
                                to: *b,
                                down: false,
                            },
                        },
                    );
                    search(
                        state,
                        Line {
                            run: *a,
                            kind: Kind::Shift { to: *b, down: true },
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

/// Is anything of the coffee short that could be served?
pub(super) fn families_short(state: &State, coffee: usize) -> bool {
    state.problem.coffees[coffee]
        .families
        .iter()
        .any(|f| state.families[*f].short > 0)
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
fn search(state: &mut State, line: Line) -> bool {
    let most = most_steps(state, line);
    if most <= 0 {
        return false;
    }
    let before = state.levels;
    let (mut best, mut best_levels) = (0, before);
    let mut k = 1;
    loop {
        if !better(state, line, k, &mut best, &mut best_levels) && (best > 0 || k > 8) {
            break;
        }
        if k == most {
            break;
        }
        k = (2 * k).min(most);
    }
    for k in special(state, line) {
        if 0 < k && k <= most {
            better(state, line, k, &mut best, &mut best_levels);
        }
    }
    let mut jump = best / 2;
    while jump > 0 {
        for k in [best + jump, best - jump] {
            if 0 < k && k <= most {
                better(state, line, k, &mut best, &mut best_levels);
            }
        }
        jump /= 2;
    }
    best > 0 && try_edits(state, &edits(state, line, best))
}

/// Notes k as the best number of steps if it is.
fn better(state: &mut State, line: Line, k: i64, best: &mut i64, best_levels: &mut Levels) -> bool {
    match probe(state, line, k, best_levels.short_units) {
        Some(levels) if levels < *best_levels => {
            (*best, *best_levels) = (k, levels);
            true
        }
        _ => false,
    }
}

fn most_steps(state: &State, line: Line) -> i64 {
    let (run, way) = (run(state, line.run), way(state, line.run));
    match line.kind {
        Kind::Stretch => (run.batches * way.most - run.charge).min(state.green[way.lot]) / way.step,
        Kind::Trim | Kind::Shift { .. } => (run.charge - run.batches * way.least) / way.step,
    }
}

/// Step counts at which a lot stops being stranded.
fn special(state: &State, line: Line) -> [i64; 3] {
    let from = way(state, line.run);
    let keep = ceil_div(
        (state.problem.lots[from.lot].tail - state.green[from.lot]).max(0),
        from.step,
    );
    let Kind::Shift { to, .. } = line.kind else {
        return [keep, 0, 0];
    };
    let to = way(state, to);
    let fill = state.green[to.lot] / to.step * to.step * to.rate / (from.step * from.rate);
    [keep, fill, fill + 1]
}

/// The edits of k steps along a direction.
fn edits(state: &State, line: Line, k: i64) -> [Edit; 2] {
    let from = way(state, line.run);
    let (family, run) = line.run;
    let first = |grams: i64| Edit { family, run, grams };
    match line.kind {
        Kind::Trim => [first(-k * from.step), first(0)],
        Kind::Stretch => [first(k * from.step), first(0)],
        Kind::Shift {
            to: (to_family, to_run),
            down,
        } => {
            let to = way(state, (to_family, to_run));
            let steps = if to_family != family {
                k * from.step / to.step
            } else if down {
                k * from.step * from.rate / (to.step * to.rate)
            } else {
                ceil_div(k * from.step * from.rate, to.step * to.rate)
            };
            [
                first(-k * from.step),
                Edit {
                    family: to_family,
                    run: to_run,
                    grams: steps * to.step,
                },
            ]
        }
    }
}

/// The levels after k steps along a direction, the plan left as it was; `None` where that is no legal plan. The age is not
/// worked out where more than `most_short` is short.
fn probe(state: &mut State, line: Line, k: i64, most_short: i64) -> Option<Levels> {
    let edits = edits(state, line, k);
    if !legal(state, &edits) {
        return None;
    }
    let old = served(state, &edits);
    apply(state, &edits, most_short);
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

fn apply(state: &mut State, edits: &[Edit], most_short: i64) {
    for e in edits {
        if e.grams != 0 {
            state.charge(e.family, e.run, e.grams);
        }
    }
    let (first, last) = (edits[0].family, edits[edits.len() - 1].family);
    if last != first {
        // What the first lacks the last may give back: only after both is it known what is short.
        state.weigh(first);
    }
    state.weigh_within(last, most_short);
}

fn undo(state: &mut State, edits: &[Edit], old: [(i64, i64); 2]) {
    for e in edits.iter().rev() {
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
    apply(state, edits, before.short_units);
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

/// Makes the same charge in as few batches as it fits in.
fn fewer_batches(state: &mut State, coffee: usize) -> bool {
    let mut changed = false;
    for at in runs_of(state, coffee) {
        let (run, way) = (run(state, at), way(state, at));
        let spare = run.batches - ceil_div(run.charge, way.most);
        if spare > 0 {
            state.change_batches(at.0, at.1, -spare);
            changed = true;
        }
    }
    changed
}

/// Puts one run at a time, or one batch of it, into each other stream of its family. True as soon as one move helps.
fn replace_runs(state: &mut State, coffee: usize) -> bool {
    let problem = state.problem;
    for f in &problem.coffees[coffee].families {
        for r in 0..state.families[*f].runs.len() {
            for (w, way) in problem.families[*f].ways.iter().enumerate() {
                for day in way.from..problem.days {
                    let to = (problem.slot(way.roaster, day), w);
                    let run = state.families[*f].runs[r];
                    if to == (run.slot, run.way) || !wanted_on(state, *f, w, day) {
                        continue;
                    }
                    if move_batches(state, (*f, r), run.batches, to)
                        || (run.batches > 1 && move_batches(state, (*f, r), 1, to))
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
    let day = state.problem.day[day];
    family
        .items
        .iter()
        .any(|i| i.accepts(day, family.ways[w].place))
}

/// Moves some batches of a run into the stream (slot, way) and settles the charges; takes it back unless it helps.
fn move_batches(
    state: &mut State,
    (f, r): (usize, usize),
    moved: i64,
    stream: (usize, usize),
) -> bool {
    let before = state.levels;
    let (slot, goal) = stream;
    let saved: FamilyPlan = state.families[f].clone();
    let old = state.families[f].runs[r];
    let from = way(state, (f, r));
    let to = &state.problem.families[f].ways[goal];
    let share = share(&old, from, moved);
    if moved == old.batches {
        state.remove(f, r);
    } else {
        state.charge(f, r, -share);
        state.change_batches(f, r, -moved);
    }
    let need = ceil_div(share * from.rate, to.rate * to.step) * to.step;
    let batches = ceil_div(need, to.most).max(1);
    let charge = need.max(batches * to.least);
    let minutes = batches * to.cycle + state.startup(slot) + state.change(f, slot, goal);
    let fits = minutes <= state.room(slot) && charge <= state.green[to.lot];
    if fits && (state.levels.minutes + minutes <= before.minutes || before.short_units > 0) {
        state.add(
            f,
            Run {
                slot,
                way: goal,
                batches,
                charge,
            },
        );
        state.weigh(f);
        if (state.levels.short_units, state.levels.minutes) <= (before.short_units, before.minutes)
        {
            settle(
                state,
                f,
                stream,
                (moved < old.batches).then_some((old.slot, old.way)),
            );
        }
        if state.levels < before {
            return true;
        }
    }
    state.restore(f, &saved);
    false
}

/// The part of a run's charge that some of its batches take along, so that both parts stay legal.
fn share(run: &Run, way: &Way, moved: i64) -> i64 {
    let rest = run.batches - moved;
    let even = run.charge / way.step * moved / run.batches * way.step;
    even.max(moved * way.least)
        .max(run.charge - rest * way.most)
        .min(run.charge - rest * way.least)
}

/// Trims a stream and balances it with the one it came from.
fn settle(state: &mut State, f: usize, stream: (usize, usize), rest: Option<(usize, usize)>) {
    let find = |state: &State, key: (usize, usize)| {
        state.families[f]
            .runs
            .iter()
            .position(|x| (x.slot, x.way) == key)
    };
    let Some(at) = find(state, stream) else {
        return;
    };
    search(
        state,
        Line {
            run: (f, at),
            kind: Kind::Trim,
        },
    );
    if let Some(rest) = rest.and_then(|key| find(state, key)) {
        for (from, to) in [(rest, at), (at, rest)] {
            search(
                state,
                Line {
                    run: (f, from),
                    kind: Kind::Shift {
                        to: (f, to),
                        down: false,
                    },
                },
            );
        }
    }
}
