//! Moisture of green coffee as a known offset of the log-yield with a known variance, so that measured and unmeasured lots are one case.

use serde::{Deserialize, Serialize};

use super::settings::Settings;

/// What is known about a lot's moisture, on the log-yield scale.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Offset {
    /// ln(1 - w) at the posterior mean w of the moisture.
    pub mean: f64,
    /// Variance that the lots of a delivery share.
    pub shared: f64,
    /// Variance of the lot's own.
    pub own: f64,
}

/// Posterior mean and variance of the moisture w ~ N(prior) given a reading x of sd s:
/// w = (p m + q x)/(p + q), variance 1/(p + q), p = prior sd^-2, q = s^-2.
#[must_use]
pub fn posterior(settings: &Settings, reading: f64, sd: f64) -> (f64, f64) {
    let p = 1.0 / (settings.moisture_sd * settings.moisture_sd);
    let q = 1.0 / (sd * sd);
    (
        (p * settings.moisture + q * reading) / (p + q),
        1.0 / (p + q),
    )
}

/// Offset of a lot with a moisture reading (value, sd), or without one. Without a reading the ignorance belongs to the delivery.
#[must_use]
pub fn offset(settings: &Settings, reading: Option<(f64, f64)>) -> Offset {
    let Some((reading, sd)) = reading else {
        let dry = 1.0 - settings.moisture;
        let square = |sd: f64| (sd / dry) * (sd / dry);
        return Offset {
            mean: libm::log1p(-settings.moisture),
            shared: square(settings.moisture_sd),
            own: square(settings.moisture_sibling_sd),
        };
    };
    let (moisture, variance) = posterior(settings, reading, sd);
    Offset {
        mean: libm::log1p(-moisture),
        shared: 0.0,
        own: variance / ((1.0 - moisture) * (1.0 - moisture)),
    }
}

/// Loss by mass balance: 1 - L = (1 - green moisture)(1 - dry-matter loss)/(1 - roasted moisture), all mass fractions.
#[must_use]
pub fn loss_by_balance(green_moisture: f64, dry_loss: f64, roasted_moisture: f64) -> f64 {
    1.0 - (1.0 - green_moisture) * (1.0 - dry_loss) / (1.0 - roasted_moisture)
}
