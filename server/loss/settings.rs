//! What the learner assumes before any batch was weighed, and the limits people may set.

use serde::{Deserialize, Serialize};

/// Standard deviations (sd) of the model's effects on the log-yield scale; 0.001 is about 0.085 points of loss.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Spreads {
    /// Between deliveries.
    pub delivery: f64,
    /// Between the lots of one delivery.
    pub lot: f64,
    /// Between roasters, each with its scales.
    pub roaster: f64,
    /// Random walk of a lot, per square root of a day.
    pub walk: f64,
    /// Batch to batch, for a style not yet in `styles`.
    pub noise: f64,
    /// Batch to batch, style by style in the learner's own numbering.
    pub styles: Vec<f64>,
}

impl Spreads {
    /// Batch-to-batch sd of a style.
    #[must_use]
    pub fn of_style(&self, style: usize) -> f64 {
        self.styles.get(style).copied().unwrap_or(self.noise)
    }
}

/// Settings of the learner. `Settings::default()` is what a roastery starts with.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// Two-sided probability that a sound batch is flagged.
    pub alpha: f64,
    /// A loss outside these bounds cannot be (fractions); it is never learned.
    pub possible_loss: [f64; 2],
    /// Height of the CUSUM at which a drift notice opens, in sds.
    pub notice_at: f64,
    /// Height of the CUSUM at which the effect is learned anew although nobody has spoken.
    pub open_at: f64,
    /// Allowance of the CUSUM, in sds: half the shift it is tuned to.
    pub allowance: f64,
    /// Moisture of green coffee when none was measured: mean, mass fraction.
    pub moisture: f64,
    /// Sd of the moisture between deliveries.
    pub moisture_sd: f64,
    /// Sd of the moisture between unmeasured lots of one delivery.
    pub moisture_sibling_sd: f64,
    /// Sd of the style effect about its stated loss.
    pub style_sd: f64,
    /// Sd of the ageing slope, log-yield per 30 days.
    pub ageing_sd: f64,
    /// Sd of the change that a scale adjustment or a new burner or profile may bring.
    pub event_sd: f64,
    /// Starting values of the spreads.
    pub start: Spreads,
    /// Log-sds of the log-normal priors on delivery, lot, roaster, walk, and each style's noise about the starting values.
    pub spread_log_sd: [f64; 5],
    /// Prior probability that a batch carries a gross error, in the refit of the spreads.
    pub gross: f64,
    /// Batches a refit of the spreads looks back on.
    pub window: usize,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            alpha: 0.0027,
            possible_loss: [0.04, 0.30],
            notice_at: 5.0,
            open_at: 8.0,
            allowance: 0.5,
            moisture: 0.108,
            moisture_sd: 0.008,
            moisture_sibling_sd: 0.0015,
            style_sd: 0.02,
            ageing_sd: 0.0015,
            event_sd: 0.005,
            start: Spreads {
                delivery: 0.005,
                lot: 0.005,
                roaster: 0.005,
                walk: 0.0001,
                noise: 0.005,
                styles: Vec::new(),
            },
            spread_log_sd: [0.7, 0.7, 0.7, 1.0, 0.6],
            gross: 0.01,
            window: 4000,
        }
    }
}
