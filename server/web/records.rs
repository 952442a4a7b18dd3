//! Routes of the things people edit: the same three for each kind.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::{Body, Expects, Path, Query};
use super::problem::{Answer, Problem};
use super::routes::Routes;
use super::who::Who;
use crate::app::App;
use crate::setup::{
    self, Coffee, CostLine, Destination, Device, Expected, Kept, Person, Product, Record,
    Replacement, Right, Roaster, SampleRequest, Scale, ShelfLevel, ShipDay, Site, StandingOrder,
    Storeroom, Style, Subscriber, Subscription, TableHeadings, Tariff, WriteDown,
};
use crate::store::Read;

/// A record as it is sent: its fields with id and revision.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Sent<R> {
    /// Its id.
    pub id: Uuid,
    /// How often it has been written: what If-Match expects.
    pub revision: i64,
    /// Its fields.
    #[serde(flatten)]
    pub fields: R,
}

/// A page of a list.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct List<T> {
    /// What is on the page.
    pub items: Vec<T>,
    /// Where the next page begins, to be sent as `after`; null on the last.
    pub next: Option<String>,
}

/// Which page of a list is wanted.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Page {
    /// The `next` of the page before.
    pub after: Option<Uuid>,
    /// At most so many; 500 unless said.
    #[param(minimum = 1, maximum = 1000)]
    pub limit: Option<i64>,
}

impl Page {
    /// The limit, brought into range.
    ///
    /// # Errors
    /// An `invalid` problem outside 1 to 1000.
    pub fn limit(&self) -> Answer<i64> {
        limit(self.limit, 500)
    }
}

/// A page's limit.
///
/// # Errors
/// An `invalid` problem outside 1 to 1000.
pub fn limit(asked: Option<i64>, usual: i64) -> Answer<i64> {
    match asked.unwrap_or(usual) {
        limit @ 1..=1_000 => Ok(limit),
        _ => Err(Problem::at(
            "invalid",
            "/limit".to_owned(),
            "a whole number from 1 to 1000".to_owned(),
        )),
    }
}

impl<R> From<Kept<R>> for Sent<R> {
    fn from(kept: Kept<R>) -> Self {
        Self {
            id: kept.id,
            revision: kept.revision,
            fields: kept.fields,
        }
    }
}

/// Answers a record with its revision as ETag.
pub fn with_tag(status: StatusCode, revision: i64, body: impl Serialize) -> Response {
    let mut response = (status, Json(body)).into_response();
    if let Ok(tag) = HeaderValue::from_str(&format!("\"{revision}\"")) {
        response.headers_mut().insert(header::ETAG, tag);
    }
    response
}

/// The status of a record that was written.
pub fn written(expected: Expected) -> StatusCode {
    if expected == Expected::Nothing {
        StatusCode::CREATED
    } else {
        StatusCode::OK
    }
}

/// The records of a page, and where the next one begins.
///
/// # Errors
/// An `invalid` problem for a limit outside its range; when the database fails.
pub async fn next_page<R: Record>(
    app: &App,
    tx: &mut dyn Read,
    page: &Page,
) -> Answer<(Vec<Kept<R>>, Option<String>)> {
    let (kept, more) = setup::page::<R>(tx, app.site, page.after, page.limit()?).await?;
    let next = kept.last().filter(|_| more).map(|last| last.id.to_string());
    Ok((kept, next))
}

/// A page of records as they are.
///
/// # Errors
/// As [`next_page`].
pub async fn list<R: Record>(app: &App, page: &Page) -> Answer<Json<List<Sent<R>>>> {
    let mut tx = app.read().await?;
    let (kept, next) = next_page::<R>(app, &mut *tx, page).await?;
    Ok(Json(List {
        items: kept.into_iter().map(Sent::from).collect(),
        next,
    }))
}

async fn read<R: Record>(app: &App, id: Uuid) -> Answer<Response> {
    let mut tx = app.read().await?;
    let kept = setup::need::<R>(&mut *tx, app.site, id).await?;
    Ok(with_tag(StatusCode::OK, kept.revision, Sent::from(kept)))
}

/// Writes a record and answers it.
///
/// # Errors
/// As [`App::put`].
pub async fn put<R: Record>(
    app: &Arc<App>,
    actor: crate::book::Actor,
    id: Uuid,
    expected: Expected,
    fields: R,
) -> Answer<Response> {
    let kept = app.put(actor, id, expected, fields).await?;
    Ok(with_tag(written(expected), kept.revision, Sent::from(kept)))
}

