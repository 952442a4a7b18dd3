//! The route that looks at orders before they are imported.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use utoipa_axum::routes;

use super::extract::Body;
use super::problem::{Answer, Problem};
use super::routes::Routes;
use crate::app::App;
use crate::demand::{self, DryRun, OrderText};
use crate::setup::Right;

#[utoipa::path(post, path = "/api/order-imports", operation_id = "look_at_orders", tag = "commands", request_body = OrderText,
    responses((status = 200, body = DryRun), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn look(State(app): State<Arc<App>>, Body(text): Body<OrderText>) -> Answer<Json<DryRun>> {
    let mut tx = app.read().await?;
    Ok(Json(demand::dry_run(&mut *tx, app.site, &text).await?))
}

/// These routes.
pub fn router() -> Routes {
    Routes::new().needs(Right::Plan, routes!(look))
}
