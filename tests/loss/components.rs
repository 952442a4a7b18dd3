//! Published variance components: the learner's spreads are REML when the priors are flat and no error is expected.
//!
//! Data and answers: Davies and Goldsmith 1972 (Dyestuff section 6.4, Penicillin 6.6, Pastes table 6.5), Box and Tiao 1973 (Dyestuff2),
//! Pinheiro and Bates 2000 (Rail), lme4's reference pages; see the files for each row's source. The figures are carried to the
//! log-yield scale by y = ln 0.85 + unit (x - centre), which multiplies every sd by `unit`.

use std::collections::HashMap;

use outturn::loss::{
    Batch, Fact, Happening, Learner, Question, Review, Settings, Spreads, Weights, csv,
};

use crate::support::{close, data, lot, number, rows, style};

struct Published {
    learner: Learner,
    flat: Settings,
    unit: f64,
    centre: f64,
}

/// A learner with priors so flat that the estimates are REML. `fixed` spreads stay at their starting value.
fn flat(start: Spreads, fixed: [bool; 5]) -> Settings {
    Settings {
        alpha: 1e-12,
        possible_loss: [0.001, 0.9],
        notice_at: 1e9,
        open_at: 1e9,
        style_sd: 1.0,
        ageing_sd: 1e-12,
        start,
        spread_log_sd: fixed.map(|f| if f { 1e-9 } else { 30.0 }),
        gross: 0.0,
        ..Settings::default()
    }
}

impl Published {
    /// Observations (value, roaster, delivery, lot).
    fn new(observations: &[(f64, String, String, String)], unit: f64, settings: Settings) -> Self {
        let n = f64::from(u32::try_from(observations.len()).expect("few"));
        let centre = observations.iter().map(|o| o.0).sum::<f64>() / n;
        // While folding, the spreads stand still, so that no rule on held batches or shifts comes in.
        let mut learner = Learner::new(Settings {
            spread_log_sd: [1e-9; 5],
            ..settings.clone()
        });
        learner.append(Fact::Event {
            id: "m new".into(),
            minute: -1,
            millisecond: 0,
            what: Happening::Moisture {
                lot: "new".into(),
                reading: 0.108,
                sd: 1e-9,
            },
        });
        for (i, (value, roaster, delivery, id)) in observations.iter().enumerate() {
            // Moisture known exactly, so that lots carry no ignorance of it.
            let what = Happening::Moisture {
                lot: id.clone(),
                reading: 0.108,
                sd: 1e-9,
            };
            learner.append(Fact::Event {
                id: format!("m {id}"),
                minute: -1,
                millisecond: 0,
                what,
            });
            let roasted_g = 1e6 * 0.85 * ((value - centre) * unit).exp();
            let weights = Weights {
                charges_g: vec![1e6],
                roasted_g,
                division_in_g: 0.0,
                division_out_g: 0.0,
            };
            learner.append(Fact::Batch(Batch {
                id: format!("{i:04}"),
                minute: 0,
                millisecond: 0,
                lot: lot(id, delivery, 0).into(),
                style: style("only", 0.15).into(),
                roaster: roaster.as_str().into(),
                weights,
                teaches: true,
                review: Review::None,
            }));
        }
        Self {
            learner,
            flat: settings,
            unit,
            centre,
        }
    }

    fn reml(&self) -> Spreads {
        self.learner.estimate(&self.flat)
    }

    /// Expected value of a next observation, and its sd.
    fn expected(&self, roaster: &str, delivery: &str, id: &str) -> (f64, f64) {
        let question = Question {
            lot: lot(id, delivery, 0),
            style: style("only", 0.15),
            roaster: roaster.into(),
            minute: 0,
            charges_g: vec![1e6],
            division_in_g: 0.0,
            division_out_g: 0.0,
        };
        let prediction = self.learner.predict(&question);
        (
            self.centre + (prediction.log_yield - 0.85_f64.ln()) / self.unit,
            prediction.variance.sqrt() / self.unit,
        )
    }
}

