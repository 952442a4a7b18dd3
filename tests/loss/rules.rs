//! Holding, following, notices and reviews on small histories; the range and its promises.

use outturn::loss::{
    Batch, Cause, Channel, Fact, Happening, Learner, Outcome, Question, Review, Settings, Standing,
};
use proptest::prelude::*;

use crate::support::{batch, lot, style};

/// A settled learner: `n` batches of one lot at 15 % loss with a little pattern in it.
fn settled(settings: Settings, n: u32) -> Learner {
    let mut learner = Learner::new(settings);
    for i in 0..n {
        let wobble = [0.0, 0.003, -0.003, 0.001, -0.001][usize::try_from(i % 5).expect("small")];
        learner.append(Fact::Batch(nth(i, 0.15 + wobble)));
    }
    learner
}

fn nth(i: u32, loss: f64) -> Batch {
    let minute = i64::from(i) * 25;
    batch(
        &format!("{i:05}"),
        minute,
        lot("AA", "D", -10),
        12_000.0,
        ((12_000.0 * (1.0 - loss)) / 10.0).round() * 10.0,
    )
}

fn question(minute: i64) -> Question {
    Question {
        lot: lot("AA", "D", -10),
        style: style("filter", 0.15),
        roaster: "north".into(),
        minute,
        charges_g: vec![12_000.0],
        division_in_g: 20.0,
        division_out_g: 10.0,
    }
}

#[test]
fn a_flagged_batch_is_held_until_a_person_confirms_it() {
    let before = settled(Settings::default(), 60);
    let mut held = before.clone();
    held.append(Fact::Batch(nth(60, 0.20)));
    let judged = held.judged().last().expect("judged");
    assert_eq!(
        (judged.verdict.outcome, judged.learned),
        (Outcome::More, false)
    );
    let at = 61 * 25;
    assert_eq!(
        before.predict(&question(at)).log_yield.to_bits(),
        held.predict(&question(at)).log_yield.to_bits()
    );
    let confirmed = held.preview(Fact::Batch(Batch {
        review: Review::Sound,
        ..nth(60, 0.20)
    }));
    assert!(confirmed.predict(&question(at)).mean_loss > held.predict(&question(at)).mean_loss);
}

#[test]
fn what_cannot_be_is_never_learned() {
    let mut learner = settled(Settings::default(), 30);
    for (i, loss) in [(30, -0.02), (31, 0.9), (32, 0.31), (33, 0.03)] {
        learner.append(Fact::Batch(Batch {
            review: Review::Sound,
            ..nth(i, loss)
        }));
        let judged = learner.judged().last().expect("judged");
        assert_eq!(
            (judged.verdict.outcome, judged.learned),
            (Outcome::Impossible, false)
        );
    }
}

#[test]
fn three_held_batches_that_agree_are_followed() {
    let mut learner = settled(Settings::default(), 60);
    for i in 60..63 {
        assert!(learner.notices().is_empty());
        learner.append(Fact::Batch(nth(i, 0.185)));
    }
    let notice = learner.notices().last().expect("a notice");
    assert_eq!(
        (notice.channel.clone(), notice.more_loss, notice.standing),
        (Channel::Lot("AA".into()), true, Standing::Followed)
    );
    assert_eq!(notice.since, "00060");
    assert!(
        (notice.loss_change - 0.035).abs() < 0.004,
        "{}",
        notice.loss_change
    );
    assert!(
        learner
            .judged()
            .iter()
            .rev()
            .take(3)
            .all(|judged| judged.learned)
    );
    let prediction = learner.predict(&question(64 * 25));
    assert!(
        prediction.lo < 0.185 && prediction.hi > 0.185,
        "{prediction:?}"
    );
}

