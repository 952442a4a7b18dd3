//! Routes of orders, with what has become of them, and of their import.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::{Body, Expects, Path, Query};
use super::problem::{Answer, Problem};
use super::records::{List, Page, with_tag, written};
use super::routes::Routes;
use super::who::Who;
use crate::app::App;
use crate::demand::{self, DryRun, OrderText, OrderView};
use crate::refusal::Refusal;
use crate::setup::{self, Kept, Order, Record, Right};
use crate::store::Read;

async fn view(app: &App, tx: &mut dyn Read, order: Kept<Order>) -> Answer<OrderView> {
    let id = order.id;
    let views = demand::views(tx, app.site, vec![order]).await?;
    let view = views.into_iter().next();
    Ok(view.ok_or(Refusal::NotFound(Order::KIND, id))?)
}

#[utoipa::path(get, path = "/api/orders", operation_id = "list_orders", tag = "records", params(Page),
    responses((status = 200, body = List<OrderView>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn list(
    State(app): State<Arc<App>>,
    Query(page): Query<Page>,
) -> Answer<Json<List<OrderView>>> {
    let limit = page.limit()?;
    let mut tx = app.read().await?;
    let (orders, more) = setup::page::<Order>(&mut *tx, app.site, page.after, limit).await?;
    let next = orders
        .last()
        .filter(|_| more)
        .map(|last| last.id.to_string());
    Ok(Json(List {
        items: demand::views(&mut *tx, app.site, orders).await?,
        next,
    }))
}

#[utoipa::path(get, path = "/api/orders/{id}", operation_id = "read_order", tag = "records", params(("id" = Uuid, Path)),
    responses((status = 200, body = OrderView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn read(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Response> {
    let mut tx = app.read().await?;
    let order = setup::need::<Order>(&mut *tx, app.site, id).await?;
    let view = view(&app, &mut *tx, order).await?;
    Ok(with_tag(StatusCode::OK, view.revision, view))
}

#[utoipa::path(put, path = "/api/orders/{id}", operation_id = "put_order", tag = "records", request_body = Order,
    params(("id" = Uuid, Path), ("If-Match" = Option<String>, Header), ("If-None-Match" = Option<String>, Header)),
    responses((status = 200, body = OrderView), (status = 201, body = OrderView),
        (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn put(
    State(app): State<Arc<App>>,
    who: Who,
    Path(id): Path<Uuid>,
    Expects(expected): Expects,
    Body(fields): Body<Order>,
) -> Answer<Response> {
    let order = app.put(who.0, id, expected, fields).await?;
    let mut tx = app.read().await?;
    let view = view(&app, &mut *tx, order).await?;
    Ok(with_tag(written(expected), view.revision, view))
}

#[utoipa::path(post, path = "/api/order-imports", operation_id = "look_at_orders", tag = "commands", request_body = OrderText,
    responses((status = 200, body = DryRun), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn look(State(app): State<Arc<App>>, Body(text): Body<OrderText>) -> Answer<Json<DryRun>> {
    let mut tx = app.read().await?;
    Ok(Json(demand::dry_run(&mut *tx, app.site, &text).await?))
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .needs(Right::Read, routes!(list))
        .needs(Right::Read, routes!(read))
        .needs(Right::Plan, routes!(put))
        .needs(Right::Plan, routes!(look))
}
