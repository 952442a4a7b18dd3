//! Many writers at once, senders that repeat themselves and senders that hang up: the log takes each command once, whole and in turn.

use std::collections::BTreeSet;

use outturn::day::Instant;
use outturn::store::{LogRow, StoreError};
use serde_json::{Value, json};
use tokio::io::AsyncWriteExt;
use tokio::net::TcpStream;

use crate::green::{once_more, reckoned};
use crate::support::{Roastery, Server, each_database, merged, roastery};

fn receipt(server: &Server, made: &Roastery, grams: i64) -> Value {
    let weight = json!({"basis": "reckoned", "mass_g": grams});
    let lines = json!([{"lot": made.screen_18, "storeroom": made.storeroom, "weight": weight}]);
    json!({"v": 1, "happened_at": server.now(), "delivery": made.kivu_delivery, "lines": lines})
}

/// The places in the log that answers name.
fn positions(answers: &[Value]) -> Vec<i64> {
    let mut found: Vec<i64> = answers
        .iter()
        .map(|answer| answer["posting"]["position"].as_i64().unwrap())
        .collect();
    found.sort_unstable();
    found
}

async fn store_g(server: &Server, lot: &str) -> i64 {
    server.get(&format!("/api/lots/{lot}")).await["store_g"]
        .as_i64()
        .unwrap()
}

