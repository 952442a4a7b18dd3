//! The pages, embedded in the program.

use std::sync::Arc;

use axum::Router;
use axum::extract::Path;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;
use rust_embed::Embed;

use super::problem::Problem;
use crate::app::App;

#[derive(Embed)]
#[folder = "static/"]
struct Static;

/// The pages by their address.
const PAGES: [&str; 7] = [
    "floor", "week", "green", "loss", "shipping", "audit", "setup",
];

/// The pages and what they load.
pub fn router() -> Router<Arc<App>> {
    let mut router = Router::new()
        .route("/", get(|| async { Redirect::temporary("/floor") }))
        .route("/static/{*path}", get(asset));
    for page in PAGES {
        router = router.route(
            &format!("/{page}"),
            get(move |headers: HeaderMap| async move { file(&format!("{page}.html"), &headers) }),
        );
    }
    // A service worker governs the pages below its own address, so it is served at the top.
    router.route(
        "/worker.js",
        get(|headers: HeaderMap| async move { file("worker.js", &headers) }),
    )
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
