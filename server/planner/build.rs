//! Builds the runs of one family: a branch and bound over whole runs, cut off after a number of trials.
//!
//! A node serves the open item with the earliest last roasting day by one more run; its branches are the streams and
//! batch counts that can, the fewest minutes (start-up and change-over included) per covered unit first, an older lot
//! and a later day first on near ties. A leaf is worth (weighted shortage, minutes). The first descent is the greedy
//! plan; further ones only look where minutes so far and the least minutes of the rest stay under the best leaf.
//! Noise on the order makes the rebuilds of the search differ.

use super::problem::{Family, Problem};
use super::random::Random;
use super::state::{Run, State};

/// Scores are minutes per covered unit times this scale, so that whole numbers tell them apart.
const SCALE: i64 = 1 << 40;
/// Weights on a score are in thousandths.
const PLAIN: i64 = 1_000;
/// Minutes in the cost of a leaf are in sixteenths, so that jitter can decide between equal ones.
const FINE: i64 = 16;

/// One more run that serves the urgent item.
#[derive(Clone, Copy)]
struct Choice {
    score: i64,
    minutes: i64,
    run: Run,
}

/// Working memory and result of [`Builder::build`].
#[derive(Default)]
pub(super) struct Builder {
    left: Vec<Vec<i64>>,
    choices: Vec<Vec<Choice>>,
    path: Vec<Run>,
    best: Vec<Run>,
    best_cost: (i64, i64),
    trials: usize,
    shake: Shake,
}

impl Builder {
    /// Serves the family's open items with new runs. The family must have no runs. After `trials` branches no further
    /// one is opened.
    pub(super) fn build(
        &mut self,
        state: &mut State,
        family: usize,
        random: &mut Random,
        shake: Shake,
        trials: usize,
    ) {
        let f = &state.problem.families[family];
        self.path.clear();
        self.best.clear();
        self.best_cost = (i64::MAX, i64::MAX);
        self.trials = trials;
        self.shake = shake;
        self.start(f);
        self.explore(state, family, random, 0, (0, 0));
        for run in std::mem::take(&mut self.best) {
            state.add(family, run);
        }
        state.weigh(family);
    }

    fn start(&mut self, f: &Family) {
        self.level(0);
        let left = &mut self.left[0];
        left.clear();
        left.extend(f.items.iter().map(|w| w.units));
        for s in &f.fixed {
            give(f, left, s.day, s.place, s.units);
        }
    }

    fn level(&mut self, depth: usize) {
        while self.left.len() <= depth {
            self.left.push(Vec::new());
            self.choices.push(Vec::new());
        }
    }

    /// Explores all ways on from here, as far as the trials last; `cost` is (weighted shortage, minutes) so far.
    fn explore(
        &mut self,
        state: &mut State,
        family: usize,
        random: &mut Random,
        depth: usize,
        cost: (i64, i64),
    ) {
        let f = &state.problem.families[family];
        let Some(urgent) = self.left[depth].iter().position(|left| *left > 0) else {
            if cost < self.best_cost {
                self.best_cost = cost;
                self.best.clone_from(&self.path);
            }
            return;
        };
        if (cost.0, cost.1 + least_minutes(f, &self.left[depth])) >= self.best_cost {
            return;
        }
        self.level(depth + 1);
        let mut choices = std::mem::take(&mut self.choices[depth]);
        choices.clear();
        let limit = if cost.0 < self.best_cost.0 {
            i64::MAX
        } else {
            self.best_cost.1 - cost.1
        };
        let mut search = Choosing {
            random,
            shake: self.shake,
            limit,
            choices: &mut choices,
        };
        let possible = search.collect(state, family, urgent, &self.left[depth]);
        state.effort += 1 + u64::try_from(choices.len()).unwrap_or(0);
        for n in 0..choices.len() {
            if n > 0 && self.trials == 0 {
                break;
            }
            self.trials = self.trials.saturating_sub(1);
            let next = best_first(&mut choices[n..]);
            self.follow(state, family, random, depth, cost, &next);
        }
        if !possible {
            self.give_up(state, family, random, depth, cost, urgent);
        }
        self.choices[depth] = choices;
    }

