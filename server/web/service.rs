//! Routes about the service itself: who calls, its health, what changed, its own description.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::Json;
use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::future::ready;
use futures_util::{Stream, StreamExt, stream};
use serde::Serialize;
use tokio_stream::wrappers::BroadcastStream;
use utoipa_axum::routes;
use uuid::Uuid;

use super::problem::{Answer, Problem};
use super::records::Sent;
use super::routes::Routes;
use super::who::{AtDoor, Who};
use crate::access;
use crate::app::App;
use crate::day::{Day, Instant};
use crate::follow::Changed;
use crate::setup::{self, Device, Person, Right, Site};

/// Who calls, where, and what time it is there.
#[derive(Debug, Serialize, utoipa::ToSchema)]
struct Me {
    person: Sent<Person>,
    site: Sent<Site>,
    today: Day,
    now: Instant,
    /// Whether the service's clock was set, as in the demo: it need not agree with anybody else's.
    clock_set: bool,
    /// The release that answers.
    release: &'static str,
    /// The tablet, browser or program that asks, if it has a name of its own.
    device: Option<Sent<Device>>,
    /// What may be done from here.
    rights: Vec<Right>,
    /// Whether nobody signs in here, and everybody acts as the owner.
    acts_as_owner: bool,
    /// Whether other sites share the database.
    several_sites: bool,
}

#[utoipa::path(get, path = "/api/me", operation_id = "read_me", tag = "service",
    responses((status = 200, body = Me), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn me(State(app): State<Arc<App>>, who: Who, at_door: AtDoor) -> Answer<Json<Me>> {
    let mut tx = app.read().await?;
    let site = app.site_record(&mut *tx).await?;
    let person = setup::need::<Person>(&mut *tx, app.site, who.0.person).await?;
    let device = match who.0.device {
        Some(id) => setup::find::<Device>(&mut *tx, app.site, id).await?,
        None => None,
    };
    let now = app.clock.now();
    Ok(Json(Me {
        rights: access::rights_of(
            person.fields.role,
            device.as_ref().map(|device| &device.fields),
        ),
        acts_as_owner: at_door.acts_as_owner,
        several_sites: tx.sites().await?.len() > 1,
        device: device.map(Sent::from),
        person: person.into(),
        today: site.fields.zone.day(now),
        site: site.into(),
        now,
        clock_set: app.clock.is_set(),
        release: env!("CARGO_PKG_VERSION"),
    }))
}

/// The head of the log.
#[derive(Debug, Serialize, utoipa::ToSchema)]
struct LogHead {
    site: Uuid,
    /// Leaves in it.
    size: i64,
    /// Its root, hex.
    root: String,
    recorded_at: Instant,
}

#[utoipa::path(get, path = "/api/log", operation_id = "read_log", tag = "audit",
    responses((status = 200, body = LogHead), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn log_head(State(app): State<Arc<App>>) -> Answer<Json<LogHead>> {
    let mut tx = app.read().await?;
    let head = tx
        .head(app.site)
        .await?
        .ok_or_else(|| Problem::new("internal", "the site has no log"))?;
    Ok(Json(LogHead {
        site: app.site.0,
        size: head.size,
        root: hex::encode(&head.root),
        recorded_at: head.recorded_at,
    }))
}

#[utoipa::path(get, path = "/api/verify", operation_id = "verify_book", tag = "audit",
    responses((status = 200, body = crate::audit::verify::Report), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn verify(State(app): State<Arc<App>>) -> Answer<Json<crate::audit::verify::Report>> {
    let mut tx = app.read().await?;
    Ok(Json(
        crate::audit::verify::verify(&mut *tx, app.site).await?,
    ))
}

/// Changes after which whoever listens is asked again who they are: the line ends, and the page opens another at once. While the database is away none
/// stands again, and the page says so.
const LAST: [&str; 4] = ["access", "away", "device", "person"];
const REOPEN: Duration = Duration::from_millis(200);

#[utoipa::path(get, path = "/api/events", operation_id = "listen", tag = "service",
    responses((status = 200, content_type = "text/event-stream", body = String), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn events(State(app): State<Arc<App>>) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let still = |change: &Result<Changed, _>| match change {
        Ok(change) => !change
            .kinds
            .iter()
            .any(|kind| LAST.contains(&kind.as_str())),
        Err(_) => true,
    };
    let changes = BroadcastStream::new(app.changes());
    let changes = changes.take_while(move |change| ready(still(change)));
    let changes = changes.map(|change| {
        // A page that fell behind reads everything again.
        let data = change.map_or_else(
            |_| serde_json::json!({"kinds": ["everything"]}),
            |change| serde_json::json!(change),
        );
        Ok(Event::default().event("changed").data(data.to_string()))
    });
    let again = Event::default().retry(REOPEN);
    Sse::new(stream::once(ready(Ok(again))).chain(changes)).keep_alive(KeepAlive::default())
}

#[utoipa::path(get, path = "/healthz", operation_id = "read_health", tag = "service", responses((status = 200, content_type = "text/plain", body = String)))]
async fn healthz() -> &'static str {
    "alive\n"
}

#[utoipa::path(get, path = "/readyz", operation_id = "read_readiness", tag = "service",
    responses((status = 200, content_type = "text/plain", body = String), (status = 503, body = Problem, content_type = "application/problem+json")))]
async fn readyz(State(app): State<Arc<App>>) -> Answer<&'static str> {
    let mut tx = app.read().await?;
    tx.head(app.site).await?;
    Ok("ready\n")
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .needs(Right::Read, routes!(me))
        .needs(Right::Read, routes!(log_head))
        .needs(Right::Read, routes!(verify))
        .needs(Right::Read, routes!(events))
        .open(routes!(healthz))
        .open(routes!(readyz))
}
