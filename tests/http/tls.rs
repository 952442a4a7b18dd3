//! What is spoken over TLS: HTTP/2 and HTTP/1.1 with the program itself, and what becomes of whoever abuses the former.

use std::sync::Arc;
use std::time::Duration;

use http_body_util::{BodyExt, Full};
use hyper::body::Bytes;
use hyper::client::conn::{http1, http2};
use hyper::{Method, Request, Response, StatusCode, Version};
use hyper_util::rt::{TokioExecutor, TokioIo};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;

use crate::program::{OUTTURN, Program, serving, token};

/// Longer than anything that is waited for here, on a busy machine too.
const SOON: Duration = Duration::from_secs(25);

/// The program over TLS, by an authority of its own.
struct Entrance {
    program: Program,
    folder: tempfile::TempDir,
    url: String,
    host: String,
}

type Answer = Response<hyper::body::Incoming>;

impl Entrance {
    async fn open() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let url = format!("sqlite:{}", folder.path().join("book").display());
        let mut command = std::process::Command::new(OUTTURN);
        let keys = folder.path().join("keys").display().to_string();
        command.args(serving(&url, folder.path()));
        command.args(["--names", "localhost", "--keys", &keys]);
        let program = Program::of(command, folder.path()).unwrap();
        let host = program.address.strip_prefix("https://").unwrap().to_owned();
        Self {
            program,
            folder,
            url,
            host,
        }
    }

    /// A connection with somebody who would speak these protocols.
    async fn greet(&self, protocols: &[&[u8]]) -> TlsStream<TcpStream> {
        let mut roots = RootCertStore::empty();
        let authority = self.folder.path().join("keys/authority.pem");
        roots
            .add(CertificateDer::from_pem_file(authority).unwrap())
            .unwrap();
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let mut config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_root_certificates(roots)
            .with_no_client_auth();
        config.alpn_protocols = protocols.iter().map(|one| one.to_vec()).collect();
        let port = self.host.rsplit(':').next().unwrap().parse().unwrap();
        let stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
        let name = ServerName::try_from("localhost").unwrap();
        let connector = TlsConnector::from(Arc::new(config));
        connector.connect(name, stream).await.unwrap()
    }

    async fn http2(&self) -> Http2 {
        let stream = self.greet(&[b"h2", b"http/1.1"]).await;
        assert_eq!(stream.get_ref().1.alpn_protocol(), Some(&b"h2"[..]));
        let (send, connection) = http2::handshake(TokioExecutor::new(), TokioIo::new(stream))
            .await
            .unwrap();
        tokio::spawn(connection);
        Http2(send)
    }

    /// A request to an address of it.
    fn to(&self, path: &str) -> hyper::http::request::Builder {
        Request::builder().uri(format!("https://{}{path}", self.host))
    }
}

#[derive(Clone)]
struct Http2(http2::SendRequest<Full<Bytes>>);

impl Http2 {
    async fn send(&self, request: hyper::http::request::Builder, body: &'static [u8]) -> Answer {
        let request = request.body(Full::from(body)).unwrap();
        let sent = self.0.clone().send_request(request);
        timeout(SOON, sent).await.expect("an answer").unwrap()
    }
}

async fn text(answer: Answer) -> String {
    let body = answer.into_body().collect().await.unwrap().to_bytes();
    String::from_utf8(body.to_vec()).unwrap()
}

