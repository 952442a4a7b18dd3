//! The embedded database: one file, one writer, several readers. An answered write is on disk.

use std::time::Duration;

use async_trait::async_trait;
use sqlx::sqlite::{
    SqliteConnectOptions, SqliteJournalMode, SqlitePool, SqlitePoolOptions, SqliteSynchronous,
};

use super::{Commits, Read, Result, Store, StoreError, Write};

/// This database's driver.
pub type Db = sqlx::Sqlite;

#[path = "sql/mod.rs"]
mod sql;

/// SQLite has one writer: the transaction that holds the file holds the head.
const LOCK_HEAD: &str = "
    SELECT size, recorded_at, frontier, root
    FROM log_head
    WHERE site = $1";

const UPDATE_HEAD: &str = "
    UPDATE log_head
    SET size = $2, recorded_at = $3, frontier = $4, root = $5
    WHERE site = $1";

/// How long a request waits for its turn to write.
const PATIENCE: Duration = Duration::from_secs(5);
const READERS: u32 = 4;

/// A file with a pool of one writer and one of readers.
#[derive(Debug)]
pub struct Database {
    writer: SqlitePool,
    readers: SqlitePool,
}

impl Database {
    /// Opens or makes a file and brings its tables up to date.
    pub async fn open(file: &str) -> Result<Self> {
        let options = SqliteConnectOptions::new()
            .filename(file)
            .create_if_missing(true)
            .busy_timeout(PATIENCE)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .foreign_keys(true);
        // A connection to a file does not go away by itself, so nobody needs to ask it before use.
        let pool = SqlitePoolOptions::new()
            .acquire_timeout(PATIENCE)
            .test_before_acquire(false);
        let writer = pool
            .clone()
            .max_connections(1)
            .connect_with(options.clone())
            .await?;
        sqlx::migrate!("migrations/sqlite")
            .run(&writer)
            .await
            .map_err(|e| StoreError::Database(e.to_string()))?;
        let readers = pool
            .max_connections(READERS)
            .connect_with(options.read_only(true))
            .await?;
        Ok(Self { writer, readers })
    }
}

#[async_trait]
impl Store for Database {
    async fn write(&self) -> Result<Box<dyn Write>> {
        // A plain BEGIN that reads first cannot be raised to a write after another commit.
        let tx = self.writer.begin_with("BEGIN IMMEDIATE").await?;
        Ok(Box::new(sql::Transaction::of(tx)))
    }

    async fn read(&self) -> Result<Box<dyn Read>> {
        Ok(Box::new(sql::Transaction::of(self.readers.begin().await?)))
    }

    /// One process serves a file.
    async fn commits(&self) -> Result<Commits> {
        Ok(Box::pin(futures_util::stream::pending()))
    }

    async fn close(&self) {
        self.readers.close().await;
        self.writer.close().await;
    }
}