fn answers(file: &str) -> HashMap<String, f64> {
    rows("variance-components-answers.csv")
        .into_iter()
        .filter(|row| row["data_file"] == file)
        .map(|row| {
            (
                row["quantity"].clone(),
                row["value"].parse().expect("number"),
            )
        })
        .collect()
}

fn spreads(delivery: f64, lot: f64, roaster: f64, noise: f64) -> Spreads {
    Spreads {
        delivery,
        lot,
        roaster,
        walk: 1e-12,
        noise,
        styles: Vec::new(),
    }
}

fn one_way(file: &str, group: &str, value: &str) -> Vec<(f64, String, String, String)> {
    rows(file)
        .iter()
        .map(|row| {
            (
                row[value].parse().expect("number"),
                "only".into(),
                row[group].clone(),
                row[group].clone(),
            )
        })
        .collect()
}

const LOT_AND_NOISE: [bool; 5] = [true, false, true, true, false];

#[test]
fn dyestuff() {
    let published = answers("dyestuff.csv");
    let unit = 1e-4;
    let case = Published::new(
        &one_way("dyestuff.csv", "Batch", "Yield"),
        unit,
        flat(spreads(1e-12, 0.005, 1e-12, 0.005), LOT_AND_NOISE),
    );
    let fit = case.reml();
    close(fit.lot / unit / published["reml_sd_batch"], 1.0, 2e-4);
    close(
        fit.styles[0] / unit / published["reml_sd_residual"],
        1.0,
        2e-4,
    );
}

/// At the published REML variances (1764.05 and 2451.25): BLUPs, and the REML criterion up to the constant of a flat prior.
#[test]
fn dyestuff_blups_and_criterion() {
    let published = answers("dyestuff.csv");
    let unit = 1e-4;
    let exact =
        |group: f64, noise: f64| spreads(1e-12, group.sqrt() * unit, 1e-12, noise.sqrt() * unit);
    let case = Published::new(
        &one_way("dyestuff.csv", "Batch", "Yield"),
        unit,
        flat(exact(1764.05, 2451.25), LOT_AND_NOISE),
    );
    for group in ["A", "B", "C", "D", "E", "F"] {
        let (mean, _) = case.expected("only", group, group);
        close(
            mean - published["mean"],
            published[&format!("reml_blup_{group}")],
            1e-5,
        );
    }
    let paper = data("dyestuff.json");
    let (mean, sd) = case.expected("only", "A", "A");
    close(
        mean / number(&paper["predictive"]["next_of_A"]["mean"]),
        1.0,
        1e-7,
    );
    close(
        sd / number(&paper["predictive"]["next_of_A"]["sd"]),
        1.0,
        1e-6,
    );
    let (mean, sd) = case.expected("only", "new", "new");
    close(
        mean / number(&paper["predictive"]["new_group"]["mean"]),
        1.0,
        1e-7,
    );
    close(
        sd / number(&paper["predictive"]["new_group"]["sd"]),
        1.0,
        1e-6,
    );
    // With a prior N(0, 1) on the mean, far wider than the data, the marginal likelihood is the restricted one times the prior's density
    // at its centre, 1/sqrt(2 pi); the change of unit counts once for each of the 29 contrasts.
    let mut at = exact(1764.05, 2451.25);
    at.styles = vec![at.noise];
    let criterion = -2.0 * (case.learner.log_likelihood(&at) + 29.0 * unit.ln())
        - (2.0 * std::f64::consts::PI).ln();
    close(criterion, published["reml_criterion"], 1e-4);
}

/// The group variance of Dyestuff2 is 0 by REML: the estimate runs to the bound and nothing breaks.
#[test]
fn dyestuff2_has_no_group_variance() {
    let published = answers("dyestuff2.csv");
    let unit = 1e-3;
    let case = Published::new(
        &one_way("dyestuff2.csv", "Batch", "Yield"),
        unit,
        flat(spreads(1e-12, 0.005, 1e-12, 0.005), LOT_AND_NOISE),
    );
    let fit = case.reml();
    assert!(
        fit.lot / unit < 0.05 * published["reml_sd_residual"],
        "{}",
        fit.lot / unit
    );
    close(
        fit.styles[0] / unit / published["reml_sd_residual"],
        1.0,
        1e-3,
    );
}