#[test]
fn a_small_lasting_shift_raises_a_notice_and_is_learned_anew() {
    let mut learner = settled(Settings::default(), 200);
    let mut i = 200;
    while learner.notices().is_empty() && i < 230 {
        learner.append(Fact::Batch(nth(i, 0.157)));
        i += 1;
    }
    let notice = learner.notices().last().expect("a notice").clone();
    assert!(
        notice.more_loss && ("00198".."00204").contains(&notice.since.as_str()),
        "{notice:?}"
    );
    assert!(i <= 212, "found after {} batches", i - 200);
    let closing = Happening::NoticeClosed {
        channel: notice.channel.clone(),
        changed: true,
    };
    learner.append(Fact::Event {
        id: "closed".into(),
        minute: i64::from(i) * 25,
        millisecond: 0,
        what: closing,
    });
    let closed = learner
        .notices()
        .iter()
        .find(|n| n.channel == notice.channel)
        .expect("still told");
    assert_eq!(closed.standing, Standing::Closed);
    assert!((learner.predict(&question(i64::from(i) * 25 + 1)).mean_loss - 0.157).abs() < 0.002);
}

#[test]
fn a_scale_adjusted_opens_the_roaster_at_once() {
    let mut learner = settled(Settings::default(), 60);
    let before = learner.predict(&question(60 * 25)).shared_variance;
    learner.append(Fact::Event {
        id: "s".into(),
        minute: 60 * 25,
        millisecond: 0,
        what: Happening::ScaleAdjusted {
            roaster: "north".into(),
        },
    });
    let after = learner.predict(&question(60 * 25)).shared_variance;
    assert!((after - before - 25e-6).abs() < 1e-9, "{before} {after}");
}

/// A batch weighed before the scale was adjusted, in the same minute, was weighed on the old scale: it says nothing of the adjusted one.
#[test]
fn within_a_minute_what_happened_first_comes_first() {
    let minute = 60 * 25;
    let variance = |adjusted_at: u32, weighed_at: u32| {
        let mut learner = settled(Settings::default(), 60);
        let odd = Batch {
            millisecond: weighed_at,
            ..batch("a", minute, lot("A", "a", 0), 12_000.0, 10_220.0)
        };
        learner.append(Fact::Batch(odd));
        learner.append(Fact::Event {
            id: "z".into(),
            minute,
            millisecond: adjusted_at,
            what: Happening::ScaleAdjusted {
                roaster: "north".into(),
            },
        });
        learner.predict(&question(minute + 1)).shared_variance
    };
    let (after, before) = (variance(40_000, 20_000), variance(20_000, 40_000));
    assert!(after > before + 2e-6, "{after} {before}");
    // At the same millisecond the adjustment counts as the earlier.
    assert!((variance(20_000, 20_000) - before).abs() < 1e-15);
}

/// A later reading keeps the level that the batches taught and restarts the ageing; a first batch goes by the reading.
#[test]
fn a_later_moisture_reading_does_not_move_a_lot_that_is_known() {
    let reading = |id: &str, minute: i64, lot: &str, reading: f64| Fact::Event {
        id: id.into(),
        minute,
        millisecond: 0,
        what: Happening::Moisture {
            lot: lot.into(),
            reading,
            sd: 0.003,
        },
    };
    let mut learner = settled(Settings::default(), 60);
    let before = learner.predict(&question(61 * 25));
    learner.append(reading("m", 60 * 25, "AA", 0.118));
    let after = learner.predict(&question(61 * 25));
    assert!(
        (after.mean_loss - before.mean_loss).abs() < 0.001,
        "{} {}",
        before.mean_loss,
        after.mean_loss
    );
    let mut unknown = question(61 * 25);
    unknown.lot = lot("new", "E", -10);
    let dry = learner.predict(&unknown);
    learner.append(reading("n", 60 * 25, "new", 0.118));
    let wet = learner.predict(&unknown);
    assert!(wet.mean_loss > dry.mean_loss + 0.006 && wet.sd_loss < dry.sd_loss);
}

