//! Running the service: open the book, listen, stop gracefully.

mod listen;
mod tls;

use std::fmt::Write as _;
use std::io::Write as _;
use std::net::SocketAddr;
use std::process::ExitCode;
use std::sync::Arc;

use tokio::net::TcpListener;
use tokio_rustls::TlsAcceptor;
use tracing_subscriber::EnvFilter;

use crate::access;
use crate::app::App;
use crate::clock::Clock;
use crate::daily;
use crate::day::Zone;
use crate::demand;
use crate::key_file::{self, KeyFileError};
use crate::refusal::Refusal;
use crate::settings::Settings;
use crate::sites::{self, Founded, SiteError};
use crate::store::{self, Store, StoreError};
use crate::text::Name;
use crate::web::{self, Door};
pub use tls::{Certificates, TlsError};

/// Why the service does not run.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The book cannot be opened.
    #[error("the book cannot be opened: {0}")]
    Store(#[from] StoreError),
    /// There is no such site.
    #[error(transparent)]
    Site(#[from] SiteError),
    /// There is no key for seals.
    #[error(transparent)]
    Key(#[from] KeyFileError),
    /// The address cannot be listened on.
    #[error("cannot listen on {0}: {1}")]
    Listen(SocketAddr, std::io::Error),
    /// The address is not of this machine.
    #[error(
        "{0} can be reached from outside: give --names (or --certificate and --certificate-key), so that it is encrypted, or listen on 127.0.0.1"
    )]
    NotLoopback(SocketAddr),
    /// There is no TLS.
    #[error(transparent)]
    Tls(#[from] TlsError),
}

/// Runs the service until it is told to stop (Ctrl-C or SIGTERM).
///
/// # Errors
/// [`ServeError`] when it cannot start.
pub async fn run(settings: &Settings, clock: Clock) -> Result<ExitCode, ServeError> {
    log_to_stderr();
    if !settings.listen.ip().is_loopback() && settings.certificates.is_none() {
        return Err(ServeError::NotLoopback(settings.listen));
    }
    let today = Zone::UTC.day(clock.now());
    let certificates = settings.certificates.as_ref();
    let tls = certificates
        .map(|from| tls::acceptor(from, today))
        .transpose()?;
    let (acceptor, authority) = tls.unzip();
    let store = store::open(&settings.database).await?;
    if let Err(error) = forget_expired(&*store, &clock).await {
        store.close().await;
        return Err(error.into());
    }
    let key = key_file::open(&settings.seal_key, &clock)?;
    let app = match &settings.site {
        None => App::open(store, clock, settings.zone, key).await?,
        Some(name) => {
            let founded = site_of(&*store, &clock, settings.zone, name).await?;
            App::open_site(store, clock, founded, key).await?
        }
    };
    if let Some(folder) = &settings.copies {
        let folder = app.copies.get_or_init(|| folder.clone()).clone();
        tokio::spawn(daily::keep(Arc::clone(&app), folder));
    }
    let door = Door {
        acts_as_owner: false,
        tls: acceptor.is_some(),
        authority: authority.flatten(),
        proxies: settings.proxies.clone(),
    };
    serve_behind(app, settings.listen, door, acceptor).await
}

/// The site of a name; the first one of a new book is founded under it.
async fn site_of(
    store: &dyn Store,
    clock: &Clock,
    zone: Zone,
    name: &Name,
) -> Result<Founded, SiteError> {
    match sites::which(store, Some(name)).await {
        Err(SiteError::NoBook) => sites::found(store, clock, zone, name.clone()).await,
        known => known,
    }
}

/// Forgets who might have come in until now. It shows besides whether the book may be written: one that may not is not served.
async fn forget_expired(store: &dyn Store, clock: &Clock) -> Result<(), StoreError> {
    let mut tx = store.write().await?;
    tx.forget_expired(clock.now()).await?;
    tx.commit().await
}

/// Serves an open book to this machine until told to stop; nobody signs in, and everybody acts as the owner.
///
/// # Errors
/// [`ServeError::Listen`] when the address is taken, [`ServeError::NotLoopback`] when others could reach it.
pub async fn serve(app: Arc<App>, listen: SocketAddr) -> Result<ExitCode, ServeError> {
    if !listen.ip().is_loopback() {
        return Err(ServeError::NotLoopback(listen));
    }
    serve_behind(app, listen, Door::open(), None).await
}

async fn serve_behind(
    app: Arc<App>,
    listen: SocketAddr,
    door: Door,
    tls: Option<TlsAcceptor>,
) -> Result<ExitCode, ServeError> {
    let listener = TcpListener::bind(listen)
        .await
        .map_err(|e| ServeError::Listen(listen, e))?;
    let address = listener
        .local_addr()
        .map_err(|e| ServeError::Listen(listen, e))?;
    let said = greeting(&app, address, &door).await?;
    // Whoever started it may stop reading: that is no reason to stop serving.
    let _ = std::io::stdout().write_all(said.as_bytes());
    tokio::spawn(demand::keep(Arc::clone(&app)));
    let router = web::router(Arc::clone(&app), door);
    listen::serve(listener, router, tls, told_to_stop()).await;
    app.stop().await;
    Ok(ExitCode::SUCCESS)
}

/// What is said on the terminal: where it listens, and how the first owner comes in.
async fn greeting(app: &App, address: SocketAddr, door: &Door) -> Result<String, ServeError> {
    let scheme = if door.tls { "https" } else { "http" };
    let name = door
        .authority
        .as_ref()
        .and_then(|authority| authority.names.first());
    let host = name.map_or_else(
        || address.to_string(),
        |name| format!("{name}:{}", address.port()),
    );
    let mut said = format!("Outturn listens on {scheme}://{host}\n");
    if door.acts_as_owner {
        said += "Nobody signs in here: whoever uses this machine acts as the owner, so it listens to this machine only.\n";
        return Ok(said);
    }
    if let Some(authority) = &door.authority {
        let _ = writeln!(
            said,
            "Tablets install its authority once: http://{host}/trust\nIts fingerprint (SHA-256): {}",
            authority.fingerprint
        );
    }
    let invited = access::invite_owner(app)
        .await
        .map_err(|refusal| match refusal {
            Refusal::Store(error) => error,
            other => StoreError::Damaged(other.to_string()),
        })?;
    if let Some(invitation) = invited {
        let _ = writeln!(
            said,
            "No owner can sign in yet. This link lets one choose a password, once: {scheme}://{host}{}",
            invitation.path
        );
    }
    Ok(said)
}

fn log_to_stderr() {
    let filter = EnvFilter::try_from_env("OUTTURN_LOG").unwrap_or_else(|_| EnvFilter::new("info"));
    // A second start in one process keeps the first log.
    let _ = tracing_subscriber::fmt()
        .json()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .try_init();
}

async fn told_to_stop() {
    let interrupt = tokio::signal::ctrl_c();
    let Ok(mut terminate) =
        tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate())
    else {
        let _ = interrupt.await;
        return;
    };
    tokio::select! {
        _ = interrupt => {}
        _ = terminate.recv() => {}
    }
}