    fn follow(
        &mut self,
        state: &mut State,
        family: usize,
        random: &mut Random,
        depth: usize,
        cost: (i64, i64),
        choice: &Choice,
    ) {
        if (cost.0, cost.1 + choice.minutes) >= self.best_cost {
            return;
        }
        let problem = state.problem;
        let f = &problem.families[family];
        let way = &f.ways[choice.run.way];
        let (now, next) = self.left.split_at_mut(depth + 1);
        next[0].clone_from(&now[depth]);
        let day = problem.day[problem.slots[choice.run.slot].day];
        give(
            f,
            &mut next[0],
            day,
            way.place,
            choice.run.charge * way.rate,
        );
        let runs = state.families[family].runs.len();
        state.add(family, choice.run);
        let joined = state.families[family].runs.len() == runs;
        self.path.push(choice.run);
        self.explore(
            state,
            family,
            random,
            depth + 1,
            (cost.0, cost.1 + choice.minutes),
        );
        self.path.pop();
        if joined {
            state.take_back(family, choice.run);
        } else {
            state.remove(family, runs);
        }
    }

    /// Nothing serves the urgent item any more: it stays short.
    fn give_up(
        &mut self,
        state: &mut State,
        family: usize,
        random: &mut Random,
        depth: usize,
        cost: (i64, i64),
        urgent: usize,
    ) {
        let priority = state.problem.families[family].items[urgent].priority;
        let (now, next) = self.left.split_at_mut(depth + 1);
        next[0].clone_from(&now[depth]);
        let short = priority * std::mem::take(&mut next[0][urgent]);
        self.explore(state, family, random, depth + 1, (cost.0 + short, cost.1));
    }
}

/// Brings the choice with the least score to the front. Few of many choices are followed, so they are not sorted.
fn best_first(choices: &mut [Choice]) -> Choice {
    let least = (1..choices.len()).fold(0, |a, b| {
        if choices[b].score < choices[a].score {
            b
        } else {
            a
        }
    });
    choices.swap(0, least);
    choices[0]
}

fn give(f: &Family, left: &mut [i64], day: i64, place: usize, mut units: i64) {
    for (w, left) in f.items.iter().zip(left) {
        if units > 0 && *left > 0 && w.accepts(day, place) {
            let given = units.min(*left);
            *left -= given;
            units -= given;
        }
    }
}

/// No batches make all that is left in fewer minutes.
fn least_minutes(f: &Family, left: &[i64]) -> i64 {
    let units: i64 = left.iter().sum();
    f.quickest
        .map_or(0, |(minutes, made)| ceil_div(units * minutes, made) * FINE)
}

/// How the choices at a node are perturbed.
#[derive(Clone, Copy, Default)]
pub(super) struct Shake {
    /// Largest noise on the order of the choices, in thousandths of the score.
    pub noise: i64,
    /// Upper end (exclusive) of the jitter on the cost of a run, in sixteenths of a minute; at least 1.
    pub jitter: i64,
}

/// A stream that may serve the urgent item.
#[derive(Clone, Copy)]
struct Stream {
    slot: usize,
    way: usize,
    /// Minutes beside the batches that count in comparisons.
    asked: i64,
    /// Batches that room and green allow.
    most: i64,
    /// Days between this one and the last that would do.
    late: i64,
}

/// Collects the choices at a node.
struct Choosing<'a> {
    random: &'a mut Random,
    shake: Shake,
    /// Runs that take so many minutes or more lead to nothing better.
    limit: i64,
    choices: &'a mut Vec<Choice>,
}

