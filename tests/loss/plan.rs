//! Sums of outputs, green for a demand, contrasts and reasons.

use outturn::loss::{Fact, Learner, MassLaw, Outlook, Question, Settings, total};

use crate::support::{batch, close, data, lot, number, style};

fn outlook(case: &serde_json::Value) -> Outlook {
    let shared = number(&case["shared_sd"]);
    Outlook {
        log_yield: number(&case["eta"]),
        shared_variance: shared * shared,
        noise_sd: number(&case["noise_sd"]),
    }
}

/// By quadrature over the shared effect: the short form is within 0.02 % of it.
#[test]
fn sums_of_planned_batches() {
    let cases = data("sum-of-outputs.json");
    for case in cases["quantiles"].as_array().expect("cases") {
        let charges: Vec<f64> = case["charges_g"]
            .as_array()
            .expect("charges")
            .iter()
            .map(number)
            .collect();
        let law = outlook(case).output(&charges);
        let quantile = law.quantile_g(number(&case["p"]));
        close(quantile / number(&case["quantile_short_form_g"]), 1.0, 1e-7);
        close(quantile / number(&case["quantile_g"]), 1.0, 2e-4);
        close(law.mean_g() / number(&case["mean_g"]), 1.0, 2e-5);
        close(law.sd_g() / number(&case["sd_g"]), 1.0, 2e-3);
    }
    for case in cases["green"].as_array().expect("cases") {
        let batches = u32::try_from(case["batches"].as_u64().expect("count")).expect("small");
        let green =
            outlook(case).green_for(number(&case["demand_g"]), number(&case["service"]), batches);
        close(green / number(&case["green_short_form_g"]), 1.0, 1e-7);
        close(green / number(&case["green_g"]), 1.0, 2e-4);
    }
}

#[test]
fn a_safe_yield_is_floored_and_reached() {
    let outlook = Outlook {
        log_yield: 0.85_f64.ln(),
        shared_variance: 16e-6,
        noise_sd: 0.004,
    };
    let safe = outlook.safe_yield(0.95, 4);
    close(safe * 1e4, (safe * 1e4).round(), 1e-9);
    assert!(
        safe < outlook.mean_yield()
            && outlook.safe_yield(0.5, 4) > safe
            && outlook.safe_yield(0.95, 1) < safe
    );
    let law = outlook.output(&[12_000.0; 4]);
    assert!(
        law.probability_of(48_000.0 * safe) >= 0.95
            && law.probability_of(48_000.0 * (safe + 1e-4)) < 0.951
    );
    assert_eq!(law.bags(250.0, 0.9).map(|bags| bags > 0.0), [true; 3]);
}

fn question(id: &str, delivery: &str, minute: i64) -> Question {
    Question {
        lot: lot(id, delivery, -10),
        style: style("filter", 0.15),
        roaster: "north".into(),
        minute,
        charges_g: vec![12_000.0],
        division_in_g: 20.0,
        division_out_g: 10.0,
    }
}

/// Two lots of one delivery that differ by 0.8 points, 40 batches each.
fn siblings() -> Learner {
    let mut learner = Learner::new(Settings::default());
    for i in 0..80_u32 {
        let (id, loss) = if i % 2 == 0 {
            ("AA", 0.150)
        } else {
            ("PB", 0.158)
        };
        let wobble =
            [0.0, 0.003, -0.003, 0.001, -0.001][usize::try_from(i / 2 % 5).expect("small")];
        let made = batch(
            &format!("{i:03}"),
            i64::from(i) * 25,
            lot(id, "D", -10),
            12_000.0,
            12_000.0 * (1.0 - loss - wobble),
        );
        learner.append(Fact::Batch(made));
    }
    learner
}

#[test]
fn siblings_differ_as_their_batches_say() {
    let learner = siblings();
    let (aa, pb) = (question("AA", "D", 2_100), question("PB", "D", 2_100));
    let contrast = learner.contrast(&pb, &aa);
    assert!(
        (contrast.loss - 0.008).abs() < 2.0 * contrast.sd && contrast.sd < 0.0012,
        "{contrast:?}"
    );
    let v = learner.covariances(&[
        aa.clone(),
        pb.clone(),
        question("C", "D", 2_100),
        question("X", "E", 2_100),
    ]);
    close(v[0][0] / learner.outlook(&aa).shared_variance, 1.0, 1e-9);
    close(v[0][1], v[1][0], 1e-15);
    // A sibling to come shares more with AA than a stranger does, and is itself less known than AA.
    assert!(v[2][2] > v[0][0] && v[3][3] > v[2][2] && v[0][2] > v[0][3]);
}

#[test]
fn common_ignorance_does_not_average_out() {
    let learner = siblings();
    let questions = [question("X", "E", 2_100), question("Y", "E", 2_100)];
    let parts: Vec<(Outlook, Vec<f64>)> = questions
        .iter()
        .map(|q| (learner.outlook(q), vec![12_000.0; 5]))
        .collect();
    let together = total(&parts, &learner.covariances(&questions));
    let apart = total(&parts, &[vec![0.0; 2], vec![0.0; 2]]);
    assert!(together.sd_g() > 1.2 * apart.sd_g());
    close(together.mean_g() / apart.mean_g(), 1.0, 1e-12);
    let single: MassLaw = total(&parts[..1], &learner.covariances(&questions[..1]));
    close(
        single.log_sd / parts[0].0.output(&parts[0].1).log_sd,
        1.0,
        1e-9,
    );
}

#[test]
fn reasons_add_up_and_are_told() {
    let reasons = siblings().reasons(&question("PB", "D", 2_100));
    let sum = reasons.style
        + reasons.moisture
        + reasons.delivery
        + reasons.lot
        + reasons.roaster
        + reasons.ageing;
    assert!((sum - reasons.loss).abs() < 5e-4, "{reasons:?}");
    assert_eq!(
        (reasons.lot_batches, reasons.style_batches, reasons.measured),
        (40, 80, false)
    );
    let sentence = reasons.sentence();
    assert!(
        sentence.starts_with("15.8 % expected") && sentence.contains("its own 40 batches +0."),
        "{sentence}"
    );
}
