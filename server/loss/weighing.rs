//! What scales can tell: the weighing variance of a log-yield, and the errors a verified scale may have.

/// Repeatability of a scale in divisions (common practice, no source).
pub const REPEATABILITY: f64 = 0.3;

/// Variance of one reading in squared divisions: rounding 1/12 and repeatability.
const READING: f64 = 1.0 / 12.0 + REPEATABILITY * REPEATABILITY;

/// Variance of ln(roasted/green) from the scales alone:
/// `(1/12 + 0.3^2)(n (d_in/g)^2 + (d_out/r)^2)` for n green readings that sum to g.
#[must_use]
pub fn variance(
    readings: usize,
    green_g: f64,
    division_in_g: f64,
    roasted_g: f64,
    division_out_g: f64,
) -> f64 {
    let n = f64::from(u32::try_from(readings).unwrap_or(u32::MAX));
    let (inward, outward) = (division_in_g / green_g, division_out_g / roasted_g);
    READING * (n * inward * inward + outward * outward)
}

/// Maximum permissible error of a class III scale with verification interval e at a load, grams: 0.5 e up to 500 e, 1 e up to
/// 2000 e, 1.5 e up to 10000 e on verification, twice that in service (OIML R 76-1:2006, table 6).
#[must_use]
pub fn permissible_error_g(interval_g: f64, load_g: f64, in_service: bool) -> f64 {
    let intervals = load_g / interval_g;
    let steps = if intervals <= 500.0 {
        0.5
    } else if intervals <= 2000.0 {
        1.0
    } else {
        1.5
    };
    steps * interval_g * if in_service { 2.0 } else { 1.0 }
}
