//! The pages, embedded in the program.

use std::collections::BTreeSet;
use std::sync::{Arc, LazyLock, OnceLock};

use axum::Extension;
use axum::extract::Path;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use rust_embed::Embed;
use serde_json::json;
use sha2::{Digest, Sha256};

use super::door::Door;
use super::problem::Problem;
use super::routes::Routes;

#[derive(Embed)]
#[folder = "static/"]
struct Static;

/// The pages by their address.
const PAGES: [&str; 23] = [
    "floor",
    "week",
    "green",
    "loss",
    "shipping",
    "packing",
    "packing-list",
    "label",
    "cupping",
    "cost",
    "subscriptions",
    "audit",
    "count",
    "findings",
    "periods",
    "posting",
    "value",
    "sites",
    "trace",
    "setup",
    "sign-in",
    "people",
    "trust",
];

/// The name of this build: another as soon as a file differs. Where the files are read from disk it may change at any time.
fn build() -> String {
    static BUILD: OnceLock<String> = OnceLock::new();
    let name = || {
        let mut hash = Sha256::new();
        for path in Static::iter() {
            hash.update(path.as_bytes());
            hash.update(Static::get(&path).map_or([0; 32], |found| found.metadata.sha256_hash()));
        }
        hex::encode(&hash.finalize()[..6])
    };
    if cfg!(debug_assertions) {
        name()
    } else {
        BUILD.get_or_init(name).clone()
    }
}

/// The pages and what they load: nothing of the book, so for everybody.
pub fn router() -> Routes {
    let mut routes = Routes::new()
        .file("/", || async { Redirect::temporary("/floor") })
        .file("/authority.crt", authority)
        .file("/openapi.json", description)
        .file("/static/{*path}", asset);
    for page in PAGES {
        routes = routes.file(&format!("/{page}"), move |headers: HeaderMap| async move {
            document(page, &headers)
        });
    }
    // A service worker governs the pages below its own address, so it is served at the top.
    routes.file("/worker.js", worker)
}

/// The service worker with the name of this build and the files that the floor page loads, by their addresses. Another build is another
/// text, so that browsers notice it and take all of its files together.
async fn worker(headers: HeaderMap) -> Response {
    // A tablet without a network still asks who is there.
    let mut kept = loaded_by("floor.html");
    kept.extend(loaded_by("sign-in.html"));
    let build = build();
    let address = |path: String| match path.strip_suffix(".html") {
        Some(page) => format!("/{page}"),
        None => format!("/static/@{build}/{path}"),
    };
    let files: Vec<_> = kept.into_iter().map(address).collect();
    let said = json!({"name": build, "files": files});
    let script = Static::get("worker.js").map_or_else(Vec::new, |found| found.data.into_owned());
    let text = [format!("self.BUILD = {said};\n").as_bytes(), &script].concat();
    made("worker.js", text, &headers)
}

/// A page and all that it loads, however indirectly: whatever stands in quotes and is the path of a file.
fn loaded_by(page: &str) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    let mut open = vec![page.to_owned()];
    while let Some(path) = open.pop() {
        let Some(file) = Static::get(&path).filter(|_| !found.contains(&path)) else {
            continue;
        };
        let text = String::from_utf8_lossy(&file.data).into_owned();
        open.extend(
            text.split(['"', '\''])
                .filter_map(|quoted| resolve(&path, quoted)),
        );
        found.insert(path);
    }
    found
}

/// The file that a reference in another one means, if it may be one.
fn resolve(from: &str, reference: &str) -> Option<String> {
    if let Some(path) = reference.strip_prefix("/static/") {
        return Some(path.to_owned());
    }
    let folder = from.rsplit_once('/').map_or("", |(folder, _)| folder);
    if let Some(path) = reference.strip_prefix("./") {
        return Some(format!("{folder}/{path}"));
    }
    let path = reference.strip_prefix("../")?;
    let above = folder.rsplit_once('/').map_or("", |(above, _)| above);
    Some(format!("{above}/{path}"))
}

