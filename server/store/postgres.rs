//! PostgreSQL, where several servers share one book.

use std::time::Duration;

use async_trait::async_trait;
use futures_util::stream;
use sqlx::Executor;
use sqlx::postgres::{PgListener, PgPool, PgPoolOptions};
use tokio::time::{sleep, timeout};

use super::{Commits, Read, Result, Store, StoreError, Write};
use line::{Begun, Line, is_there};

mod line;

/// This database's driver.
pub type Db = sqlx::Postgres;
/// What statements are given to, and a transaction of it.
pub type Connection = Line;
pub type Transaction = Begun;

#[path = "sql/mod.rs"]
mod sql;

/// A statement with values goes alone.
const TOGETHER: usize = 1;

/// Whoever writes to a site waits here for the one before.
const LOCK_HEAD: &str = "
    SELECT size, recorded_at, frontier, root
    FROM log_head
    WHERE site = $1
    FOR UPDATE";

/// Two servers that start together on an empty database found one site. Who reads does not wait.
const LOCK_SITES: &str = "LOCK TABLE log_head IN EXCLUSIVE MODE";

/// Before and after the change of a head: whoever listens hears of it when it is committed.
const AROUND_HEAD: [&str; 2] = [
    "WITH head AS (",
    " RETURNING site)
    SELECT pg_notify('outturn_head', CAST(site AS TEXT))
    FROM head",
];
const CHANNEL: &str = "outturn_head";

/// The server gives up a connection of which it has heard nothing for half a minute: it would keep a place, and what is locked, for nobody.
const HALF_A_MINUTE: &str = "
    SET tcp_keepalives_idle = 15;
    SET tcp_keepalives_interval = 5;
    SET tcp_keepalives_count = 3;
    SET tcp_user_timeout = 30000";
/// Whoever waits for a turn in vain is told so, and nobody keeps a turn without using it.
const WRITE: &str = "
    BEGIN;
    SET LOCAL lock_timeout = '5s';
    SET LOCAL idle_in_transaction_session_timeout = '30s';
    SELECT pg_backend_pid()";
const READ: &str = "
    BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY;
    SELECT pg_backend_pid()";

/// How long a request waits for a connection.
const PATIENCE: Duration = Duration::from_secs(5);
/// How long to wait before listening again.
const AGAIN: Duration = Duration::from_secs(1);
/// After so long without a word listening begins anew: who would speak may be gone.
const SILENCE: Duration = Duration::from_mins(1);

/// For who reads, and for who writes: those who wait for their turn keep no reader waiting. What listens has a connection of its own.
const READERS: u32 = 5;
const WRITERS: u32 = 3;

/// Two pools of connections.
#[derive(Debug)]
pub struct Database {
    readers: PgPool,
    writers: PgPool,
    keeper: sql::Keeper,
    url: String,
}

impl Database {
    /// Connects and brings the tables up to date.
    pub async fn open(url: &str) -> Result<Self> {
        let writers = pool(WRITERS).connect(url).await?;
        sqlx::migrate!("migrations/postgres").run(&writers).await?;
        Ok(Self {
            readers: pool(READERS).connect_lazy(url)?,
            writers,
            keeper: sql::Keeper::default(),
            url: url.to_owned(),
        })
    }
}

fn pool(connections: u32) -> PgPoolOptions {
    PgPoolOptions::new()
        .max_connections(connections)
        .acquire_timeout(PATIENCE)
        .after_connect(|connection, _| {
            Box::pin(async { connection.execute(HALF_A_MINUTE).await.map(drop) })
        })
        .test_before_acquire(false)
        .before_acquire(|connection, _| Box::pin(is_there(connection)))
}

async fn begin(
    pool: &PgPool,
    statements: &'static str,
    keeper: &sql::Keeper,
) -> Result<sql::Transaction> {
    match Begun::with(pool, statements).await {
        // There was room for a connection, and none could be made.
        Err(sqlx::Error::PoolTimedOut) if pool.size() < pool.options().get_max_connections() => {
            Err(StoreError::Away("no connection in time".to_owned()))
        }
        begun => Ok(sql::Transaction::of(begun?, keeper, None)),
    }
}

#[async_trait]
impl Store for Database {
    async fn write(&self) -> Result<Box<dyn Write>> {
        Ok(Box::new(begin(&self.writers, WRITE, &self.keeper).await?))
    }

    async fn read(&self) -> Result<Box<dyn Read>> {
        Ok(Box::new(begin(&self.readers, READ, &self.keeper).await?))
    }

    async fn commits(&self) -> Result<Commits> {
        let listening = Listening {
            listener: Some(listen(&self.url).await?),
            url: self.url.clone(),
        };
        Ok(Box::pin(stream::unfold(listening, next_commit)))
    }

    async fn close(&self) {
        // Connections end with the process, whoever still uses one.
        let closing = async { tokio::join!(self.readers.close(), self.writers.close()) };
        let _ = timeout(PATIENCE, closing).await;
    }
}

/// What listens for commits, while it can.
struct Listening {
    url: String,
    listener: Option<PgListener>,
}

async fn listen(url: &str) -> std::result::Result<PgListener, sqlx::Error> {
    let listening = async {
        let mut listener = PgListener::connect(url).await?;
        listener.listen(CHANNEL).await?;
        Ok(listener)
    };
    let listening = timeout(PATIENCE, listening).await;
    listening.unwrap_or(Err(sqlx::Error::PoolTimedOut))
}

/// Waits for word of a commit. A word can be lost with its connection, so whatever happens to that counts as one.
async fn next_commit(mut listening: Listening) -> Option<((), Listening)> {
    match &mut listening.listener {
        Some(listener) => match timeout(SILENCE, listener.try_recv()).await {
            Ok(Ok(_)) => {}
            Ok(Err(_)) => sleep(AGAIN).await,
            Err(_) => listening.listener = None,
        },
        None => match listen(&listening.url).await {
            Ok(listener) => listening.listener = Some(listener),
            Err(_) => sleep(AGAIN).await,
        },
    }
    Some(((), listening))
}
