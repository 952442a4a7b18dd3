//! The standard deviations, by penalised marginal likelihood.
//!
//! The innovations e of a pass of the filter are independent N(0, S), so the sum of their log densities is the marginal likelihood,
//! which is REML once the style's prior is flat (Patterson and Thompson 1971; Harvey 1989). Each batch counts as a contaminated normal,
//! log[(1 - pi) N(e; 0, S) + pi/0.3], and is learned with its noise divided by its posterior probability of being sound: a plain normal
//! over the batches not held would shrink the spreads, hold more, and lock in. Log-normal priors keep what the data do not tell; they go
//! together, since a roastery that is unsteady in one thing mostly is so in others.
//!
//! Minimised by quasi-Newton steps (BFGS) that start from the outer product of the batches' scores as the curvature.

use serde::{Deserialize, Serialize};

use super::filter::{Filter, Row};
use super::learner::{Changes, Planned};
use super::settings::{Settings, Spreads};
use super::tails::{self, Tail};

/// Density of the log-yield of a gross error: anywhere in a range of 0.3.
pub(super) const GROSS_DENSITY: f64 = 1.0 / 0.3;
/// Spreads that are not noise.
const SHARED: usize = 4;
/// Which of them is the walk.
const WALK: usize = 3;
/// Correlation of the priors of all log-sds but the walk's (chosen by simulation).
const TOGETHER: f64 = 0.7;
/// Step of the numerical gradient, in log-sd.
const STEP: f64 = 1e-4;
/// Longest step of the search, in log-sd.
const LONGEST: f64 = 1.0;
/// Quasi-Newton steps at most.
const STEPS: usize = 25;
/// In the fold, a step that promises less than so many nats ends the search.
pub(super) const ENOUGH: f64 = 2e-4;

/// Estimates in force, in the fold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Fit {
    pub spreads: Spreads,
    pub tail: Tail,
    /// Estimates as distances from their prior means, in prior sds.
    scores: Vec<f64>,
}

/// Densities, innovations and variances of a pass.
#[derive(Default)]
pub(super) struct Trace {
    density: Vec<f64>,
    innovation: Vec<f64>,
    variance: Vec<f64>,
}

struct Problem<'a> {
    settings: &'a Settings,
    /// A step that promises less than so many nats ends the search.
    enough: f64,
    rows: &'a [Row],
    planned: &'a [Planned],
    from: usize,
}

fn spreads_at(settings: &Settings, scores: &[f64]) -> Spreads {
    let start = &settings.start;
    let value = |i: usize, centre: f64| {
        centre * libm::exp(settings.spread_log_sd[i.min(SHARED)] * scores[i])
    };
    Spreads {
        delivery: value(0, start.delivery),
        lot: value(1, start.lot),
        roaster: value(2, start.roaster),
        walk: value(3, start.walk),
        noise: start.noise,
        styles: (SHARED..scores.len())
            .map(|i| value(i, start.of_style(i - SHARED)))
            .collect(),
    }
}

/// The prior's precision u' Q u for scores of equal correlation r between m of them: (I - r/(1 + (m - 1) r) J)/(1 - r), and 1 for the walk.
/// Answers what stands on the diagonal for I, and what is taken off everywhere for J.
fn precision(scores: usize) -> (f64, f64) {
    let m = f64::from(u32::try_from(scores - 1).unwrap_or(u32::MAX));
    let own = 1.0 / (1.0 - TOGETHER);
    (own, own * TOGETHER / (1.0 + (m - 1.0) * TOGETHER))
}

/// Half of u' Q u.
fn penalty(scores: &[f64]) -> f64 {
    let (own, common) = precision(scores.len());
    let walk = scores[WALK];
    let (mut sum, mut squares) = (-walk, -walk * walk);
    for u in scores {
        sum += u;
        squares += u * u;
    }
    0.5 * (own * squares - common * sum * sum + walk * walk)
}

