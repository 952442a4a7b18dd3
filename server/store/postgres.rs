//! PostgreSQL, where several servers share one book.

use std::time::Duration;

use async_trait::async_trait;
use futures_util::stream;
use sqlx::Connection;
use sqlx::postgres::{PgConnection, PgListener, PgPool, PgPoolOptions};
use tokio::time::{sleep, timeout};

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
/// How long a connection may take to say that it is there. A host that vanishes says nothing at all, and the operating system believes
/// in it for many minutes.
const SIGN_OF_LIFE: Duration = Duration::from_secs(2);
/// How long to wait before listening again.
const AGAIN: Duration = Duration::from_secs(1);
/// After so long without a word, listening begins anew: nobody may be there any more.
const SILENCE: Duration = Duration::from_mins(1);

/// For requests. What listens for commits has a connection of its own: where its host has vanished, nobody waits for it.
const CONNECTIONS: u32 = 8;

/// One pool of connections.
#[derive(Debug)]
pub struct Database {
    pool: PgPool,
    url: String,
}

impl Database {
    /// Connects and brings the tables up to date.
    pub async fn open(url: &str) -> Result<Self> {
        let pool = PgPoolOptions::new()
            .max_connections(CONNECTIONS)
            .acquire_timeout(PATIENCE)
            .test_before_acquire(false)
            .before_acquire(|connection, _| Box::pin(answers(connection)))
            .after_release(|connection, _| Box::pin(answers(connection)))
            .connect(url)
            .await?;
        sqlx::migrate!("migrations/postgres").run(&pool).await?;
        Ok(Self {
            pool,
            url: url.to_owned(),
        })
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
        let listening = Listening {
            listener: Some(listen(&self.url).await?),
            url: self.url.clone(),
        };
        Ok(Box::pin(stream::unfold(listening, next_commit)))
    }

    async fn close(&self) {
        self.pool.close().await;
    }
}

/// Whether a connection answers in time; one that does not is thrown away.
async fn answers(connection: &mut PgConnection) -> std::result::Result<bool, sqlx::Error> {
    match timeout(SIGN_OF_LIFE, connection.ping()).await {
        Ok(answer) => answer.map(|()| true),
        Err(_) => Err(sqlx::Error::PoolTimedOut),
    }
}

/// What listens for commits, while it can.
struct Listening {
    url: String,
    listener: Option<PgListener>,
}

async fn listen(url: &str) -> std::result::Result<PgListener, sqlx::Error> {
    let connected = timeout(PATIENCE, PgListener::connect(url)).await;
    let mut listener = connected.map_err(|_| sqlx::Error::PoolTimedOut)??;
    listener.listen(CHANNEL).await?;
    Ok(listener)
}

/// Waits for word of a commit. A word can be lost with its connection, so whatever happens to that counts as one.
async fn next_commit(mut listening: Listening) -> Option<((), Listening)> {
    let Some(listener) = &mut listening.listener else {
        match listen(&listening.url).await {
            Ok(listener) => listening.listener = Some(listener),
            Err(_) => sleep(AGAIN).await,
        }
        return Some(((), listening));
    };
    match timeout(SILENCE, listener.try_recv()).await {
        Ok(Ok(_)) => {}
        Ok(Err(_)) => sleep(AGAIN).await,
        Err(_) => listening.listener = None,
    }
    Some(((), listening))
}
