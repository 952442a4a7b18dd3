//! How pages and their files are handed out.

use crate::support::{Database, Server};

const LASTING: &str = "public, max-age=31536000, immutable";

/// What stands in quotes in a text.
fn quoted(text: &str) -> impl Iterator<Item = &str> {
    text.split('"').skip(1).step_by(2)
}

/// Files bear the name of the build, so that going from page to page asks for nothing again; the pages themselves are asked after each time. Under the
/// name of another build, as a page has it that was opened before an upgrade, there is what there is now, and it does not last.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn files_of_a_build_are_asked_for_once() {
    let server = Server::start(Database::Sqlite).await;
    let mut files = Vec::new();
    for page in ["/floor", "/week"] {
        let answer = server.ask(page).await;
        assert_eq!(answer.header("cache-control"), "no-cache");
        let known = server
            .another()
            .showing("if-none-match", answer.header("etag").to_owned());
        assert_eq!(known.ask(page).await.status, 304);
        let of_page: Vec<_> = quoted(&answer.text)
            .filter(|text| text.starts_with("/static/"))
            .map(ToOwned::to_owned)
            .collect();
        assert!(
            of_page.iter().any(|file| file.ends_with("/js/api.js")),
            "{page}: {of_page:?}"
        );
        files.extend(of_page);
    }
    for file in &files {
        let answer = server.ask(file).await;
        assert_eq!(
            (answer.status, answer.header("cache-control")),
            (200, LASTING),
            "{file}"
        );
        let (start, path) = file
            .strip_prefix("/static/")
            .unwrap()
            .split_once('/')
            .unwrap();
        assert_eq!(&start[..1], "@", "{file} names the build");
        for other in [
            format!("/static/@000000000000/{path}"),
            format!("/static/{path}"),
        ] {
            let now = server.ask(&other).await;
            assert_eq!(
                (now.status, now.header("cache-control")),
                (200, "no-cache"),
                "{other}"
            );
            assert_eq!(now.text, answer.text);
        }
        let missing = server.ask(&format!("/static/{start}/none/{path}")).await;
        missing.problem(404, "not-found");
        assert_eq!(missing.header("cache-control"), "no-store");
    }
    // What the floor's worker keeps is what the floor asks for.
    let worker = server.ask("/worker.js").await;
    assert_eq!(worker.header("cache-control"), "no-cache");
    let kept: Vec<_> = quoted(worker.text.lines().next().unwrap()).collect();
    let floor = server.ask("/floor").await;
    for file in quoted(&floor.text).filter(|text| text.starts_with("/static/")) {
        assert!(kept.contains(&file), "{file} is not kept");
    }
    server.finish().await;
}