impl Problem<'_> {
    fn log_sd(&self, parameter: usize) -> f64 {
        self.settings.spread_log_sd[parameter.min(SHARED)]
    }

    /// Step of the numerical gradient, in prior sds.
    fn step(&self, parameter: usize) -> f64 {
        STEP / self.log_sd(parameter).max(0.5)
    }

    /// Penalised negative log likelihood, with the trace of the pass.
    fn value(&self, scores: &[f64], trace: &mut Trace) -> f64 {
        self.pass(&spreads_at(self.settings, scores), trace);
        let mut log = 0.0;
        for chunk in trace.density.chunks(32) {
            log += libm::log(chunk.iter().product());
        }
        let value = penalty(scores) - log;
        if value.is_finite() { value } else { 1e300 }
    }

    fn pass(&self, spreads: &Spreads, trace: &mut Trace) {
        trace.density.clear();
        trace.innovation.clear();
        trace.variance.clear();
        let mut filter = Filter::new(self.settings);
        let mut changes = Changes::from(self.planned, self.from);
        let gross = self.settings.gross;
        for (i, row) in self.rows.iter().enumerate() {
            changes.open(&mut filter, self.from + i, row, spreads, self.settings);
            if !row.counts {
                continue;
            }
            let look = filter.look(row);
            let noise_sd = spreads.of_style(row.style);
            let noise = noise_sd * noise_sd * row.shares + row.weighing;
            let (variance, innovation) = (look.state + noise, row.log_yield - look.mean);
            let sound = (1.0 - gross) * libm::exp(-0.5 * innovation * innovation / variance)
                / (2.0 * std::f64::consts::PI * variance).sqrt();
            let density = sound + gross * GROSS_DENSITY;
            let weight = sound / density;
            if weight > 1e-3 {
                filter.learn(row, &look, innovation, noise / weight);
            }
            trace.density.push(density);
            trace.innovation.push(innovation);
            trace.variance.push(variance);
        }
    }

    /// Gradient, and the outer product of scores plus the prior's curvature.
    fn slope(&self, scores: &[f64], value: f64, base: &Trace) -> (Vec<f64>, Vec<f64>) {
        let n = scores.len();
        let mut gradient = vec![0.0; n];
        let mut by_row = vec![Vec::new(); n];
        let mut trace = Trace::default();
        for i in 0..n {
            let mut moved = scores.to_vec();
            let step = self.step(i);
            moved[i] += step;
            gradient[i] = (self.value(&moved, &mut trace) - value) / step;
            by_row[i] = trace
                .density
                .iter()
                .zip(&base.density)
                .map(|(a, b)| (a / b - 1.0) / step)
                .collect();
        }
        let (own, common) = precision(n);
        let mut curvature = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..=i {
                let sum: f64 = by_row[i].iter().zip(&by_row[j]).map(|(a, b)| a * b).sum();
                let prior = match (i == WALK || j == WALK, i == j) {
                    (true, true) => 1.0,
                    (true, false) => 0.0,
                    (false, true) => own - common,
                    (false, false) => -common,
                };
                curvature[i * n + j] = sum + prior;
                curvature[j * n + i] = sum + prior;
            }
        }
        (gradient, curvature)
    }

    fn gradient(&self, scores: &[f64], value: f64) -> Vec<f64> {
        let mut trace = Trace::default();
        let mut moved = scores.to_vec();
        (0..scores.len())
            .map(|i| {
                let step = self.step(i);
                moved[i] = scores[i] + step;
                let slope = (self.value(&moved, &mut trace) - value) / step;
                moved[i] = scores[i];
                slope
            })
            .collect()
    }

    fn minimise(&self, scores: &mut Vec<f64>, trace: &mut Trace) {
        let mut value = self.value(scores, trace);
        let (mut gradient, mut curvature) = self.slope(scores, value, trace);
        for _ in 0..STEPS {
            let mut step = solve(&curvature, &gradient);
            let gain: f64 = step.iter().zip(&gradient).map(|(s, g)| s * g).sum();
            if gain < 2.0 * self.enough {
                break;
            }
            let longest = step
                .iter()
                .enumerate()
                .fold(0.0_f64, |most, (i, s)| most.max((s * self.log_sd(i)).abs()));
            let mut scale = (LONGEST / longest).min(1.0);
            let (moved, reached) = loop {
                let moved: Vec<f64> = scores
                    .iter()
                    .zip(&step)
                    .map(|(u, s)| (u - scale * s).clamp(-5.0, 5.0))
                    .collect();
                let reached = self.value(&moved, trace);
                if reached <= value - 1e-4 * scale * gain {
                    break (moved, reached);
                }
                scale *= 0.4;
                if scale < 1e-3 {
                    self.value(scores, trace);
                    return;
                }
            };
            let next = self.gradient(&moved, reached);
            for ((s, to), from) in step.iter_mut().zip(&moved).zip(scores.iter()) {
                *s = to - from;
            }
            let change: Vec<f64> = next.iter().zip(&gradient).map(|(a, b)| a - b).collect();
            update(&mut curvature, &step, &change);
            (*scores, value, gradient) = (moved, reached, next);
        }
    }
}

