//! Reading people's files into tables of text, which imports take.

use axum::Json;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde::{Deserialize, Serialize};
use utoipa_axum::routes;

use super::extract::Body;
use super::problem::{Answer, Problem};
use super::routes::Routes;
use crate::refusal::Refusal;
use crate::setup::Right;
use crate::sheet::Sheet;

/// A file with a table.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
struct SheetFile {
    /// An XLSX workbook, or CSV, in base 64 (RFC 4648, section 4).
    file: String,
}

/// The table of a file.
#[derive(Debug, Serialize, utoipa::ToSchema)]
struct SheetText {
    /// The table as text, each row on the line that it has in the file.
    csv: String,
    /// Its headings.
    headings: Vec<String>,
    /// How many rows it has.
    rows: usize,
}

#[utoipa::path(post, path = "/api/sheets", operation_id = "read_sheet", tag = "commands", request_body = SheetFile,
    responses((status = 200, body = SheetText), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
async fn read(Body(sent): Body<SheetFile>) -> Answer<Json<SheetText>> {
    let read = tokio::task::spawn_blocking(move || {
        let bytes = STANDARD
            .decode(&sent.file)
            .map_err(|_| Refusal::field("/file", "send the file's bytes in base 64"))?;
        let sheet =
            Sheet::of_file(&bytes).map_err(|error| Refusal::field("/file", error.detail))?;
        Ok::<_, Refusal>(SheetText {
            csv: sheet.text(),
            rows: sheet.rows.len(),
            headings: sheet.headings,
        })
    });
    match read.await {
        Ok(read) => Ok(Json(read?)),
        Err(_) => Err(Problem::new("internal", "the file could not be read")),
    }
}

/// These routes.
pub fn router() -> Routes {
    Routes::new().needs(Right::Plan, routes!(read))
}
