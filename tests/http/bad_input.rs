//! Everything wrong that can be sent to every route of the description: a 4xx that says which field, and a book unchanged.
//!
//! The wrong bodies are made from a right one (`bodies.rs`) and the route's own form: whatever the form does not allow must be refused,
//! and so must what no form can say (negative masses, ids of nothing, NUL). In the end the right body itself must be taken, so that what
//! was refused was refused for what was wrong with it.

use std::collections::BTreeSet;

use reqwest::Method;
use serde_json::{Value, json};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use crate::bodies::{Right, bodies};
use crate::support::{Answer, Contract, Server, each_database};

/// Fields whose id is made by the sender: any will do.
const NEW_IDS: [&str; 4] = [
    "/api/past-imports/{id} /import",
    "/api/past-imports/{id} /rows/0/id",
    "/api/weigh-ins/{id} /batch",
    "/api/releases/{id} /batches/0/card",
];
/// Questions whose answer lists what is wrong instead of refusing all: pins that cannot be kept, lines of a table.
const TOLD: [&str; 8] = [
    "/api/plans /pinned/0/",
    "/api/plans/advice /pinned/0/",
    "/api/order-imports /csv",
    "/api/standing-order-imports /csv",
    "/api/standing-order-imports /headings/customer",
    "/api/subscriber-imports /csv",
    "/api/subscriber-imports /headings/name",
    "/api/past-imports /csv",
];
/// Routes that take a secret which was given out before: `access.rs` gives them right and wrong ones.
const SECRET: [&str; 6] = [
    "/api/own/password",
    "/api/own/pin",
    "/api/passwords",
    "/api/pin-sign-ins",
    "/api/sign-ins",
    "/api/tablets",
];
/// An id of nothing.
const NOBODY: &str = "01a211b7-0000-7000-8000-00000000dead";

/// A body with one thing wrong, and where.
struct Wrong {
    body: Value,
    at: String,
}

/// The pointers of all values in a body, with the values.
fn places(value: &Value, at: String, found: &mut Vec<(String, Value)>) {
    match value {
        Value::Object(fields) => fields
            .iter()
            .for_each(|(name, value)| places(value, format!("{at}/{name}"), found)),
        Value::Array(items) => items
            .iter()
            .enumerate()
            .for_each(|(i, item)| places(item, format!("{at}/{i}"), found)),
        _ => {}
    }
    found.push((at, value.clone()));
}

/// What is put in the place of a right value.
fn candidates() -> Vec<Value> {
    let long = "x".repeat(2_000);
    vec![
        json!(null),
        json!(true),
        json!(-1),
        json!(0.000_000_1),
        json!(1e308),
        json!(1e16),
        json!("-0"),
        json!("NaN"),
        json!(""),
        json!("a\u{0}b"),
        json!(long),
        json!([]),
        json!({}),
        json!([null]),
        json!(NOBODY),
    ]
}

/// Whether a value in the place of a right one is wrong beyond what a form can say.
fn absurd(right: &Value, wrong: &Value, place: &str) -> bool {
    if TOLD.iter().any(|told| place.starts_with(told)) {
        return false;
    }
    let is_id = |value: &Value| {
        value
            .as_str()
            .is_some_and(|text| text.parse::<uuid::Uuid>().is_ok())
    };
    match (right, wrong) {
        (Value::Number(_), Value::Number(number)) => {
            number.as_f64().is_some_and(|n| !(0.0..=1e15).contains(&n))
        }
        (Value::String(_), Value::String(text)) if text.contains('\u{0}') => true,
        (Value::String(_), Value::String(_)) => {
            is_id(right) && is_id(wrong) && !NEW_IDS.contains(&place)
        }
        _ => false,
    }
}

