//! Each command, what it answers and what it leaves in the book.

use outturn::app::Done;
use outturn::floor::{Reversal, WeighIn, WeighOut};
use outturn::green::{Blend, Count, Drying, Receipt, Return, Sample, Transfer, UsedUp, Waste};
use outturn::refusal::{Confirm, Refusal};
use serde_json::json;

use crate::support::{Roastery, reckoned};

async fn received(kilograms: i64) -> Roastery {
    let roastery = Roastery::new().await;
    let lines: Vec<_> = roastery.lots[..2]
        .iter()
        .map(|lot| json!({"lot": lot, "storeroom": roastery.rooms[0], "weight": reckoned(kilograms * 1_000)}))
        .collect();
    roastery
        .book::<Receipt>(json!({"delivery": roastery.delivery, "lines": lines}))
        .await;
    roastery
}

#[tokio::test]
async fn green_goes_where_it_is_said_to_go() {
    let r = received(100).await;
    let (lot, cellar, loft) = (r.lots[0], r.rooms[0], r.rooms[1]);
    r.book::<Transfer>(json!({"lot": lot, "from": cellar, "to": loft, "weight": reckoned(40_000)}))
        .await;
    r.book::<Return>(json!({"lot": lot, "storeroom": loft, "weight": reckoned(10_000)}))
        .await;
    r.book::<Drying>(json!({"lot": lot, "storeroom": cellar, "weight": reckoned(120.5)}))
        .await;
    r.book::<Sample>(
        json!({"lot": lot, "storeroom": cellar, "weight": reckoned(300), "purpose": "cupping"}),
    )
    .await;
    r.book::<Waste>(json!({"lot": lot, "storeroom": loft, "weight": reckoned(80)}))
        .await;
    // 100 kg came; 40 kg went up, of which 10 kg went back and 80 g were spilled; 120.5 g dried and 300 g were drawn below.
    let mut standing = r.standing(lot).await;
    standing.sort_by(|a, b| a.partial_cmp(b).unwrap());
    let expected = [
        ("air", 120.5),
        ("sample", 300.0),
        ("store", 29_920.0),
        ("store", 59_579.5),
        ("supplier", -90_000.0),
        ("waste", 80.0),
    ];
    assert_eq!(
        standing,
        expected.map(|(place, grams)| (place.to_owned(), grams))
    );
    r.verify().await;
}

#[tokio::test]
async fn a_count_books_its_difference_to_the_book() {
    let r = received(100).await;
    let at = json!({"lot": r.lots[0], "storeroom": r.rooms[0]});
    let count = |grams: f64| json!({"lot": at["lot"], "storeroom": at["storeroom"], "weight": reckoned(grams)});
    let less = r.book::<Count>(count(99_400.0)).await;
    assert_eq!(less["difference_g"], json!(-600));
    assert_eq!(less["posting"]["movements"][0]["to"]["place"], "variance");
    let more = r.book::<Count>(count(99_500.0)).await;
    assert_eq!(more["difference_g"], json!(100));
    let same = r.book::<Count>(count(99_500.0)).await;
    assert_eq!(
        same,
        json!({"posting": null, "book_g": 99_500, "counted_g": 99_500, "difference_g": 0})
    );
    let used = r.book::<UsedUp>(at.clone()).await;
    assert_eq!(used["difference_g"], json!(-99_500));
    assert_eq!(r.book::<UsedUp>(at).await["posting"], json!(null));
    assert_eq!(
        r.standing(r.lots[0]).await,
        [
            ("supplier".to_owned(), -100_000.0),
            ("variance".to_owned(), 100_000.0)
        ]
    );
    r.verify().await;
}

#[tokio::test]
async fn a_blend_is_the_sum_of_its_parts() {
    let r = received(100).await;
    let (cellar, loft) = (r.rooms[0], r.rooms[1]);
    let part = |lot: usize, grams: f64| json!({"lot": r.lots[lot], "storeroom": cellar, "weight": reckoned(grams)});
    let parts = json!([part(0, 6_000.25), part(1, 4_000.5)]);
    r.book::<Blend>(json!({"lot": r.lots[2], "storeroom": loft, "parts": parts}))
        .await;
    let blend = r.standing(r.lots[2]).await;
    assert_eq!(
        blend,
        [
            ("blended".to_owned(), -10_000.75),
            ("store".to_owned(), 10_000.75)
        ]
    );
    let itself = r
        .refused::<Blend>(json!({"lot": r.lots[2], "storeroom": loft, "parts": [part(2, 1.0)]}))
        .await;
    assert!(matches!(itself, Refusal::Invalid(errors) if errors[0].pointer == "/parts/0/lot"));
    r.verify().await;
}

