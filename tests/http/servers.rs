//! Several servers on one PostgreSQL book: writers that would break it together, pages that hear of each other, learners that agree.

use std::time::Duration;

use futures_util::StreamExt;
use reqwest::Method;
use serde_json::{Value, json};

use crate::green::{reckoned, standing};
use crate::support::{Database, Roastery, Server, merged, roastery};

/// Two servers on one book; the second is closed when the test is over.
async fn two(test: impl AsyncFnOnce(&Server, &Server, &Roastery)) {
    let one = Server::start(Database::Postgres).await;
    let other = one.beside().await;
    let made = roastery(&one).await;
    test(&one, &other, &made).await;
    other.finish().await;
    one.finish().await;
}

/// The lot has 120 kg; twelve people take 15 kg each to the loft, at two servers at once. Eight succeed, and no gram is owed.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn writers_at_two_servers_cannot_take_more_than_there_is() {
    two(async |one, other, made| {
        let loft = one.put_new("storerooms", json!({"name": "Loft"})).await;
        let body = json!({"lot": made.peaberry, "from": made.storeroom, "to": loft, "weight": reckoned(15_000)});
        let take = async |at: &Server| at.order("transfers", &at.id(), body.clone()).await.status;
        let answers =
            futures_util::future::join_all((0..12).map(|n| take(if n % 2 == 0 { one } else { other })))
                .await;
        let taken = answers.iter().filter(|status| **status == 201).count();
        assert_eq!(taken, 8, "{answers:?}");
        assert!(answers.iter().all(|status| [201, 409].contains(status)), "{answers:?}");
        assert_eq!(standing(other, &made.peaberry).await["store"], 120_000_000);
    })
    .await;
}

/// What one server books is heard by a page that listens at the other, long before it would look by itself.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pages_hear_what_another_server_books() {
    two(async |one, other, made| {
        let answer = other
            .request(Method::GET, "/api/events")
            .send()
            .await
            .unwrap();
        let mut events = answer.bytes_stream();
        let waste =
            json!({"lot": made.washed, "storeroom": made.storeroom, "weight": reckoned(80)});
        one.command("wastes", waste).await;
        let heard = tokio::time::timeout(Duration::from_secs(8), async {
            let mut text = String::new();
            while !text.contains("\"postings\"") {
                text += std::str::from_utf8(&events.next().await.unwrap().unwrap()).unwrap();
            }
        });
        heard.await.expect("the page hears of it");
    })
    .await;
}

/// What one server weighs, the other expects by.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_server_learns_from_what_the_other_weighs() {
    two(async |one, other, made| {
        for grams in [8_320, 8_340, 8_310] {
            one.advance_minutes(30);
            let batch = one.id();
            let weigh_in = json!({"batch": batch, "lot": made.washed, "style": made.dark, "roaster": made.drum, "weight": made.weighed("10.00")});
            one.command("weigh-ins", weigh_in).await;
            one.advance_minutes(15);
            one.command("weigh-outs", json!({"batches": [batch], "weight": weighed(made, grams)})).await;
        }
        one.app.learned().await;
        let here = one.get("/api/loss").await;
        let agree = tokio::time::timeout(Duration::from_secs(8), async {
            while other.get("/api/loss").await != here {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        });
        agree.await.expect("the other server learns of it");
        assert!(here.to_string().contains(&made.washed), "{here}");
    })
    .await;
}

/// A mass on the floor scale, in kilograms with its two decimals.
fn weighed(made: &Roastery, grams: i64) -> Value {
    made.weighed(&format!("{}.{:02}", grams / 1_000, grams % 1_000 / 10))
}

/// One batch goes on at two servers by turns, with a new name and an undo between: neither answers from what it knew before the other's turn.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_batch_goes_on_at_two_servers_by_turns() {
    two(async |one, other, made| {
        let batch = one.id();
        let green = json!({"batch": batch, "lot": made.screen_18, "style": made.light, "roaster": made.little, "weight": reckoned(600)});
        let first = one.command("weigh-ins", green.clone()).await;
        assert_eq!(first["batch"]["style"]["name"], "Light");
        other.put_change("styles", &made.light, json!({"name": "Lighter"})).await;
        let more = merged(green, json!({"weight": reckoned(100)}));
        other.command("weigh-ins", more).await;

        let id = one.id();
        let out = json!({"batches": [batch], "weight": reckoned(600)});
        let answer = one.order("weigh-outs", &id, out.clone()).await.expect(201);
        assert_eq!(answer["batches"][0]["style"]["name"], "Lighter");
        assert_eq!(answer["batches"][0]["weighed_in_g"], 700);
        assert_eq!(answer["batches"][0]["roasted_left_g"], 600);
        let path = format!("/api/batches/{batch}");
        assert_eq!(answer["batches"][0], other.get(&path).await);

        other.command("reversals", json!({"posting": id, "reason": "read wrongly"})).await;
        let again = one.command("weigh-outs", merged(out, json!({"weight": reckoned(590)}))).await;
        assert_eq!(again["batches"][0]["roasted_left_g"], 590);
        other.command("scraps", json!({"batch": batch})).await;
        assert_eq!(one.order("scraps", &one.id(), json!({"batch": batch})).await.status, 409);
        assert_eq!(one.get(&path).await["roasted_left_g"], 0);
    })
    .await;
}
