//! The one place where a refusal becomes an answer: `application/problem+json` (RFC 9457).

use axum::Extension;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use serde_json::{Map, Value};

use crate::refusal::{Confirm, FieldError, Refusal};
use crate::store::StoreError;
use crate::text::sentence;

/// Every type of problem, with its title and status: the part of the address after `/problems/`.
pub const TYPES: [(&str, &str, StatusCode); 21] = [
    (
        "malformed",
        "The request cannot be read",
        StatusCode::BAD_REQUEST,
    ),
    (
        "invalid",
        "Something in the request is wrong",
        StatusCode::UNPROCESSABLE_ENTITY,
    ),
    ("sign-in", "Sign in first", StatusCode::UNAUTHORIZED),
    ("cut-off", "This tablet was cut off", StatusCode::FORBIDDEN),
    ("forbidden", "You may not do this", StatusCode::FORBIDDEN),
    ("not-found", "There is no such thing", StatusCode::NOT_FOUND),
    (
        "method",
        "This address does not take that method",
        StatusCode::METHOD_NOT_ALLOWED,
    ),
    (
        "too-large",
        "The request is too large",
        StatusCode::PAYLOAD_TOO_LARGE,
    ),
    (
        "media-type",
        "The request is not JSON",
        StatusCode::UNSUPPORTED_MEDIA_TYPE,
    ),
    (
        "precondition-required",
        "Say what you expect to be there",
        StatusCode::PRECONDITION_REQUIRED,
    ),
    (
        "changed-since",
        "It has been changed since you read it",
        StatusCode::PRECONDITION_FAILED,
    ),
    (
        "id-taken",
        "This id names something else",
        StatusCode::CONFLICT,
    ),
    (
        "conflict",
        "It does not fit what is there",
        StatusCode::CONFLICT,
    ),
    ("confirm", "This needs a further word", StatusCode::CONFLICT),
    (
        "too-often",
        "Too many wrong tries",
        StatusCode::TOO_MANY_REQUESTS,
    ),
    ("busy", "The book is busy", StatusCode::SERVICE_UNAVAILABLE),
    (
        "away",
        "The database does not answer",
        StatusCode::SERVICE_UNAVAILABLE,
    ),
    (
        "read-only",
        "The book may not be written",
        StatusCode::SERVICE_UNAVAILABLE,
    ),
    (
        "no-room",
        "The disk takes nothing more",
        StatusCode::INSUFFICIENT_STORAGE,
    ),
    (
        "timeout",
        "The request took too long",
        StatusCode::REQUEST_TIMEOUT,
    ),
    (
        "internal",
        "Something failed here",
        StatusCode::INTERNAL_SERVER_ERROR,
    ),
];

/// A problem as it is sent.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Problem {
    /// Which problem: `/problems/<name>`.
    pub r#type: String,
    /// Its title.
    pub title: &'static str,
    /// The HTTP status.
    pub status: u16,
    /// What is wrong, and what to do.
    pub detail: String,
    /// The fields that are wrong.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub errors: Vec<FieldError>,
    /// What to send in `confirmed` to go on all the same.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub confirm: Vec<Confirm>,
    /// The request, as the log of the service names it.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(required = false)]
    pub request_id: Option<String>,
    /// The figures behind it.
    #[serde(flatten)]
    #[schema(value_type = Object)]
    pub facts: Map<String, Value>,
}

impl Problem {
    /// A problem of one of the [`TYPES`]; its detail becomes a sentence, unless it goes on from the name of a field.
    #[must_use]
    pub fn new(name: &str, detail: impl AsRef<str>) -> Self {
        let detail = detail.as_ref();
        let (name, title, status) = TYPES
            .into_iter()
            .find(|(n, ..)| *n == name)
            .unwrap_or(TYPES[TYPES.len() - 1]);
        Self {
            r#type: format!("/problems/{name}"),
            title,
            status: status.as_u16(),
            detail: if detail.starts_with('/') {
                detail.to_owned()
            } else {
                sentence(detail)
            },
            errors: Vec::new(),
            confirm: Vec::new(),
            request_id: None,
            facts: Map::new(),
        }
    }

    /// The same, of a request.
    #[must_use]
    pub fn of_request(self, request_id: Option<String>) -> Self {
        Self { request_id, ..self }
    }

