//! The service on HTTP: routes, what they take and answer, the pages.
//!
//! To add a route: a handler of at most about 25 lines (extract, call one function of an area, answer) with its `utoipa::path`, in the file
//! of its area, and a line in that file's `router` with the right that it needs (`setup/rights.rs`): `.needs(Right::Plan, routes!(plan))`.
//! A handler that books takes `who: Who` and books under `who.0`.

mod access;
mod audit;
mod claims;
mod commands;
mod cost;
mod counting;
mod demand;
mod description;
mod dispatch;
mod door;
mod extract;
mod files;
mod floor;
mod green;
mod loss;
mod metrics;
mod packing;
mod problem;
mod records;
mod routes;
mod said;
mod seals;
mod service;
mod sheets;
mod sites;
mod strict;
mod trace;
mod views;
mod week;
mod who;

use std::sync::Arc;
use std::time::Duration;

use axum::extract::{DefaultBodyLimit, Request, State};
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::{Extension, Router};
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;
use tower_http::request_id::{MakeRequestUuid, PropagateRequestIdLayer, SetRequestIdLayer};
use tower_http::set_header::SetResponseHeaderLayer;
use tower_http::timeout::TimeoutLayer;
use tower_http::trace::TraceLayer;
use utoipa::OpenApi;

use crate::app::App;
pub use door::{Authority, Door, Peer};
pub use problem::{Problem, TYPES};
pub use routes::Route;
use routes::Routes;
use who::{Guard, guard};

/// The largest body: an import of many years' batches fits.
const BODY_LIMIT: usize = 8 * 1024 * 1024;
const TIME_LIMIT: Duration = Duration::from_secs(30);
/// The header that names a request, in answers and in the log.
const REQUEST_ID: &str = "x-request-id";

#[derive(OpenApi)]
#[openapi(info(
    title = "Outturn",
    description = "Roast-batch planner and shrinkage tracker of a small coffee roastery.\n\nThings people edit are records: PUT with `If-None-Match: *` makes one, with `If-Match: \"<revision>\"` changes it. Things that happened are commands: PUT with `If-None-Match: *` under an id (UUID version 7) that the sender makes; sent again with the same content, a command answers what it answered."
))]
struct Description;

fn routes() -> Routes {
    Routes::described(Description::openapi())
        .merge(records::router())
        .merge(views::router())
        .merge(commands::router())
        .merge(floor::router())
        .merge(loss::router())
        .merge(green::router())
        .merge(sites::router())
        .merge(audit::router())
        .merge(cost::router())
        .merge(counting::router())
        .merge(claims::router())
        .merge(seals::router())
        .merge(trace::router())
        .merge(demand::router())
        .merge(packing::router())
        .merge(dispatch::router())
        .merge(week::router())
        .merge(access::router())
        .merge(service::router())
        .merge(metrics::router())
        .merge(sheets::router())
}

/// Every route with the right that it needs.
#[must_use]
pub fn table() -> Vec<Route> {
    routes().merge(files::router()).split().2
}

/// The OpenAPI 3.1 document of all routes.
#[must_use]
pub fn description() -> serde_json::Value {
    let (_, api, table) = routes().split();
    description::document(&api, &table)
}

/// The whole service as a router, behind a door.
pub fn router(app: Arc<App>, door: Door) -> Router {
    let request_id = HeaderName::from_static(REQUEST_ID);
    let (api, _, table) = routes().merge(files::router()).split();
    let door = Arc::new(door);
    let requests = metrics::Requests::new(app.clock.now());
    let asked = Guard {
        app: Arc::clone(&app),
        table: Arc::new(routes::by_address(table)),
        door: Arc::clone(&door),
    };
    api.route_layer(middleware::from_fn_with_state(asked, guard))
        .fallback(async || Problem::new("not-found", "there is no such address").into_response())
        .method_not_allowed_fallback(async || Problem::new("method", "this address does not take that method").into_response())
        .layer(Extension(door))
        .layer(Extension(requests.clone()))
        .layer(DefaultBodyLimit::max(BODY_LIMIT))
        .layer(CatchPanicLayer::custom(panicked))
        .layer(middleware::from_fn(name_host))
        .layer(TimeoutLayer::with_status_code(StatusCode::REQUEST_TIMEOUT, TIME_LIMIT))
        .layer(middleware::from_fn(name_request))
        .layer(middleware::map_response_with_state((), keep_private))
        .layer(middleware::from_fn_with_state(requests, metrics::measure))
        .layer(CompressionLayer::new())
        .layer(security_header(
            "content-security-policy",
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; worker-src 'self'; manifest-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'",
        ))
        .layer(security_header("x-content-type-options", "nosniff"))
        .layer(security_header("cross-origin-opener-policy", "same-origin"))
        .layer(security_header("cross-origin-resource-policy", "same-origin"))
        .layer(security_header("referrer-policy", "same-origin"))
        .layer(TraceLayer::new_for_http())
        .layer(PropagateRequestIdLayer::new(request_id.clone()))
        .layer(SetRequestIdLayer::new(request_id, MakeRequestUuid))
        .with_state(app)
}

fn security_header(name: &'static str, value: &'static str) -> SetResponseHeaderLayer<HeaderValue> {
    SetResponseHeaderLayer::overriding(
        HeaderName::from_static(name),
        HeaderValue::from_static(value),
    )
}

/// Answers of the service are nobody else's to keep, unless a handler said otherwise.
async fn keep_private(State(()): State<()>, mut response: Response) -> Response {
    response
        .headers_mut()
        .entry(header::CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

async fn name_host(mut request: Request, next: Next) -> Response {
    match door::name_host(&mut request) {
        Ok(()) => next.run(request).await,
        Err(problem) => problem.into_response(),
    }
}

/// Puts the request's id into a problem, so that a person who is told of it can find it in the log; a request that took too long becomes one.
async fn name_request(request: Request, next: Next) -> Response {
    let id = request.headers().get(REQUEST_ID).cloned();
    let mut response = next.run(request).await;
    if response.status() == StatusCode::REQUEST_TIMEOUT {
        response = Problem::new(
            "timeout",
            "it took longer than 30 seconds: read again to see whether it was saved",
        )
        .into_response();
    }
    let id = id.and_then(|id| id.to_str().ok().map(ToOwned::to_owned));
    match response.extensions_mut().remove::<Problem>() {
        Some(problem) => problem.of_request(id).into_response(),
        None => response,
    }
}

fn panicked(_what: Box<dyn std::any::Any + Send>) -> Response {
    tracing::error!("a handler panicked");
    Problem::new(
        "internal",
        "nothing was saved; the log of the service says what failed",
    )
    .into_response()
}
