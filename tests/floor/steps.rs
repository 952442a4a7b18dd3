//! The steps of a batch one by one: what each answers, and what is refused with which words.

use outturn::floor::{Correction, Pass, Reversal, Start, WeighIn, WeighOut};
use outturn::green::Receipt;
use outturn::refusal::{Confirm, Refusal};
use serde_json::{Value, json};
use uuid::Uuid;

use super::support::Roastery;

async fn with_green() -> Roastery {
    let roastery = Roastery::new().await;
    let line = json!({"lot": roastery.lots[0], "storeroom": roastery.rooms[0], "weight": {"basis": "nominal", "sacks": 2, "sack_g": 60_000}});
    roastery
        .book::<Receipt>(json!({"delivery": roastery.delivery, "lines": [line]}))
        .await;
    roastery
}

fn weighed(roastery: &Roastery, gross: &str, container: Option<&str>) -> Value {
    json!({"basis": "weighed", "scale": roastery.scale, "source": "typed", "readings": [{"gross": gross, "container": container}]})
}

fn weigh_in(roastery: &Roastery, batch: Uuid, gross: &str, container: Option<&str>) -> Value {
    json!({"batch": batch, "lot": roastery.lots[0], "style": roastery.style, "roaster": roastery.roaster, "weight": weighed(roastery, gross, container)})
}

#[tokio::test]
async fn a_batch_from_crate_to_verdict() {
    let roastery = with_green().await;
    let batch = roastery.app.clock.new_id();
    // Two crates: 13.25 kg in a crate of 1.25 kg, and 0.5 kg more.
    let first = roastery
        .book::<WeighIn>(weigh_in(&roastery, batch, "13.25", Some("blue crate")))
        .await;
    assert_eq!(first["batch"]["weighed_in_g"], json!(12_000));
    let second = roastery
        .book::<WeighIn>(weigh_in(&roastery, batch, "0,50", None))
        .await;
    assert_eq!(second["batch"]["weighed_in_g"], json!(12_500));
    let started = roastery.book::<Start>(json!({"batch": batch})).await;
    assert_eq!(started["batch"]["state"], json!("in_drum"));
    // 12.5 kg less 13 % is 10.875 kg: just what the style states.
    let out = roastery
        .book::<WeighOut>(json!({"batches": [batch], "weight": weighed(&roastery, "10.88", None)}))
        .await;
    assert_eq!(out["verdict"]["judgement"], json!("ok"));
    // (12.5 - 10.88) / 12.5 = 0.1296.
    assert_eq!(out["verdict"]["loss"], json!(0.1296));
    assert_eq!(out["batches"][0]["roasted_left_g"], json!(10_880));
    assert_eq!(out["batches"][0]["hold"], Value::Null);
    roastery.verify().await;
}

#[tokio::test]
async fn an_odd_batch_is_held_until_a_person_passes_it() {
    let roastery = with_green().await;
    let batch = roastery.app.clock.new_id();
    roastery
        .book::<WeighIn>(weigh_in(&roastery, batch, "12", None))
        .await;
    let out = roastery
        .book::<WeighOut>(json!({"batches": [batch], "weight": weighed(&roastery, "11.9", None)}))
        .await;
    assert_eq!(out["verdict"]["judgement"], json!("impossible"));
    assert!(out["batches"][0]["hold"]["reason"].is_string());
    let passed = roastery
        .book::<Pass>(json!({"batch": batch, "reason": "cupped, it is fine"}))
        .await;
    assert_eq!(passed["batch"]["hold"], Value::Null);
}

#[tokio::test]
async fn more_out_than_in_is_booked_and_held() {
    let roastery = with_green().await;
    let batch = roastery.app.clock.new_id();
    roastery
        .book::<WeighIn>(weigh_in(&roastery, batch, "10", None))
        .await;
    let out = roastery
        .book::<WeighOut>(json!({"batches": [batch], "weight": weighed(&roastery, "10.4", None)}))
        .await;
    assert_eq!(out["batches"][0]["loss"], json!(-0.04));
    assert!(out["batches"][0]["hold"].is_object());
    assert!(
        roastery
            .standing(roastery.lots[0])
            .await
            .contains(&("air".to_owned(), -400.0)),
        "the excess came back from the air"
    );
    roastery.verify().await;
}

