//! Routes of seals and copies: what is kept, and checked, outside the house.

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
use crate::app::App;
use crate::audit::{self, Consistency, Seals};
use crate::book::seal::origin;
use crate::daily::{self, DailyCopies};
use crate::refusal::Refusal;
use crate::setup::Right;

async fn all(app: &App) -> Answer<Seals> {
    let mut tx = app.read().await?;
    let key = app.seal_key.public(origin(app.site));
    Ok(audit::seals(&mut *tx, app.site, &key).await?)
}

#[utoipa::path(get, path = "/api/seals", operation_id = "list_seals", tag = "audit",
    responses((status = 200, body = Seals), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn seals(State(app): State<Arc<App>>) -> Answer<Json<Seals>> {
    Ok(Json(all(&app).await?))
}

#[utoipa::path(get, path = "/api/closings/{id}/seal.txt", operation_id = "read_seal", tag = "audit", params(("id" = Uuid, Path)),
    responses((status = 200, body = String, content_type = "text/plain"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn seal(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Response> {
    let seals = all(&app).await?;
    let seal = seals.items.into_iter().find(|seal| seal.closing.0 == id);
    let seal = seal.ok_or(Refusal::NotFound("seal of a closing", id))?;
    let name = format!("attachment; filename=\"seal-{}.txt\"", seal.to_day);
    let headers = [
        (header::CONTENT_TYPE, "text/plain; charset=utf-8"),
        (header::CONTENT_DISPOSITION, name.as_str()),
    ];
    Ok((headers, seal.note).into_response())
}

/// Between which two sizes of the log.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Sizes {
    /// The earlier size, such as that of a seal.
    #[param(minimum = 0)]
    old: u32,
    /// The later size.
    #[param(minimum = 0)]
    new: u32,
}

#[utoipa::path(get, path = "/api/log/consistency", operation_id = "prove_consistency", tag = "audit", params(Sizes),
    responses((status = 200, body = Consistency), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn consistency(
    State(app): State<Arc<App>>,
    Query(sizes): Query<Sizes>,
) -> Answer<Json<Consistency>> {
    let mut tx = app.read().await?;
    Ok(Json(
        audit::consistency(&mut *tx, app.site, sizes.old, sizes.new).await?,
    ))
}

#[utoipa::path(get, path = "/api/copies", operation_id = "list_copies", tag = "service",
    responses((status = 200, body = DailyCopies), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn copies(State(app): State<Arc<App>>) -> Answer<Json<DailyCopies>> {
    Ok(Json(daily::of(&app)?))
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .needs(Right::Read, routes!(seals))
        .needs(Right::Read, routes!(seal))
        .needs(Right::Read, routes!(consistency))
        .needs(Right::Read, routes!(copies))
}
