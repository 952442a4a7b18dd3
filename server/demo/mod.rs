//! The demo: loads the made history of `demo/` through the same calls a user makes, plans the coming week, weighs a few batches, shows what
//! came of it on the terminal, and serves it all.

mod client;
mod dispatch;
mod files;
mod history;
mod report;
mod setup;
mod week;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use tokio::sync::oneshot;

use crate::app::App;
use crate::clock::Clock;
use crate::day::Zone;
use crate::key_file::{self, KeyFileError};
use crate::serve::{self, ServeError};
use crate::store::{self, StoreError};
use crate::threads::stay_on_this_core;
use client::Client;
use files::Roastery;
use history::History;

/// What the demo is told on the command line.
#[derive(Debug, clap::Args)]
pub struct Options {
    /// Keep the demo's book in this folder, made if it is not there; left out: in a temporary one, removed at the end.
    #[arg(long)]
    data: Option<PathBuf>,
    /// Where to listen.
    #[arg(long, default_value = "127.0.0.1:8080")]
    listen: SocketAddr,
    /// End after the report instead of serving it.
    #[arg(long)]
    once: bool,
}

/// Why the demo ends.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// A file of the demo is not of its form.
    #[error("{0}")]
    File(String),
    /// The folder for the book cannot be used.
    #[error("{0}: {1}")]
    Folder(PathBuf, std::io::Error),
    /// There is a book already.
    #[error("{0} holds a book already: name another folder, or remove it first")]
    Occupied(PathBuf),
    /// The service refused what the history says.
    #[error("{request} was answered {status}: {answer}")]
    Refused {
        /// Method and path.
        request: String,
        /// HTTP status.
        status: u16,
        /// The problem.
        answer: String,
    },
    /// A request could not be made, or its answer not be read.
    #[error("the service could not be asked: {0}")]
    Transport(String),
    /// The book cannot be opened.
    #[error("the book cannot be opened: {0}")]
    Store(#[from] StoreError),
    /// There is no key for seals.
    #[error(transparent)]
    Key(#[from] KeyFileError),
    /// The service does not run.
    #[error(transparent)]
    Serve(#[from] ServeError),
}

/// Ids of the demo follow from this.
const SEED: u64 = 20_260_914;

/// Runs the demo.
///
/// # Errors
/// [`DemoError`] when the folder cannot be used or the service refuses a part of the history.
pub async fn run(options: Options) -> Result<ExitCode, DemoError> {
    let listen = (!options.once).then_some(options.listen);
    if let Some(address) = listen {
        can_listen(address)?;
    }
    let temporary = options.data.is_none();
    let folder = options.data.unwrap_or_else(passing_folder);
    std::fs::create_dir_all(&folder).map_err(|e| DemoError::Folder(folder.clone(), e))?;
    let result = run_in(&folder, listen).await;
    if temporary {
        std::fs::remove_dir_all(&folder).map_err(|e| DemoError::Folder(folder, e))?;
    }
    result
}

/// Says before the work begins what would stop the service after it.
fn can_listen(address: SocketAddr) -> Result<(), ServeError> {
    if !address.ip().is_loopback() {
        return Err(ServeError::NotLoopback(address));
    }
    std::net::TcpListener::bind(address)
        .map(drop)
        .map_err(|e| ServeError::Listen(address, e))
}

/// A folder for a book that nobody keeps: in memory where the system offers that (Linux), since thousands of answered writes would
/// each wait for the disk.
fn passing_folder() -> PathBuf {
    let memory = PathBuf::from("/dev/shm");
    let parent = if memory.is_dir() {
        memory
    } else {
        std::env::temp_dir()
    };
    parent.join(format!("outturn-demo-{}", std::process::id()))
}

async fn run_in(folder: &Path, listen: Option<SocketAddr>) -> Result<ExitCode, DemoError> {
    let file = folder.join("outturn.sqlite");
    if file.exists() {
        return Err(DemoError::Occupied(file));
    }
    let url = format!("sqlite:{}", file.display());
    let roastery: Roastery = serde_json::from_str(files::ROASTERY)
        .map_err(|e| DemoError::File(format!("demo/roastery.json: {e}")))?;
    let zone = roastery.zone()?;
    let clock = Clock::set(roastery.set_up.instant(zone), SEED);
    let (there, hands) = (url.clone(), clock.clone());
    on_one_thread(async move { tell_in(&there, &roastery, zone, hands).await }).await?;
    if let Clock::Set(hands) = &clock {
        hands.run();
    }
    match listen {
        Some(address) => {
            let key = key_file::open(&key_file::usual(&url), &clock)?;
            let app = App::open(store::open(&url).await?, clock, zone, key).await?;
            Ok(serve::serve(app, address).await?)
        }
        None => Ok(ExitCode::SUCCESS),
    }
}

/// Runs a task that waits for one answer after the other: on one thread and one core, so that no answer has to wake another.
async fn on_one_thread(
    task: impl Future<Output = Result<(), DemoError>> + Send + 'static,
) -> Result<(), DemoError> {
    let (done, told) = oneshot::channel();
    std::thread::spawn(move || {
        // Each statement goes to the database's own thread and its rows come back: from core to core that takes twice as long.
        stay_on_this_core();
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|e| DemoError::Transport(e.to_string()));
        // Whoever no longer waits for it does not want it.
        let _ = done.send(runtime.and_then(|runtime| runtime.block_on(task)));
    });
    told.await
        .unwrap_or_else(|_| Err(DemoError::Transport("its thread failed".to_owned())))
}

async fn tell_in(
    url: &str,
    roastery: &Roastery,
    zone: Zone,
    clock: Clock,
) -> Result<(), DemoError> {
    let store = store::open(url).await?;
    let key = key_file::open(&key_file::usual(url), &clock)?;
    let app = App::open(Arc::clone(&store), clock, zone, key).await?;
    let told = tell_all(&Client::new(app), roastery, zone).await;
    store.close().await;
    told
}

async fn tell_all(client: &Client, roastery: &Roastery, zone: Zone) -> Result<(), DemoError> {
    println!("{}", report::heading(roastery));
    let begun = std::time::Instant::now();
    let names = setup::set_up(client, roastery).await?;
    let (told, mut names) = History::read(client, roastery, zone, names)?.tell().await?;
    let now = roastery.today.instant(zone);
    client.set_clock(now);
    println!("{}", report::history(&told, begun.elapsed()));
    println!("{}", report::stock(&client.get("/api/stock").await?));
    println!("{}", report::notices(&week::notices(client).await?));
    let dispatch = dispatch::tell(client, roastery, &mut names, now).await?;
    println!("{}", report::dispatch(&dispatch));
    let plan = week::plan(client, roastery).await?;
    println!(
        "{}",
        report::plan(&plan, &week::short(client, &plan).await?)
    );
    let cards = week::release(client, zone, roastery, &plan).await?;
    let weighed = week::weigh(client, zone, &cards).await?;
    println!("{}", report::floor(&weighed));
    let lot = names.id("lots", week::SCARCE_LOT)?;
    let statement = format!(
        "/api/lots/{lot}/statement?from={}&to={}",
        week::STATEMENT_FROM,
        roastery.today.day
    );
    println!(
        "{}",
        report::statement(week::SCARCE_LOT, &client.get(&statement).await?)
    );
    println!("{}", report::verify(&client.get("/api/verify").await?));
    Ok(())
}
