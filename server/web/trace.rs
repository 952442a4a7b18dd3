//! Routes of where coffee came from and where it went.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::{Path, Query};
use super::problem::{Answer, Problem};
use super::routes::Routes;
use super::who::Who;
use crate::access;
use crate::app::App;
use crate::audit::trace::{self, Asked, Direction, Trace};
use crate::chart;
use crate::refusal::Refusal;
use crate::setup::Right;

/// Which way.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Which {
    /// Where it came from, where it went, or both; both unless said.
    direction: Option<Direction>,
}

async fn traced(
    app: &App,
    who: Who,
    (of, id): (trace::Subject, Uuid),
    which: &Which,
) -> Answer<Trace> {
    let mut tx = app.read().await?;
    // For whom another site packs is for those who may see all sites.
    let may_find = access::check(&mut *tx, app.site, who.0, Right::Find).await;
    let asked = Asked {
        of,
        id,
        direction: which.direction.unwrap_or(Direction::Both),
        orders_elsewhere: match may_find {
            Ok(()) => true,
            Err(Refusal::NotAllowed(_)) => false,
            Err(other) => return Err(other.into()),
        },
    };
    Ok(trace::trace(&mut *tx, app.site, asked).await?)
}

#[utoipa::path(get, path = "/api/trace/{of}/{id}", operation_id = "trace", tag = "audit", params(("of" = trace::Subject, Path), ("id" = Uuid, Path), Which),
    responses((status = 200, body = Trace), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn read(
    State(app): State<Arc<App>>,
    who: Who,
    Path((of, id)): Path<(trace::Subject, Uuid)>,
    Query(which): Query<Which>,
) -> Answer<Json<Trace>> {
    Ok(Json(traced(&app, who, (of, id), &which).await?))
}

#[utoipa::path(get, path = "/api/trace/{of}/{id}/ways.csv", operation_id = "export_trace", tag = "audit", params(("of" = trace::Subject, Path), ("id" = Uuid, Path), Which),
    responses((status = 200, body = String, content_type = "text/csv"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn csv(
    State(app): State<Arc<App>>,
    who: Who,
    Path((of, id)): Path<(trace::Subject, Uuid)>,
    Query(which): Query<Which>,
) -> Answer<Response> {
    let traced = traced(&app, who, (of, id), &which).await?;
    let name = format!("attachment; filename=\"trace-{}-{id}.csv\"", of.word());
    let headers = [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8"),
        (header::CONTENT_DISPOSITION, name.as_str()),
    ];
    Ok((headers, trace::csv(&traced)?).into_response())
}

#[utoipa::path(get, path = "/api/trace/{of}/{id}/picture.svg", operation_id = "draw_trace", tag = "audit", params(("of" = trace::Subject, Path), ("id" = Uuid, Path), Which),
    responses((status = 200, body = String, content_type = "image/svg+xml"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn picture(
    State(app): State<Arc<App>>,
    who: Who,
    Path((of, id)): Path<(trace::Subject, Uuid)>,
    Query(which): Query<Which>,
) -> Answer<Response> {
    let traced = traced(&app, who, (of, id), &which).await?;
    let headers = [(header::CONTENT_TYPE, "image/svg+xml")];
    Ok((headers, chart::trace(&trace::picture(&traced))).into_response())
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .needs(Right::Read, routes!(read))
        .needs(Right::Read, routes!(csv))
        .needs(Right::Read, routes!(picture))
}
