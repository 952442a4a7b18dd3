//! Routes of records that are answered with what follows for them from the book: the same three for each kind.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use serde::Deserialize;
use serde_json::Value;
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::{Body, Expects, Path, Query};
use super::problem::{Answer, Problem};
use super::records::{List, Page, next_page, with_tag, written};
use super::routes::Routes;
use super::who::Who;
use crate::app::App;
use crate::day::Day;
use crate::demand::{self, DispatchView, OrderView};
use crate::green::stock::{DeliveryView, LotView, Stock};
use crate::refusal::{Confirm, Outcome, Refusal};
use crate::setup::{self, Delivery, Dispatch, Kept, Lot, Order, Record, Right};
use crate::store::Read;

/// What a person has said once more of a record.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Confirmed {
    /// The words of `confirm`, with commas between.
    #[param(max_length = 200)]
    pub confirmed: Option<String>,
}

impl Confirmed {
    fn read(&self) -> Answer<Vec<Confirm>> {
        let words = self.confirmed.iter().flat_map(|words| words.split(','));
        let confirm = |word: &str| {
            serde_json::from_value(Value::from(word)).map_err(|_| {
                let right = "the words of `confirm`, with commas between";
                Problem::at("invalid", "/confirmed".to_owned(), right.to_owned())
            })
        };
        words.map(confirm).collect()
    }
}

/// The day it is at the site.
///
/// # Errors
/// When the database fails.
pub async fn today(app: &App, tx: &mut dyn Read) -> Outcome<Day> {
    let site = app.site_record(tx).await?;
    Ok(site.fields.zone.day(app.clock.now()))
}

/// What the book says of green now, and how it was used in the last weeks.
async fn stock(app: &App, tx: &mut dyn Read) -> Outcome<Stock> {
    let today = today(app, tx).await?;
    let stock = Stock::read(tx, app.site).await?;
    Ok(stock.with_use(tx, app.site, today).await?)
}

async fn of_deliveries(
    app: &App,
    tx: &mut dyn Read,
    kept: Vec<Kept<Delivery>>,
) -> Outcome<Vec<DeliveryView>> {
    let stock = stock(app, tx).await?;
    Ok(kept.into_iter().map(|kept| stock.delivery(kept)).collect())
}

async fn of_lots(app: &App, tx: &mut dyn Read, kept: Vec<Kept<Lot>>) -> Outcome<Vec<LotView>> {
    let stock = stock(app, tx).await?;
    Ok(kept.into_iter().map(|kept| stock.lot(kept)).collect())
}

async fn of_orders(
    app: &App,
    tx: &mut dyn Read,
    kept: Vec<Kept<Order>>,
) -> Outcome<Vec<OrderView>> {
    Ok(demand::views(tx, app.site, kept).await?)
}

async fn of_dispatches(
    app: &App,
    tx: &mut dyn Read,
    kept: Vec<Kept<Dispatch>>,
) -> Outcome<Vec<DispatchView>> {
    Ok(demand::dispatch_views(tx, app.site, kept).await?)
}

/// The view of one record.
fn only<R: Record, V>(id: Uuid, views: Vec<V>) -> Outcome<V> {
    let view = views.into_iter().next();
    view.ok_or(Refusal::NotFound(R::KIND, id))
}

macro_rules! view_routes {
    ($($module:ident: $record:ident => $view:ident, $views:ident, $right:ident, $tag:tt, $list:tt, $one:tt, $listed:tt, $got:tt, $put:tt;)*) => {
        $(mod $module {
            use super::*;

            #[utoipa::path(get, path = $list, operation_id = $listed, tag = $tag, params(Page),
                responses((status = 200, body = List<$view>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
            pub async fn list_all(State(app): State<Arc<App>>, Query(page): Query<Page>) -> Answer<Json<List<$view>>> {
                let mut tx = app.read().await?;
                let (kept, next) = next_page::<$record>(&app, &mut *tx, &page).await?;
                Ok(Json(List { items: $views(&app, &mut *tx, kept).await?, next }))
            }

            #[utoipa::path(get, path = $one, operation_id = $got, tag = $tag, params(("id" = Uuid, Path)),
                responses((status = 200, body = $view), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
            pub async fn read_one(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Response> {
                let mut tx = app.read().await?;
                let kept = setup::need::<$record>(&mut *tx, app.site, id).await?;
                let view = only::<$record, _>(id, $views(&app, &mut *tx, vec![kept]).await?)?;
                Ok(with_tag(StatusCode::OK, view.revision, view))
            }

            #[utoipa::path(put, path = $one, operation_id = $put, tag = $tag, request_body = $record,
                params(("id" = Uuid, Path), ("If-Match" = Option<String>, Header), ("If-None-Match" = Option<String>, Header), Confirmed),
                responses((status = 200, body = $view), (status = 201, body = $view),
                    (status = "4XX", body = Problem, content_type = "application/problem+json")))]
            pub async fn put_one(State(app): State<Arc<App>>, who: Who, Path(id): Path<Uuid>, Expects(expected): Expects, Query(confirmed): Query<Confirmed>, Body(fields): Body<$record>) -> Answer<Response> {
                let kept = app.put_asking(who.0, id, expected, fields, confirmed.read()?).await?;
                let mut tx = app.read().await?;
                let view = only::<$record, _>(id, $views(&app, &mut *tx, vec![kept]).await?)?;
                Ok(with_tag(written(expected), view.revision, view))
            }
        })*

        /// These routes.
        pub fn router() -> Routes {
            Routes::new()
                $(.needs(Right::Read, routes!($module::list_all)).needs(Right::Read, routes!($module::read_one)).needs(Right::$right, routes!($module::put_one)))*
        }
    };
}

view_routes! {
    deliveries: Delivery => DeliveryView, of_deliveries, SetUp, "records", "/api/deliveries", "/api/deliveries/{id}", "list_deliveries", "read_delivery", "put_delivery";
    lots: Lot => LotView, of_lots, SetUp, "records", "/api/lots", "/api/lots/{id}", "list_lots", "read_lot", "put_lot";
    orders: Order => OrderView, of_orders, Plan, "records", "/api/orders", "/api/orders/{id}", "list_orders", "read_order", "put_order";
    dispatches: Dispatch => DispatchView, of_dispatches, Plan, "dispatches", "/api/dispatches", "/api/dispatches/{id}", "list_dispatches", "read_dispatch", "put_dispatch";
}
