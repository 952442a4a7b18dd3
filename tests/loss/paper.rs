//! Small problems with exact answers, worked by hand, by dense algebra or by quadrature with another program.

use outturn::loss::{
    Batch, Fact, Happening, Learner, Question, Review, Settings, Spreads, Weights, moisture,
    student, weighing,
};
use serde_json::Value;

use crate::support::{DAY, close, data, lot, number, style};

fn text(value: &Value) -> String {
    value.as_str().expect("text").to_owned()
}

/// Ten batches of known spreads, predicted one ahead: means, sds and ranges by dense algebra to 8 digits.
#[test]
#[expect(clippy::too_many_lines, reason = "one case, read from top to bottom")]
fn history_by_dense_algebra() {
    let case = data("history.json");
    let sds = &case["sds"];
    let start = Spreads {
        delivery: number(&sds["delivery"]),
        lot: number(&sds["lot"]),
        roaster: number(&sds["roaster"]),
        walk: number(&sds["walk"]),
        noise: number(&sds["noise"]["filter"]),
        styles: vec![
            number(&sds["noise"]["filter"]),
            number(&sds["noise"]["espresso"]),
        ],
    };
    // An alpha so small that nothing is held; spreads fixed by priors of no width.
    let settings = Settings {
        alpha: 1e-12,
        start,
        spread_log_sd: [1e-9; 5],
        notice_at: 1e9,
        open_at: 1e9,
        ..Settings::default()
    };
    let mut learner = Learner::new(settings);
    for (id, known) in case["lots"].as_object().expect("lots") {
        if let Some(reading) = known.get("moisture") {
            let what = Happening::Moisture {
                lot: id.clone(),
                reading: number(reading),
                sd: number(&known["moisture_sd"]),
            };
            learner.append(Fact::Event {
                id: id.clone(),
                minute: i64::MIN / 4,
                millisecond: 0,
                what,
            });
        }
    }
    let batches = case["batches"].as_array().expect("batches");
    for (i, (given, answer)) in batches
        .iter()
        .zip(case["answer"]["predictions"].as_array().expect("answers"))
        .enumerate()
    {
        let known = &case["lots"][&text(&given["lot"])];
        let style_id = text(&given["style"]);
        let question = Question {
            lot: lot(
                &text(&given["lot"]),
                &text(&known["delivery"]),
                known["received_day"].as_i64().expect("day"),
            ),
            style: style(&style_id, number(&case["styles"][&style_id]["loss"])),
            roaster: text(&given["roaster"]),
            minute: given["day"].as_i64().expect("day") * DAY,
            charges_g: vec![number(&given["green_g"])],
            division_in_g: number(&given["d_in_g"]),
            division_out_g: number(&given["d_out_g"]),
        };
        let prediction = learner.predict(&question);
        let (green, roasted) = (number(&given["green_g"]), number(&given["roasted_g"]));
        close(prediction.log_yield, number(&answer["mean_logyield"]), 1e-8);
        close(
            prediction.variance_with_scales(green, roasted).sqrt(),
            number(&answer["sd_logyield"]),
            1e-9,
        );
        let verdict = prediction.judge(green, roasted);
        close(verdict.mean, number(&answer["mean_loss"]), 1e-8);
        let weights = Weights {
            charges_g: question.charges_g.clone(),
            roasted_g: roasted,
            division_in_g: question.division_in_g,
            division_out_g: question.division_out_g,
        };
        let Question {
            lot,
            style,
            roaster,
            minute,
            ..
        } = question;
        learner.append(Fact::Batch(Batch {
            id: format!("{i:02}"),
            minute,
            millisecond: 0,
            lot: lot.into(),
            style: style.into(),
            roaster: roaster.into(),
            weights,
            teaches: true,
            review: Review::None,
        }));
    }
}