/// One reading over two batches is learned as their sum: the same as the sum's mean, with half the noise.
#[test]
fn several_batches_in_one_reading() {
    let mut learner = settled(Settings::default(), 60);
    let one = learner.predict(&question(61 * 25));
    let two = learner.predict(&Question {
        charges_g: vec![12_000.0; 2],
        ..question(61 * 25)
    });
    let noise = one.noise_sd * one.noise_sd;
    assert!((one.variance - two.variance - 0.5 * noise).abs() < 1e-12);
    let mut run = nth(60, 0.15);
    run.weights.charges_g = vec![12_000.0; 2];
    run.weights.roasted_g *= 2.0;
    learner.append(Fact::Batch(run));
    assert!(learner.judged().last().expect("judged").learned);
}

#[test]
fn the_right_cause_of_a_plain_slip_is_named() {
    let learner = settled(Settings::default(), 100);
    let first = |green_g: f64, roasted_g: f64| {
        let found = learner.explain(
            &Question {
                charges_g: vec![green_g],
                ..question(101 * 25)
            },
            roasted_g,
        );
        (found[0].cause, found[0].green_g, found[0].roasted_g)
    };
    assert_eq!(first(12_000.0, 1_020.0).0, Cause::Decimal);
    assert_eq!(
        first(12_000.0, 12_010.0),
        (Cause::Swapped, 12_000.0, 10_210.0)
    );
    assert_eq!(
        first(12_000.0, 9_200.0),
        (Cause::Kilogram, 12_000.0, 10_200.0)
    );
    assert_eq!(first(12_000.0, 22_490.0).0, Cause::PoundsForKilograms);
    assert_eq!(first(12_000.0, 10_880.0).0, Cause::Crate);
    assert_eq!(first(12_000.0, 12_000.0).0, Cause::SameFigure);
    let sums: f64 = learner
        .explain(&question(101 * 25), 9_000.0)
        .iter()
        .map(|e| e.probability)
        .sum();
    assert!((sums - 1.0).abs() < 1e-5);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(64) })]

    #[test]
    fn ranges_widen_as_alpha_falls(green in 500.0_f64..60_000.0, loss in 0.05_f64..0.29) {
        let roasted = green * (1.0 - loss);
        let mut before: Option<outturn::loss::Verdict> = None;
        for alpha in [0.1, 0.05, 0.01, 0.0027, 0.001, 0.0001] {
            let learner = settled(Settings { alpha, ..Settings::default() }, 7);
            let verdict = learner.predict(&question(400)).judge(green, roasted);
            prop_assert!(verdict.lo < verdict.mean && verdict.mean < verdict.hi && verdict.sd > 0.0);
            if let Some(before) = before {
                prop_assert!(verdict.lo < before.lo && verdict.hi > before.hi);
                prop_assert!(before.outcome != Outcome::Ok || verdict.outcome == Outcome::Ok);
            }
            before = Some(verdict);
        }
    }

    #[test]
    fn no_range_is_tighter_than_the_scales(green in 200.0_f64..5_000.0, division in 1.0_f64..50.0) {
        let learner = settled(Settings::default(), 100);
        let question = Question { charges_g: vec![green], division_in_g: division, division_out_g: division, ..question(3_000) };
        let verdict = learner.predict(&question).judge(green, green * 0.85);
        let u = outturn::loss::weighing::variance(1, green, division, green * 0.85, division).sqrt();
        let half = 0.5 * ((1.0 - verdict.lo).ln() - (1.0 - verdict.hi).ln());
        prop_assert!(half >= 2.999 * u);
    }
}

/// The smallest variance stays positive and nothing turns NaN over a long life of one lot.
#[test]
fn arithmetic_holds_over_many_batches() {
    let learner = settled(
        Settings {
            window: 400,
            ..Settings::default()
        },
        20_000,
    );
    assert!(learner.smallest_variance() > 0.0);
    assert!(
        learner
            .judged()
            .iter()
            .all(|judged| judged.sd > 0.0 && judged.log_yield.is_finite())
    );
}
