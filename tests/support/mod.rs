//! The harness: a real server on a free port with a database, a clock and ids of its own, and a client for it.
//!
//! `each_database!` runs a test on SQLite and on PostgreSQL. When a test is over, the server is stopped, its book verified, and the
//! accounts of every lot summed: a test that leaves a gram too many or too few fails, whatever it was about. So does one whose learner is
//! not the one that reads the book anew.

mod answer;
mod client;
mod contract;
pub mod entrance;
mod postgres;
mod roastery;
mod slow;

use std::ops::Deref;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use outturn::app::App;
use outturn::clock::Clock;
use outturn::expect::Expect;
use outturn::sites::Founded;
use outturn::store;
use outturn::web::{self, Door};
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

pub use answer::Answer;
pub use client::{Client, merged};
pub use contract::Contract;
pub use postgres::Schema;
pub use roastery::{Roastery, roastery};

/// When every test begins: a Wednesday morning. The site is in Lisbon, which is on UTC then.
pub const BEGINS: &str = "2026-11-25T08:00:00.000Z";

/// Runs each test on both databases:
///
/// ```ignore
/// each_database! {
///     /// What it shows.
///     async fn a_name(server: &Server) { .. }
/// }
/// ```
macro_rules! each_database {
    ($($(#[$doc:meta])* async fn $name:ident($server:ident: &Server) $body:block)*) => {$(
        $(#[$doc])*
        async fn $name($server: &$crate::support::Server) $body

        mod $name {
            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn sqlite() {
                $crate::support::run($crate::support::Database::Sqlite, super::$name).await;
            }

            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn postgres() {
                $crate::support::run($crate::support::Database::Postgres, super::$name).await;
            }
        }
    )*};
}
pub(crate) use each_database;

/// Runs one test on a server of its own.
pub async fn run(database: Database, test: impl AsyncFnOnce(&Server)) {
    let server = Server::start(database).await;
    test(&server).await;
    server.finish().await;
}

/// Which database a server keeps its book in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Database {
    /// A file in a temporary folder.
    Sqlite,
    /// A schema of its own.
    Postgres,
}

/// Where a server's book lies, as long as the test runs.
#[derive(Debug)]
pub enum Home {
    /// A temporary folder.
    Folder(Arc<tempfile::TempDir>),
    /// A schema, to be removed in the end.
    Schema(Schema),
    /// A schema that another removes.
    Shared(Schema),
}

impl Home {
    /// Makes a place for a book.
    pub async fn new(database: Database) -> Self {
        match database {
            Database::Sqlite => {
                Self::Folder(Arc::new(tempfile::tempdir().expect("a temporary folder")))
            }
            // Many processes share the server: only the name of the schema differs from run to run.
            Database::Postgres => {
                let name = format!("test_{}", Clock::Machine.new_id().simple());
                Self::Schema(Schema::create(name).await)
            }
        }
    }

    fn shared(&self) -> Self {
        match self {
            Self::Folder(folder) => Self::Folder(Arc::clone(folder)),
            Self::Schema(schema) | Self::Shared(schema) => Self::Shared(schema.clone()),
        }
    }

    /// Removes what is not removed by itself.
    pub async fn remove(self) {
        if let Self::Schema(schema) = self {
            schema.drop().await;
        }
    }

    /// The database's URL.
    pub fn url(&self) -> String {
        match self {
            Self::Folder(folder) => {
                format!("sqlite:{}", folder.path().join("book.sqlite").display())
            }
            Self::Schema(schema) | Self::Shared(schema) => schema.url(),
        }
    }
}

/// A running service with its client.
#[derive(Debug)]
pub struct Server {
    /// What it holds: for what no route answers.
    pub app: Arc<App>,
    clock: Clock,
    client_clock: Clock,
    client: Client,
    home: Home,
    stop: oneshot::Sender<()>,
    served: JoinHandle<()>,
    /// Another server writes in this book too: a learner follows its own server's commits alone.
    is_shared: AtomicBool,
}

impl Server {
    /// Starts a service with an empty book. It listens when this returns.
    pub async fn start(database: Database) -> Self {
        Self::on(Home::new(database).await, 1, Door::open()).await
    }

    /// Starts a service with an empty book where people sign in.
    pub async fn closed(database: Database, seed: u64) -> Self {
        Self::on(Home::new(database).await, seed, Door::default()).await
    }

    /// Starts another on the same book, as several servers may share one. It keeps out of what the other makes by seeds of its own.
    pub async fn beside(&self) -> Self {
        self.is_shared.store(true, Ordering::SeqCst);
        Self::on(self.home.shared(), 3, Door::open()).await
    }

    /// Starts another on the same book, where people sign in.
    pub async fn closed_beside(&self) -> Self {
        self.is_shared.store(true, Ordering::SeqCst);
        let site = Founded {
            site: self.app.site,
            owner: self.app.owner,
        };
        Self::of(self.home.shared(), 5, Door::default(), Some(site)).await
    }

    /// Founds another site in the same database, and starts a service for it, with seeds of its own.
    pub async fn site(&self, name: &str, seed: u64) -> Self {
        let store = store::open(&self.home.url()).await.expect("a database");
        let clock = Clock::set(BEGINS.parse().expect("an instant"), seed);
        let name = outturn::text::Name::new(name).expect("a name");
        let founded = outturn::sites::found(&*store, &clock, zone(), name).await;
        store.close().await;
        let founded = founded.expect("a site");
        Self::of(self.home.shared(), seed + 1, Door::open(), Some(founded)).await
    }

    /// Starts one on a book that lies there, with seeds of its own.
    pub async fn at(home: Home, seed: u64) -> Self {
        Self::on(home, seed, Door::open()).await
    }

    async fn on(home: Home, seed: u64, door: Door) -> Self {
        Self::of(home, seed, door, None).await
    }

    async fn of(home: Home, seed: u64, door: Door, site: Option<Founded>) -> Self {
        let begins = BEGINS.parse().expect("an instant");
        let (clock, client_clock) = (Clock::set(begins, seed), Clock::set(begins, seed + 1));
        let store = store::open(&home.url()).await.expect("a database");
        let key = outturn::book::seal::SealKey::of_secret(&[7; 32]);
        let app = match site {
            None => App::open(store, clock.clone(), zone(), key).await,
            Some(founded) => App::open_site(store, clock.clone(), founded, key).await,
        };
        let app = app.expect("a book");
        // So every test ends with a start that goes on from here over all that it booked.
        let written = app.expect.write(&*app.store, app.site).await;
        written.expect("what was learned written down");
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = format!("http://{}", listener.local_addr().expect("its address"));
        let (stop, stopped) = oneshot::channel::<()>();
        let serving = axum::serve(listener, web::router(Arc::clone(&app), door));
        let served = tokio::spawn(async move {
            serving
                .with_graceful_shutdown(async { drop(stopped.await) })
                .await
                .expect("serving");
        });
        Self {
            app,
            client: Client::new(address, client_clock.clone()),
            clock,
            client_clock,
            home,
            stop,
            served,
            is_shared: AtomicBool::new(false),
        }
    }

    /// Stops it and checks what it leaves: the book verifies, and every lot's accounts sum to nothing.
    pub async fn finish(self) {
        drop(self.client);
        let _ = self.stop.send(());
        self.served.await.expect("the server stops");
        let mut tx = self.app.read().await.expect("a snapshot");
        let report = outturn::audit::verify::verify(&mut *tx, self.app.site)
            .await
            .expect("a report");
        assert!(report.ok, "{report}");
        let mut sums = std::collections::BTreeMap::new();
        for account in tx.accounts(self.app.site).await.expect("accounts") {
            *sums.entry(account.lot).or_insert(0) += account.balance_mg;
        }
        sums.retain(|_, sum| *sum != 0);
        assert!(sums.is_empty(), "milligrams made or lost, by lot: {sums:?}");
        slow::check_queries(&self.app, &mut *tx).await;
        drop(tx);
        if !self.is_shared.load(Ordering::SeqCst) {
            check_learner(&self.app).await;
        }
        self.app.store.close().await;
        self.home.remove().await;
    }

    /// Another client of it.
    pub fn another(&self) -> Client {
        Client::new(self.client.address.clone(), self.client_clock.clone())
    }

    /// Which database it runs on.
    pub fn database(&self) -> Database {
        match self.home {
            Home::Folder(_) => Database::Sqlite,
            Home::Schema(_) | Home::Shared(_) => Database::Postgres,
        }
    }

    /// The URL of the database, for tests that go behind the service's back.
    pub fn database_url(&self) -> String {
        self.home.url()
    }

    /// Sets the server's clock, such as to `2026-11-25T09:00:00Z`.
    pub fn set_time(&self, at: &str) {
        let at = at.parse().unwrap_or_else(|e| panic!("{at}: {e}"));
        for clock in [&self.clock, &self.client_clock] {
            if let Clock::Set(clock) = clock {
                clock.set(at);
            }
        }
    }

    /// Moves the server's clock on.
    pub fn advance_minutes(&self, minutes: i64) {
        for clock in [&self.clock, &self.client_clock] {
            if let Clock::Set(clock) = clock {
                clock.advance_ms(minutes * 60_000);
            }
        }
    }
}

fn zone() -> outturn::day::Zone {
    "Europe/Lisbon".parse().expect("a zone")
}

/// What the learner knows follows from the book alone, whatever way it came: one that reads it anew knows the same to the last bit, and so
/// does one that goes on from what was written down, now or earlier.
async fn check_learner(app: &App) {
    app.learned().await;
    let running = app.expect.learner();
    let check = async |how: &str| {
        let other = Expect::open(&*app.store, app.site).await;
        let other = other.expect("a learner").learner();
        assert!(
            running.same_state(&other) && running.image(Vec::new()) == other.image(Vec::new()),
            "the learner that followed the book ({}) is not the one that {how} ({})",
            running.state_key(),
            other.state_key()
        );
    };
    check("goes on from what was written down earlier").await;
    let mut tx = app.store.write().await.expect("a turn");
    let nothing = tx.put_learned(app.site, Vec::new()).await;
    nothing.expect("nothing written down");
    tx.commit().await.expect("a commit");
    check("reads it anew").await;
    let written = app.expect.write(&*app.store, app.site).await;
    written.expect("all written down");
    check("goes on from what was written down").await;
}

impl Deref for Server {
    type Target = Client;

    fn deref(&self) -> &Client {
        &self.client
    }
}
