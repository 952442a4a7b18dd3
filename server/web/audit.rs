//! Routes of what an auditor reads.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::{Path, Query};
use super::problem::{Answer, Problem};
use super::records::{List, limit};
use super::routes::Routes;
use crate::app::App;
use crate::audit::statement::{Asked, Statement, csv, table};
use crate::audit::{
    self, ClosingDetail, ClosingView, EntryView, LogPage, PostingDetail, UnsettledView,
};
use crate::chart;
use crate::day::{Day, Instant};
use crate::green::PostingView;
use crate::ids::{BatchId, ClosingId, LotId, PostingId};
use crate::setup::Right;
use crate::store::{JournalFilter, PostingFilter};

/// Which postings are wanted, in the order of the log.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct PostingQuery {
    /// Those that moved coffee of a lot.
    lot: Option<Uuid>,
    /// Those that moved coffee of or to a batch.
    batch: Option<Uuid>,
    /// The `next` of the page before: the place in the log after which it begins.
    #[param(minimum = 0)]
    after: Option<u32>,
    /// At most so many; 500 unless said.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<i64>,
}

#[utoipa::path(get, path = "/api/postings", operation_id = "list_postings", tag = "audit", params(PostingQuery),
    responses((status = 200, body = LogPage<PostingView>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn postings(
    State(app): State<Arc<App>>,
    Query(query): Query<PostingQuery>,
) -> Answer<Json<LogPage<PostingView>>> {
    let limit = limit(query.limit, 500)?;
    let filter = PostingFilter {
        lot: query.lot.map(LotId),
        batch: query.batch.map(BatchId),
        from: query.after.map_or(0, |after| i64::from(after) + 1),
    };
    let mut tx = app.read().await?;
    Ok(Json(
        audit::postings(&mut *tx, app.site, &filter, limit).await?,
    ))
}

#[utoipa::path(get, path = "/api/postings/{id}", operation_id = "read_posting", tag = "audit", params(("id" = Uuid, Path)),
    responses((status = 200, body = PostingDetail), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn posting(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Json<PostingDetail>> {
    let mut tx = app.read().await?;
    Ok(Json(
        audit::posting(&mut *tx, app.site, PostingId(id)).await?,
    ))
}

/// Which journal entries are wanted, newest first.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct JournalQuery {
    /// About one kind of thing, such as `lot`.
    kind: Option<String>,
    /// About one thing.
    id: Option<Uuid>,
    /// The `next` of the page before: the place in the log before which it begins.
    #[param(minimum = 0)]
    after: Option<u32>,
    /// At most so many; 100 unless said.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<i64>,
}

#[utoipa::path(get, path = "/api/journal", operation_id = "list_journal", tag = "audit", params(JournalQuery),
    responses((status = 200, body = LogPage<EntryView>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn journal(
    State(app): State<Arc<App>>,
    Query(query): Query<JournalQuery>,
) -> Answer<Json<LogPage<EntryView>>> {
    let limit = limit(query.limit, 100)?;
    let filter = JournalFilter {
        kind: query.kind,
        subject: query.id,
        before: query.after.map(i64::from),
    };
    let mut tx = app.read().await?;
    Ok(Json(
        audit::journal(&mut *tx, app.site, &filter, limit).await?,
    ))
}

#[utoipa::path(get, path = "/api/closings", operation_id = "list_closings", tag = "audit",
    responses((status = 200, body = List<ClosingView>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn closings(State(app): State<Arc<App>>) -> Answer<Json<List<ClosingView>>> {
    let mut tx = app.read().await?;
    Ok(Json(List {
        items: audit::closings(&mut *tx, app.site).await?,
        next: None,
    }))
}

#[utoipa::path(get, path = "/api/closings/{id}", operation_id = "read_closing", tag = "audit", params(("id" = Uuid, Path)),
    responses((status = 200, body = ClosingDetail), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn closing(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Json<ClosingDetail>> {
    let mut tx = app.read().await?;
    Ok(Json(
        audit::closing(&mut *tx, app.site, ClosingId(id)).await?,
    ))
}

#[utoipa::path(get, path = "/api/unsettled", operation_id = "list_unsettled", tag = "audit",
    responses((status = 200, body = List<UnsettledView>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn unsettled(State(app): State<Arc<App>>) -> Answer<Json<List<UnsettledView>>> {
    let mut tx = app.read().await?;
    Ok(Json(List {
        items: audit::unsettled(&mut *tx, app.site).await?,
        next: None,
    }))
}

/// For which days, and as the book was known when.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct StatementQuery {
    /// The first day; the lot's beginning unless said.
    from: Option<Day>,
    /// The last day; today unless said.
    to: Option<Day>,
    /// As the first so many leaves of the log say.
    #[param(minimum = 0)]
    known: Option<u32>,
    /// As was known at this instant.
    known_at: Option<Instant>,
}

async fn drawn_up(app: &App, id: Uuid, query: &StatementQuery) -> Answer<Statement> {
    let mut tx = app.read().await?;
    let known = match (query.known, query.known_at) {
        (None, None) => None,
        (Some(known), None) => Some(i64::from(known)),
        (None, Some(at)) => Some(tx.size_at(app.site, at).await?),
        (Some(_), Some(_)) => {
            return Err(Problem::new(
                "invalid",
                "give either known or known_at, and not both",
            ));
        }
    };
    let zone = app.site_record(&mut *tx).await?.fields.zone;
    let asked = Asked {
        lot: LotId(id),
        from: query.from,
        to: query.to.unwrap_or_else(|| zone.day(app.clock.now())),
        known,
    };
    Ok(audit::statement(&mut *tx, app.site, asked).await?)
}

#[utoipa::path(get, path = "/api/lots/{id}/statement", operation_id = "read_statement", tag = "audit", params(("id" = Uuid, Path), StatementQuery),
    responses((status = 200, body = Statement), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn statement(
    State(app): State<Arc<App>>,
    Path(id): Path<Uuid>,
    Query(query): Query<StatementQuery>,
) -> Answer<Json<Statement>> {
    Ok(Json(drawn_up(&app, id, &query).await?))
}

#[utoipa::path(get, path = "/api/lots/{id}/statement.csv", operation_id = "export_statement", tag = "audit", params(("id" = Uuid, Path), StatementQuery),
    responses((status = 200, body = String, content_type = "text/csv"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn statement_csv(
    State(app): State<Arc<App>>,
    Path(id): Path<Uuid>,
    Query(query): Query<StatementQuery>,
) -> Answer<Response> {
    let statement = drawn_up(&app, id, &query).await?;
    let name = format!(
        "attachment; filename=\"statement-{}-{}.csv\"",
        statement.from, statement.to
    );
    let headers = [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8"),
        (header::CONTENT_DISPOSITION, name.as_str()),
    ];
    Ok((headers, csv(&statement)?).into_response())
}

#[utoipa::path(get, path = "/api/lots/{id}/statement.txt", operation_id = "print_statement", tag = "audit", params(("id" = Uuid, Path), StatementQuery),
    responses((status = 200, body = String, content_type = "text/plain"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn statement_text(
    State(app): State<Arc<App>>,
    Path(id): Path<Uuid>,
    Query(query): Query<StatementQuery>,
) -> Answer<String> {
    Ok(table(&drawn_up(&app, id, &query).await?))
}

#[utoipa::path(get, path = "/api/lots/{id}/drawdown.svg", operation_id = "draw_drawdown", tag = "audit", params(("id" = Uuid, Path)),
    responses((status = 200, body = String, content_type = "image/svg+xml"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn drawdown(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Response> {
    let mut tx = app.read().await?;
    let zone = app.site_record(&mut *tx).await?.fields.zone;
    let today = zone.day(app.clock.now());
    let of = audit::drawdown(&mut *tx, app.site, LotId(id), today).await?;
    let headers = [(header::CONTENT_TYPE, "image/svg+xml")];
    Ok((headers, chart::drawdown(&of)).into_response())
}

/// These routes.
pub fn router() -> Routes {
    Routes::new()
        .needs(Right::Read, routes!(postings))
        .needs(Right::Read, routes!(posting))
        .needs(Right::Read, routes!(journal))
        .needs(Right::Read, routes!(closings))
        .needs(Right::Read, routes!(closing))
        .needs(Right::Read, routes!(unsettled))
        .needs(Right::Read, routes!(statement))
        .needs(Right::Read, routes!(statement_csv))
        .needs(Right::Read, routes!(statement_text))
        .needs(Right::Read, routes!(drawdown))
}
