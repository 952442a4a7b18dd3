//! Routes of counts.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::Path;
use super::problem::{Answer, Problem};
use super::records::List;
use super::routes::Routes;
use crate::app::App;
use crate::counting::{self, CountSheet, CountView};
use crate::setup::Right;

#[utoipa::path(get, path = "/api/count-sessions", operation_id = "list_counts", tag = "audit",
    responses((status = 200, body = List<CountView>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn counts(State(app): State<Arc<App>>) -> Answer<Json<List<CountView>>> {
    let mut tx = app.read().await?;
    Ok(Json(List {
        items: counting::counts(&mut *tx, app.site).await?,
        next: None,
    }))
}

#[utoipa::path(get, path = "/api/count-sessions/{id}", operation_id = "read_count", tag = "audit", params(("id" = Uuid, Path)),
    responses((status = 200, body = CountSheet), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn sheet(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Json<CountSheet>> {
    let mut tx = app.read().await?;
    let zone = app.site_record(&mut *tx).await?.fields.zone;
    Ok(Json(counting::sheet(&mut *tx, app.site, zone, id).await?))
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .needs(Right::Read, routes!(counts))
        .needs(Right::Read, routes!(sheet))
}
