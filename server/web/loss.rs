//! Reads of what was learned, looks ahead at what a word on a batch would change, and past batches.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::{Body, Path};
use super::problem::{Answer, Problem};
use super::records::List;
use super::routes::Routes;
use crate::app::App;
use crate::expect::past::{self, PastDryRun, PastImportView, PastText};
use crate::expect::{self, LotOutlook, ReviewEffect, ReviewText};
use crate::setup::Right;

#[utoipa::path(post, path = "/api/review-previews", operation_id = "look_at_review", tag = "loss", request_body = ReviewText,
    responses((status = 200, body = ReviewEffect), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn effect(
    State(app): State<Arc<App>>,
    Body(text): Body<ReviewText>,
) -> Answer<Json<ReviewEffect>> {
    let tx = app.read().await?;
    Ok(Json(
        expect::effect(&app.expect, tx, app.site, &text).await?,
    ))
}

#[utoipa::path(get, path = "/api/lots/{id}/outlook", operation_id = "read_lot_outlook", tag = "loss", params(("id" = Uuid, Path)),
    responses((status = 200, body = LotOutlook), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn outlook(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Json<LotOutlook>> {
    let mut tx = app.read().await?;
    let questions = app.expect.questions(&mut *tx, app.site).await?;
    Ok(Json(
        expect::outlook(&questions, &mut *tx, app.site, id.into()).await?,
    ))
}

#[utoipa::path(get, path = "/api/past-imports", operation_id = "list_past_imports", tag = "loss",
    responses((status = 200, body = List<PastImportView>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn imports(State(app): State<Arc<App>>) -> Answer<Json<List<PastImportView>>> {
    let mut tx = app.read().await?;
    Ok(Json(List {
        items: past::imports(&mut *tx, app.site).await?,
        next: None,
    }))
}

#[utoipa::path(post, path = "/api/past-imports", operation_id = "look_at_past_batches", tag = "commands", request_body = PastText,
    responses((status = 200, body = PastDryRun), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn look(State(app): State<Arc<App>>, Body(text): Body<PastText>) -> Answer<Json<PastDryRun>> {
    let tx = app.read().await?;
    let now = app.clock.now();
    Ok(Json(
        past::dry_run(&app.expect, tx, app.site, now, text).await?,
    ))
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .needs(Right::Judge, routes!(effect))
        .needs(Right::Read, routes!(outlook))
        .needs(Right::Read, routes!(imports))
        .needs(Right::SetUp, routes!(look))
}
