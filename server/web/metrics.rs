//! What a monitor reads, as OpenMetrics text: requests with their answers and durations, and how the book and its followers stand. README.md
//! says what to be warned of.

use std::sync::Arc;
use std::time::Instant as Moment;

use axum::Extension;
use axum::extract::{MatchedPath, Request, State};
use axum::http::{HeaderName, Method, header};
use axum::middleware::Next;
use axum::response::Response;
use prometheus_client::encoding::{EncodeLabelSet, text};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::ConstGauge;
use prometheus_client::metrics::histogram::Histogram;
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Registry, Unit};
use utoipa_axum::routes;

use super::problem::{Answer, Problem};
use super::routes::Routes;
use crate::app::App;
use crate::daily;
use crate::day::Instant;
use crate::setup::Right;
use crate::store::StoreError;

/// What was asked, as it stands in the table of routes.
#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Asked {
    method: String,
    route: String,
}

/// What was asked and how it was answered.
#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Answered {
    method: String,
    route: String,
    status: u16,
}

/// Upper ends of the buckets of durations, seconds: from what nobody notices to what is cut off.
const SECONDS: [f64; 7] = [0.005, 0.025, 0.1, 0.5, 2.0, 10.0, 30.0];

/// Requests since the start of this process.
#[derive(Debug, Clone)]
pub struct Requests {
    since: Instant,
    answered: Family<Answered, Counter>,
    seconds: Family<Asked, Histogram, fn() -> Histogram>,
}

impl Requests {
    /// None yet.
    #[must_use]
    pub fn new(since: Instant) -> Self {
        Self {
            since,
            answered: Family::default(),
            seconds: Family::new_with_constructor(|| Histogram::new(SECONDS)),
        }
    }

    fn note(&self, asked: Asked, status: u16, seconds: f64) {
        self.seconds.get_or_create(&asked).observe(seconds);
        let Asked { method, route } = asked;
        let answered = Answered {
            method,
            route,
            status,
        };
        self.answered.get_or_create(&answered).inc();
    }
}

/// Counts and times every request, whatever answers it.
pub async fn measure(State(requests): State<Requests>, request: Request, next: Next) -> Response {
    let path = request.extensions().get::<MatchedPath>();
    let asked = Asked {
        // A method or an address that is not there is anybody's to make up, so it gets no line of its own.
        method: match *request.method() {
            Method::GET | Method::HEAD | Method::POST | Method::PUT => request.method().to_string(),
            _ => "none".to_owned(),
        },
        route: path.map_or_else(|| "none".to_owned(), |path| path.as_str().to_owned()),
    };
    let begun = Moment::now();
    let response = next.run(request).await;
    let seconds = begun.elapsed().as_secs_f64();
    requests.note(asked, response.status().as_u16(), seconds);
    response
}

/// How the service stands at one moment.
struct Standing {
    leaves: i64,
    followed: i64,
    facts: usize,
    unsettled: usize,
    pages: usize,
    copied_at: Option<Instant>,
}

impl Standing {
    async fn read(app: &App) -> Result<Self, StoreError> {
        let mut tx = app.read().await?;
        let head = tx.head(app.site).await?;
        let copies = daily::of(app)?;
        Ok(Self {
            leaves: head.map_or(0, |head| head.size),
            followed: app.expect.followed(),
            facts: app.expect.learner().history().facts().len(),
            unsettled: tx.unsettled(app.site).await?.len(),
            pages: app.listening(),
            copied_at: copies.items.first().map(|copy| copy.made_at),
        })
    }

    fn register(&self, to: &mut Registry) {
        let count = |n: usize| ConstGauge::new(i64::try_from(n).unwrap_or(i64::MAX));
        to.register(
            "log_leaves",
            "Leaves in the site's log",
            ConstGauge::new(self.leaves),
        );
        to.register(
            "followed_leaves",
            "Leaves that pages and learner have followed",
            ConstGauge::new(self.followed),
        );
        to.register(
            "learner_facts",
            "Facts that the learner knows",
            count(self.facts),
        );
        to.register(
            "unsettled",
            "Kept commands that wait for a person",
            count(self.unsettled),
        );
        to.register(
            "pages_listening",
            "Open pages that hear of changes",
            count(self.pages),
        );
        if let Some(at) = self.copied_at {
            to.register_with_unit(
                "last_copy_timestamp",
                "When the last good copy of the book was made (Unix time)",
                Unit::Seconds,
                ConstGauge::new(at.ms() / 1_000),
            );
        }
    }
}

/// What every process tells of itself, under the names that monitors know.
fn register_process(since: Instant, to: &mut Registry) {
    to.register_with_unit(
        "process_start_time",
        "When this process started (Unix time)",
        Unit::Seconds,
        ConstGauge::new(since.ms() / 1_000),
    );
    if let Some(bytes) = resident_bytes() {
        to.register_with_unit(
            "process_resident_memory",
            "Memory of this process that is in the machine's",
            Unit::Bytes,
            ConstGauge::new(bytes),
        );
    }
}

/// Where the system tells it (Linux).
fn resident_bytes() -> Option<i64> {
    let told = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = told.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    let kib: i64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some(kib * 1_024)
}

const OPEN_METRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

#[utoipa::path(get, path = "/metrics", operation_id = "read_metrics", tag = "service",
    responses((status = 200, content_type = "application/openmetrics-text", body = String), (status = "4XX", body = Problem, content_type = "application/problem+json"), (status = 503, body = Problem, content_type = "application/problem+json")))]
async fn metrics(
    State(app): State<Arc<App>>,
    Extension(requests): Extension<Requests>,
) -> Answer<([(HeaderName, &'static str); 1], String)> {
    let standing = Standing::read(&app).await?;
    let mut registry = Registry::default();
    register_process(requests.since, &mut registry);
    let ours = registry.sub_registry_with_prefix("outturn");
    let release = Info::new([("release", env!("CARGO_PKG_VERSION"))]);
    ours.register("program", "The program that answers", release);
    ours.register("requests", "Requests answered", requests.answered.clone());
    ours.register_with_unit(
        "request_duration",
        "Until a request was answered",
        Unit::Seconds,
        requests.seconds.clone(),
    );
    standing.register(ours);
    let mut said = String::new();
    text::encode(&mut said, &registry)
        .map_err(|e| StoreError::Damaged(format!("the metrics cannot be written: {e}")))?;
    Ok(([(header::CONTENT_TYPE, OPEN_METRICS)], said))
}

/// This route.
pub fn router() -> Routes {
    Routes::new().needs(Right::Watch, routes!(metrics))
}