/// BFGS update of the curvature for a step and the change of the gradient along it.
fn update(curvature: &mut [f64], step: &[f64], change: &[f64]) {
    let n = step.len();
    let along: f64 = step.iter().zip(change).map(|(s, y)| s * y).sum();
    let bent: Vec<f64> = curvature
        .chunks_exact(n)
        .map(|line| line.iter().zip(step).map(|(b, s)| b * s).sum())
        .collect();
    let before: f64 = bent.iter().zip(step).map(|(b, s)| b * s).sum();
    if along <= 1e-10 || before <= 0.0 {
        return;
    }
    for i in 0..n {
        for j in 0..n {
            curvature[i * n + j] += change[i] * change[j] / along - bent[i] * bent[j] / before;
        }
    }
}

/// Solves A x = b for a positive definite A by Cholesky's factors.
fn solve(matrix: &[f64], right: &[f64]) -> Vec<f64> {
    let n = right.len();
    let mut l = matrix.to_vec();
    for j in 0..n {
        for i in j..n {
            let sum: f64 = (0..j).map(|k| l[i * n + k] * l[j * n + k]).sum();
            let rest = l[i * n + j] - sum;
            l[i * n + j] = if i == j {
                rest.max(1e-12).sqrt()
            } else {
                rest / l[j * n + j]
            };
        }
    }
    let mut x = right.to_vec();
    for i in 0..n {
        let sum: f64 = (0..i).map(|k| l[i * n + k] * x[k]).sum();
        x[i] = (x[i] - sum) / l[i * n + i];
    }
    for i in (0..n).rev() {
        let sum: f64 = (i + 1..n).map(|k| l[k * n + i] * x[k]).sum();
        x[i] = (x[i] - sum) / l[i * n + i];
    }
    x
}

impl Fit {
    pub fn new(settings: &Settings) -> Self {
        Self {
            spreads: settings.start.clone(),
            tail: Tail::default(),
            scores: vec![0.0; SHARED],
        }
    }

    /// All estimates, for the digest of the state.
    pub fn numbers(&self) -> impl Iterator<Item = f64> {
        self.scores
            .iter()
            .copied()
            .chain([self.tail.inverse_df, self.tail.scale])
    }

    /// Log likelihood of rows under given spreads, without priors.
    pub fn log_likelihood(
        settings: &Settings,
        rows: &[Row],
        planned: &[Planned],
        spreads: &Spreads,
    ) -> f64 {
        let mut trace = Trace::default();
        Problem {
            settings,
            enough: ENOUGH,
            rows,
            planned,
            from: 0,
        }
        .pass(spreads, &mut trace);
        trace
            .density
            .iter()
            .map(|&density| libm::log(density))
            .sum()
    }

    /// Estimates the spreads and tails anew from rows that start at place `from`. A lot begun earlier enters with its prior.
    pub fn refit(
        &mut self,
        settings: &Settings,
        rows: &[Row],
        planned: &[Planned],
        from: usize,
        styles: usize,
        enough: f64,
    ) {
        self.scores.resize(SHARED + styles, 0.0);
        let problem = Problem {
            settings,
            enough,
            rows,
            planned,
            from,
        };
        let mut trace = Trace::default();
        problem.minimise(&mut self.scores, &mut trace);
        self.spreads = spreads_at(settings, &self.scores);
        self.tail = tails::fit(&trace.innovation, &trace.variance);
    }
}
