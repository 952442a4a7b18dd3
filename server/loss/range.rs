//! Expected range of a loss, and the verdict on a weighed batch.
//!
//! With log-yield mean m, variance S (state, batch noise, weighing), tail scale c and Student quantile q:
//!
//! ```text
//!     lo, hi = 1 - exp(m +- q c sqrt(S))      mean = 1 - exp(m + c^2 S/2)      sd = exp(m) c sqrt(S df/(df - 2))
//! ```
//!
//! S contains the weighing, so that no range is tighter than the scales can tell.

use serde::{Deserialize, Serialize};

use super::weighing;

/// What a batch is expected to lose, with all that is needed to compute its range again elsewhere.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Prediction {
    /// Expected loss, a fraction.
    pub mean_loss: f64,
    /// Its sd.
    pub sd_loss: f64,
    /// Lower end of the range.
    pub lo: f64,
    /// Upper end of the range.
    pub hi: f64,
    /// Two-sided probability that a sound batch falls outside.
    pub alpha: f64,
    /// m: expected ln(roasted/green).
    pub log_yield: f64,
    /// S without the weighing.
    pub variance: f64,
    /// The share of S that comes from what is not known of the effects; the batches of a plan have it in common.
    pub shared_variance: f64,
    /// Batch-to-batch sd of the style.
    pub noise_sd: f64,
    /// q c: half-width of the range in units of sqrt(S).
    pub reach: f64,
    /// c: scale of the tails.
    pub scale: f64,
    /// Degrees of freedom of the range.
    pub df: f64,
    /// Moisture offset ln(1 - w), contained in `log_yield`.
    pub moisture_offset: f64,
    /// Green readings that make up the charge.
    pub readings: usize,
    /// Division of the scale that weighs the green, grams.
    pub division_in_g: f64,
    /// Division of the scale that weighs the roast, grams.
    pub division_out_g: f64,
    /// Bounds of a loss that can be.
    pub possible_loss: [f64; 2],
    /// Names the state of the learner that predicted.
    pub state_key: String,
}

/// What the weights of a batch say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// Inside the range.
    Ok,
    /// More loss than expected.
    More,
    /// Less loss than expected.
    Less,
    /// A loss that cannot be.
    Impossible,
}

impl Outcome {
    /// The word for it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::More => "more",
            Self::Less => "less",
            Self::Impossible => "impossible",
        }
    }
}

/// Judgement of a weighed batch beside its expected range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// The judgement.
    pub outcome: Outcome,
    /// Loss as weighed.
    pub loss: f64,
    /// Lower end of the range for these weights.
    pub lo: f64,
    /// Upper end of the range.
    pub hi: f64,
    /// Expected loss.
    pub mean: f64,
    /// Its sd.
    pub sd: f64,
    /// Two-sided probability that a sound batch is flagged.
    pub alpha: f64,
}

/// mean, sd, lo, hi of the loss for a log-yield law.
pub(super) fn loss_law(log_yield: f64, variance: f64, scale: f64, reach: f64, df: f64) -> [f64; 4] {
    let spread = scale * scale * variance;
    let heavy = if df > 2.5 { df / (df - 2.0) } else { 5.0 };
    let half = reach * variance.sqrt();
    [
        -libm::expm1(log_yield + 0.5 * spread),
        libm::exp(log_yield) * (spread * heavy).sqrt(),
        -libm::expm1(log_yield + half),
        -libm::expm1(log_yield - half),
    ]
}

impl Prediction {
    /// Variance of the log-yield for given readings.
    #[must_use]
    pub fn variance_with_scales(&self, green_g: f64, roasted_g: f64) -> f64 {
        self.variance
            + weighing::variance(
                self.readings,
                green_g,
                self.division_in_g,
                roasted_g,
                self.division_out_g,
            )
    }

    /// Judges a batch by its readings, grams. Readings that are not positive and finite are impossible.
    #[must_use]
    pub fn judge(&self, green_g: f64, roasted_g: f64) -> Verdict {
        let sound =
            green_g > 0.0 && roasted_g > 0.0 && green_g.is_finite() && roasted_g.is_finite();
        let loss = if sound {
            1.0 - roasted_g / green_g
        } else {
            f64::NAN
        };
        let possible = sound && loss >= self.possible_loss[0] && loss <= self.possible_loss[1];
        let [mean, sd, lo, hi] = if sound {
            loss_law(
                self.log_yield,
                self.variance_with_scales(green_g, roasted_g),
                self.scale,
                self.reach,
                self.df,
            )
        } else {
            [self.mean_loss, self.sd_loss, self.lo, self.hi]
        };
        let outcome = if !possible {
            Outcome::Impossible
        } else if loss > hi {
            Outcome::More
        } else if loss < lo {
            Outcome::Less
        } else {
            Outcome::Ok
        };
        Verdict {
            outcome,
            loss,
            lo,
            hi,
            mean,
            sd,
            alpha: self.alpha,
        }
    }
}
