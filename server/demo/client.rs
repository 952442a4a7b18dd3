//! A user of the service without a network: requests go straight into its router, at times the demo sets.

use std::sync::Arc;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{Method, Request, header};
use serde_json::{Value, json};
use tower::ServiceExt;
use uuid::Uuid;

use super::DemoError;
use crate::app::App;
use crate::book::Actor;
use crate::clock::Clock;
use crate::counting::CountHandIn;
use crate::day::Instant;
use crate::web::{self, Door};

/// What the caller believes to be there.
enum Expects<'a> {
    Nothing,
    Revision(&'a str),
    Anything,
}

/// An answer: its status, its revision where it is a record, its body.
struct Answer {
    status: u16,
    tag: String,
    body: Value,
}

/// Speaks to the service as a page does.
pub struct Client {
    app: Arc<App>,
    router: Router,
}

const LARGEST_ANSWER: usize = 64 << 20;

impl Client {
    /// A client of a service that nobody else uses.
    pub fn new(app: Arc<App>) -> Self {
        let router = web::router(Arc::clone(&app), Door::open());
        Self { app, router }
    }

    /// Sets the clock.
    pub fn set_clock(&self, at: Instant) {
        if let Clock::Set(hands) = &self.app.clock {
            hands.set(at);
        }
    }

    /// A new id.
    pub fn new_id(&self) -> Uuid {
        self.app.clock.new_id()
    }

    /// Reads.
    ///
    /// # Errors
    /// [`DemoError::Refused`] when it is not there.
    pub async fn get(&self, path: &str) -> Result<Value, DemoError> {
        let answer = self
            .ask(&Method::GET, path, &Expects::Anything, None)
            .await?;
        done("GET", path, answer).map(|answer| answer.body)
    }

    /// Asks for something to be computed.
    ///
    /// # Errors
    /// [`DemoError::Refused`] when the service refuses.
    pub async fn post(&self, path: &str, body: &Value) -> Result<Value, DemoError> {
        let answer = self
            .ask(&Method::POST, path, &Expects::Anything, Some(body))
            .await?;
        done("POST", path, answer).map(|answer| answer.body)
    }

    /// Makes a record and answers its id.
    ///
    /// # Errors
    /// [`DemoError::Refused`] when the service refuses.
    pub async fn create(&self, kinds: &str, fields: &Value) -> Result<Uuid, DemoError> {
        let id = self.new_id();
        let path = format!("/api/{kinds}/{id}");
        let answer = self
            .ask(&Method::PUT, &path, &Expects::Nothing, Some(fields))
            .await?;
        done("PUT", &path, answer).map(|_| id)
    }

    /// Writes a record again with other fields.
    ///
    /// # Errors
    /// [`DemoError::Refused`] when the service refuses.
    pub async fn change(&self, kinds: &str, id: Uuid, fields: &Value) -> Result<(), DemoError> {
        let path = format!("/api/{kinds}/{id}");
        let read = done(
            "GET",
            &path,
            self.ask(&Method::GET, &path, &Expects::Anything, None)
                .await?,
        )?;
        let answer = self
            .ask(
                &Method::PUT,
                &path,
                &Expects::Revision(&read.tag),
                Some(fields),
            )
            .await?;
        done("PUT", &path, answer).map(|_| ())
    }

    /// Tells the book what happened at `at`, and says yes where it asks once more.
    ///
    /// # Errors
    /// [`DemoError::Refused`] when the service refuses.
    pub async fn command(
        &self,
        commands: &str,
        at: Instant,
        fields: Value,
    ) -> Result<Value, DemoError> {
        let path = format!("/api/{commands}/{}", self.new_id());
        let mut body = fields;
        body["v"] = json!(1);
        body["happened_at"] = json!(at);
        let mut answer = self
            .ask(&Method::PUT, &path, &Expects::Nothing, Some(&body))
            .await?;
        if answer.body.get("confirm").is_some() {
            body["confirmed"] = answer.body["confirm"].clone();
            answer = self
                .ask(&Method::PUT, &path, &Expects::Nothing, Some(&body))
                .await?;
        }
        done("PUT", &path, answer).map(|answer| answer.body)
    }

    /// Another person than the owner hands a count in. Nobody signs in at the demo's door, so it goes straight to the command that their page
    /// would send.
    ///
    /// # Errors
    /// [`DemoError`] when it is refused.
    pub async fn hand_in_as(
        &self,
        person: Uuid,
        count: &Value,
        at: Instant,
    ) -> Result<(), DemoError> {
        let body = json!({"v": 1, "happened_at": at, "count": count});
        let hand_in: CountHandIn =
            serde_json::from_value(body).map_err(|e| DemoError::File(e.to_string()))?;
        let actor = Actor::person(person.into());
        let done = self.app.carry_out(actor, self.new_id(), hand_in).await;
        done.map(drop).map_err(|refusal| DemoError::Refused {
            request: "a count that another person hands in".to_owned(),
            status: 409,
            answer: refusal.to_string(),
        })
    }

    /// Asks once the learner knows everything told so far, as it does when a person takes the next step: so the same history makes the
    /// same book.
    async fn ask(
        &self,
        method: &Method,
        path: &str,
        expects: &Expects<'_>,
        body: Option<&Value>,
    ) -> Result<Answer, DemoError> {
        self.app.learned().await;
        let mut request = Request::builder()
            .method(method)
            .uri(path)
            .header(header::CONTENT_TYPE, "application/json");
        match expects {
            Expects::Nothing => request = request.header(header::IF_NONE_MATCH, "*"),
            Expects::Revision(tag) => request = request.header(header::IF_MATCH, *tag),
            Expects::Anything => {}
        }
        let body = body.map_or_else(Body::empty, |value| Body::from(value.to_string()));
        let request = request
            .body(body)
            .map_err(|e| DemoError::Transport(e.to_string()))?;
        let response = self
            .router
            .clone()
            .oneshot(request)
            .await
            .unwrap_or_else(|never| match never {});
        let (status, tag) = (response.status().as_u16(), header_text(&response));
        let bytes = to_bytes(response.into_body(), LARGEST_ANSWER)
            .await
            .map_err(|e| DemoError::Transport(e.to_string()))?;
        let body = serde_json::from_slice(&bytes).unwrap_or(Value::Null);
        Ok(Answer { status, tag, body })
    }
}

fn header_text(response: &axum::response::Response) -> String {
    let tag = response
        .headers()
        .get(header::ETAG)
        .and_then(|value| value.to_str().ok());
    tag.unwrap_or_default().to_owned()
}

fn done(method: &str, path: &str, answer: Answer) -> Result<Answer, DemoError> {
    if (200..300).contains(&answer.status) && answer.status != 202 {
        return Ok(answer);
    }
    Err(DemoError::Refused {
        request: format!("{method} {path}"),
        status: answer.status,
        answer: answer.body.to_string(),
    })
}
