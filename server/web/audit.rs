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
use crate::audit::statement::{
    Asked, AskedMany, ManyStatement, Scope, Statement, csv, csv_of_many, json_lines, table,
    workbook,
};
use crate::audit::{
    self, ClosingDetail, ClosingView, EntryView, FindingList, FindingView, LogPage, PostingDetail,
    UnsettledView, ValueView,
};
use crate::chart;
use crate::day::{Day, Instant};
use crate::green::PostingView;
use crate::ids::{BatchId, ClosingId, LotId, PostingId};
use crate::setup::Right;
use crate::store::{JournalFilter, Mark, PostingFilter, Read};

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

/// The log's size up to which the book is believed.
async fn size_known(
    app: &App,
    tx: &mut dyn Read,
    (known, known_at): (Option<u32>, Option<Instant>),
) -> Answer<Option<i64>> {
    match (known, known_at) {
        (None, None) => Ok(None),
        (Some(known), None) => Ok(Some(i64::from(known))),
        (None, Some(at)) => Ok(Some(tx.size_at(app.site, at).await?)),
        (Some(_), Some(_)) => Err(Problem::at(
            "invalid",
            "/known_at".to_owned(),
            "give either known or known_at, and not both".to_owned(),
        )),
    }
}

async fn drawn_up(app: &App, id: Uuid, query: &StatementQuery) -> Answer<Statement> {
    let mut tx = app.read().await?;
    let known = size_known(app, &mut *tx, (query.known, query.known_at)).await?;
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
        "statement-{}-{}-{}.csv",
        plain(statement.name.as_str()),
        statement.from,
        statement.to
    );
    Ok(file("text/csv; charset=utf-8", &name, csv(&statement)?))
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

/// Of which green, for which days, and as the book was known when.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct ManyQuery {
    /// Of one lot.
    lot: Option<Uuid>,
    /// Of the lots of a delivery.
    delivery: Option<Uuid>,
    /// Of the lots of a coffee.
    coffee: Option<Uuid>,
    /// Of what stands in one storeroom. Of all green, where none of these is said.
    storeroom: Option<Uuid>,
    /// The first day; the beginning unless said.
    from: Option<Day>,
    /// The last day; today unless said.
    to: Option<Day>,
    /// As the first so many leaves of the log say.
    #[param(minimum = 0)]
    known: Option<u32>,
    /// As was known at this instant.
    known_at: Option<Instant>,
    /// The `next` of the page before; not in exports, which have all lines.
    #[param(pattern = "^[0-9]{4}-[0-9]{2}-[0-9]{2}_[0-9]{1,10}_[0-9]{1,10}$")]
    after: Option<String>,
    /// At most so many lines; 500 unless said; not in exports.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<i64>,
}

impl ManyQuery {
    fn scope(&self) -> Answer<Scope> {
        let of = [self.lot, self.delivery, self.coffee, self.storeroom];
        match of {
            [None, None, None, None] => Ok(Scope::All),
            [Some(id), None, None, None] => Ok(Scope::Lot(id.into())),
            [None, Some(id), None, None] => Ok(Scope::Delivery(id.into())),
            [None, None, Some(id), None] => Ok(Scope::Coffee(id.into())),
            [None, None, None, Some(id)] => Ok(Scope::Storeroom(id.into())),
            _ => Err(Problem::new(
                "invalid",
                "say one of lot, delivery, coffee and storeroom, or none for all green",
            )),
        }
    }

    /// The place after which the page begins.
    fn mark(&self) -> Answer<Option<Mark>> {
        let Some(after) = &self.after else {
            return Ok(None);
        };
        let mut parts = after.splitn(3, '_');
        let day = parts.next().and_then(|day| day.parse().ok());
        let mut number = || parts.next().and_then(|number| number.parse::<i64>().ok());
        match (day, number(), number()) {
            (Some(day), Some(position), Some(line)) => Ok(Some((day, position, line))),
            _ => Err(Problem::at(
                "invalid",
                "/after".to_owned(),
                "the `next` of the page before, as it was answered".to_owned(),
            )),
        }
    }
}

