//! The pages, embedded in the program.

use std::sync::LazyLock;

use axum::extract::Path;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use rust_embed::Embed;

use super::problem::Problem;
use super::routes::Routes;

#[derive(Embed)]
#[folder = "static/"]
struct Static;

/// The pages by their address.
const PAGES: [&str; 11] = [
    "floor", "week", "green", "loss", "shipping", "audit", "count", "findings", "periods", "value",
    "setup",
];

/// The pages and what they load: nothing of the book, so for everybody.
pub fn router() -> Routes {
    let mut routes = Routes::new()
        .file("/", || async { Redirect::temporary("/floor") })
        .file("/openapi.json", document)
        .file("/static/{*path}", asset);
    for page in PAGES {
        routes = routes.file(&format!("/{page}"), move |headers: HeaderMap| async move {
            file(&format!("{page}.html"), &headers)
        });
    }
    // A service worker governs the pages below its own address, so it is served at the top.
    routes.file("/worker.js", |headers: HeaderMap| async move {
        file("worker.js", &headers)
    })
}

/// The service's own description.
async fn document() -> Response {
    static DOCUMENT: LazyLock<String> = LazyLock::new(|| super::description().to_string());
    let headers = [(header::CONTENT_TYPE, "application/json")];
    (headers, DOCUMENT.as_str()).into_response()
}

async fn asset(Path(path): Path<String>, headers: HeaderMap) -> Response {
    file(&path, &headers)
}

/// A file, unless the browser has this very one already.
fn file(path: &str, request: &HeaderMap) -> Response {
    let Some(found) = Static::get(path) else {
        return Problem::new("not-found", "there is no such page").into_response();
    };
    let tag = format!("\"{}\"", hex::encode(&found.metadata.sha256_hash()[..12]));
    let mut headers = HeaderMap::new();
    headers.insert(
        header::CONTENT_TYPE,
        HeaderValue::from_static(media_type(path)),
    );
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-cache"));
    if let Ok(value) = HeaderValue::from_str(&tag) {
        headers.insert(header::ETAG, value);
    }
    let known = request
        .get(header::IF_NONE_MATCH)
        .is_some_and(|value| value.as_bytes() == tag.as_bytes());
    if known {
        (StatusCode::NOT_MODIFIED, headers).into_response()
    } else {
        (headers, found.data.into_owned()).into_response()
    }
}

fn media_type(path: &str) -> &'static str {
    match path.rsplit('.').next() {
        Some("html") => "text/html; charset=utf-8",
        Some("css") => "text/css; charset=utf-8",
        Some("js") => "text/javascript; charset=utf-8",
        Some("svg") => "image/svg+xml",
        Some("webmanifest" | "json") => "application/json",
        Some("woff2") => "font/woff2",
        Some("png") => "image/png",
        _ => "application/octet-stream",
    }
}
