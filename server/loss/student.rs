//! Normal and Student-t tails: how far out a given probability lies.

use std::f64::consts::{PI, SQRT_2};

/// ln sqrt(2 pi).
pub(super) const LN_SQRT_2PI: f64 = 0.918_938_533_204_672_8;

/// P(Z > z) of the standard normal law.
#[must_use]
pub fn normal_tail(z: f64) -> f64 {
    0.5 * libm::erfc(z / SQRT_2)
}

/// z with P(Z <= z) = p, 0 < p < 1: a rational start (Acklam 2003, relative error 1e-9) and one Halley step on erfc.
#[must_use]
pub fn normal_quantile(p: f64) -> f64 {
    const A: [f64; 6] = [
        -39.696_830_286_653_76,
        220.946_098_424_520_5,
        -275.928_510_446_968_7,
        138.357_751_867_269,
        -30.664_798_066_147_16,
        2.506_628_277_459_239,
    ];
    const B: [f64; 6] = [
        -54.476_098_798_224_06,
        161.585_836_858_040_9,
        -155.698_979_859_886_6,
        66.801_311_887_719_72,
        -13.280_681_552_885_72,
        1.0,
    ];
    const C: [f64; 6] = [
        -0.007_784_894_002_430_293,
        -0.322_396_458_041_136_5,
        -2.400_758_277_161_838,
        -2.549_732_539_343_734,
        4.374_664_141_464_968,
        2.938_163_982_698_783,
    ];
    const D: [f64; 5] = [
        0.007_784_695_709_041_462,
        0.322_467_129_070_039_8,
        2.445_134_137_142_996,
        3.754_408_661_907_416,
        1.0,
    ];
    let poly = |coefficients: &[f64], x: f64| coefficients.iter().fold(0.0, |sum, c| sum * x + c);
    let tail = p.min(1.0 - p);
    let start = if tail < 0.02425 {
        let q = (-2.0 * libm::log(tail)).sqrt();
        (poly(&C, q) / poly(&D, q)).abs() * if p < 0.5 { -1.0 } else { 1.0 }
    } else {
        let (q, r) = (p - 0.5, (p - 0.5) * (p - 0.5));
        q * poly(&A, r) / poly(&B, r)
    };
    let miss = if start < 0.0 {
        normal_tail(-start) - p
    } else {
        (1.0 - p) - normal_tail(start)
    };
    let step = miss * (2.0 * PI).sqrt() * libm::exp(0.5 * start * start);
    start - step / (1.0 + 0.5 * start * step)
}

/// ln of the Student-t density with 1/df = u at x; u = 0 is the normal law.
#[must_use]
pub fn log_density(u: f64, x: f64) -> f64 {
    log_density_at_zero(u) + log_kernel(u, x * x)
}

/// ln of the density at 0.
pub(super) fn log_density_at_zero(u: f64) -> f64 {
    if u <= 0.0 {
        return -LN_SQRT_2PI;
    }
    let half = 0.5 / u;
    libm::lgamma(half + 0.5) - libm::lgamma(half) - 0.5 * libm::log(PI / u)
}

/// ln of the density at x less that at 0, given x^2.
pub(super) fn log_kernel(u: f64, square: f64) -> f64 {
    if u <= 0.0 {
        -0.5 * square
    } else {
        -0.5 * (1.0 / u + 1.0) * libm::log1p(u * square)
    }
}

/// P(|T| > t) with df degrees of freedom: the regularised incomplete beta function of (df/2, 1/2) at df/(df + t^2).
#[must_use]
pub fn two_sided_tail(df: f64, t: f64) -> f64 {
    let x = df / (df + t * t);
    let (a, b) = (0.5 * df, 0.5);
    let front = libm::exp(
        libm::lgamma(a + b) - libm::lgamma(a) - libm::lgamma(b)
            + a * libm::log(x)
            + b * libm::log1p(-x),
    );
    if x < (a + 1.0) / (a + b + 2.0) {
        front * beta_fraction(a, b, x) / a
    } else {
        1.0 - front * beta_fraction(b, a, 1.0 - x) / b
    }
}

/// Continued fraction of the incomplete beta function (Abramowitz and Stegun 26.5.8) by Lentz's method.
#[expect(clippy::many_single_char_names, reason = "the symbols of the formula")]
fn beta_fraction(a: f64, b: f64, x: f64) -> f64 {
    let clear = |v: f64| if v.abs() < 1e-300 { 1e-300 } else { v };
    let (mut c, mut d) = (1.0, 1.0 / clear(1.0 - (a + b) * x / (a + 1.0)));
    let (mut h, mut m) = (d, 0.0);
    for _ in 0..10_000 {
        m += 1.0;
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        let mut change = 1.0;
        for term in [even, odd] {
            d = 1.0 / clear(1.0 + term * d);
            c = clear(1.0 + term / c);
            change = c * d;
            h *= change;
        }
        if (change - 1.0).abs() < 1e-15 {
            break;
        }
    }
    h
}

/// t with P(|T| > t) = alpha for 1/df = u, 0 <= u <= 1; u = 0 is the normal law.
#[must_use]
pub fn two_sided_quantile(alpha: f64, u: f64) -> f64 {
    let z = -normal_quantile(0.5 * alpha);
    if u < 1e-6 {
        return z + u * z * (z * z + 1.0) / 4.0;
    }
    let df = 1.0 / u;
    let (mut low, mut high) = (0.0, 2.0 * z + 1.0);
    while two_sided_tail(df, high) > alpha {
        high *= 2.0;
    }
    let mut t = (z + u * z * (z * z + 1.0) / 4.0).min(high);
    let wanted = libm::log(alpha);
    for _ in 0..100 {
        let tail = two_sided_tail(df, t);
        if tail > alpha {
            low = t;
        } else {
            high = t;
        }
        let step = tail * (libm::log(tail) - wanted) / (2.0 * libm::exp(log_density(u, t)));
        let next = if t + step > low && t + step < high {
            t + step
        } else {
            0.5 * (low + high)
        };
        if (next - t).abs() <= 1e-14 * t {
            return next;
        }
        t = next;
    }
    t
}

/// Two-sided quantiles of one alpha over 1/df in [0, 1/2]: a cubic through four points of a grid, within 1e-7 of the quantile.
#[derive(Debug, Clone, PartialEq)]
pub struct Quantiles {
    grid: Vec<f64>,
}

/// Steps of the grid per unit of 1/df.
const STEPS: f64 = 400.0;

impl Quantiles {
    /// Quantiles for a two-sided tail probability.
    #[must_use]
    pub fn new(alpha: f64) -> Self {
        let grid = (0..=204_u32)
            .map(|j| two_sided_quantile(alpha, f64::from(j) / STEPS))
            .collect();
        Self { grid }
    }

    /// Quantile at a number of degrees of freedom, at least 2.
    #[must_use]
    #[expect(clippy::many_single_char_names, reason = "the symbols of the formula")]
    pub fn at(&self, df: f64) -> f64 {
        let x = STEPS / df.max(2.0);
        let (mut j, mut left) = (1_usize, x - 1.0);
        while left >= 1.0 {
            left -= 1.0;
            j += 1;
        }
        let f = x - f64::from(u32::try_from(j).unwrap_or(0));
        let g = &self.grid[j - 1..j + 3];
        let (a, b, c, d) = (f + 1.0, f, f - 1.0, f - 2.0);
        (-b * c * d * g[0] + 3.0 * a * c * d * g[1] - 3.0 * a * b * d * g[2] + a * b * c * g[3])
            / 6.0
    }
}