#[test]
fn moisture_posterior_and_balance() {
    let case = data("moisture.json");
    let settings = Settings::default();
    for c in case["cases"].as_array().expect("cases") {
        let (reading, sd) = (number(&c["reading"]), number(&c["reading_sd"]));
        let (mean, variance) = moisture::posterior(&settings, reading, sd);
        close(mean, number(&c["posterior"]), 1e-8);
        close(variance.sqrt(), number(&c["posterior_sd"]), 1e-9);
        let offset = moisture::offset(&settings, Some((reading, sd)));
        close(offset.mean, number(&c["offset"]), 1e-8);
        close(offset.own.sqrt(), number(&c["offset_sd"]), 1e-9);
        let unknown = moisture::offset(&settings, None);
        close(unknown.mean, number(&c["offset_if_unknown"]), 1e-8);
        close(
            unknown.shared.sqrt(),
            number(&c["offset_sd_if_unknown"]),
            1e-9,
        );
    }
    for c in case["balance"].as_array().expect("balance") {
        close(
            moisture::loss_by_balance(
                number(&c["w_green"]),
                number(&c["dry_loss"]),
                number(&c["w_roasted"]),
            ),
            number(&c["loss"]),
            1e-8,
        );
    }
}

/// Quantiles to 8 digits by `SciPy` (`scipy.stats.t.isf`, `norm.isf`).
#[test]
fn student_quantiles() {
    for c in data("student-quantiles.json")["cases"]
        .as_array()
        .expect("cases")
    {
        let inverse = c["df"].as_f64().map_or(0.0, f64::recip);
        let (alpha, q) = (number(&c["alpha"]), number(&c["q"]));
        close(student::two_sided_quantile(alpha, inverse) / q, 1.0, 6e-8);
        if inverse <= 0.5 {
            close(
                student::Quantiles::new(alpha).at(inverse.recip()) / q,
                1.0,
                2e-6,
            );
        }
    }
}

#[test]
fn weighing_uncertainty() {
    for c in data("weighing.json")["cases"].as_array().expect("cases") {
        let variance = weighing::variance(
            1,
            number(&c["in_g"]),
            number(&c["d_in_g"]),
            number(&c["out_g"]),
            number(&c["d_out_g"]),
        );
        close(variance.sqrt() / number(&c["u"]), 1.0, 1e-7);
    }
}

/// OIML R 76-1:2006, table 6.
#[test]
fn permissible_errors() {
    for c in data("verification-errors.json")["cases"]
        .as_array()
        .expect("cases")
    {
        let (e, load) = (number(&c["e_g"]), number(&c["load_g"]));
        close(
            weighing::permissible_error_g(e, load, false),
            number(&c["initial_g"]),
            1e-12,
        );
        close(
            weighing::permissible_error_g(e, load, true),
            number(&c["in_service_g"]),
            1e-12,
        );
    }
}

/// By hand: precision 1/25e-6 + 3/16e-6 = 227500, mean (187500 x 0.004)/227500.
#[test]
fn lot_posterior_by_hand() {
    let case = data("lot-posterior.json");
    let sd = |of: &str| number(&case[of]).sqrt();
    let settings = crate::support::only_lots(sd("prior_var"), 1e-12, sd("noise_var"));
    let mut learner = Learner::new(settings);
    let (the_lot, level) = (lot("l", "d", 0), 0.85_f64.ln());
    for (i, residual) in case["residuals"]
        .as_array()
        .expect("residuals")
        .iter()
        .enumerate()
    {
        let mut made = crate::support::batch(
            &format!("{i}"),
            0,
            the_lot.clone(),
            1e6,
            1e6 * (level + number(residual)).exp(),
        );
        made.weights = Weights {
            division_in_g: 0.0,
            division_out_g: 0.0,
            ..made.weights
        };
        learner.append(Fact::Batch(made));
    }
    let question = Question {
        lot: the_lot,
        style: style("filter", 0.15),
        roaster: "north".into(),
        minute: 0,
        charges_g: vec![1e6],
        division_in_g: 0.0,
        division_out_g: 0.0,
    };
    let prediction = learner.predict(&question);
    close(
        (prediction.log_yield - level) / number(&case["posterior_mean"]),
        1.0,
        1e-6,
    );
    close(
        prediction.shared_variance / number(&case["posterior_var"]),
        1.0,
        1e-6,
    );
    close(
        prediction.variance / number(&case["predictive_var_next"]),
        1.0,
        1e-6,
    );
}
