//! Running the service: open the book, listen, stop gracefully.

use std::io::Write;
use std::net::SocketAddr;
use std::process::ExitCode;
use std::sync::Arc;

use tokio::net::TcpListener;
use tracing_subscriber::EnvFilter;

use crate::app::App;
use crate::clock::Clock;
use crate::daily;
use crate::key_file::{self, KeyFileError};
use crate::settings::Settings;
use crate::store::{self, StoreError};
use crate::web::{self, Door};

/// Why the service does not run.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The book cannot be opened.
    #[error("the book cannot be opened: {0}")]
    Store(#[from] StoreError),
    /// There is no key for seals.
    #[error(transparent)]
    Key(#[from] KeyFileError),
    /// The address cannot be listened on.
    #[error("cannot listen on {0}: {1}")]
    Listen(SocketAddr, std::io::Error),
    /// The address is not of this machine.
    #[error("{0} can be reached from outside, and nobody signs in yet: listen on 127.0.0.1")]
    NotLoopback(SocketAddr),
}

/// Runs the service until it is told to stop (Ctrl-C or SIGTERM).
///
/// # Errors
/// [`ServeError`] when it cannot start.
pub async fn run(settings: &Settings, clock: Clock) -> Result<ExitCode, ServeError> {
    log_to_stderr();
    if !settings.listen.ip().is_loopback() {
        return Err(ServeError::NotLoopback(settings.listen));
    }
    let store = store::open(&settings.database).await?;
    let key = key_file::open(&settings.seal_key, &clock)?;
    let app = App::open(store, clock, settings.zone, key).await?;
    if let Some(folder) = &settings.copies {
        let folder = app.copies.get_or_init(|| folder.clone()).clone();
        tokio::spawn(daily::keep(Arc::clone(&app), folder));
    }
    serve(app, settings.listen).await
}

/// Serves an open book until told to stop.
///
/// # Errors
/// [`ServeError::Listen`] when the address is taken.
pub async fn serve(app: Arc<App>, listen: SocketAddr) -> Result<ExitCode, ServeError> {
    let listener = TcpListener::bind(listen)
        .await
        .map_err(|e| ServeError::Listen(listen, e))?;
    let address = listener
        .local_addr()
        .map_err(|e| ServeError::Listen(listen, e))?;
    // Whoever started it may stop reading: that is no reason to stop serving.
    let _ = writeln!(
        std::io::stdout(),
        "Outturn listens on http://{address}\nNobody signs in yet: every request acts as the owner, so it listens to this machine only."
    );
    let store = Arc::clone(&app.store);
    let served = axum::serve(listener, web::router(app, Door::open()))
        .with_graceful_shutdown(told_to_stop())
        .await;
    store.close().await;
    served.map_err(|e| ServeError::Listen(address, e))?;
    Ok(ExitCode::SUCCESS)
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