macro_rules! record_routes {
    ($($module:ident: $record:ident, $right:ident, $list:tt, $one:tt, $thing:tt, $listed:tt, $got:tt, $put:tt;)*) => {
        $(mod $module {
            use super::*;

            #[utoipa::path(get, path = $list, operation_id = $listed, tag = "records", params(Page),
                responses((status = 200, body = List<Sent<$record>>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
            pub async fn list_all(State(app): State<Arc<App>>, Query(page): Query<Page>) -> Answer<Json<List<Sent<$record>>>> {
                list::<$record>(&app, &page).await
            }

            #[utoipa::path(get, path = $one, operation_id = $got, tag = "records", params(("id" = Uuid, Path)),
                responses((status = 200, body = Sent<$record>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
            pub async fn read_one(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Response> {
                read::<$record>(&app, id).await
            }

            #[utoipa::path(put, path = $one, operation_id = $put, tag = "records", request_body = $record,
                params(("id" = Uuid, Path), ("If-Match" = Option<String>, Header), ("If-None-Match" = Option<String>, Header)),
                responses((status = 200, body = Sent<$record>), (status = 201, body = Sent<$record>),
                    (status = "4XX", body = Problem, content_type = "application/problem+json")))]
            pub async fn put_one(State(app): State<Arc<App>>, who: Who, Path(id): Path<Uuid>, Expects(expected): Expects, Body(fields): Body<$record>) -> Answer<Response> {
                put(&app, who.0, id, expected, fields).await
            }
        })*

        /// The routes of all kinds of records without derived fields.
        pub fn router() -> Routes {
            Routes::new()
                $(.needs(Right::Read, routes!($module::list_all)).needs(Right::Read, routes!($module::read_one)).needs(Right::$right, routes!($module::put_one)))*
        }
    };
}

record_routes! {
    sites: Site, Run, "/api/sites", "/api/sites/{id}", "site", "list_sites", "read_site", "put_site";
    people: Person, People, "/api/people", "/api/people/{id}", "person", "list_people", "read_person", "put_person";
    devices: Device, People, "/api/devices", "/api/devices/{id}", "device", "list_devices", "read_device", "put_device";
    coffees: Coffee, SetUp, "/api/coffees", "/api/coffees/{id}", "coffee", "list_coffees", "read_coffee", "put_coffee";
    styles: Style, SetUp, "/api/styles", "/api/styles/{id}", "style", "list_styles", "read_style", "put_style";
    scales: Scale, SetUp, "/api/scales", "/api/scales/{id}", "scale", "list_scales", "read_scale", "put_scale";
    storerooms: Storeroom, SetUp, "/api/storerooms", "/api/storerooms/{id}", "storeroom", "list_storerooms", "read_storeroom", "put_storeroom";
    roasters: Roaster, SetUp, "/api/roasters", "/api/roasters/{id}", "roaster", "list_roasters", "read_roaster", "put_roaster";
    products: Product, SetUp, "/api/products", "/api/products/{id}", "product", "list_products", "read_product", "put_product";
    shelf_levels: ShelfLevel, Plan, "/api/shelf-levels", "/api/shelf-levels/{id}", "shelf level", "list_shelf_levels", "read_shelf_level", "put_shelf_level";
    ship_days: ShipDay, Plan, "/api/ship-days", "/api/ship-days/{id}", "ship day", "list_ship_days", "read_ship_day", "put_ship_day";
    table_headings: TableHeadings, SetUp, "/api/table-headings", "/api/table-headings/{id}", "headings of a table", "list_table_headings", "read_table_headings", "put_table_headings";
    destinations: Destination, Plan, "/api/destinations", "/api/destinations/{id}", "destination", "list_destinations", "read_destination", "put_destination";
    subscriptions: Subscription, Plan, "/api/subscriptions", "/api/subscriptions/{id}", "subscription", "list_subscriptions", "read_subscription", "put_subscription";
    subscribers: Subscriber, Plan, "/api/subscribers", "/api/subscribers/{id}", "subscriber", "list_subscribers", "read_subscriber", "put_subscriber";
    replacements: Replacement, Plan, "/api/replacements", "/api/replacements/{id}", "replacement", "list_replacements", "read_replacement", "put_replacement";
    standing_orders: StandingOrder, Plan, "/api/standing-orders", "/api/standing-orders/{id}", "standing order", "list_standing_orders", "read_standing_order", "put_standing_order";
    sample_requests: SampleRequest, Plan, "/api/sample-requests", "/api/sample-requests/{id}", "sample request", "list_sample_requests", "read_sample_request", "put_sample_request";
    tariffs: Tariff, SetUp, "/api/tariffs", "/api/tariffs/{id}", "tariff", "list_tariffs", "read_tariff", "put_tariff";
    cost_lines: CostLine, SetUp, "/api/cost-lines", "/api/cost-lines/{id}", "cost line", "list_cost_lines", "read_cost_line", "put_cost_line";
    write_downs: WriteDown, Close, "/api/write-downs", "/api/write-downs/{id}", "write-down", "list_write_downs", "read_write_down", "put_write_down";
}
