//! An answer of the service, and what a test may expect of it.

use reqwest::header::HeaderMap;
use serde_json::Value;

/// What came back.
#[derive(Debug)]
pub struct Answer {
    /// What was asked, for messages.
    pub request: String,
    /// The status.
    pub status: u16,
    /// The headers.
    pub headers: HeaderMap,
    /// The body.
    pub text: String,
}

impl Answer {
    /// A header's text; empty where it is missing.
    pub fn header(&self, name: &str) -> &str {
        self.headers
            .get(name)
            .and_then(|value| value.to_str().ok())
            .unwrap_or_default()
    }

    /// The body as JSON, whatever the status.
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text)
            .unwrap_or_else(|e| panic!("{}: no JSON ({e}): {}", self.request, self.text))
    }

    /// The body, which must have come with this status.
    pub fn expect(&self, status: u16) -> Value {
        assert_eq!(self.status, status, "{}: {}", self.request, self.text);
        self.json()
    }

    /// The problem, which must be of this status and type and well formed (RFC 9457).
    pub fn problem(&self, status: u16, slug: &str) -> Value {
        let problem = self.any_problem();
        assert_eq!(
            (self.status, problem["type"].as_str()),
            (status, Some(format!("/problems/{slug}").as_str())),
            "{}: {}",
            self.request,
            self.text
        );
        problem
    }

    /// The problem, of whatever type, well formed: a known type with its own title and status, a sentence, the request's id.
    pub fn any_problem(&self) -> Value {
        let why = format!("{}: {} {}", self.request, self.status, self.text);
        assert_eq!(
            self.header("content-type"),
            "application/problem+json",
            "{why}"
        );
        let problem = self.json();
        let slug = problem["type"]
            .as_str()
            .and_then(|kind| kind.strip_prefix("/problems/"))
            .unwrap_or_else(|| panic!("no type: {why}"));
        let (_, title, status) = outturn::web::TYPES
            .into_iter()
            .find(|(name, ..)| *name == slug)
            .unwrap_or_else(|| panic!("unknown type: {why}"));
        assert_eq!(problem["title"], title, "{why}");
        assert_eq!(problem["status"], status.as_u16(), "{why}");
        assert_eq!(self.status, status.as_u16(), "{why}");
        assert!(
            problem["detail"]
                .as_str()
                .is_some_and(|text| text.len() > 8),
            "no sentence: {why}"
        );
        assert_eq!(problem["request_id"], self.header("x-request-id"), "{why}");
        problem
    }

    /// The pointers of the fields that the problem names.
    pub fn pointers(&self) -> Vec<String> {
        let problem = self.any_problem();
        let errors = problem["errors"].as_array().cloned().unwrap_or_default();
        errors
            .iter()
            .filter_map(|error| error["pointer"].as_str().map(ToOwned::to_owned))
            .collect()
    }
}
