//! Reads of the floor: batches, and what a weight would be judged.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::{Body, Path, Query};
use super::problem::{Answer, Problem};
use super::records::{List, limit};
use super::routes::Routes;
use crate::app::App;
use crate::day::Day;
use crate::expect::{self, Overview};
use crate::floor::batch::State as Stage;
use crate::floor::{self, BatchView, Preview, Previewed, view};
use crate::ids::{BatchId, LotId};
use crate::refusal::Refusal;
use crate::setup::{self, Lot, Right, Style};
use crate::store::BatchFilter;

/// Which batches are wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
enum Which {
    /// Weighed in or in the drum.
    Open,
    /// Weighed out.
    WeighedOut,
    /// On hold.
    Held,
}

/// Which batches are wanted, newest first.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct BatchQuery {
    /// In which state.
    #[param(inline)]
    state: Option<Which>,
    /// Of one lot.
    lot: Option<Uuid>,
    /// From this day on.
    from: Option<Day>,
    /// Up to this day.
    to: Option<Day>,
    /// The `next` of the page before.
    after: Option<Uuid>,
    /// At most so many; 200 unless said.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<i64>,
}

#[utoipa::path(get, path = "/api/batches", operation_id = "list_batches", tag = "floor", params(BatchQuery),
    responses((status = 200, body = List<BatchView>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn batches(
    State(app): State<Arc<App>>,
    Query(query): Query<BatchQuery>,
) -> Answer<Json<List<BatchView>>> {
    let limit = limit(query.limit, 200)?;
    let mut tx = app.read().await?;
    let states = match query.state {
        Some(Which::WeighedOut) => vec![Stage::WeighedOut.word().to_owned()],
        Some(Which::Open | Which::Held) | None => Vec::new(),
    };
    let before = match query.after {
        None => None,
        Some(id) => {
            let last = tx
                .batch(app.site, id.into())
                .await?
                .ok_or(Refusal::NotFound("batch", id))?;
            Some((last.day, last.id))
        }
    };
    let filter = BatchFilter {
        states,
        held: query.state == Some(Which::Held),
        under_way: query.state == Some(Which::Open),
        lot: query.lot.map(LotId),
        from: query.from,
        to: query.to,
        before,
    };
    let mut rows = tx.batches(app.site, &filter, limit + 1).await?;
    let more = rows.len() > usize::try_from(limit).unwrap_or(usize::MAX);
    if more {
        rows.pop();
    }
    let next = rows.last().filter(|_| more).map(|row| row.id.to_string());
    Ok(Json(List {
        items: view::many(&mut *tx, app.site, &rows).await?,
        next,
    }))
}

#[utoipa::path(get, path = "/api/batches/{id}", operation_id = "read_batch", tag = "floor", params(("id" = Uuid, Path)),
    responses((status = 200, body = BatchView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn batch(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Json<BatchView>> {
    let mut tx = app.read().await?;
    let found = view::of_row(&mut *tx, app.site, BatchId(id)).await?;
    Ok(Json(found.ok_or(Refusal::NotFound("batch", id))?))
}

#[utoipa::path(post, path = "/api/weigh-out-previews", operation_id = "preview_weigh_out", tag = "floor", request_body = Preview,
    responses((status = 200, body = Previewed), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn preview(
    State(app): State<Arc<App>>,
    Body(asked): Body<Preview>,
) -> Answer<Json<Previewed>> {
    let mut tx = app.read().await?;
    Ok(Json(floor::preview(&app, &mut *tx, &asked).await?))
}

/// Of which lot.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct LossQuery {
    /// One lot; all unless said.
    lot: Option<Uuid>,
}

#[utoipa::path(get, path = "/api/loss", operation_id = "read_loss", tag = "loss", params(LossQuery),
    responses((status = 200, body = Overview), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn loss(
    State(app): State<Arc<App>>,
    Query(query): Query<LossQuery>,
) -> Answer<Json<Overview>> {
    let mut tx = app.read().await?;
    let questions = app.expect.questions(&mut *tx, app.site).await?;
    Ok(Json(
        expect::overview(&questions, &mut *tx, app.site, query.lot.map(LotId)).await?,
    ))
}

#[utoipa::path(get, path = "/api/lots/{id}/loss.svg", operation_id = "draw_loss", tag = "loss", params(("id" = Uuid, Path)),
    responses((status = 200, content_type = "image/svg+xml", body = String), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn loss_picture(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Response> {
    let mut tx = app.read().await?;
    let lot = setup::need::<Lot>(&mut *tx, app.site, id).await?;
    let styles = setup::all::<Style>(&mut *tx, app.site).await?;
    let picture = expect::picture(&app.expect.learner(), &lot, &styles);
    Ok(([(header::CONTENT_TYPE, "image/svg+xml")], picture).into_response())
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .needs(Right::Read, routes!(batches))
        .needs(Right::Read, routes!(batch))
        .needs(Right::Floor, routes!(preview))
        .needs(Right::Read, routes!(loss))
        .needs(Right::Read, routes!(loss_picture))
}
