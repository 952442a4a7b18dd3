//! Routes of the packing bench and the cupping table: bins, packings with their labels, packing lists, the shelf, tables of cups.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::{Body, Path, Query};
use super::problem::{Answer, Problem};
use super::records::{List, Page, next_page};
use super::routes::Routes;
use super::who::AtDoor;
use crate::app::App;
use crate::chart;
use crate::day::Day;
use crate::demand::prepack::BagCheck;
use crate::demand::{self, BagQuestion, BinView, PackingList, PackingView, ShelfLine};
use crate::floor::{Cupping, CuppingView, cupping};
use crate::ids::PostingId;
use crate::setup::{self, Right};

fn whole<T>(items: Vec<T>) -> Json<List<T>> {
    Json(List { items, next: None })
}

#[utoipa::path(get, path = "/api/bins", operation_id = "list_bins", tag = "packing",
    responses((status = 200, body = List<BinView>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn bins(State(app): State<Arc<App>>) -> Answer<Json<List<BinView>>> {
    let mut tx = app.read().await?;
    Ok(whole(demand::bins(&mut *tx, app.site).await?))
}

/// Which packings are wanted.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct PackingQuery {
    /// So many of the last, and all whose bags stand in the house; 50 unless said.
    #[param(minimum = 0, maximum = 1000)]
    last: Option<u16>,
}

#[utoipa::path(get, path = "/api/packings", operation_id = "list_packings", tag = "packing", params(PackingQuery),
    responses((status = 200, body = List<PackingView>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn packings(
    State(app): State<Arc<App>>,
    Query(query): Query<PackingQuery>,
) -> Answer<Json<List<PackingView>>> {
    let last = match query.last.unwrap_or(50) {
        last @ 0..=1_000 => usize::from(last),
        _ => {
            return Err(Problem::at(
                "invalid",
                "/last".to_owned(),
                "a whole number up to 1000".to_owned(),
            ));
        }
    };
    let mut tx = app.read().await?;
    Ok(whole(demand::packings(&mut *tx, app.site, last).await?))
}

#[utoipa::path(get, path = "/api/packings/{id}", operation_id = "read_packing", tag = "packing", params(("id" = Uuid, Path)),
    responses((status = 200, body = PackingView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn packing(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Json<PackingView>> {
    let mut tx = app.read().await?;
    Ok(Json(
        demand::packing(&mut *tx, app.site, PostingId(id)).await?,
    ))
}

#[utoipa::path(get, path = "/api/packing-codes/{code}", operation_id = "find_packing", tag = "packing", params(("code" = String, Path)),
    responses((status = 200, body = PackingView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn packing_of_code(
    State(app): State<Arc<App>>,
    Path(code): Path<String>,
) -> Answer<Json<PackingView>> {
    let mut tx = app.read().await?;
    Ok(Json(
        demand::packing_of_code(&mut *tx, app.site, &code).await?,
    ))
}

/// Where a browser that asked so finds the page of a label's code.
fn address(at_door: &AtDoor, headers: &HeaderMap, code: &str) -> String {
    let host = headers
        .get(header::HOST)
        .and_then(|host| host.to_str().ok());
    let scheme = if at_door.secure { "https" } else { "http" };
    format!("{scheme}://{}/trace?code={code}", host.unwrap_or_default())
}

#[utoipa::path(get, path = "/api/packings/{id}/code.svg", operation_id = "draw_code", tag = "packing", params(("id" = Uuid, Path)),
    responses((status = 200, body = String, content_type = "image/svg+xml"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn code(
    State(app): State<Arc<App>>,
    Path(id): Path<Uuid>,
    at_door: AtDoor,
    headers: HeaderMap,
) -> Answer<Response> {
    let mut tx = app.read().await?;
    let packing = demand::packing(&mut *tx, app.site, PostingId(id)).await?;
    let address = address(&at_door, &headers, &packing.code);
    let picture = chart::code(&address)
        .ok_or_else(|| Problem::new("invalid", "the address of this service is too long"))?;
    Ok(([(header::CONTENT_TYPE, "image/svg+xml")], picture).into_response())
}

/// Which packing list is wanted.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct ListQuery {
    /// The ship day; the next one unless said.
    day: Option<Day>,
}

#[utoipa::path(get, path = "/api/packing-list", operation_id = "read_packing_list", tag = "packing", params(ListQuery),
    responses((status = 200, body = PackingList), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn packing_list(
    State(app): State<Arc<App>>,
    Query(query): Query<ListQuery>,
) -> Answer<Json<PackingList>> {
    let mut tx = app.read().await?;
    let zone = app.site_record(&mut *tx).await?.fields.zone;
    let today = zone.day(app.clock.now());
    let day = match query.day {
        Some(day) => day,
        None => demand::next_ship_day(&mut *tx, app.site, today).await?,
    };
    Ok(Json(demand::packing_list(&mut *tx, app.site, day).await?))
}

#[utoipa::path(post, path = "/api/bag-checks", operation_id = "check_bags", tag = "packing", request_body = BagQuestion,
    responses((status = 200, body = BagCheck), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn check_bags(
    State(app): State<Arc<App>>,
    Body(question): Body<BagQuestion>,
) -> Answer<Json<BagCheck>> {
    let mut tx = app.read().await?;
    Ok(Json(question.answer(&mut *tx, app.site).await?))
}

#[utoipa::path(get, path = "/api/shelf", operation_id = "read_shelf", tag = "packing",
    responses((status = 200, body = List<ShelfLine>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn shelf(State(app): State<Arc<App>>) -> Answer<Json<List<ShelfLine>>> {
    let mut tx = app.read().await?;
    Ok(whole(demand::shelf_lines(&mut *tx, app.site).await?))
}

#[utoipa::path(get, path = "/api/cuppings", operation_id = "list_cuppings", tag = "cupping", params(Page),
    responses((status = 200, body = List<CuppingView>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn cuppings(
    State(app): State<Arc<App>>,
    Query(page): Query<Page>,
) -> Answer<Json<List<CuppingView>>> {
    let mut tx = app.read().await?;
    let (kept, next) = next_page::<Cupping>(&app, &mut *tx, &page).await?;
    let mut items = Vec::with_capacity(kept.len());
    for table in kept {
        items.push(cupping::view(&mut *tx, app.site, table, false).await?);
    }
    Ok(Json(List { items, next }))
}

/// What is told of a table.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct CuppingQuery {
    /// Whether what is in the cups is told before they have their verdict.
    tell: Option<bool>,
}

#[utoipa::path(get, path = "/api/cuppings/{id}", operation_id = "read_cupping", tag = "cupping", params(("id" = Uuid, Path), CuppingQuery),
    responses((status = 200, body = CuppingView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn cupping_table(
    State(app): State<Arc<App>>,
    Path(id): Path<Uuid>,
    Query(query): Query<CuppingQuery>,
) -> Answer<Json<CuppingView>> {
    let mut tx = app.read().await?;
    let kept = setup::need::<Cupping>(&mut *tx, app.site, id).await?;
    let tell = query.tell.unwrap_or(false);
    Ok(Json(cupping::view(&mut *tx, app.site, kept, tell).await?))
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .needs(Right::Read, routes!(bins))
        .needs(Right::Read, routes!(packings))
        .needs(Right::Read, routes!(packing))
        .needs(Right::Read, routes!(packing_of_code))
        .needs(Right::Read, routes!(code))
        .needs(Right::Read, routes!(packing_list))
        .needs(Right::Floor, routes!(check_bags))
        .needs(Right::Read, routes!(shelf))
        .needs(Right::Read, routes!(cuppings))
        .needs(Right::Read, routes!(cupping_table))
}