    fn with_errors(mut self, errors: Vec<FieldError>) -> Self {
        self.errors = errors;
        self
    }

    /// A body or query that cannot be read, at a field.
    #[must_use]
    pub fn at(name: &str, pointer: String, detail: String) -> Self {
        Self::new(
            name,
            format!(
                "{}: {detail}",
                if pointer.is_empty() {
                    "the request"
                } else {
                    &pointer
                }
            ),
        )
        .with_errors(vec![FieldError { pointer, detail }])
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let body = serde_json::to_string(&self).unwrap_or_default();
        let mut headers = HeaderMap::new();
        headers.insert(
            header::CONTENT_TYPE,
            HeaderValue::from_static("application/problem+json"),
        );
        if status == StatusCode::SERVICE_UNAVAILABLE {
            headers.insert(header::RETRY_AFTER, HeaderValue::from_static("1"));
        }
        if let (StatusCode::TOO_MANY_REQUESTS, Some(seconds)) = (status, self.facts.get("seconds"))
            && let Ok(value) = HeaderValue::from_str(&seconds.to_string())
        {
            headers.insert(header::RETRY_AFTER, value);
        }
        // The problem itself goes along: the layer that knows the request's id writes it once more.
        (status, headers, Extension(self), body).into_response()
    }
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Self {
        let words = refusal.to_string();
        match refusal {
            Refusal::Invalid(errors) => {
                let detail = errors.first().map_or(words, |e| {
                    if e.pointer.is_empty() {
                        e.detail.clone()
                    } else {
                        format!("{}: {}", e.pointer, e.detail)
                    }
                });
                Self::new("invalid", detail).with_errors(errors)
            }
            Refusal::BadLines(errors) => Self {
                facts: Map::from_iter([("errors".to_owned(), serde_json::json!(errors))]),
                ..Self::new("invalid", words)
            },
            Refusal::NotFound(kind, id) => Self::new(
                "not-found",
                format!("there is no {} {id}", kind.replace('_', " ")),
            ),
            Refusal::Conflict { facts, .. } => Self {
                facts,
                ..Self::new("conflict", words)
            },
            Refusal::Confirm { confirm, facts, .. } => Self {
                confirm,
                facts,
                ..Self::new("confirm", words)
            },
            Refusal::ChangedSince(_) => Self::new("changed-since", words),
            Refusal::IdTaken => Self::new("id-taken", words),
            Refusal::NotKnown(_) => Self::new("sign-in", words),
            Refusal::NotAllowed(_) => Self::new("forbidden", words),
            Refusal::Wait { seconds } => Self {
                facts: Map::from_iter([("seconds".to_owned(), seconds.into())]),
                ..Self::new("too-often", words)
            },
            Refusal::TooMuch(_) => Self::new("too-large", words),
            Refusal::Store(error) => error.into(),
        }
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Busy(why) => {
                tracing::warn!(error = %why, "the database did not answer in time");
                Self::new(
                    "busy",
                    "the book did not answer in time: nothing was saved, try again in a second",
                )
            }
            StoreError::Away(why) => {
                tracing::warn!(error = %why, "the database is away");
                Self::new(
                    "away",
                    "the database was cut off, and comes back by itself: try again in a moment; what you entered may have been saved already",
                )
            }
            full @ StoreError::Full(_) => {
                tracing::error!(error = %full, "the disk takes nothing more");
                Self::new(
                    "no-room",
                    "the service's disk is full or fails: nothing was saved. Make room there, then send it again",
                )
            }
            denied @ StoreError::ReadOnly(_) => {
                tracing::error!(error = %denied, "the book may not be written");
                Self::new(
                    "read-only",
                    "the service may read its book and not write it: nothing was saved. Whoever keeps the service must allow it",
                )
            }
            // Where another site has it: one's own was looked for before.
            StoreError::Taken(_) => Refusal::IdTaken.into(),
            damaged @ StoreError::Damaged(_) => {
                tracing::error!(error = %damaged, "the book is damaged");
                Self::new(
                    "internal",
                    "nothing was saved: something in the book cannot be read. Run `outturn verify`, which says where",
                )
            }
            other => {
                tracing::error!(error = %other, "a request failed in the store");
                Self::new(
                    "internal",
                    "nothing was saved; the log of the service says what failed",
                )
            }
        }
    }
}

/// What a handler answers.
pub type Answer<T> = Result<T, Problem>;