/// Every way in which a right body is made wrong.
fn wrongs(contract: &Contract, form: &Value, right: &Right) -> Vec<Wrong> {
    let mut found = Vec::new();
    let mut all = Vec::new();
    places(&right.body, String::new(), &mut all);
    for (at, value) in &all {
        let place = format!("{} {at}", right.path);
        for candidate in candidates() {
            let mut body = right.body.clone();
            *body.pointer_mut(at).unwrap() = candidate.clone();
            if absurd(value, &candidate, &place) || contract.misfit(form, &body, "").is_some() {
                found.push(Wrong {
                    body,
                    at: at.clone(),
                });
            }
        }
        let Some(fields) = value.as_object() else {
            continue;
        };
        for name in fields.keys() {
            let mut body = right.body.clone();
            body.pointer_mut(at)
                .unwrap()
                .as_object_mut()
                .unwrap()
                .remove(name);
            if contract.misfit(form, &body, "").is_some() {
                found.push(Wrong {
                    body,
                    at: format!("{at}/{name}"),
                });
            }
        }
        let mut body = right.body.clone();
        body.pointer_mut(at).unwrap()["surprise"] = json!(1);
        found.push(Wrong {
            body,
            at: at.clone(),
        });
    }
    found
}

/// Why an answer to a wrong body is not what it must be.
fn fault(answer: &Answer, wrong: &Wrong) -> Option<String> {
    let sent = wrong.body.to_string();
    let why = |what: &str| {
        let sent: String = sent.chars().take(600).collect();
        Some(format!(
            "{} at {}: {what}: {} {}\n    sent {sent}",
            answer.request, wrong.at, answer.status, answer.text
        ))
    };
    if !(400..500).contains(&answer.status) {
        return why("not refused");
    }
    let pointers = answer.pointers();
    let near = |pointer: &String| {
        pointer.starts_with(&wrong.at)
            || (wrong.at.starts_with(pointer.as_str()) && !pointer.is_empty())
    };
    if answer.status == 422 && !wrong.at.is_empty() && !pointers.iter().any(near) {
        return why("the field is not named");
    }
    None
}

async fn send(server: &Server, right: &Right, body: &Value) -> Answer {
    let path = right.path.replace("{id}", &right.id);
    if right.method == Method::POST {
        server.post(&path, body).await
    } else {
        server.put(&path, body).await
    }
}

/// Every operation that takes a body, as the description has them.
fn with_bodies(contract: &Contract) -> BTreeSet<(String, String)> {
    let operations = contract.operations().into_iter();
    operations
        .filter(|(.., operation)| operation.get("requestBody").is_some())
        .map(|(method, path, _)| (method.to_string(), path.to_owned()))
        .collect()
}

/// A head that announces a body, and so much of it.
async fn raw(server: &Server, head: &str, body: &[u8]) -> String {
    let host = server.address.trim_start_matches("http://");
    let mut stream = TcpStream::connect(host).await.unwrap();
    stream
        .write_all(format!("{head} HTTP/1.1\r\nhost: {host}\r\nconnection: close\r\n").as_bytes())
        .await
        .unwrap();
    stream.write_all(body).await.unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).await.unwrap();
    String::from_utf8(answer).unwrap()
}

