//! Builds the runs of one family, most urgent item first.
//!
//! Among all streams and batch counts that serve the open item with the earliest last roasting day, the one with the
//! fewest minutes (start-up and change-over included) per unit covered is taken; an older lot and a later day win near
//! ties. Noise on that score makes the rebuilds of the search differ.

use super::problem::{Family, Problem};
use super::random::Random;
use super::state::{Run, State};

/// Scores are minutes per covered unit times this scale, so that whole numbers tell them apart.
const SCALE: i64 = 1 << 40;
/// Weights on a score are in thousandths.
const PLAIN: i64 = 1_000;

/// One way to serve the urgent item.
struct Choice {
    score: i64,
    run: Run,
}

/// Units still open per item, and which items nothing serves any more.
pub(super) struct Open {
    left: Vec<i64>,
    dead: Vec<bool>,
}

impl Open {
    /// Working memory for [`build`].
    pub(super) fn new() -> Self {
        Self {
            left: Vec::new(),
            dead: Vec::new(),
        }
    }

    fn start(&mut self, family: &Family) {
        self.left.clear();
        self.left.extend(family.items.iter().map(|w| w.units));
        self.dead.clear();
        self.dead.resize(family.items.len(), false);
        for s in &family.fixed {
            self.give(family, s.day, s.place, s.units);
        }
    }

    fn give(&mut self, family: &Family, day: i64, place: usize, mut units: i64) {
        for (w, left) in family.items.iter().zip(&mut self.left) {
            if units > 0 && *left > 0 && w.accepts(day, place) {
                let given = units.min(*left);
                *left -= given;
                units -= given;
            }
        }
    }

    fn wanted(&self, family: &Family, day: i64, place: usize) -> i64 {
        family
            .items
            .iter()
            .zip(&self.left)
            .filter(|(w, _)| w.accepts(day, place))
            .map(|(_, left)| left)
            .sum()
    }
}

/// Serves the family's open items with new runs; `noise` is in thousandths of the score. The family must have no runs.
pub(super) fn build(
    state: &mut State,
    family: usize,
    open: &mut Open,
    random: &mut Random,
    noise: i64,
) {
    let problem = state.problem;
    let f = &problem.families[family];
    open.start(f);
    while let Some(urgent) = (0..f.items.len()).find(|j| open.left[*j] > 0 && !open.dead[*j]) {
        let Some(choice) = best_choice(state, family, urgent, open, random, noise) else {
            open.dead[urgent] = true;
            continue;
        };
        let way = &f.ways[choice.run.way];
        state.add(family, choice.run);
        open.give(
            f,
            problem.day[problem.slots[choice.run.slot].day],
            way.place,
            choice.run.charge * way.rate,
        );
    }
    state.weigh(family);
}

fn best_choice(
    state: &State,
    family: usize,
    urgent: usize,
    open: &Open,
    random: &mut Random,
    noise: i64,
) -> Option<Choice> {
    let problem = state.problem;
    let f = &problem.families[family];
    let want = &f.items[urgent];
    let mut best: Option<Choice> = None;
    for day in problem.plan_days(want) {
        let mut wanted = (usize::MAX, 0);
        for (n, way) in f.ways.iter().enumerate() {
            if day < way.from || !want.lots[way.place] || state.green[way.lot] < way.least {
                continue;
            }
            let slot = problem.slot(way.roaster, day);
            let spare = state.room(slot) - state.startup(slot) - state.change(family, slot, n);
            if spare < way.cycle {
                continue;
            }
            if wanted.0 != way.place {
                wanted = (way.place, open.wanted(f, problem.day[day], way.place));
            }
            let late = want.to.min(problem.day[problem.days - 1]) - problem.day[day];
            for run in runs(
                state,
                f,
                Run {
                    slot,
                    way: n,
                    batches: spare / way.cycle,
                    charge: 0,
                },
                wanted.1,
            ) {
                let score = score(
                    state,
                    family,
                    &run,
                    wanted.1,
                    late,
                    PLAIN + random.whole(noise + 1),
                );
                if best.as_ref().is_none_or(|b| score < b.score) {
                    best = Some(Choice { score, run });
                }
            }
        }
    }
    best
}

/// The runs worth trying in a stream that has room for `most.batches`: enough for all that is wanted, one less, one.
fn runs(state: &State, f: &Family, most: Run, wanted: i64) -> impl Iterator<Item = Run> + use<> {
    let way = &f.ways[most.way];
    let (least, full, step) = (way.least, way.most, way.step);
    let green = state.green[way.lot];
    let need = ceil_div(wanted, way.rate * step) * step;
    let enough = ceil_div(need, full).max(1);
    let cap = most.batches.min(green / least);
    let mut counts = [cap.min(enough), cap.min((enough - 1).max(1)), cap.min(1)];
    if counts[1] == counts[0] {
        counts[1] = 0;
    }
    if counts[2] == counts[1] || counts[2] == counts[0] {
        counts[2] = 0;
    }
    counts.into_iter().filter(|n| *n > 0).map(move |n| {
        let charge = need.max(n * least).min(n * full).min(green / step * step);
        Run {
            batches: n,
            charge,
            ..most
        }
    })
}

fn score(state: &State, family: usize, run: &Run, wanted: i64, late: i64, noisy: i64) -> i64 {
    let problem = state.problem;
    let way = &problem.families[family].ways[run.way];
    let minutes =
        run.batches * way.cycle + state.startup(run.slot) + state.change(family, run.slot, run.way);
    let covered = wanted.min(run.charge * way.rate).max(1);
    let bin = &problem.lots[way.lot];
    let mut weight = PLAIN + 4 * (bin.weight - 20) + 2 * late;
    if bin.stranded(state.green[way.lot] - run.charge) > 0 {
        weight += 10;
    }
    (minutes.saturating_mul(SCALE) / covered).saturating_mul(weight) / PLAIN * noisy / PLAIN
}

/// a / b rounded up, for b > 0 and a >= 0.
pub(super) fn ceil_div(a: i64, b: i64) -> i64 {
    (a + b - 1) / b
}

/// Every family once, the heaviest demand first.
pub(super) fn order(problem: &Problem) -> Vec<usize> {
    let weight = |f: &usize| -> i64 {
        problem.families[*f]
            .items
            .iter()
            .map(|w| w.units * w.priority)
            .sum()
    };
    let mut order: Vec<usize> = (0..problem.families.len()).collect();
    order.sort_by_key(|f| (-weight(f), *f));
    order
}