/// A request as bytes, for senders that break off.
fn bytes(server: &Server, id: &str, body: &Value) -> Vec<u8> {
    let (body, host) = (
        body.to_string(),
        server.address.trim_start_matches("http://"),
    );
    format!(
        "PUT /api/receipts/{id} HTTP/1.1\r\nhost: {host}\r\ncontent-type: application/json\r\nif-none-match: *\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    )
    .into_bytes()
}

each_database! {
    /// A turn reads what it wrote, though that may have waited; what cannot be written ends it, and nothing of it stays.
    async fn a_turn_stands_or_falls_whole(server: &Server) {
        let (store, site) = (&server.app.store, server.app.site);
        let size = server.log_size().await;
        let leaf = LogRow { position: size, recorded_at: Instant::from_ms(0), hash: vec![0; 32], leaf: "{}".to_owned() };
        let mut turn = store.write().await.unwrap();
        turn.lock_head(site).await.unwrap();
        turn.insert_leaf(site, &leaf).await.unwrap();
        assert_eq!(turn.leaves(site, size, 10).await.unwrap().len(), 1);
        let twice = async {
            turn.insert_leaf(site, &leaf).await?;
            turn.commit().await
        };
        assert!(matches!(twice.await, Err(StoreError::Taken(_))));
        let mut after = store.read().await.unwrap();
        assert!(after.leaves(site, size, 10).await.unwrap().is_empty());
    }

    /// Two servers on one book, 16 commands at each, all at once: 32 leaves without a gap, and each one answered is there.
    async fn writers_at_once_take_turns(server: &Server) {
        let made = roastery(server).await;
        let other = server.beside().await;
        let size = server.log_size().await;
        let send = async |at: &Server, n: i64| {
            let id = server.id();
            let answer = at.put(&format!("/api/receipts/{id}"), &receipt(at, &made, n)).await;
            (id, answer.expect(201))
        };
        let both = (1..=32).map(|n| send(if n % 2 == 0 { server } else { &other }, n));
        let done = futures_util::future::join_all(both).await;
        let answers: Vec<Value> = done.iter().map(|(_, answer)| answer.clone()).collect();
        assert_eq!(positions(&answers), (size..size + 32).collect::<Vec<_>>());
        assert_eq!(server.log_size().await, size + 32);
        for (id, answer) in &done {
            let kept = other.get(&format!("/api/postings/{id}")).await;
            assert_eq!(kept["position"], answer["posting"]["position"], "{id}");
        }
        assert_eq!(store_g(server, &made.screen_18).await, 600_000 + (1..=32).sum::<i64>());
        other.finish().await;
    }

    async fn the_same_command_twice_at_once_is_booked_once(server: &Server) {
        let made = roastery(server).await;
        let other = server.beside().await;
        for grams in 1..=8 {
            let size = server.log_size().await;
            let (path, body) = (format!("/api/receipts/{}", server.id()), receipt(server, &made, grams));
            let (one, two) = tokio::join!(server.put(&path, &body), other.put(&path, &body));
            let mut statuses = [one.status, two.status];
            statuses.sort_unstable();
            assert_eq!(statuses, [200, 201], "{} {}", one.text, two.text);
            assert_eq!(one.json(), two.json());
            assert_eq!(server.log_size().await, size + 1);
        }
        other.finish().await;
    }

    async fn one_id_for_two_commands_at_once_names_the_first(server: &Server) {
        let made = roastery(server).await;
        for grams in 1..=8 {
            let (size, before) = (server.log_size().await, store_g(server, &made.screen_18).await);
            let path = format!("/api/receipts/{}", server.id());
            let (this, that) = (receipt(server, &made, grams), receipt(server, &made, 100 * grams));
            let (one, two) = tokio::join!(server.put(&path, &this), server.put(&path, &that));
            let (won, lost, mass) = if one.status == 201 { (one, two, grams) } else { (two, one, 100 * grams) };
            won.expect(201);
            lost.problem(409, "id-taken");
            assert_eq!(store_g(server, &made.screen_18).await, before + mass);
            assert_eq!(server.log_size().await, size + 1);
        }
    }

    /// Whatever has happened since, a command sent again answers what it answered, and the same id never carries another.
    async fn a_repeat_answers_what_was_answered(server: &Server) {
        let made = roastery(server).await;
        let (path, body) = (format!("/api/receipts/{}", server.id()), receipt(server, &made, 5_000));
        let first = server.put(&path, &body).await.expect(201);
        server.advance_minutes(600);
        server.put_change("coffees", &made.kivu, json!({"name": "Renamed"})).await;
        server.command("counts", once_more(json!({"lot": made.screen_18, "storeroom": made.storeroom, "weight": reckoned(1)}))).await;
        let size = server.log_size().await;
        assert_eq!(server.put(&path, &body).await.expect(200), first);
        for over in [json!({"reason": "again"}), json!({"kept": true}), json!({"happened_at": "2026-11-25T07:00:00Z"})] {
            server.put(&path, &merged(body.clone(), over)).await.problem(409, "id-taken");
        }
        assert_eq!(server.log_size().await, size);
    }

    /// Senders that hang up after the whole request, or in its middle: the one is booked or not, the other is not, and nothing is
    /// left half done or locked.
    async fn who_hangs_up_cuts_nothing_in_half(server: &Server) {
        let made = roastery(server).await;
        let before = store_g(server, &made.screen_18).await;
        let (mut whole, mut halves) = (Vec::new(), Vec::new());
        for n in 1..=40 {
            let (id, body) = (server.id(), receipt(server, &made, n));
            let request = bytes(server, &id, &body);
            let end = if n % 2 == 0 { request.len() } else { request.len() / 2 };
            let mut stream = TcpStream::connect(server.address.trim_start_matches("http://")).await.unwrap();
            stream.write_all(&request[..end]).await.unwrap();
            drop(stream);
            if n % 2 == 0 { whole.push((id, body, n)) } else { halves.push(id) }
        }
        for id in halves {
            server.ask(&format!("/api/postings/{id}")).await.problem(404, "not-found");
        }
        let mut booked = BTreeSet::new();
        for (id, body, grams) in &whole {
            let again = server.put(&format!("/api/receipts/{id}"), body).await;
            assert!([200, 201].contains(&again.status), "{}", again.text);
            booked.insert(*grams);
        }
        assert_eq!(store_g(server, &made.screen_18).await, before + booked.iter().sum::<i64>());
    }
}
