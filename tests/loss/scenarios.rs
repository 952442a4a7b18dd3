//! Simulated histories with known truth (tests/reference/loss): the learner against an observer who knows all spreads, errors and shifts.

use std::collections::HashMap;

use outturn::loss::{Learner, Outcome, Settings, csv};

use crate::support::rows;

/// A history replayed, row by row beside the truth.
struct Scored {
    learner: Learner,
    truth: Vec<HashMap<String, String>>,
    green_roasted: Vec<[f64; 2]>,
}

fn number(row: &HashMap<String, String>, column: &str) -> f64 {
    row[column]
        .parse()
        .unwrap_or_else(|_| panic!("{column}: {}", row[column]))
}

fn scored(name: &str) -> Scored {
    let path = format!("{}/tests/loss/data/{name}.csv", env!("CARGO_MANIFEST_DIR"));
    let batches = csv::read_batches(&std::fs::read_to_string(path).expect("file")).expect("sound");
    let learner = csv::replay(&batches, Settings::default()).expect("in order");
    let green_roasted = batches
        .iter()
        .map(|b| [b.batch.weights.green_g(), b.batch.weights.roasted_g])
        .collect();
    Scored {
        learner,
        truth: rows(&format!("{name}-truth.csv")),
        green_roasted,
    }
}

/// False flags, coverage of the central 95 %, and mean log deficit with its standard error, over batches in control.
struct Score {
    batches: f64,
    flags: f64,
    coverage: f64,
    deficit: f64,
    error: f64,
}

impl Scored {
    fn in_control(&self) -> Score {
        let (mut flags, mut covered, mut deficits) = (0.0, 0.0, Vec::new());
        for (judged, truth) in self
            .learner
            .judged()
            .iter()
            .zip(&self.truth)
            .filter(|(_, t)| t["kind"] == "ok" && t["shift"].is_empty())
        {
            let v = &judged.verdict;
            let (z, best) = (
                (v.loss - v.mean) / v.sd,
                (v.loss - number(truth, "oracle_mean")) / number(truth, "oracle_sd"),
            );
            flags += f64::from(u8::from(v.outcome != Outcome::Ok));
            covered += f64::from(u8::from(z.abs() <= 1.959_964));
            deficits.push(0.5 * (z * z - best * best) + (v.sd / number(truth, "oracle_sd")).ln());
        }
        let n = f64::from(u32::try_from(deficits.len()).expect("few"));
        let deficit = deficits.iter().sum::<f64>() / n;
        let error = (deficits
            .iter()
            .map(|d| (d - deficit) * (d - deficit))
            .sum::<f64>()
            / (n - 1.0)
            / n)
            .sqrt();
        Score {
            batches: n,
            flags,
            coverage: covered / n,
            deficit,
            error,
        }
    }

    /// Errors over five of the observer's sds: how many, flagged, and named first.
    fn large_errors(&self) -> [u32; 3] {
        let mut counts = [0; 3];
        for ((judged, truth), [green, roasted]) in self
            .learner
            .judged()
            .iter()
            .zip(&self.truth)
            .zip(&self.green_roasted)
        {
            if truth["kind"] == "ok" || truth["kind"] == "wrong_lot" {
                continue;
            }
            let moved = (roasted / green).ln()
                - (number(truth, "right_roasted_g") / number(truth, "right_green_g")).ln();
            if moved.abs() * (1.0 - number(truth, "oracle_mean")) / number(truth, "oracle_sd")
                <= 5.0
            {
                continue;
            }
            counts[0] += 1;
            counts[1] += u32::from(judged.verdict.outcome != Outcome::Ok);
            counts[2] += u32::from(
                judged
                    .explanations
                    .first()
                    .is_some_and(|e| e.cause.word() == truth["kind"]),
            );
        }
        counts
    }
}

/// P(X >= k) for a Poisson law of mean m, a close upper bound of the binomial's here.
fn tail(k: f64, m: f64) -> f64 {
    let (mut term, mut below, mut i) = ((-m).exp(), 0.0, 0.0);
    while i < k {
        below += term;
        i += 1.0;
        term *= m / i;
    }
    1.0 - below
}

/// `reference` is the deficit of the reference learner on the same batches (`oracle.py replay`).
fn assert_good(score: &Score, reference: f64) {
    assert!(
        tail(score.flags, 0.0027 * score.batches) > 0.0005,
        "{} false flags in {}",
        score.flags,
        score.batches
    );
    assert!(
        (0.92..=0.97).contains(&score.coverage),
        "coverage {}",
        score.coverage
    );
    assert!(
        score.deficit <= reference + 0.005 + 2.0 * score.error,
        "deficit {} +- {} against {reference}",
        score.deficit,
        score.error
    );
}

#[test]
fn a_first_year() {
    assert_good(&scored("first-year").in_control(), 0.0155);
}

#[test]
fn a_history_full_of_mistakes() {
    let dirty = scored("dirty");
    assert_good(&dirty.in_control(), REFERENCE_DIRTY);
    let [large, flagged, named] = dirty.large_errors();
    assert!(
        large > 50 && flagged == large,
        "{flagged} of {large} flagged"
    );
    assert!(100 * named >= 84 * large, "{named} of {large} named first");
}

/// Reference learner on the first 1,500 batches of the scenario.
const REFERENCE_DIRTY: f64 = 0.0106;