/// All lines of an export.
const ALL_LINES: i64 = 1_000_000;

async fn drawn_together(app: &App, query: &ManyQuery, all: bool) -> Answer<ManyStatement> {
    let (scope, after) = (query.scope()?, query.mark()?);
    let lines = limit(query.limit, 500)?;
    let mut tx = app.read().await?;
    let known = size_known(app, &mut *tx, (query.known, query.known_at)).await?;
    let zone = app.site_record(&mut *tx).await?.fields.zone;
    let asked = AskedMany {
        scope,
        from: query.from,
        to: query.to.unwrap_or_else(|| zone.day(app.clock.now())),
        known,
        after: after.filter(|_| !all),
        limit: if all { ALL_LINES } else { lines },
    };
    Ok(audit::many(&mut *tx, app.site, asked).await?)
}

/// A file to take away.
fn file(kind: &str, name: &str, body: impl IntoResponse) -> Response {
    let disposition = format!("attachment; filename=\"{name}\"");
    let headers = [
        (header::CONTENT_TYPE, kind),
        (header::CONTENT_DISPOSITION, disposition.as_str()),
    ];
    (headers, body).into_response()
}

/// A name as every file system takes it.
fn plain(name: &str) -> String {
    let kept = |letter: char| {
        if letter.is_ascii_alphanumeric() {
            letter
        } else {
            '-'
        }
    };
    name.chars().map(kept).collect()
}

fn file_name(statement: &ManyStatement, ending: &str) -> String {
    let from = statement.from.map(|from| format!("-{from}"));
    let about = statement.id.map_or("all", |_| statement.name.as_str());
    format!(
        "statement-{}{}-{}.{ending}",
        plain(about),
        from.unwrap_or_default(),
        statement.to
    )
}