#[tokio::test]
async fn more_than_the_book_has_is_asked_about_once() {
    let r = received(10).await;
    let body = json!({"lot": r.lots[0], "storeroom": r.rooms[0], "weight": reckoned(10_250)});
    let Refusal::Confirm {
        confirm,
        facts,
        sentence,
    } = r.refused::<Waste>(body.clone()).await
    else {
        panic!("it must be asked about");
    };
    assert_eq!(confirm, [Confirm::BeyondBook]);
    assert_eq!(facts["beyond_book_g"], json!(250));
    assert!(sentence.contains("250 g less of Alder AA"), "{sentence}");
    let mut sure = body.clone();
    sure["confirmed"] = json!(["beyond_book"]);
    let answer = r.book::<Waste>(sure).await;
    let movements = answer["posting"]["movements"].as_array().unwrap().clone();
    assert_eq!(
        movements.len(),
        2,
        "what the book lacks comes from the count difference first"
    );
    assert_eq!(
        (&movements[0]["from"]["place"], &movements[0]["mass_g"]),
        (&json!("variance"), &json!(250))
    );
    let mut kept = body;
    kept["kept"] = json!(true);
    r.book::<Waste>(kept).await;
    r.verify().await;
}

#[tokio::test]
async fn parts_of_one_lot_are_measured_together() {
    let r = received(10).await;
    let part = json!({"lot": r.lots[0], "storeroom": r.rooms[0], "weight": reckoned(6_000)});
    let body = json!({"lot": r.lots[2], "storeroom": r.rooms[0], "parts": [part, part]});
    let Refusal::Confirm { facts, .. } = r.refused::<Blend>(body).await else {
        panic!("12 kg of 10 kg must be asked about");
    };
    assert_eq!(facts["beyond_book_g"], json!(2_000));
}

#[tokio::test]
async fn a_command_sent_again_answers_the_same_and_its_id_names_nothing_else() {
    let r = received(10).await;
    let id = r.app.clock.new_id();
    let body = json!({"lot": r.lots[0], "storeroom": r.rooms[0], "weight": reckoned(500)});
    let Done::Booked(first) = r.send::<Drying>(id, &body).await.unwrap() else {
        panic!("it is new");
    };
    assert_eq!(
        r.send::<Drying>(id, &body).await.unwrap(),
        Done::Repeated(first)
    );
    let mut other = body.clone();
    other["weight"] = reckoned(501);
    assert!(matches!(
        r.send::<Drying>(id, &other).await,
        Err(Refusal::IdTaken)
    ));
    assert!(matches!(
        r.send::<Waste>(id, &body).await,
        Err(Refusal::IdTaken)
    ));
    assert!(
        r.standing(r.lots[0])
            .await
            .contains(&("air".to_owned(), 500.0))
    );
}

#[tokio::test]
async fn readings_in_crates_are_kept_as_typed() {
    let r = received(10).await;
    let readings = json!([{"gross": "3,26", "container": "blue crate"}, {"gross": "2.00"}]);
    let weight =
        json!({"basis": "weighed", "scale": r.scale, "source": "typed", "readings": readings});
    let answer = r
        .book::<Sample>(json!({"lot": r.lots[0], "storeroom": r.rooms[0], "weight": weight}))
        .await;
    // 3.26 kg less the crate's 1.25 kg, and 2.00 kg.
    assert_eq!(answer["posting"]["movements"][0]["mass_g"], json!(4_010));
    r.verify().await;
}

#[tokio::test]
async fn samples_and_waste_of_a_batch_are_steps_of_it() {
    let r = received(100).await;
    let batch = r.app.clock.new_id();
    r.book::<WeighIn>(json!({"batch": batch, "lot": r.lots[0], "style": r.style, "roaster": r.roaster, "storeroom": r.rooms[0], "weight": reckoned(10_000)}))
        .await;
    let early = r
        .refused::<Waste>(json!({"batch": batch, "weight": reckoned(50)}))
        .await;
    assert!(matches!(early, Refusal::Conflict { .. }), "{early:?}");
    let hot = r
        .book::<Sample>(json!({"batch": batch, "weight": reckoned(120)}))
        .await;
    assert_eq!(hot["batch"]["sample_g"], json!(120));
    let out = json!({"batches": [batch], "weight": reckoned(8_580)});
    let out = r.book::<WeighOut>(out).await;
    // 1 - (8580 + 120) / 10000
    assert_eq!(out["batches"][0]["loss"], json!(0.13));
    r.book::<Sample>(json!({"batch": batch, "weight": reckoned(80), "purpose": "cupping"}))
        .await;
    let spilled = r
        .book::<Waste>(json!({"batch": batch, "weight": reckoned(500)}))
        .await;
    assert_eq!(spilled["batch"]["roasted_left_g"], json!(8_000));
    assert_eq!(
        spilled["batch"]["loss"],
        json!(0.13),
        "what is lost after the weigh-out is no roasting loss"
    );
    r.book::<Reversal>(json!({"posting": spilled["posting"]["id"]}))
        .await;
    let too_much = r
        .refused::<Sample>(json!({"batch": batch, "weight": reckoned(8_501)}))
        .await;
    assert!(matches!(too_much, Refusal::Conflict { .. }), "{too_much:?}");
    r.verify().await;
}

#[tokio::test]
async fn a_sample_is_of_a_lot_or_of_a_batch() {
    let r = received(10).await;
    let both = json!({"lot": r.lots[0], "storeroom": r.rooms[0], "batch": r.lots[1], "weight": reckoned(50)});
    for body in [
        both,
        json!({"lot": r.lots[0], "weight": reckoned(50)}),
        json!({"weight": reckoned(50)}),
    ] {
        assert!(matches!(
            r.refused::<Sample>(body).await,
            Refusal::Invalid(_)
        ));
    }
}
