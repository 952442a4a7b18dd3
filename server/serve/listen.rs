//! The front door on the network: connections over TLS, and plain ones beside them on the same port, each within its time.

use std::io;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::http::Request;
use http_body_util::BodyExt;
use hyper::body::Incoming;
use hyper::server::conn::{http1, http2};
use hyper::service::service_fn;
use hyper_util::rt::{TokioExecutor, TokioIo, TokioTimer};
use hyper_util::server::graceful::{GracefulShutdown, Watcher};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore};
use tokio::time::{sleep, timeout};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;
use tower::ServiceExt;
use tower::util::MapRequest;

use super::tls::HTTP_2;
use crate::web::Peer;

/// Connections at once: more wait in the system's own queue.
const CONNECTIONS: usize = 1_000;
/// For the first byte and the handshake, and again for each request's headers.
const FIRST_WORDS: Duration = Duration::from_secs(10);
/// Open lines, such as those of pages that listen for changes, are cut after so long when the service stops.
const FAREWELL: Duration = Duration::from_secs(3);
/// Requests under way at once over all connections of HTTP/2, each until the last byte of its answer: more wait.
const REQUESTS: usize = 4_000;
/// Requests under way at once over one connection of HTTP/2 (RFC 9113, section 6.5.2, asks for no fewer).
const STREAMS: u32 = 100;
/// Requests that a client may take back before we have begun with them: more than a browser ever does is an attack, and ends the connection.
const TAKEN_BACK: usize = 20;
/// Bytes of the headers of a request, and of its body that we have not asked for yet; the latter for all of a connection too.
const HEADERS: u32 = 16 * 1024;
const AHEAD: u32 = 256 * 1024;
const AHEAD_IN_ALL: u32 = 512 * 1024;
/// Bytes of an answer that wait for a slow reader.
const BEHIND: usize = 64 * 1024;
/// Whoever has been silent for so long on a connection of HTTP/2 is asked for a sign of life.
const SILENCE: Duration = Duration::from_secs(20);
/// The first byte of every TLS connection: a handshake record (RFC 8446, section 5.1). No HTTP request begins with it.
const HANDSHAKE: u8 = 0x16;

/// Serves a router until told to stop, then lets what is under way end. What goes wrong with one connection is no reason to stop.
pub async fn serve(
    listener: TcpListener,
    router: Router,
    tls: Option<TlsAcceptor>,
    stop: impl Future<Output = ()>,
) {
    let graceful = GracefulShutdown::new();
    let room = Arc::new(Semaphore::new(CONNECTIONS));
    let requests = Arc::new(Semaphore::new(REQUESTS));
    let mut stop = pin!(stop);
    loop {
        let (stream, from, place) = tokio::select! {
            next = next(&listener, &room) => next,
            () = &mut stop => break,
        };
        let connection = Connection {
            router: router.clone(),
            tls: tls.clone(),
            requests: Arc::clone(&requests),
            watcher: graceful.watcher(),
            from,
            place,
        };
        tokio::spawn(connection.serve(stream));
    }
    drop(listener);
    let _ = timeout(FAREWELL, graceful.shutdown()).await;
}

/// The next connection, as soon as there is room for one.
async fn next(
    listener: &TcpListener,
    room: &Arc<Semaphore>,
) -> (TcpStream, SocketAddr, Option<OwnedSemaphorePermit>) {
    let place = Arc::clone(room).acquire_owned().await.ok();
    loop {
        match listener.accept().await {
            Ok((stream, from)) => return (stream, from, place),
            Err(error) => {
                // Such as too many open files: it passes when others hang up.
                tracing::warn!(%error, "a connection could not be taken");
                sleep(Duration::from_millis(200)).await;
            }
        }
    }
}

/// One connection and what serves it.
struct Connection {
    router: Router,
    tls: Option<TlsAcceptor>,
    requests: Arc<Semaphore>,
    watcher: Watcher,
    from: SocketAddr,
    place: Option<OwnedSemaphorePermit>,
}

impl Connection {
    async fn serve(self, stream: TcpStream) {
        let _ = stream.set_nodelay(true);
        let from = self.from;
        let served = match self.tls.clone() {
            None => self.speak(stream, false).await,
            Some(tls) => self.greet(stream, tls).await,
        };
        if let Err(error) = served {
            tracing::debug!(%from, %error, "a connection ended");
        }
    }

    /// Finds out whether the other side speaks TLS.
    async fn greet(self, stream: TcpStream, tls: TlsAcceptor) -> io::Result<()> {
        let mut first = [0];
        timeout(FIRST_WORDS, stream.peek(&mut first)).await??;
        if first[0] == HANDSHAKE {
            let stream = timeout(FIRST_WORDS, tls.accept(stream)).await??;
            if stream.get_ref().1.alpn_protocol() == Some(HTTP_2) {
                self.speak_http2(stream).await
            } else {
                self.speak(stream, true).await
            }
        } else {
            self.speak(stream, false).await
        }
    }

    async fn speak<S>(self, stream: S, secure: bool) -> io::Result<()>
    where
        S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
    {
        let service = TowerToHyperService::new(self.router_for(secure));
        let connection = http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(FIRST_WORDS)
            .serve_connection(TokioIo::new(stream), service);
        let served = self.watcher.watch(connection).await;
        drop(self.place);
        served.map_err(io::Error::other)
    }

    async fn speak_http2(self, stream: TlsStream<TcpStream>) -> io::Result<()> {
        let router = self.router_for(true);
        let heard = Arc::new(Notify::new());
        let (requests, spoke) = (self.requests, Arc::clone(&heard));
        let service = service_fn(move |request| {
            spoke.notify_one();
            let (router, requests) = (router.clone(), Arc::clone(&requests));
            async move {
                let place = requests.acquire_owned().await.map_err(io::Error::other)?;
                let Ok(answer) = router.oneshot(request).await;
                // The place is free again when the answer is gone.
                io::Result::Ok(answer.map(|body| {
                    body.map_frame(move |frame| {
                        let _held = &place;
                        frame
                    })
                }))
            }
        });
        let connection = http2::Builder::new(TokioExecutor::new())
            .timer(TokioTimer::new())
            .max_concurrent_streams(STREAMS)
            .max_pending_accept_reset_streams(TAKEN_BACK)
            .max_header_list_size(HEADERS)
            .initial_stream_window_size(AHEAD)
            .initial_connection_window_size(AHEAD_IN_ALL)
            .max_send_buf_size(BEHIND)
            .keep_alive_interval(SILENCE)
            .keep_alive_timeout(FIRST_WORDS)
            .serve_connection(TokioIo::new(stream), service);
        let silent = async {
            if timeout(FIRST_WORDS, heard.notified()).await.is_ok() {
                std::future::pending::<()>().await;
            }
        };
        tokio::select! {
            served = self.watcher.watch(connection) => served.map_err(io::Error::other),
            () = silent => Err(io::ErrorKind::TimedOut.into()),
        }
    }

    /// The router, which is told with each request who asks.
    fn router_for(
        &self,
        secure: bool,
    ) -> MapRequest<Router, impl Fn(Request<Incoming>) -> Request<Body> + Clone + use<>> {
        let peer = Peer {
            address: self.from.ip().to_canonical(),
            secure,
        };
        let with_peer = move |request: Request<Incoming>| {
            let mut request = request.map(Body::new);
            request.extensions_mut().insert(peer);
            request
        };
        self.router.clone().map_request(with_peer)
    }
}