/// Browsers speak HTTP/2; whoever does not is understood as before.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn both_protocols_are_spoken() {
    let entrance = Entrance::open().await;
    let browser = entrance.http2().await;
    let page = browser.send(entrance.to("/sign-in"), b"").await;
    assert_eq!(
        (page.status(), page.version()),
        (StatusCode::OK, Version::HTTP_2)
    );
    assert!(page.headers().contains_key("content-security-policy"));
    assert!(text(page).await.starts_with("<!doctype html>"));
    // Many at once, on one connection.
    let modules = ["api", "texts", "dom", "live", "kept", "forms"].repeat(10);
    let asked = modules
        .iter()
        .map(|name| browser.send(entrance.to(&format!("/static/js/{name}.js")), b""));
    for answer in futures_util::future::join_all(asked).await {
        assert_eq!(answer.status(), StatusCode::OK);
        let length = answer.headers()["content-length"].to_str().unwrap().parse();
        assert_eq!(Ok(text(answer).await.len()), length);
    }
    for protocols in [&[&b"http/1.1"[..]][..], &[]] {
        let stream = entrance.greet(protocols).await;
        assert_ne!(stream.get_ref().1.alpn_protocol(), Some(&b"h2"[..]));
        let (mut send, connection) = http1::handshake(TokioIo::new(stream)).await.unwrap();
        tokio::spawn(connection);
        let request = Request::builder()
            .uri("/sign-in")
            .header("host", &entrance.host);
        let request = request.body(Full::<Bytes>::default()).unwrap();
        let answer = send.send_request(request).await.unwrap();
        assert_eq!(
            (answer.status(), answer.version()),
            (StatusCode::OK, Version::HTTP_11)
        );
    }
    entrance.program.stop();
}

/// HTTP/2 names the host in the target (RFC 9113, section 8.3.1): changes still come from our own pages only.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn changes_come_from_the_host_that_is_asked() {
    let entrance = Entrance::open().await;
    let (browser, host) = (entrance.http2().await, entrance.host.as_str());
    let ours = format!("https://{host}");
    let change = |origin: &str| {
        let request = entrance.to("/api/sign-ins").method(Method::POST);
        let request = request.header("content-type", "application/json");
        request.header("origin", origin)
    };
    let said = async |request| {
        let answer = browser.send(request, b"{}").await;
        (answer.status().as_u16(), text(answer).await)
    };
    // Our own page is let in, to be told what its body lacks.
    assert_eq!(said(change(&ours)).await.0, 422);
    assert_eq!(said(change(&ours).header("host", host)).await.0, 422);
    for request in [
        change("https://evil.example"),
        change(&format!("http://{host}")),
        change(&format!("{ours}.evil.example")),
        change("null"),
    ] {
        let (status, why) = said(request).await;
        assert_eq!(status, 403, "{why}");
        assert!(why.contains(&ours), "{why}");
    }
    // Two hosts are none.
    for (origin, other) in [
        (&*ours, "evil.example"),
        ("https://evil.example", "evil.example"),
    ] {
        let (status, why) = said(change(origin).header("host", other)).await;
        assert_eq!(status, 400, "{why}");
    }
    // Without `:authority` the host is what `Host` says, or nobody's.
    let bare = |origin: &str| change(origin).uri("/api/sign-ins");
    assert_eq!(said(bare(&ours)).await.0, 403);
    assert_eq!(said(bare("https://")).await.0, 403);
    assert_eq!(said(bare(&ours).header("host", host)).await.0, 422);
    assert_eq!(
        said(bare(&ours).header("host", "evil.example")).await.0,
        403
    );
    entrance.program.stop();
}

/// A page that listens for news does not hold up the end.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn open_lines_do_not_hold_up_the_end() {
    let entrance = Entrance::open().await;
    let bearer = format!("Bearer {}", token(&entrance.url));
    let browser = entrance.http2().await;
    let mut lines = Vec::new();
    for _ in 0..6 {
        let line = entrance.to("/api/events").header("authorization", &bearer);
        let line = browser.send(line, b"").await;
        assert_eq!(line.status(), StatusCode::OK);
        lines.push(line.into_body());
    }
    let coffee = entrance.to(&format!(
        "/api/coffees/{}",
        uuid::Uuid::from_u128(7 << 76 | 1 << 63)
    ));
    let coffee = coffee
        .method(Method::PUT)
        .header("authorization", &bearer)
        .header("if-none-match", "*")
        .header("content-type", "application/json");
    assert_eq!(
        browser.send(coffee, br#"{"name": "Kivu"}"#).await.status(),
        StatusCode::CREATED
    );
    for line in &mut lines {
        let news = timeout(SOON, line.frame())
            .await
            .expect("news")
            .unwrap()
            .unwrap();
        assert!(!news.into_data().unwrap().is_empty());
    }
    let ended = tokio::task::spawn_blocking(|| entrance.program.stop());
    timeout(SOON, ended).await.expect("it ends").unwrap();
}

