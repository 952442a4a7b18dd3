//! Routes of dispatches: who gets what, whether the green covers it, and the days of a rule.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::{Body, Path};
use super::problem::{Answer, Problem};
use super::routes::Routes;
use crate::app::App;
use crate::calendar::ShipRule;
use crate::day::Day;
use crate::demand::{self, ListView, TableDryRun, TableText};
use crate::refusal::Refusal;
use crate::setup::{self, Dispatch, Right};
use crate::week::{self, CoverAsked, CoverView};

/// The days of a rule are told for at most so many days.
const MOST_DAYS: i64 = 800;

#[utoipa::path(get, path = "/api/dispatches/{id}/list", operation_id = "read_dispatch_list", tag = "dispatches", params(("id" = Uuid, Path)),
    responses((status = 200, body = ListView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn read_list(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Json<ListView>> {
    let mut tx = app.read().await?;
    let kept = setup::need::<Dispatch>(&mut *tx, app.site, id).await?;
    Ok(Json(demand::list_view(&app, &mut *tx, kept).await?))
}

#[utoipa::path(post, path = "/api/coverage", operation_id = "cover_dispatch", tag = "dispatches", request_body = CoverAsked,
    responses((status = 200, body = CoverView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn cover(
    State(app): State<Arc<App>>,
    Body(asked): Body<CoverAsked>,
) -> Answer<Json<CoverView>> {
    let mut tx = app.read().await?;
    Ok(Json(week::cover(&app, &mut *tx, &asked).await?))
}

/// A rule whose days are wanted.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
struct DaysAsked {
    /// The rule.
    ships: ShipRule,
    /// The first day.
    from: Day,
    /// The last day.
    to: Day,
}

/// The days of a rule.
#[derive(Debug, Serialize, utoipa::ToSchema)]
struct RuleDays {
    /// They, in order.
    days: Vec<Day>,
}

#[utoipa::path(post, path = "/api/ship-rules", operation_id = "read_days_of_rule", tag = "dispatches", request_body = DaysAsked,
    responses((status = 200, body = RuleDays), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn days(Body(asked): Body<DaysAsked>) -> Answer<Json<RuleDays>> {
    if let Some(wrong) = asked.ships.rule.fault() {
        return Err(Refusal::field("/ships/rule", wrong).into());
    }
    if asked.to.since(asked.from) > MOST_DAYS {
        return Err(Refusal::field("/to", "at most 800 days at once").into());
    }
    Ok(Json(RuleDays {
        days: asked.ships.days(asked.from, asked.to),
    }))
}

#[utoipa::path(post, path = "/api/subscriber-imports", operation_id = "look_at_subscribers", tag = "commands", request_body = TableText,
    responses((status = 200, body = TableDryRun), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn look_at_subscribers(
    State(app): State<Arc<App>>,
    Body(text): Body<TableText>,
) -> Answer<Json<TableDryRun>> {
    let mut tx = app.read().await?;
    let dry = demand::look_at_subscribers(&app, &mut *tx, &text).await?;
    Ok(Json(dry))
}

#[utoipa::path(post, path = "/api/standing-order-imports", operation_id = "look_at_standing_orders", tag = "commands", request_body = TableText,
    responses((status = 200, body = TableDryRun), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn look_at_standing_orders(
    State(app): State<Arc<App>>,
    Body(text): Body<TableText>,
) -> Answer<Json<TableDryRun>> {
    let mut tx = app.read().await?;
    let dry = demand::look_at_standing_orders(&app, &mut *tx, &text).await?;
    Ok(Json(dry))
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .needs(Right::Read, routes!(read_list))
        .needs(Right::Plan, routes!(cover))
        .needs(Right::Read, routes!(days))
        .needs(Right::Plan, routes!(look_at_subscribers))
        .needs(Right::Plan, routes!(look_at_standing_orders))
}
