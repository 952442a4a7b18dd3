//! Routes of what goes between sites, and of all of them together.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use serde::Deserialize;
use utoipa_axum::routes;

use super::extract::Query;
use super::problem::{Answer, Problem};
use super::routes::Routes;
use crate::app::App;
use crate::day::Day;
use crate::setup::Right;
use crate::sites::{self, SitesReport, Ways};

#[utoipa::path(get, path = "/api/sendings", operation_id = "list_sendings", tag = "green",
    responses((status = 200, body = Ways), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn ways(State(app): State<Arc<App>>) -> Answer<Json<Ways>> {
    let mut tx = app.read().await?;
    Ok(Json(sites::ways(&mut *tx, app.site).await?))
}

/// For which days.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct ReportQuery {
    /// The first day; the beginning unless said.
    from: Option<Day>,
    /// The last day; the latest that any site has unless said.
    to: Option<Day>,
}

#[utoipa::path(get, path = "/api/all-sites", operation_id = "read_all_sites", tag = "audit", params(ReportQuery),
    responses((status = 200, body = SitesReport), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn report(
    State(app): State<Arc<App>>,
    Query(query): Query<ReportQuery>,
) -> Answer<Json<SitesReport>> {
    let mut tx = app.read().await?;
    let now = app.clock.now();
    let report = sites::report(&mut *tx, query.from, query.to, now).await?;
    Ok(Json(report))
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .needs(Right::Read, routes!(ways))
        .needs(Right::Find, routes!(report))
}
