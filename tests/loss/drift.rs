//! CUSUM against published examples and run lengths; a steady random walk is an EWMA.

use outturn::loss::{Fact, Learner, Question, Side, Weights};
use serde_json::Value;

use crate::support::{DAY, batch, close, data, lot, number, rows, style};

fn value(row: &std::collections::HashMap<String, String>, column: &str) -> f64 {
    row[column]
        .parse()
        .unwrap_or_else(|_| panic!("{column}: {}", row[column]))
}

/// Heights of both sides after each value of a series, and the places above h.
fn cusum(series: &[f64], target: f64, allowance: f64, h: f64) -> (Vec<[f64; 2]>, Vec<usize>) {
    let mut sides = [Side::default(), Side::default()];
    let mut above = Vec::new();
    let heights = series
        .iter()
        .enumerate()
        .map(|(i, x)| {
            sides[0].step(x - target, i, allowance, h, f64::INFINITY);
            sides[1].step(target - x, i, allowance, h, f64::INFINITY);
            if sides[0].height > h || sides[1].height > h {
                above.push(i + 1);
            }
            sides.map(|side| side.height)
        })
        .collect();
    (heights, above)
}

/// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: columns printed to two places, high signals from group 14 on.
#[test]
fn nist_handbook_cusum() {
    let rows = rows("nist-cusum.csv");
    let answers: Value = data("nist-spc-answers.json")["cusum"].clone();
    let series: Vec<f64> = rows.iter().map(|row| value(row, "x")).collect();
    let (heights, above) = cusum(
        &series,
        number(&answers["target"]),
        number(&answers["k"]),
        number(&answers["h"]),
    );
    for (row, [high, low]) in rows.iter().zip(heights) {
        assert!(
            (high - value(row, "s_high")).abs() < 0.0061
                && (low - value(row, "s_low")).abs() < 0.0061,
            "{row:?} {high} {low}"
        );
    }
    let expected: Vec<usize> = answers["high_signals"]
        .as_array()
        .expect("list")
        .iter()
        .map(|v| usize::try_from(v.as_u64().expect("group")).expect("small"))
        .collect();
    assert_eq!(above, expected);
}

/// Montgomery and Runger, Applied Statistics and Probability for Engineers, table 16-8: both columns exactly, no signal at H = 10.
#[test]
fn textbook_cusum() {
    let rows = rows("textbook-cusum.csv");
    let series: Vec<f64> = rows.iter().map(|row| value(row, "x")).collect();
    let (heights, above) = cusum(&series, 99.0, 1.0, 10.0);
    for (row, [high, low]) in rows.iter().zip(heights) {
        close(high, value(row, "upper"), 1e-9);
        close(low, value(row, "lower"), 1e-9);
    }
    assert!(above.is_empty());
}

/// Montgomery, Introduction to Statistical Quality Control: 30 values whose last ten come from a mean one sd higher. CUSUM with k = 1/2
/// passes 5 at the 29th.
#[test]
fn textbook_shift() {
    let rows = rows("textbook-ewma.csv");
    let series: Vec<f64> = rows.iter().map(|row| value(row, "x")).collect();
    let (heights, above) = cusum(&series, 10.0, 0.5, 5.0);
    for (row, [high, low]) in rows.iter().zip(heights) {
        close(high, value(row, "cusum_upper_k0.5"), 0.0051);
        close(low, value(row, "cusum_lower_k0.5"), 0.0051);
    }
    assert_eq!(above.first(), Some(&29));
}

/// Seeded standard normal deviates by Box and Muller over a xorshift generator.
struct Normal(u64);

