//! Routes of claims: what was bought, roasted, sold and lost under each.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use utoipa_axum::routes;

use super::problem::{Answer, Problem};
use super::records::List;
use super::routes::Routes;
use crate::app::App;
use crate::audit::{self, ClaimVolumes};
use crate::setup::Right;

#[utoipa::path(get, path = "/api/claims", operation_id = "list_claims", tag = "audit",
    responses((status = 200, body = List<ClaimVolumes>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn claims(State(app): State<Arc<App>>) -> Answer<Json<List<ClaimVolumes>>> {
    let mut tx = app.read().await?;
    let zone = app.site_record(&mut *tx).await?.fields.zone;
    let today = zone.day(app.clock.now());
    Ok(Json(List {
        items: audit::claims(&mut *tx, app.site, today).await?,
        next: None,
    }))
}

/// These routes.
pub fn router() -> Routes {
    Routes::new().needs(Right::Read, routes!(claims))
}
