//! Routes of dispatches: what is set up, who gets what, whether the green covers it, and the days of a rule.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use serde::{Deserialize, Serialize};
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::{Body, Expects, Path, Query};
use super::problem::{Answer, Problem};
use super::records::{List, Page, with_tag, written};
use super::routes::Routes;
use super::who::Who;
use crate::app::App;
use crate::calendar::ShipRule;
use crate::day::Day;
use crate::demand::{self, DispatchView, ListView, TableDryRun, TableText};
use crate::refusal::Refusal;
use crate::setup::{self, Dispatch, Kept, Record, Right};
use crate::store::Read;
use crate::week::{self, CoverAsked, CoverView};

/// The days of a rule are told for at most so many days.
const MOST_DAYS: i64 = 800;

async fn view(app: &App, tx: &mut dyn Read, dispatch: Kept<Dispatch>) -> Answer<DispatchView> {
    let id = dispatch.id;
    let views = demand::dispatch_views(tx, app.site, vec![dispatch]).await?;
    let view = views.into_iter().next();
    Ok(view.ok_or(Refusal::NotFound(Dispatch::KIND, id))?)
}

#[utoipa::path(get, path = "/api/dispatches", operation_id = "list_dispatches", tag = "dispatches", params(Page),
    responses((status = 200, body = List<DispatchView>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn list(
    State(app): State<Arc<App>>,
    Query(page): Query<Page>,
) -> Answer<Json<List<DispatchView>>> {
    let limit = page.limit()?;
    let mut tx = app.read().await?;
    let (kept, more) = setup::page::<Dispatch>(&mut *tx, app.site, page.after, limit).await?;
    let next = kept.last().filter(|_| more).map(|last| last.id.to_string());
    Ok(Json(List {
        items: demand::dispatch_views(&mut *tx, app.site, kept).await?,
        next,
    }))
}

#[utoipa::path(get, path = "/api/dispatches/{id}", operation_id = "read_dispatch", tag = "dispatches", params(("id" = Uuid, Path)),
    responses((status = 200, body = DispatchView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn read(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Response> {
    let mut tx = app.read().await?;
    let kept = setup::need::<Dispatch>(&mut *tx, app.site, id).await?;
    let view = view(&app, &mut *tx, kept).await?;
    Ok(with_tag(StatusCode::OK, view.revision, view))
}

#[utoipa::path(put, path = "/api/dispatches/{id}", operation_id = "put_dispatch", tag = "dispatches", request_body = Dispatch,
    params(("id" = Uuid, Path), ("If-Match" = Option<String>, Header), ("If-None-Match" = Option<String>, Header)),
    responses((status = 200, body = DispatchView), (status = 201, body = DispatchView),
        (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn put(
    State(app): State<Arc<App>>,
    who: Who,
    Path(id): Path<Uuid>,
    Expects(expected): Expects,
    Body(fields): Body<Dispatch>,
) -> Answer<Response> {
    let kept = app.put(who.0, id, expected, fields).await?;
    let mut tx = app.read().await?;
    let view = view(&app, &mut *tx, kept).await?;
    Ok(with_tag(written(expected), view.revision, view))
}

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
        .needs(Right::Read, routes!(list))
        .needs(Right::Read, routes!(read))
        .needs(Right::Plan, routes!(put))
        .needs(Right::Read, routes!(read_list))
        .needs(Right::Plan, routes!(cover))
        .needs(Right::Read, routes!(days))
        .needs(Right::Plan, routes!(look_at_subscribers))
        .needs(Right::Plan, routes!(look_at_standing_orders))
}