impl Normal {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (f64::from(u32::try_from(self.0 >> 32).expect("32 bits")) + 0.5) / 4_294_967_296.0
    }

    fn next(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// Published average run lengths: Page 1954, Brook and Evans 1972, Lucas and Crosier 1982 (from a zero start); within four standard errors of
/// 4,000 simulated runs and the last printed place.
#[test]
fn published_run_lengths_of_cusum() {
    let mut normal = Normal(0x2545_f491_4f6c_dd1d);
    let mut checked = 0;
    for row in rows("arl-cusum.csv") {
        let published: f64 = match row["arl_published"].parse() {
            Ok(published) if row["head_start"] == "0" => published,
            _ => continue,
        };
        let (k, h, shift) = (
            value(&row, "k"),
            value(&row, "h"),
            value(&row, "shift_sigma"),
        );
        let runs = 4_000_u32;
        let (mut sum, mut squares) = (0.0, 0.0);
        for _ in 0..runs {
            let mut sides = [Side::default(), Side::default()];
            let mut length = 0.0;
            loop {
                let z = normal.next() + shift;
                length += 1.0;
                let up = sides[0].step(z, 0, k, h, f64::INFINITY).notice;
                let down = sides[1].step(-z, 0, k, h, f64::INFINITY).notice;
                if up || (down && row["sided"] == "two") {
                    break;
                }
            }
            sum += length;
            squares += length * length;
        }
        let n = f64::from(runs);
        let mean = sum / n;
        let error = ((squares / n - mean * mean) / n).sqrt();
        assert!(
            (mean - published).abs() < 4.0 * error + 0.006 * published,
            "{row:?}: simulated {mean} +- {error}"
        );
        checked += 1;
    }
    assert!(checked >= 25, "{checked}");
}

/// A learner in which only one lot's effect moves, with the gain lambda from the first batch on: prior variance R lambda/(1 - lambda), walk
/// R lambda^2/(1 - lambda) per day, R the noise. Its expected log-yield is then the EWMA of the batches.
fn steady(lambda: f64, noise: f64) -> Learner {
    let r = noise * noise;
    let lot = (r * lambda / (1.0 - lambda)).sqrt();
    let walk = (r * lambda * lambda / (1.0 - lambda)).sqrt();
    Learner::new(crate::support::only_lots(lot, walk, noise))
}

/// Adds a batch of the i-th day whose log-yield lies so far from the style's, and tells where the next is expected.
fn next_day(learner: &mut Learner, i: i64, deviation: f64) -> f64 {
    let the_lot = lot("l", "d", 0);
    let mut made = batch(
        &format!("{i:06}"),
        i * DAY,
        the_lot.clone(),
        1e6,
        1e6 * 0.85 * deviation.exp(),
    );
    made.weights = Weights {
        division_in_g: 0.0,
        division_out_g: 0.0,
        ..made.weights
    };
    learner.append(Fact::Batch(made));
    let question = Question {
        lot: the_lot,
        style: style("filter", 0.15),
        roaster: "north".into(),
        minute: i * DAY,
        charges_g: vec![1e6],
        division_in_g: 0.0,
        division_out_g: 0.0,
    };
    learner.predict(&question).log_yield - 0.85_f64.ln()
}

/// The EWMA column of the textbook's 30 values (lambda 0.1).
#[test]
fn a_steady_walk_is_an_ewma() {
    let (unit, mut learner) = (0.004, steady(0.1, 0.004));
    for (i, row) in rows("textbook-ewma.csv").iter().enumerate() {
        let day = i64::try_from(i).expect("small");
        let expected = next_day(&mut learner, day, unit * (value(row, "x") - 10.0));
        close(10.0 + expected / unit, value(row, "ewma_lambda_0.1"), 2e-6);
    }
}

/// Lucas and Saccucci 1990: run lengths of the EWMA with lambda 0.5 and limits of 3.071 asymptotic sds.
#[test]
fn published_run_lengths_of_ewma() {
    let (lambda, limit, unit) = (0.5_f64, 3.071, 0.001);
    let fresh = steady(lambda, unit);
    let bound = limit * (lambda / (2.0 - lambda)).sqrt() * unit;
    let mut normal = Normal(0x9e37_79b9_7f4a_7c15);
    for row in rows("arl-ewma.csv").iter().filter(|row| {
        row["lambda"] == "0.5" && ["1.5", "2", "3"].contains(&row["shift_sigma"].as_str())
    }) {
        let (mut sum, mut squares, runs) = (0.0, 0.0, 600_u32);
        for _ in 0..runs {
            let mut learner = fresh.clone();
            let length = (0..100_000)
                .find(|&i| {
                    next_day(
                        &mut learner,
                        i,
                        unit * (normal.next() + value(row, "shift_sigma")),
                    )
                    .abs()
                        > bound
                })
                .expect("ends");
            let length = f64::from(i32::try_from(length).expect("short")) + 1.0;
            sum += length;
            squares += length * length;
        }
        let n = f64::from(runs);
        let (mean, published) = (sum / n, value(row, "arl_published"));
        let error = ((squares / n - mean * mean) / n).sqrt();
        assert!(
            (mean - published).abs() < 4.0 * error + 0.006,
            "{row:?}: simulated {mean} +- {error}"
        );
    }
}