#[utoipa::path(get, path = "/api/statement", operation_id = "read_statement_of_many", tag = "audit", params(ManyQuery),
    responses((status = 200, body = ManyStatement), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn statement_of_many(
    State(app): State<Arc<App>>,
    Query(query): Query<ManyQuery>,
) -> Answer<Json<ManyStatement>> {
    Ok(Json(drawn_together(&app, &query, false).await?))
}

#[utoipa::path(get, path = "/api/statement.csv", operation_id = "export_statement_of_many", tag = "audit", params(ManyQuery),
    responses((status = 200, body = String, content_type = "text/csv"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn many_csv(State(app): State<Arc<App>>, Query(query): Query<ManyQuery>) -> Answer<Response> {
    let statement = drawn_together(&app, &query, true).await?;
    let name = file_name(&statement, "csv");
    Ok(file(
        "text/csv; charset=utf-8",
        &name,
        csv_of_many(&statement)?,
    ))
}

#[utoipa::path(get, path = "/api/statement.jsonl", operation_id = "export_statement_lines", tag = "audit", params(ManyQuery),
    responses((status = 200, body = String, content_type = "application/jsonl"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn many_json_lines(
    State(app): State<Arc<App>>,
    Query(query): Query<ManyQuery>,
) -> Answer<Response> {
    let statement = drawn_together(&app, &query, true).await?;
    let name = file_name(&statement, "jsonl");
    Ok(file("application/jsonl", &name, json_lines(&statement)?))
}

/// The media type of a workbook.
const XLSX: &str = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";

#[utoipa::path(get, path = "/api/statement.xlsx", operation_id = "export_statement_workbook", tag = "audit", params(ManyQuery),
    responses((status = 200, body = String, content_type = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
        (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn many_workbook(
    State(app): State<Arc<App>>,
    Query(query): Query<ManyQuery>,
) -> Answer<Response> {
    let statement = drawn_together(&app, &query, true).await?;
    Ok(file(
        XLSX,
        &file_name(&statement, "xlsx"),
        workbook(&statement)?,
    ))
}

/// For which days, and as the book was known when.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct ValueQuery {
    /// The first day; the beginning unless said.
    from: Option<Day>,
    /// The last day; today unless said.
    to: Option<Day>,
    /// As the first so many leaves of the log say.
    #[param(minimum = 0)]
    known: Option<u32>,
    /// As was known at this instant.
    known_at: Option<Instant>,
}

async fn valued(app: &App, query: &ValueQuery) -> Answer<ValueView> {
    let mut tx = app.read().await?;
    let known = size_known(app, &mut *tx, (query.known, query.known_at)).await?;
    let zone = app.site_record(&mut *tx).await?.fields.zone;
    let asked = audit::value::Asked {
        from: query.from,
        to: query.to.unwrap_or_else(|| zone.day(app.clock.now())),
        known,
    };
    Ok(audit::value(&mut *tx, app.site, asked).await?)
}

fn value_name(value: &ValueView, ending: &str) -> String {
    let from = value.from.map(|from| format!("-{from}"));
    format!("value{}-{}.{ending}", from.unwrap_or_default(), value.to)
}

#[utoipa::path(get, path = "/api/value", operation_id = "read_value", tag = "audit", params(ValueQuery),
    responses((status = 200, body = ValueView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn value(
    State(app): State<Arc<App>>,
    Query(query): Query<ValueQuery>,
) -> Answer<Json<ValueView>> {
    Ok(Json(valued(&app, &query).await?))
}

#[utoipa::path(get, path = "/api/value.csv", operation_id = "export_value", tag = "audit", params(ValueQuery),
    responses((status = 200, body = String, content_type = "text/csv"), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn value_csv(
    State(app): State<Arc<App>>,
    Query(query): Query<ValueQuery>,
) -> Answer<Response> {
    let value = valued(&app, &query).await?;
    let name = value_name(&value, "csv");
    let table = audit::value::csv(&value)?;
    Ok(file("text/csv; charset=utf-8", &name, table))
}

#[utoipa::path(get, path = "/api/value.xlsx", operation_id = "export_value_workbook", tag = "audit", params(ValueQuery),
    responses((status = 200, body = String, content_type = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
        (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn value_workbook(
    State(app): State<Arc<App>>,
    Query(query): Query<ValueQuery>,
) -> Answer<Response> {
    let value = valued(&app, &query).await?;
    let name = value_name(&value, "xlsx");
    let workbook = audit::value::workbook(&value)?;
    Ok(file(XLSX, &name, workbook))
}

/// Which findings are wanted.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct FindingQuery {
    /// Those that people closed instead of those that are open.
    closed: Option<bool>,
}

#[utoipa::path(get, path = "/api/findings", operation_id = "list_findings", tag = "audit", params(FindingQuery),
    responses((status = 200, body = FindingList), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn findings(
    State(app): State<Arc<App>>,
    Query(query): Query<FindingQuery>,
) -> Answer<Json<FindingList>> {
    let mut tx = app.read().await?;
    let questions = app.expect.questions(&mut *tx, app.site).await?;
    let closed = query.closed.unwrap_or(false);
    Ok(Json(
        audit::findings(&mut *tx, app.site, &questions, closed).await?,
    ))
}

#[utoipa::path(get, path = "/api/findings/{id}", operation_id = "read_finding", tag = "audit", params(("id" = Uuid, Path)),
    responses((status = 200, body = FindingView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn finding(State(app): State<Arc<App>>, Path(id): Path<Uuid>) -> Answer<Json<FindingView>> {
    let mut tx = app.read().await?;
    let questions = app.expect.questions(&mut *tx, app.site).await?;
    Ok(Json(
        audit::finding(&mut *tx, app.site, &questions, id).await?,
    ))
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
        .needs(Right::Read, routes!(statement_of_many))
        .needs(Right::Read, routes!(many_csv))
        .needs(Right::Read, routes!(many_json_lines))
        .needs(Right::Read, routes!(many_workbook))
        .needs(Right::Read, routes!(value))
        .needs(Right::Read, routes!(value_csv))
        .needs(Right::Read, routes!(value_workbook))
        .needs(Right::Read, routes!(findings))
        .needs(Right::Read, routes!(finding))
}
