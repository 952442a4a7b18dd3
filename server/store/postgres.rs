//! PostgreSQL, where several servers share one book.

use std::time::Duration;

use async_trait::async_trait;
use futures_util::stream;
use sqlx::postgres::{PgListener, PgPool, PgPoolOptions};

use super::{Commits, Read, Result, Store, Write};

/// This database's driver.
pub type Db = sqlx::Postgres;

#[path = "sql/mod.rs"]
mod sql;

/// Whoever writes to a site waits here for the one before.
const LOCK_HEAD: &str = "
    SELECT size, recorded_at, frontier, root
    FROM log_head
    WHERE site = $1
    FOR UPDATE";

/// Two servers that start together on an empty database found one site. Who reads does not wait.
const LOCK_SITES: &str = "LOCK TABLE log_head IN EXCLUSIVE MODE";

/// Whoever listens hears of it when it is committed.
const UPDATE_HEAD: &str = "
    WITH head AS (
        UPDATE log_head
        SET size = $2, recorded_at = $3, frontier = $4, root = $5
        WHERE site = $1
        RETURNING site)
    SELECT pg_notify('outturn_head', CAST(site AS TEXT))
    FROM head";
const CHANNEL: &str = "outturn_head";

/// How long a request waits for a connection.
const PATIENCE: Duration = Duration::from_secs(5);
/// How long to wait before listening again.
const AGAIN: Duration = Duration::from_secs(1);

/// Eight for requests and one that listens.
const CONNECTIONS: u32 = 9;

/// One pool of connections.
#[derive(Debug)]
pub struct Database {
    pool: PgPool,
}

impl Database {
    /// Connects and brings the tables up to date.
    pub async fn open(url: &str) -> Result<Self> {
        let pool = PgPoolOptions::new()
            .max_connections(CONNECTIONS)
            .acquire_timeout(PATIENCE)
            .connect(url)
            .await?;
        sqlx::migrate!("migrations/postgres").run(&pool).await?;
        Ok(Self { pool })
    }
}

#[async_trait]
impl Store for Database {
    async fn write(&self) -> Result<Box<dyn Write>> {
        Ok(Box::new(sql::Transaction::of(self.pool.begin().await?)))
    }

    async fn read(&self) -> Result<Box<dyn Read>> {
        let snapshot = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY";
        let tx = self.pool.begin_with(snapshot).await?;
        Ok(Box::new(sql::Transaction::of(tx)))
    }

    async fn commits(&self) -> Result<Commits> {
        let mut listener = PgListener::connect_with(&self.pool).await?;
        listener.listen(CHANNEL).await?;
        Ok(Box::pin(stream::unfold(listener, next_commit)))
    }

    async fn close(&self) {
        self.pool.close().await;
    }
}

/// Waits for word of a commit; none when the pool is closed, which waits for the listener to let go.
async fn next_commit(mut listener: PgListener) -> Option<((), PgListener)> {
    match listener.try_recv().await {
        Err(sqlx::Error::PoolClosed) => return None,
        Err(_) => tokio::time::sleep(AGAIN).await,
        // A lost connection (no notification) may have lost a word with it, so it counts as one.
        Ok(_) => {}
    }
    Some(((), listener))
}