/// The service's own description.
async fn description() -> Response {
    static DOCUMENT: LazyLock<String> = LazyLock::new(|| super::description().to_string());
    let headers = [(header::CONTENT_TYPE, "application/json")];
    (headers, DOCUMENT.as_str()).into_response()
}

/// The certificate of the local authority, in the form that devices install.
async fn authority(Extension(door): Extension<Arc<Door>>) -> Response {
    let Some(authority) = &door.authority else {
        return Problem::new("not-found", "this service has no authority of its own")
            .into_response();
    };
    let headers = [
        (header::CONTENT_TYPE, "application/x-x509-ca-cert"),
        (
            header::CONTENT_DISPOSITION,
            "attachment; filename=\"outturn-authority.crt\"",
        ),
    ];
    (headers, authority.certificate.clone()).into_response()
}

/// A page. The files that it loads bear the name of this build in their addresses, so that they are asked for once and never again; modules
/// name one another by where they stand.
fn document(page: &str, request: &HeaderMap) -> Response {
    let path = format!("{page}.html");
    let Some(found) = Static::get(&path) else {
        return missing();
    };
    let files = format!("\"/static/@{}/", build());
    let html = String::from_utf8_lossy(&found.data).replace("\"/static/", &files);
    made(&path, html.into_bytes(), request)
}

/// A file. Under the name of this build it lasts; a page that was opened before an upgrade asks under another, and gets what there is now.
async fn asset(Path(path): Path<String>, headers: HeaderMap) -> Response {
    let named = path.strip_prefix('@').and_then(|path| path.split_once('/'));
    let (of_build, path) = named.map_or((None, path.as_str()), |(name, path)| (Some(name), path));
    let mut response = file(path, &headers);
    if of_build == Some(&*build()) && response.headers().contains_key(header::ETAG) {
        let lasting = HeaderValue::from_static("public, max-age=31536000, immutable");
        response
            .headers_mut()
            .insert(header::CACHE_CONTROL, lasting);
    }
    response
}

/// A file, unless the browser has this very one already.
fn file(path: &str, request: &HeaderMap) -> Response {
    let Some(found) = Static::get(path) else {
        return missing();
    };
    let tag = hex::encode(&found.metadata.sha256_hash()[..12]);
    answer(path, &tag, found.data.into_owned(), request)
}

fn missing() -> Response {
    Problem::new("not-found", "there is no such page").into_response()
}

/// What is made of files, under a tag of its own.
fn made(path: &str, text: Vec<u8>, request: &HeaderMap) -> Response {
    let tag = hex::encode(&Sha256::digest(&text)[..12]);
    answer(path, &tag, text, request)
}

/// A file's text under its tag.
fn answer(path: &str, tag: &str, data: Vec<u8>, request: &HeaderMap) -> Response {
    let tag = format!("\"{tag}\"");
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
        (headers, data).into_response()
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_floor_is_kept_with_all_that_it_loads() {
        let kept = loaded_by("floor.html");
        for path in [
            "floor.html",
            "css/base.css",
            "icon.svg",
            "js/floor.js",
            "js/kept.js",
            "js/parts/digit-pad.js",
            "js/parts/record-form.js",
        ] {
            assert!(kept.contains(path), "{path} is missing in {kept:?}");
        }
        assert!(!kept.contains("js/week.js"));
    }

    #[test]
    fn references_are_paths_from_where_they_stand() {
        for (from, reference, path) in [
            ("floor.html", "/static/css/base.css", Some("css/base.css")),
            ("js/floor.js", "./api.js", Some("js/api.js")),
            ("js/parts/fields.js", "../dom.js", Some("js/dom.js")),
            (
                "js/parts/fields.js",
                "./fields.js",
                Some("js/parts/fields.js"),
            ),
            ("js/api.js", "accept", None),
        ] {
            assert_eq!(resolve(from, reference).as_deref(), path);
        }
    }
}