#[tokio::test]
async fn green_beyond_the_book_is_asked_about_once() {
    let roastery = with_green().await;
    let batch = roastery.app.clock.new_id();
    let mut body = weigh_in(&roastery, batch, "121", None);
    let Refusal::Confirm { confirm, facts, .. } = roastery.refused::<WeighIn>(body.clone()).await
    else {
        panic!("not asked")
    };
    assert_eq!(confirm, [Confirm::BeyondBook, Confirm::OverRoaster]);
    assert_eq!(facts["beyond_book_g"], json!(1_000));
    body["confirmed"] = json!(confirm);
    roastery.book::<WeighIn>(body).await;
    assert_eq!(
        roastery.standing(roastery.lots[0]).await,
        [
            ("batch".to_owned(), 121_000.0),
            ("supplier".to_owned(), -120_000.0),
            ("variance".to_owned(), -1_000.0)
        ]
    );
    roastery.verify().await;
}

#[tokio::test]
async fn what_a_tablet_kept_is_booked_or_left_for_a_person() {
    let roastery = with_green().await;
    let batch = roastery.app.clock.new_id();
    let mut kept = weigh_in(&roastery, batch, "121", None);
    kept["kept"] = json!(true);
    roastery.book::<WeighIn>(kept).await;
    let unknown = json!({"batches": [roastery.app.clock.new_id()], "weight": {"basis": "reckoned", "mass_g": 9_000}, "kept": true});
    let done = roastery
        .send::<WeighOut>(roastery.app.clock.new_id(), &unknown)
        .await
        .unwrap();
    assert!(matches!(done, outturn::app::Done::Unsettled(_)), "{done:?}");
    let mut tx = roastery.app.read().await.unwrap();
    assert_eq!(tx.unsettled(roastery.app.site).await.unwrap().len(), 1);
}

#[tokio::test]
async fn undo_goes_last_in_first_out() {
    let roastery = with_green().await;
    let batch = roastery.app.clock.new_id();
    let weighed_in = roastery
        .book::<WeighIn>(weigh_in(&roastery, batch, "12", None))
        .await;
    let out = roastery
        .book::<WeighOut>(json!({"batches": [batch], "weight": weighed(&roastery, "10.2", None)}))
        .await;
    let refused = roastery
        .refused::<Reversal>(json!({"posting": weighed_in["posting"]["id"]}))
        .await;
    assert!(refused.to_string().contains("its weigh-out"), "{refused}");
    let undone = roastery
        .book::<Reversal>(json!({"posting": out["posting"]["id"]}))
        .await;
    assert_eq!(undone["batch"]["state"], json!("weighed_in"));
    let twice = roastery
        .refused::<Reversal>(json!({"posting": out["posting"]["id"]}))
        .await;
    assert!(twice.to_string().contains("undone already"), "{twice}");
    let undone = roastery
        .book::<Reversal>(json!({"posting": weighed_in["posting"]["id"]}))
        .await;
    assert_eq!(undone["batch"]["state"], json!("undone"));
    assert_eq!(
        roastery.standing(roastery.lots[0]).await,
        [
            ("store".to_owned(), 120_000.0),
            ("supplier".to_owned(), -120_000.0)
        ]
    );
    roastery.verify().await;
}

#[tokio::test]
async fn a_correction_books_the_difference_along_the_chain() {
    let roastery = with_green().await;
    let batch = roastery.app.clock.new_id();
    roastery
        .book::<WeighIn>(weigh_in(&roastery, batch, "12", None))
        .await;
    roastery
        .book::<WeighOut>(json!({"batches": [batch], "weight": weighed(&roastery, "10.2", None)}))
        .await;
    let corrected = roastery
        .book::<Correction>(json!({"batch": batch, "green_g": 11_000, "roasted_g": 9_500, "lot": roastery.lots[1], "reason": "the card of the batch before", "confirmed": ["beyond_book"]}))
        .await;
    assert_eq!(corrected["batch"]["weighed_in_g"], json!(11_000));
    assert_eq!(corrected["batch"]["lot"]["id"], json!(roastery.lots[1]));
    // The wrong lot has all its green back; the right one, of which the book had nothing, stands against the count difference.
    assert_eq!(
        roastery.standing(roastery.lots[0]).await,
        [
            ("store".to_owned(), 120_000.0),
            ("supplier".to_owned(), -120_000.0)
        ]
    );
    assert_eq!(
        roastery.standing(roastery.lots[1]).await,
        [
            ("air".to_owned(), 1_500.0),
            ("roasted".to_owned(), 9_500.0),
            ("variance".to_owned(), -11_000.0)
        ]
    );
    roastery.verify().await;
}
