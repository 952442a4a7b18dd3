//! The embedded database: one file, one writer, several readers. An answered write is on disk.

use std::path::{Path, PathBuf};
use std::time::Duration;

use async_trait::async_trait;
use sqlx::migrate::Migrator;
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

static MIGRATIONS: Migrator = sqlx::migrate!("migrations/sqlite");

/// A file with a pool of one writer and one of readers.
#[derive(Debug)]
pub struct Database {
    writer: SqlitePool,
    readers: SqlitePool,
}

impl Database {
    /// Opens or makes a file and brings its tables up to date. What an earlier release wrote is copied first, whole, beside the file.
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
        keep_as_it_was(&writer, Path::new(file)).await?;
        MIGRATIONS
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

/// Copies a file whose tables this release will change, so that whoever goes back to the release before loses nothing: `book.sqlite` of
/// migration 7 as `book.sqlite.0007`. The copy bears its name only when it is whole and on disk. Where it cannot be made, nothing is changed.
async fn keep_as_it_was(writer: &SqlitePool, file: &Path) -> Result<()> {
    let Some(done) = last_migration(writer).await? else {
        return Ok(());
    };
    if MIGRATIONS.iter().all(|known| known.version <= done) {
        return Ok(());
    }
    let beside = |ending: &str| -> PathBuf {
        let mut name = file.as_os_str().to_owned();
        name.push(ending);
        name.into()
    };
    let (copy, part) = (
        beside(&format!(".{done:04}")),
        beside(&format!(".{done:04}.part")),
    );
    let wrong = |why: &dyn std::fmt::Display| {
        StoreError::Database(format!(
            "the tables are not brought up to date, since {} cannot be written: {why}",
            copy.display()
        ))
    };
    // What is there was cut off earlier, and SQLite writes no copy over a file.
    let _ = std::fs::remove_file(&part);
    sqlx::query("VACUUM INTO $1")
        .bind(part.to_string_lossy())
        .execute(writer)
        .await
        .map_err(|e| wrong(&e))?;
    let on_disk = std::fs::File::open(&part).and_then(|file| file.sync_all());
    on_disk
        .and_then(|()| std::fs::rename(&part, &copy))
        .map_err(|e| wrong(&e))?;
    tracing::info!(copy = %copy.display(), "the book was copied before its tables are brought up to date");
    Ok(())
}

/// The last migration that was made; none of a new file.
async fn last_migration(writer: &SqlitePool) -> Result<Option<i64>> {
    let tables = "SELECT name FROM sqlite_schema WHERE name = '_sqlx_migrations'";
    let made: Option<String> = sqlx::query_scalar(tables).fetch_optional(writer).await?;
    if made.is_none() {
        return Ok(None);
    }
    let last = "SELECT MAX(version) FROM _sqlx_migrations";
    Ok(sqlx::query_scalar(last).fetch_one(writer).await?)
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