/// A frame of HTTP/2 (RFC 9113, section 4.1).
fn frame(kind: u8, flags: u8, stream: u32, payload: &[u8]) -> Vec<u8> {
    let length = u32::try_from(payload.len()).unwrap().to_be_bytes();
    let mut frame = length[1..].to_vec();
    frame.extend([kind, flags]);
    frame.extend(stream.to_be_bytes());
    frame.extend(payload);
    frame
}

const PREFACE: &[u8] = b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n";
const HEADERS: u8 = 1;
const RST_STREAM: u8 = 3;
const SETTINGS: u8 = 4;
const GOAWAY: u8 = 7;

/// The frames that come, by kind and payload, until the connection ends.
async fn until_the_end(stream: &mut TlsStream<TcpStream>) -> Vec<(u8, Vec<u8>)> {
    let mut bytes = Vec::new();
    // However it ends.
    let _ = timeout(2 * SOON, stream.read_to_end(&mut bytes))
        .await
        .expect("it ends");
    let (mut frames, mut rest) = (Vec::new(), &bytes[..]);
    while let [a, b, c, kind, _, _, _, _, _, more @ ..] = rest {
        let length = u32::from_be_bytes([0, *a, *b, *c]) as usize;
        let (payload, after) = more.split_at(length.min(more.len()));
        frames.push((*kind, payload.to_vec()));
        rest = after;
    }
    frames
}

/// Whoever says nothing, takes back what was asked again and again, or sends endless headers, is hung up on, and told so where there is time for it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whoever_abuses_a_connection_loses_it() {
    let entrance = Entrance::open().await;
    // One that never begins.
    let mut silent = entrance.greet(&[b"h2"]).await;
    let frames = until_the_end(&mut silent).await;
    assert!(
        frames.iter().all(|(kind, _)| *kind == SETTINGS),
        "{frames:?}"
    );

    // One that takes back what it asks (CVE-2023-44487). GET https / of the static table (RFC 7541, appendix A).
    let mut hasty = entrance.greet(&[b"h2"]).await;
    let mut bytes = [PREFACE, &frame(SETTINGS, 0, 0, &[])].concat();
    for stream in (1..4_000).step_by(2) {
        bytes.extend(frame(HEADERS, 0x5, stream, &[0x82, 0x87, 0x84]));
        bytes.extend(frame(RST_STREAM, 0, stream, &8_u32.to_be_bytes()));
    }
    // It may be hung up on in the middle of it.
    let _ = hasty.write_all(&bytes).await;
    let frames = until_the_end(&mut hasty).await;
    let settings = frames.iter().find(|(kind, _)| *kind == SETTINGS).unwrap();
    let settings: Vec<_> = settings.1.chunks_exact(6).collect();
    // At most 100 streams (3), and headers of 16 KB (6).
    assert!(
        settings.contains(&&[0, 3, 0, 0, 0, 100][..]),
        "{settings:?}"
    );
    assert!(
        settings.contains(&&[0, 6, 0, 0, 0x40, 0][..]),
        "{settings:?}"
    );
    let goaway = frames
        .iter()
        .find(|(kind, _)| *kind == GOAWAY)
        .expect("a reason");
    assert_eq!(goaway.1[4..8], 11_u32.to_be_bytes(), "ENHANCE_YOUR_CALM");

    let browser = entrance.http2().await;
    let endless = entrance
        .to("/sign-in")
        .header("x-endless", "x".repeat(20_000));
    let endless = endless.body(Full::<Bytes>::default()).unwrap();
    let refused = browser.0.clone().send_request(endless).await;
    assert!(refused.is_err() || refused.is_ok_and(|answer| answer.status() == 431));
    // A body that is too large for whoever has not signed in.
    let large = entrance.to("/api/sign-ins").method(Method::POST);
    let large = large.header("origin", format!("https://{}", entrance.host));
    let large = large.header("content-type", "application/json");
    let browser = entrance.http2().await;
    let answer = browser.send(large, &[b' '; 200_000]).await;
    assert_eq!(answer.status(), StatusCode::PAYLOAD_TOO_LARGE);
    entrance.program.stop();
}
