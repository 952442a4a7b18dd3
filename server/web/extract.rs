//! What handlers take from a request, each checked once: bodies, paths, queries and what the sender expects to be there.

use axum::extract::rejection::{BytesRejection, FailedToBufferBody};
use axum::extract::{FromRequest, FromRequestParts, RawPathParams, Request};
use axum::http::request::Parts;
use axum::http::{HeaderMap, header};
use bytes::Bytes;
use serde::de::DeserializeOwned;
use serde::de::value::MapDeserializer;
use uuid::Uuid;

use super::problem::Problem;
use super::said::Said;
use super::strict::Strict;
use crate::setup::Expected;

/// A JSON body.
#[derive(Debug)]
pub struct Body<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequest<S> for Body<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        let kind = request
            .headers()
            .get(header::CONTENT_TYPE)
            .and_then(|value| value.to_str().ok())
            .unwrap_or_default();
        // The case of a media type says nothing (RFC 9110, section 8.3.1).
        let kind = kind.split(';').next().unwrap_or_default().trim();
        if !kind.eq_ignore_ascii_case("application/json") {
            return Err(Problem::new(
                "media-type",
                "send JSON with Content-Type: application/json",
            ));
        }
        // Whoever says that too much is coming need not send it first.
        let length = request.headers().get(header::CONTENT_LENGTH);
        let length: Option<usize> = length.and_then(|value| value.to_str().ok()?.parse().ok());
        if length.is_some_and(|length| length > super::BODY_LIMIT) {
            return Err(too_much());
        }
        let bytes = Bytes::from_request(request, state)
            .await
            .map_err(|rejection| too_large(&rejection))?;
        read_json(&bytes).map(Body)
    }
}

fn too_much() -> Problem {
    Problem::new(
        "too-large",
        "a request holds at most 8 MB: send less at once",
    )
}

fn too_large(rejection: &BytesRejection) -> Problem {
    match rejection {
        BytesRejection::FailedToBufferBody(FailedToBufferBody::LengthLimitError(_)) => too_much(),
        _ => Problem::new("malformed", "the request broke off before its end"),
    }
}

/// Reads JSON, naming the place that is wrong.
///
/// # Errors
/// A `malformed` problem for what is no JSON, an `invalid` one for what does not fit.
pub fn read_json<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, Problem> {
    let mut deserializer = serde_json::Deserializer::from_slice(bytes);
    let value = serde_path_to_error::deserialize(Strict(&mut deserializer)).map_err(|error| {
        let mut pointer = pointer(error.path());
        let inner = error.into_inner();
        let name = if inner.is_data() {
            "invalid"
        } else {
            "malformed"
        };
        let detail = without_place(&inner.to_string());
        if let Some(field) = field_of(&detail) {
            pointer = format!("{pointer}/{field}");
        }
        Problem::at(name, pointer, detail)
    })?;
    deserializer
        .end()
        .map_err(|_| Problem::new("malformed", "there is more after the end of the JSON"))?;
    Ok(value)
}

/// Reads a query (`application/x-www-form-urlencoded`), naming the field that is wrong.
fn read_query<T: DeserializeOwned>(query: &str) -> Result<T, Problem> {
    let fields = form_urlencoded::parse(query.as_bytes()).map(|(name, said)| (name, Said(said)));
    serde_path_to_error::deserialize(MapDeserializer::new(fields)).map_err(|error| {
        let mut pointer = pointer(error.path());
        let detail = error.into_inner().to_string();
        if let Some(field) = field_of(&detail) {
            pointer = format!("{pointer}/{field}");
        }
        Problem::at("invalid", pointer, detail)
    })
}

/// The path as a JSON Pointer (RFC 6901).
fn pointer(path: &serde_path_to_error::Path) -> String {
    use serde_path_to_error::Segment;
    path.iter()
        .filter_map(|segment| match segment {
            Segment::Seq { index } => Some(format!("/{index}")),
            Segment::Map { key } => Some(format!("/{}", key.replace('~', "~0").replace('/', "~1"))),
            Segment::Enum { .. } | Segment::Unknown => None,
        })
        .collect()
}

/// The field that is missing or given twice, where that is what is wrong: the path ends at the object that should have it once.
fn field_of(detail: &str) -> Option<&str> {
    let missing = detail.strip_prefix("missing field `");
    let named = missing.or_else(|| detail.strip_prefix("duplicate field `"))?;
    named.split('`').next()
}

fn without_place(text: &str) -> String {
    text.split(" at line ").next().unwrap_or(text).to_owned()
}

/// The parts of the path.
#[derive(Debug)]
pub struct Path<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned + Send> FromRequestParts<S> for Path<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let texts = RawPathParams::from_request_parts(parts, state).await;
        let nil = |text: &str| Uuid::parse_str(text).is_ok_and(|id| id.is_nil());
        if texts.is_ok_and(|texts| texts.iter().any(|(_, text)| nil(text))) {
            return Err(Problem::new(
                "not-found",
                "an id of zeros names nothing: make a new UUID",
            ));
        }
        let path = axum::extract::Path::<T>::from_request_parts(parts, state).await;
        path.map(|axum::extract::Path(value)| Self(value)).map_err(|_| {
            Problem::new(
                "not-found",
                "there is no such address: an id is a UUID such as 0190b8a0-0000-7000-8000-000000000000",
            )
        })
    }
}

/// The query.
#[derive(Debug)]
pub struct Query<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequestParts<S> for Query<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _state: &S) -> Result<Self, Problem> {
        read_query(parts.uri.query().unwrap_or_default()).map(Self)
    }
}

/// That nothing is expected to be there yet: `If-None-Match: *`.
#[derive(Debug)]
pub struct New;

impl<S: Send + Sync> FromRequestParts<S> for New {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _state: &S) -> Result<Self, Problem> {
        match expected(&parts.headers)? {
            Expected::Nothing => Ok(Self),
            Expected::Revision(_) => Err(Problem::new(
                "precondition-required",
                "a command is always new: send If-None-Match: *",
            )),
        }
    }
}

/// What the sender expects to be there: `If-None-Match: *` for nothing, `If-Match: "<revision>"` for a revision.
#[derive(Debug)]
pub struct Expects(pub Expected);

impl<S: Send + Sync> FromRequestParts<S> for Expects {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _state: &S) -> Result<Self, Problem> {
        expected(&parts.headers).map(Self)
    }
}

fn expected(headers: &HeaderMap) -> Result<Expected, Problem> {
    let text = |name| {
        headers
            .get(name)
            .map(|value| value.to_str().unwrap_or_default())
    };
    match (text(header::IF_NONE_MATCH), text(header::IF_MATCH)) {
        (Some("*"), None) => Ok(Expected::Nothing),
        (None, Some(tag)) => {
            let revision = tag
                .trim_matches('"')
                .parse()
                .ok()
                .filter(|revision| *revision > 0);
            revision.map(Expected::Revision).ok_or_else(|| {
                Problem::new(
                    "invalid",
                    "If-Match holds the revision that you read, such as \"3\"",
                )
            })
        }
        (None, None) => Err(Problem::new(
            "precondition-required",
            "send If-None-Match: * to make something new, If-Match: \"<revision>\" to change what is there",
        )),
        _ => Err(Problem::new(
            "invalid",
            "send either If-None-Match: * or If-Match: \"<revision>\"",
        )),
    }
}
