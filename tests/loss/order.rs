//! The state depends on the facts, never on the order in which they came.

use outturn::loss::{Batch, Channel, Fact, Happening, Learner, Review, Settings};
use proptest::prelude::*;

use crate::support::{DAY, batch, lot, style};

/// A made history with enough in it that batches are held, released, opened and refitted.
#[expect(
    clippy::too_many_lines,
    reason = "one generator, read from top to bottom"
)]
fn facts(seed: u64, batches: u64) -> Vec<Fact> {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let mut draw = move |below: u64| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state % below
    };
    let mut facts = Vec::new();
    for i in 0..batches {
        let (l, minute) = (draw(5), i64::try_from(i).expect("small") * 25);
        let lot = lot(&format!("lot {l}"), &format!("delivery {}", l / 2), -20);
        let noise = f64::from(u32::try_from(draw(2001)).expect("small")) / 1000.0 - 1.0;
        let step = if i > batches / 2 && l == 1 { 0.03 } else { 0.0 };
        let green = 12_000.0;
        let right = green * (0.85 - 0.008 * noise - step);
        let roasted = if draw(20) == 0 { right + 1000.0 } else { right };
        let review = match draw(40) {
            0 => Review::Sound,
            1 => Review::SetAside,
            2 => Review::CarriedOver,
            3 => Review::Mistake {
                charges_g: vec![green],
                roasted_g: right,
            },
            _ => Review::None,
        };
        let mut made = Batch {
            review,
            teaches: draw(30) != 0,
            ..batch(&format!("{i:04}"), minute, lot.clone(), green, roasted)
        };
        made.roaster = format!("roaster {}", draw(2)).into();
        made.style = style(&format!("style {}", draw(2)), made.style.nominal_loss).into();
        facts.push(Fact::Batch(made));
        let what = match draw(60) {
            0 => Happening::ScaleAdjusted {
                roaster: "roaster 1".into(),
            },
            1 => Happening::Moisture {
                lot: lot.id.clone(),
                reading: 0.1 + 0.001 * f64::from(u32::try_from(draw(30)).expect("small")),
                sd: 0.003,
            },
            2 => Happening::LotLeft {
                lot: "lot 4".into(),
                with_delivery: draw(2) == 0,
            },
            3 => Happening::NoticeClosed {
                channel: Channel::Lot("lot 1".into()),
                changed: draw(2) == 0,
            },
            4 => Happening::NoticeClosed {
                channel: Channel::Roaster("roaster 0".into()),
                changed: true,
            },
            _ => continue,
        };
        facts.push(Fact::Event {
            id: format!("event {i:04}"),
            minute: minute + 1,
            millisecond: 0,
            what,
        });
    }
    facts
}

fn in_order(facts: &[Fact]) -> Learner {
    let mut learner = Learner::new(Settings::default());
    learner.replay(facts.iter().cloned().collect());
    learner
}

#[track_caller]
fn assert_same(a: &Learner, b: &Learner) {
    assert_eq!(a.state_key(), b.state_key());
    assert!(a.same_state(b));
    assert_eq!(a.judged(), b.judged());
    assert_eq!(a.notices(), b.notices());
}