impl Choosing<'_> {
    /// All ways to serve the urgent item by one more run that may lead to something better; false if there is no way at all.
    fn collect(&mut self, state: &State, family: usize, urgent: usize, left: &[i64]) -> bool {
        let problem = state.problem;
        let f = &problem.families[family];
        let want = &f.items[urgent];
        let mut possible = false;
        for day in problem.plan_days(want) {
            let mut wanted = usize::MAX;
            let mut needs = [0; 4];
            let late = want.to.min(problem.day[problem.days - 1]) - problem.day[day];
            for (n, way) in f.ways.iter().enumerate() {
                if day < way.from || !want.lots[way.place] || state.green[way.lot] < way.least {
                    continue;
                }
                let slot = problem.slot(way.roaster, day);
                let start = state.startup(slot);
                let change = state.change(family, slot, n);
                let spare = state.room(slot) - start - change;
                if spare < way.cycle {
                    continue;
                }
                possible = true;
                let asked = change + if state.lit == Some(slot) { 0 } else { start };
                if (way.cycle + asked) * FINE >= self.limit {
                    continue;
                }
                if wanted != way.place {
                    wanted = way.place;
                    needs = cumulated(f, left, problem.day[day], way.place);
                }
                let most = (spare / way.cycle).min(state.green[way.lot] / way.least);
                let way = n;
                self.counts(
                    state,
                    family,
                    &Stream {
                        slot,
                        way,
                        asked,
                        most,
                        late,
                    },
                    needs,
                );
            }
        }
        possible
    }

    /// The batch counts worth trying in a stream: for each partial sum of what is open, and one less than for the whole.
    fn counts(&mut self, state: &State, family: usize, stream: &Stream, needs: [i64; 4]) {
        let way = &state.problem.families[family].ways[stream.way];
        let green = state.green[way.lot] / way.step * way.step;
        // The largest charge is a whole number of steps, so rounding up to steps first changes no number of batches.
        let most = ceil_div(green, way.most);
        let for_need = |need: i64| ceil_div(need, way.rate * way.most).min(most);
        let whole = (ceil_div(needs[3], way.rate * way.step) * way.step).min(green);
        let for_all = for_need(needs[3]);
        let mut tried = [0; 5];
        for k in 0..5 {
            let batches = match k {
                3 => for_all.clamp(1, stream.most),
                4 => (for_all - 1).min(stream.most),
                _ if needs[k] == 0 || needs[k] == needs[3] => continue,
                _ => for_need(needs[k]).clamp(1, stream.most),
            };
            let minutes = (batches * way.cycle + stream.asked) * FINE;
            if batches < 1 || minutes >= self.limit || tried.contains(&batches) {
                continue;
            }
            tried[k] = batches;
            let minutes = minutes + self.random.whole(self.shake.jitter);
            let charge = whole.max(batches * way.least).min(batches * way.most);
            let (slot, way) = (stream.slot, stream.way);
            let run = Run {
                slot,
                way,
                batches,
                charge,
            };
            let noisy = PLAIN + self.random.whole(self.shake.noise + 1);
            let score = score(state, family, &run, minutes, needs[3], stream.late) * noisy / PLAIN;
            self.choices.push(Choice {
                score,
                minutes,
                run,
            });
        }
    }
}

/// What is open for a day and lot, item by item in order of the last roasting day: the first, the second and the third
/// partial sum, and the whole.
fn cumulated(f: &Family, left: &[i64], day: i64, place: usize) -> [i64; 4] {
    let mut needs = [0; 4];
    let (mut sum, mut n) = (0, 0);
    for (w, left) in f.items.iter().zip(left) {
        if *left > 0 && w.accepts(day, place) {
            sum += left;
            if n < 3 {
                needs[n] = sum;
                n += 1;
            }
        }
    }
    needs[3] = sum;
    needs
}

/// Minutes per covered unit, weighed for an older lot, a later day and a stranded rest.
fn score(state: &State, family: usize, run: &Run, minutes: i64, wanted: i64, late: i64) -> i64 {
    let problem = state.problem;
    let way = &problem.families[family].ways[run.way];
    let covered = wanted.min(run.charge * way.rate).max(1);
    let bin = &problem.lots[way.lot];
    let mut weight = PLAIN + 4 * (bin.weight - 20) + 2 * late;
    if bin.stranded(state.green[way.lot] - run.charge) > 0 {
        weight += 10;
    }
    // The weight is applied before the noise, and a thousandfold score still fits 64 bits.
    ((minutes.saturating_mul(SCALE) / covered).saturating_mul(weight) / PLAIN).min(i64::MAX / 4_000)
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
