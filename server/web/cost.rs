//! Routes of costs and margins, and of what could take a coffee's place in a product.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use serde::Deserialize;
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::{Body, Path, Query};
use super::problem::{Answer, Problem};
use super::routes::Routes;
use crate::app::App;
use crate::cost::{self, CostView, DispatchMargin, MarginQuestion, Margins, Replacements};
use crate::day::Day;
use crate::ids::{CoffeeId, DispatchId, ProductId};
use crate::setup::Right;

/// Of which day.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct CostQuery {
    /// The day whose prices hold; today unless said.
    day: Option<Day>,
}

#[utoipa::path(get, path = "/api/costs", operation_id = "read_costs", tag = "cost", params(CostQuery),
    responses((status = 200, body = CostView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn costs(
    State(app): State<Arc<App>>,
    Query(query): Query<CostQuery>,
) -> Answer<Json<CostView>> {
    let mut tx = app.read().await?;
    Ok(Json(cost::costs(&app, &mut *tx, query.day).await?))
}

#[utoipa::path(post, path = "/api/margins", operation_id = "reckon_margins", tag = "cost", request_body = MarginQuestion,
    responses((status = 200, body = Margins), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn margins(
    State(app): State<Arc<App>>,
    Body(question): Body<MarginQuestion>,
) -> Answer<Json<Margins>> {
    let mut tx = app.read().await?;
    Ok(Json(cost::margins(&app, &mut *tx, &question).await?))
}

#[utoipa::path(get, path = "/api/dispatches/{id}/margin", operation_id = "read_dispatch_margin", tag = "cost", params(("id" = Uuid, Path)),
    responses((status = 200, body = DispatchMargin), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn dispatch_margin(
    State(app): State<Arc<App>>,
    Path(id): Path<Uuid>,
) -> Answer<Json<DispatchMargin>> {
    let mut tx = app.read().await?;
    Ok(Json(
        cost::dispatch_margin(&app, &mut *tx, DispatchId(id)).await?,
    ))
}

/// Which coffee of the product.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct ReplacementQuery {
    /// The coffee that runs out; the product's first unless said.
    coffee: Option<Uuid>,
}

#[utoipa::path(get, path = "/api/products/{id}/replacements", operation_id = "list_candidates", tag = "cost", params(("id" = Uuid, Path), ReplacementQuery),
    responses((status = 200, body = Replacements), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn replacements(
    State(app): State<Arc<App>>,
    Path(id): Path<Uuid>,
    Query(query): Query<ReplacementQuery>,
) -> Answer<Json<Replacements>> {
    let mut tx = app.read().await?;
    let coffee = query.coffee.map(CoffeeId);
    Ok(Json(
        cost::replacements(&app, &mut *tx, ProductId(id), coffee).await?,
    ))
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .needs(Right::Read, routes!(costs))
        .needs(Right::Plan, routes!(margins))
        .needs(Right::Read, routes!(dispatch_margin))
        .needs(Right::Read, routes!(replacements))
}
