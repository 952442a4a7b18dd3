//! The front door on the network: connections over TLS, and plain ones beside them on the same port, each within its time.

use std::io;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::http::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::{GracefulShutdown, Watcher};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{sleep, timeout};
use tokio_rustls::TlsAcceptor;
use tower::ServiceExt;

use crate::web::Peer;

/// Connections at once: more wait in the system's own queue.
const CONNECTIONS: usize = 1_000;
/// For the first byte and the handshake, and again for each request's headers.
const FIRST_WORDS: Duration = Duration::from_secs(10);
/// Open lines, such as those of pages that listen for changes, are cut after so long when the service stops.
const FAREWELL: Duration = Duration::from_secs(3);
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
    let mut stop = pin!(stop);
    loop {
        let (stream, from, place) = tokio::select! {
            next = next(&listener, &room) => next,
            () = &mut stop => break,
        };
        let connection = Connection {
            router: router.clone(),
            tls: tls.clone(),
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
            self.speak(stream, true).await
        } else {
            self.speak(stream, false).await
        }
    }

    async fn speak<S>(self, stream: S, secure: bool) -> io::Result<()>
    where
        S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
    {
        let peer = Peer {
            address: self.from.ip().to_canonical(),
            secure,
        };
        let with_peer = move |request: Request<Incoming>| {
            let mut request = request.map(Body::new);
            request.extensions_mut().insert(peer);
            request
        };
        let service = TowerToHyperService::new(self.router.map_request(with_peer));
        let connection = http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(FIRST_WORDS)
            .serve_connection(TokioIo::new(stream), service);
        let served = self.watcher.watch(connection).await;
        drop(self.place);
        served.map_err(io::Error::other)
    }
}
