//! The route of the stock.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use utoipa_axum::routes;

use super::problem::{Answer, Problem};
use super::routes::Routes;
use super::views::today;
use crate::app::App;
use crate::green::stock::{StockView, view};
use crate::setup::Right;

#[utoipa::path(get, path = "/api/stock", operation_id = "read_stock", tag = "green",
    responses((status = 200, body = StockView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn read_stock(State(app): State<Arc<App>>) -> Answer<Json<StockView>> {
    let mut tx = app.read().await?;
    let today = today(&app, &mut *tx).await?;
    Ok(Json(view(&mut *tx, app.site, today).await?))
}

/// These routes.
pub fn router() -> Routes {
    Routes::new().needs(Right::Read, routes!(read_stock))
}