/// Besides, of the same facts: then all is the same that is carried from fact to fact, with every checkpoint.
#[track_caller]
fn assert_same_image(a: &Learner, b: &Learner) {
    assert_same(a, b);
    assert!(a.image(Vec::new()) == b.image(Vec::new()));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(10) })]

    #[test]
    fn any_order_of_arrival_gives_the_same_bits(seed in 1_u64..1_000_000, keys in prop::collection::vec(0_u32..12, 600)) {
        let facts = facts(seed, 540);
        // Facts arrive late by up to a dozen places, some by hundreds.
        let mut arrival: Vec<(usize, &Fact)> = facts.iter().enumerate().map(|(i, f)| (i + usize::try_from(keys[i % keys.len()]).expect("small") * if i % 97 == 0 { 40 } else { 1 }, f)).collect();
        arrival.sort_by_key(|(place, _)| *place);
        let mut late = Learner::new(Settings::default());
        for (_, fact) in arrival {
            late.append(fact.clone());
        }
        assert_same_image(&late, &in_order(&facts));
    }

    /// What was saved goes on to the last bit as if it had never been saved, whatever came before it in the meantime, and in whatever order.
    #[test]
    fn a_saved_learner_goes_on_to_the_same_bits(seed in 1_u64..1_000_000, cut in 1_usize..140, keys in prop::collection::vec(0_u32..1_000, 160), late in 500_u32..1_000) {
        let all = facts(seed, 120);
        // Most facts before the cut were there when it was saved; the others come later.
        let missing = |i: usize| i >= cut || keys[i] >= late;
        let of = |when: bool| all.iter().enumerate().filter(move |&(i, _)| missing(i) == when).map(|(_, fact)| fact.clone());
        let there: Vec<Fact> = of(false).collect();
        let mut taken_up = taken_up(&in_order(&there).image(Vec::new())).expect("sound");
        assert_same_image(&taken_up, &in_order(&there));
        let mut further: Vec<Fact> = of(true).collect();
        further.sort_by_cached_key(|fact| fact.id().bytes().fold(late, |key, byte| key.wrapping_mul(31).wrapping_add(u32::from(byte))) % 97);
        for fact in further {
            taken_up.append(fact);
        }
        assert_same_image(&taken_up, &in_order(&all));
    }

    #[test]
    fn a_review_is_as_if_known_from_the_start(seed in 1_u64..1_000_000, place in 0_usize..700) {
        let facts = facts(seed, 700);
        let mut learner = in_order(&facts);
        let place = (0..=place).rev().find(|&i| matches!(facts[i], Fact::Batch(_))).expect("the first fact is a batch");
        let Fact::Batch(before) = &facts[place] else { unreachable!() };
        let mut reviewed = facts.clone();
        reviewed[place] = Fact::Batch(Batch { review: Review::OtherLot(lot("lot 3", "delivery 1", -20).into()), ..before.clone() });
        learner.append(reviewed[place].clone());
        assert_same_image(&learner, &in_order(&reviewed));
        learner.append(facts[place].clone());
        assert_same_image(&learner, &in_order(&facts));
    }

    /// What a person puts right is learned, judged, held and noticed to the last bit as if it had been booked so at first.
    #[test]
    fn what_is_put_right_is_as_if_booked_so(seed in 1_u64..1_000_000) {
        let put_right = facts(seed, 300);
        let booked_so: Vec<Fact> = put_right.iter().cloned().map(|fact| match fact {
            Fact::Batch(mut batch) => {
                match std::mem::take(&mut batch.review) {
                    Review::Mistake { charges_g, roasted_g } => (batch.weights.charges_g, batch.weights.roasted_g) = (charges_g, roasted_g),
                    Review::OtherLot(lot) => batch.lot = lot,
                    other => batch.review = other,
                }
                Fact::Batch(batch)
            }
            event @ Fact::Event { .. } => event,
        }).collect();
        prop_assert!(put_right != booked_so);
        assert_same(&in_order(&put_right), &in_order(&booked_so));
    }

    /// A look ahead gives the learner that then is, and leaves the one that looks as it was.
    #[test]
    fn a_look_ahead_is_what_then_is(seed in 1_u64..1_000_000, late in 1_usize..100) {
        let all = facts(seed, 250);
        let (early, further): (Vec<Fact>, Vec<Fact>) = all.iter().cloned().enumerate().fold((Vec::new(), Vec::new()), |(mut early, mut further), (i, fact)| {
            if i % (late + 1) == late { further.push(fact) } else { early.push(fact) }
            (early, further)
        });
        let learner = in_order(&early);
        let ahead = learner.with(further);
        assert_same(&ahead, &in_order(&all));
        assert_same(&learner, &in_order(&early));
    }

    #[test]
    fn what_never_teaches_changes_no_prediction(seed in 1_u64..1_000_000) {
        let without: Vec<Fact> = facts(seed, 5);
        let mut with = without.clone();
        let odd = Batch { teaches: false, ..batch("zz", 4 * DAY, lot("lot 0", "delivery 0", -20), 12_000.0, 9_900.0) };
        with.push(Fact::Batch(odd));
        let question = outturn::loss::Question {
            lot: lot("lot 0", "delivery 0", -20), style: style("style 0", 0.15), roaster: "roaster 0".into(), minute: 4 * DAY,
            charges_g: vec![12_000.0], division_in_g: 20.0, division_out_g: 10.0,
        };
        let (a, b) = (in_order(&without).predict(&question), in_order(&with).predict(&question));
        prop_assert!((a.log_yield - b.log_yield).abs() < 1e-12);
    }
}

fn taken_up(image: &[u8]) -> Option<Learner> {
    Learner::of_image(image, &Settings::default())
}

/// Long enough for checkpoints and refits; then something early is put right, which goes back to a checkpoint of before it was saved.
#[test]
fn a_saved_learner_goes_back_to_the_checkpoints_of_before() {
    let mut all = facts(3, 2_400);
    let mut learner = taken_up(&in_order(&all[..2_300]).image(Vec::new())).expect("sound");
    for fact in &all[2_300..] {
        learner.append(fact.clone());
    }
    assert_same_image(&learner, &in_order(&all));
    let Fact::Batch(changed) = &mut all[1_500] else {
        panic!("the history has a batch there")
    };
    changed.review = Review::SetAside;
    learner.append(all[1_500].clone());
    assert_same_image(&learner, &in_order(&all));
}

#[test]
fn what_was_saved_damaged_or_under_other_settings_is_not_taken_up() {
    let saved = in_order(&facts(5, 300)).image(Vec::new());
    assert!(taken_up(&saved).is_some());
    for place in (0..saved.len()).step_by(97) {
        let mut damaged = saved.clone();
        damaged[place] ^= 1;
        assert!(taken_up(&damaged).is_none());
    }
    for short in [0, 5, 31, 32, 33, saved.len() - 1] {
        assert!(taken_up(&saved[..short]).is_none());
    }
    let other = Settings {
        alpha: 0.01,
        ..Settings::default()
    };
    assert!(Learner::of_image(&saved, &other).is_none());
}

#[test]
fn the_made_history_exercises_the_rules() {
    let learner = in_order(&facts(7, 2_000));
    let held = learner.judged().iter().filter(|j| !j.learned).count();
    let followed = learner
        .notices()
        .iter()
        .filter(|n| n.standing == outturn::loss::Standing::Followed)
        .count();
    let closed = learner
        .notices()
        .iter()
        .filter(|n| n.standing == outturn::loss::Standing::Closed)
        .count();
    assert!(
        held > 50 && followed > 0 && closed > 0,
        "held {held}, followed {followed}, closed {closed}"
    );
    assert!(learner.smallest_variance() > 0.0);
}

#[test]
fn a_fact_taken_out_leaves_no_trace() {
    let all = facts(11, 700);
    let before = in_order(&all);
    let mut learner = before.clone();
    learner.remove(&all[300]);
    assert_same_image(&before, &in_order(&all));
    let rest: Vec<Fact> = all
        .iter()
        .enumerate()
        .filter(|(i, _)| *i != 300)
        .map(|(_, f)| f.clone())
        .collect();
    assert_same(&learner, &in_order(&rest));
}