#[test]
fn rail() {
    let published = answers("rail.csv");
    let unit = 1e-3;
    let case = Published::new(
        &one_way("rail.csv", "Rail", "travel"),
        unit,
        flat(spreads(1e-12, 0.01, 1e-12, 0.005), LOT_AND_NOISE),
    );
    let fit = case.reml();
    close(fit.lot / unit / published["reml_sd_rail"], 1.0, 5e-4);
    close(
        fit.styles[0] / unit / published["reml_sd_residual"],
        1.0,
        5e-4,
    );
}

/// Two crossed factors: plates as lots, samples as roasters.
#[test]
fn penicillin() {
    let published = answers("penicillin.csv");
    let unit = 5e-3;
    let observations: Vec<_> = rows("penicillin.csv")
        .iter()
        .map(|row| {
            (
                row["diameter"].parse().expect("number"),
                row["sample"].clone(),
                row["plate"].clone(),
                row["plate"].clone(),
            )
        })
        .collect();
    let case = Published::new(
        &observations,
        unit,
        flat(
            spreads(1e-12, 0.005, 0.005, 0.005),
            [true, false, false, true, false],
        ),
    );
    let fit = case.reml();
    close(fit.lot / unit / published["reml_sd_plate"], 1.0, 1e-3);
    close(fit.roaster / unit / published["reml_sd_sample"], 1.0, 2e-3);
    close(
        fit.styles[0] / unit / published["reml_sd_residual"],
        1.0,
        1e-3,
    );
}

/// Nested factors: casks within deliveries.
#[test]
fn pastes() {
    let published = data("pastes.json");
    let unit = 2e-3;
    let casks = published["casks"].as_array().expect("casks");
    let observations: Vec<_> = casks
        .iter()
        .enumerate()
        .flat_map(|(i, cask)| {
            cask.as_array().expect("tests").iter().map(move |v| {
                (
                    number(v),
                    "only".to_owned(),
                    format!("d{}", i / 3),
                    format!("c{i}"),
                )
            })
        })
        .collect();
    let case = Published::new(
        &observations,
        unit,
        flat(
            spreads(0.005, 0.005, 1e-12, 0.005),
            [false, false, true, true, false],
        ),
    );
    let fit = case.reml();
    close(
        fit.delivery / unit / number(&published["sd_delivery"]),
        1.0,
        2e-3,
    );
    close(
        fit.lot / unit / number(&published["sd_cask_within"]),
        1.0,
        1e-3,
    );
    close(
        fit.styles[0] / unit / number(&published["sd_residual"]),
        1.0,
        1e-3,
    );
}

/// A made log against statsmodels' mixed linear model (styles fixed, lots random, REML): tests/reference/loss/mixedlm.py.
#[test]
fn statsmodels_mixed_model() {
    let answer = data("mixedlm.json");
    let path = format!("{}/tests/loss/data/mixedlm.csv", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(path).expect("file");
    let mut batches = csv::read_batches(&text).expect("sound");
    for logged in &mut batches {
        logged.batch.weights.division_in_g = 0.0;
        logged.batch.weights.division_out_g = 0.0;
        logged.moisture = logged.moisture.map(|(reading, _)| (reading, 1e-9));
    }
    // The moisture prior is so wide that a reading stands as it is.
    let settings = Settings {
        moisture_sd: 1.0,
        ..flat(spreads(1e-12, 0.005, 1e-12, 0.005), LOT_AND_NOISE)
    };
    let fixed = Settings {
        spread_log_sd: [1e-9; 5],
        ..settings.clone()
    };
    let fit = csv::replay(&batches, fixed)
        .expect("in order")
        .estimate(&settings);
    close(fit.lot / number(&answer["lot_sd"]), 1.0, 1e-3);
}
