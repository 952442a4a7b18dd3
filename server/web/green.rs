//! Routes of deliveries, lots and the stock: records with what follows for them from the book.

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
use crate::day::Day;
use crate::green::stock::{DeliveryView, LotView, Stock, StockView, view};
use crate::setup::{self, Delivery, Lot, Right};
use crate::store::Read;

#[utoipa::path(get, path = "/api/stock", operation_id = "read_stock", tag = "green",
    responses((status = 200, body = StockView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn read_stock(State(app): State<Arc<App>>) -> Answer<Json<StockView>> {
    let mut tx = app.read().await?;
    let today = today(&app, &mut *tx).await?;
    Ok(Json(view(&mut *tx, app.site, today).await?))
}

/// The day it is at the site.
async fn today(app: &App, tx: &mut dyn Read) -> Answer<Day> {
    let site = app.site_record(tx).await?;
    Ok(site.fields.zone.day(app.clock.now()))
}

/// What the book says of green now, and how it was used in the last weeks.
async fn stock(app: &App, tx: &mut dyn Read) -> Answer<Stock> {
    let today = today(app, tx).await?;
    let stock = Stock::read(tx, app.site).await?;
    Ok(stock.with_use(tx, app.site, today).await?)
}

macro_rules! green_routes {
    ($($module:ident: $record:ident => $view:ident, $list:tt, $one:tt, $listed:tt, $got:tt, $put:tt;)*) => {
        $(mod $module {
            use super::*;

            #[utoipa::path(get, path = $list, operation_id = $listed, tag = "records", params(Page),
                responses((status = 200, body = List<$view>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
            pub async fn list_all(State(app): State<Arc<App>>, Query(page): Query<Page>) -> Answer<Json<List<$view>>> {
                let limit = page.limit()?;
                let mut tx = app.read().await?;
                let (kept, more) = setup::page::<$record>(&mut *tx, app.site, page.after, limit).await?;
                let next = kept.last().filter(|_| more).map(|last| last.id.to_string());
                let stock = stock(&app, &mut *tx).await?;
                Ok(Json(List { items: kept.into_iter().map(|kept| stock.$module(kept)).collect(), next }))
            }

            #[utoipa::path(get, path = $one, operation_id = $got, tag = "records", params(("id" = Uuid, Path)),
                responses((status = 200, body = $view), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
            pub async fn read_one(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Response> {
                let mut tx = app.read().await?;
                let kept = setup::need::<$record>(&mut *tx, app.site, id).await?;
                let view = stock(&app, &mut *tx).await?.$module(kept);
                Ok(with_tag(StatusCode::OK, view.revision, view))
            }

            #[utoipa::path(put, path = $one, operation_id = $put, tag = "records", request_body = $record,
                params(("id" = Uuid, Path), ("If-Match" = Option<String>, Header), ("If-None-Match" = Option<String>, Header)),
                responses((status = 200, body = $view), (status = 201, body = $view),
                    (status = "4XX", body = Problem, content_type = "application/problem+json")))]
            pub async fn put_one(State(app): State<Arc<App>>, who: Who, Path(id): Path<Uuid>, Expects(expected): Expects, Body(fields): Body<$record>) -> Answer<Response> {
                let kept = app.put(who.0, id, expected, fields).await?;
                let mut tx = app.read().await?;
                let view = stock(&app, &mut *tx).await?.$module(kept);
                Ok(with_tag(written(expected), view.revision, view))
            }
        })*

        /// These routes.
        pub fn router() -> Routes {
            Routes::new()
                .needs(Right::Read, routes!(read_stock))
                $(.needs(Right::Read, routes!($module::list_all)).needs(Right::Read, routes!($module::read_one)).needs(Right::SetUp, routes!($module::put_one)))*
        }
    };
}

green_routes! {
    delivery: Delivery => DeliveryView, "/api/deliveries", "/api/deliveries/{id}", "list_deliveries", "read_delivery", "put_delivery";
    lot: Lot => LotView, "/api/lots", "/api/lots/{id}", "list_lots", "read_lot", "put_lot";
}