each_database! {
    async fn no_wrong_body_is_taken_and_every_right_one_is(server: &Server) {
        let contract = Contract::shared();
        let rights = bodies(server).await;
        let covered: BTreeSet<_> = rights.iter().map(|right| (right.method.to_string(), right.path.to_owned())).collect();
        let mut asked = with_bodies(&contract);
        asked.retain(|(_, path)| !SECRET.contains(&path.as_str()));
        assert_eq!(covered, asked, "every route that takes a body has a right one in bodies.rs");
        let (mut faults, mut count) = (Vec::new(), 0);
        for right in &rights {
            let operation = &contract.document["paths"][right.path][right.method.as_str().to_lowercase()];
            let form = contract.body_form(operation).unwrap();
            assert_eq!(contract.misfit(form, &right.body, ""), None, "{}", right.path);
            let size = server.log_size().await;
            for wrong in wrongs(&contract, form, right) {
                count += 1;
                faults.extend(fault(&send(server, right, &wrong.body).await, &wrong));
            }
            if server.log_size().await != size {
                faults.push(format!("{}: the book has changed", right.path));
            }
            let taken = send(server, right, &right.body).await;
            if ![200, 201, 204].contains(&taken.status) {
                faults.push(format!("{}: the right body is refused: {}", right.path, taken.text));
            }
        }
        assert!(faults.is_empty(), "{} of {count}:\n{}", faults.len(), faults.join("\n"));
        assert!(count > 5_000, "only {count} wrong bodies");
    }

    /// What is no JSON at all, or not said to be; what is expected to be there and is not said.
    async fn no_request_is_taken_that_is_badly_made(server: &Server) {
        let contract = Contract::shared();
        let size = server.log_size().await;
        for (method, path) in with_bodies(&contract) {
            let path = path.replace("{id}", &server.id());
            let method: Method = method.parse().unwrap();
            let request = || server.request(method.clone(), &path).header("if-none-match", "*");
            let json = || request().header("content-type", "application/json");
            for text in ["", "{", "{'a': 1}", "{} {}", "[1,]"] {
                let answer = server.send(json().body(text)).await;
                assert!([400, 422].contains(&answer.status), "{path} {text}: {} {}", answer.status, answer.text);
                answer.any_problem();
            }
            for text in ["[1]", "7", "null", "\"x\""] {
                server.send(json().body(text)).await.problem(422, "invalid");
            }
            server.send(json().body(vec![b'"', 0xff, b'"'])).await.any_problem();
            server.send(json().body("[".repeat(100_000))).await.any_problem();
            server.send(request().body("{}")).await.problem(415, "media-type");
            server.send(request().header("content-type", "text/plain").body("{}")).await.problem(415, "media-type");
            let answer = raw(server, &format!("{method} {path}"), b"if-none-match: *\r\ncontent-type: application/json\r\ncontent-length: 10485760\r\n\r\n").await;
            assert!(answer.starts_with("HTTP/1.1 413 ") && answer.contains("/problems/too-large"), "{path}: {answer}");
            if method == Method::PUT {
                let bare = server.request(method.clone(), &path).json(&json!({}));
                server.send(bare).await.problem(428, "precondition-required");
                for tag in ["\"0\"", "\"-1\"", "\"x\"", "*", "W/\"1\"", "\"1\", \"2\""] {
                    let odd = server.request(method.clone(), &path).header("if-match", tag).json(&json!({}));
                    let answer = server.send(odd).await;
                    assert!([422, 428].contains(&answer.status), "{path} {tag}: {} {}", answer.status, answer.text);
                    answer.any_problem();
                }
                let both = request().header("if-match", "\"1\"").json(&json!({}));
                server.send(both).await.problem(422, "invalid");
            }
        }
        assert_eq!(server.log_size().await, size);
    }

    /// More than the limit, sent without saying so first.
    async fn a_body_without_end_is_cut_off(server: &Server) {
        let size = server.log_size().await;
        let mut body = b"if-none-match: *\r\ncontent-type: application/json\r\ntransfer-encoding: chunked\r\n\r\n800000\r\n".to_vec();
        body.extend(vec![b'['; 0x80_0000]);
        body.extend(b"\r\n1\r\n[\r\n");
        let answer = raw(server, &format!("PUT /api/coffees/{}", server.id()), &body).await;
        assert!(answer.starts_with("HTTP/1.1 413 ") && answer.contains("/problems/too-large"), "{answer}");
        assert_eq!(server.log_size().await, size);
    }

    async fn ids_and_queries_are_checked(server: &Server) {
        let contract = Contract::shared();
        for (method, path, operation) in contract.operations() {
            for id in ["x", "0", "01a211b7-0000-7000-8000", "..%2f..", "%00", "null", "01a211b7-0000-7000-8000-00000000deadbeef"] {
                if path.contains("{id}") {
                    let request = server.request(method.clone(), &path.replace("{id}", id)).header("if-none-match", "*");
                    let answer = server.send(request.json(&json!({}))).await;
                    assert_eq!(answer.status, 404, "{method} {path} {id}: {}", answer.text);
                    answer.problem(404, "not-found");
                }
            }
            if method != Method::GET || path == "/api/events" {
                continue;
            }
            let address = path.replace("{id}", NOBODY);
            if path.contains("{id}") {
                server.ask(&address).await.problem(404, "not-found");
            }
            let queries = operation["parameters"].as_array().into_iter().flatten().filter(|one| one["in"] == "query");
            let names: Vec<&str> = queries.filter_map(|one| one["name"].as_str()).collect();
            for name in &names {
                for value in ["", "%00", "-1", "1e308", "NaN", "2026-02-30", "'"] {
                    let answer = server.ask(&format!("{address}?{name}={value}")).await;
                    assert!(answer.status < 500, "{path}?{name}={value}: {} {}", answer.status, answer.text);
                    if answer.status >= 400 {
                        answer.any_problem();
                    }
                    if answer.status == 422 {
                        assert_eq!(answer.pointers(), [format!("/{name}")], "{path}?{name}={value}: {}", answer.text);
                        assert!(!["digit found", "parsing failed", "provided string"].iter().any(|word| answer.text.contains(word)), "{}", answer.text);
                    }
                }
            }
            if !names.is_empty() {
                let answer = server.ask(&format!("{address}?surprise=1")).await;
                assert!([404, 422].contains(&answer.status), "{path}: {} {}", answer.status, answer.text);
                assert!(answer.status == 404 || answer.pointers() == ["/surprise"], "{}", answer.text);
            }
        }
    }

    /// What would be right is said beside the field.
    async fn a_wrong_query_says_what_would_be_right(server: &Server) {
        for (query, right) in [
            ("/api/journal?after=-5", "/after: a whole number from 0 to 4294967295, not \"-5\""),
            ("/api/journal?limit=many", "/limit: a whole number, not \"many\""),
            ("/api/journal?id=7", "/id: an id is a UUID such as 0190b8a0-0000-7000-8000-000000000000, not \"7\""),
            ("/api/findings?closed=1", "/closed: true or false, not \"1\""),
            ("/api/log/consistency?old=1", "/new: missing field `new`"),
            ("/api/journal?after=1&after=2", "/after: duplicate field `after`"),
        ] {
            assert_eq!(server.ask(query).await.problem(422, "invalid")["detail"], right);
        }
    }

    /// RFC 9110: the case of a scheme (section 11.1) and of a media type (section 8.3.1) says nothing.
    async fn a_media_type_in_capitals_is_the_same(server: &Server) {
        let path = format!("/api/coffees/{}", server.id());
        let request = server.request(Method::PUT, &path).header("if-none-match", "*").header("content-type", "Application/JSON; charset=UTF-8");
        server.send(request.body(r#"{"name": "Kivu"}"#)).await.expect(201);
    }

    /// Minus nothing is nothing, and is kept as such.
    async fn minus_nothing_is_nothing(server: &Server) {
        let body = r#"{"name": "Pail scale", "unit": "kg", "division_g": 10, "max_g": 60000, "containers": [{"name": "none", "tare_g": -0.0}]}"#;
        let path = format!("/api/scales/{}", server.id());
        let request = server.request(Method::PUT, &path).header("if-none-match", "*").header("content-type", "application/json");
        let made = server.send(request.body(body)).await;
        made.expect(201);
        assert!(made.text.contains("\"tare_g\":0}"), "{}", made.text);
    }

    /// A field given twice could be read either way.
    async fn a_field_is_given_once(server: &Server) {
        let path = format!("/api/coffees/{}", server.id());
        let request = server.request(Method::PUT, &path).header("if-none-match", "*").header("content-type", "application/json");
        let answer = server.send(request.body(r#"{"name": "One", "name": "Two"}"#)).await;
        answer.problem(422, "invalid");
        assert_eq!(answer.pointers(), ["/name"]);
    }
}
