//! How heavy the tails of the noise are: a Student-t law with a scale of its own for the standardised innovations, beside a share of gross errors.

use serde::{Deserialize, Serialize};

use super::fit::GROSS_DENSITY;
use super::student;

/// Share of gross errors beside the law.
const GROSS_SHARE: f64 = 0.02;
/// Fewer innovations than this say nothing about tails.
const FEWEST: usize = 256;
/// Values of 1/nu tried.
const GRID: [f64; 8] = [0.02, 0.05, 0.08, 0.11, 0.14, 0.17, 0.2, 0.25];
/// Mean of the exponential prior on 1/nu.
const PRIOR_MEAN: f64 = 0.08;

/// Law of a standardised innovation: z = scale * t with 1/df = `inverse_df`; 0 is the normal law.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Tail {
    pub inverse_df: f64,
    pub scale: f64,
}

impl Default for Tail {
    fn default() -> Self {
        Self {
            inverse_df: 0.0,
            scale: 1.0,
        }
    }
}

/// Factor on the noise with which a batch at z sds is learned under heavy tails, (1 + u z^2)/(1 + u), at least 1: the weight that a
/// Student-t observation has in the estimate of its location (Lange, Little and Taylor 1989).
pub(super) fn dilution(tail: Tail, z: f64) -> f64 {
    let (u, z) = (tail.inverse_df, z / tail.scale);
    ((1.0 + u * z * z) / (1.0 + u)).max(1.0)
}

/// The law that fits innovations of given variances best.
pub(super) fn fit(innovations: &[f64], variances: &[f64]) -> Tail {
    if innovations.len() < FEWEST {
        return Tail::default();
    }
    let points: Vec<(f64, f64)> = innovations
        .iter()
        .zip(variances)
        .map(|(e, s)| (e * e / s, GROSS_SHARE * GROSS_DENSITY * s.sqrt()))
        .collect();
    let (mut best, mut least) = (Tail::default(), misfit(&points, 0.0, 1.0).0);
    for u in GRID {
        let (scale, value) = best_scale(&points, u);
        if value + u / PRIOR_MEAN < least {
            (best, least) = (
                Tail {
                    inverse_df: u,
                    scale,
                },
                value + u / PRIOR_MEAN,
            );
        }
    }
    best
}

/// Negative log likelihood of squared scores beside gross errors, and the score for ln c.
fn misfit(points: &[(f64, f64)], u: f64, scale: f64) -> (f64, f64) {
    let front = (1.0 - GROSS_SHARE) * libm::exp(student::log_density_at_zero(u)) / scale;
    let (mut log, mut slope) = (0.0, 0.0);
    for chunk in points.chunks(32) {
        let mut product = 1.0;
        for &(square, gross) in chunk {
            let x2 = square / (scale * scale);
            let sound = front * libm::exp(student::log_kernel(u, x2));
            product *= sound + gross;
            slope += sound / (sound + gross) * ((1.0 + u) * x2 / (1.0 + u * x2) - 1.0);
        }
        log += libm::log(product);
    }
    (-log, slope)
}

/// Scale of the best fit for one 1/nu by Fisher scoring, and its misfit.
fn best_scale(points: &[(f64, f64)], u: f64) -> (f64, f64) {
    let n = f64::from(u32::try_from(points.len()).unwrap_or(u32::MAX));
    let information = 2.0 * n / (1.0 + 3.0 * u);
    let mut scale = 1.0 - u;
    for _ in 0..8 {
        let (_, slope) = misfit(points, u, scale);
        let step = slope / information;
        scale = (scale * libm::exp(step)).clamp(0.5, 1.5);
        if step.abs() < 1e-3 {
            break;
        }
    }
    (scale, misfit(points, u, scale).0)
}
