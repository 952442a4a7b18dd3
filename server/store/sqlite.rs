//! The embedded database: one file, one writer, several readers. An answered write is on disk.

use std::fs::OpenOptions;
use std::path::{Path, PathBuf};
use std::time::Duration;

use async_trait::async_trait;
use sqlx::Connection as _;
use sqlx::migrate::Migrator;
use sqlx::sqlite::{
    SqliteConnectOptions, SqliteConnection, SqliteJournalMode, SqlitePool, SqlitePoolOptions,
    SqliteSynchronous,
};

use super::{Commits, Read, Result, Store, StoreError, Write};

/// This database's driver.
pub type Db = sqlx::Sqlite;
/// What statements are given to, and a transaction of it.
pub type Connection = SqliteConnection;
pub type Transaction = sqlx::Transaction<'static, Db>;

#[path = "sql/mod.rs"]
mod sql;

/// SQLite has one writer: the transaction that holds the file holds the head.
const LOCK_HEAD: &str = "
    SELECT size, recorded_at, frontier, root
    FROM log_head
    WHERE site = $1";

/// The transaction that holds the file holds the list of sites.
const LOCK_SITES: &str = "SELECT 1";

const UPDATE_HEAD: &str = "
    UPDATE log_head
    SET size = $2, recorded_at = $3, frontier = $4, root = $5
    WHERE site = $1";

/// How long a request waits for its turn to write.
const PATIENCE: Duration = Duration::from_secs(5);
const READERS: u32 = 4;

/// How much of the file a connection keeps in memory, in KiB, less than nothing as SQLite has it. Its own 2 MiB are less than one lot of five years.
const CACHE: &str = "-16384";
/// How many pages stand beside the database before a commit writes them into it, 32 MB. A weigh-out makes some 35, and SQLite's own 1,000 would
/// have one commit in thirty wait for that.
const BESIDE: &str = "8000";
/// How many bytes of the file beside the database, which grows while somebody reads on and on, stay when its content has been written back.
const MOST_BESIDE: &str = "67108864";
/// How many rows the thread of a connection reads before they are taken from it.
const ROWS_AHEAD: usize = 1_000;

static MIGRATIONS: Migrator = sqlx::migrate!("migrations/sqlite");

/// A file with a pool of one writer and one of readers.
#[derive(Debug)]
pub struct Database {
    writer: SqlitePool,
    readers: SqlitePool,
    keeper: sql::Keeper,
    beside: Beside,
}

impl Database {
    /// Opens or makes a file and brings its tables up to date. What an earlier release wrote is copied first, whole, beside the file.
    pub async fn open(file: &str) -> Result<Self> {
        let beside = Beside::of(file);
        let opened = Self::pools(file).await;
        if opened.is_err() {
            beside.tidy();
        }
        let (writer, readers) = opened?;
        Ok(Self {
            writer,
            readers,
            keeper: sql::Keeper::default(),
            beside,
        })
    }

    /// Closes the connection that writes, so that the next who writes opens another: where the file could only be read when it was opened, SQLite
    /// never tries again.
    async fn open_anew(&self) {
        if let Ok(connection) = self.writer.acquire().await {
            // Whatever it says in going, it is gone.
            let _ = connection.close().await;
        }
    }

    async fn pools(file: &str) -> Result<(SqlitePool, SqlitePool)> {
        let options = SqliteConnectOptions::new()
            .filename(file)
            .create_if_missing(true)
            .busy_timeout(PATIENCE)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .foreign_keys(true)
            .pragma("cache_size", CACHE)
            .pragma("wal_autocheckpoint", BESIDE)
            .pragma("journal_size_limit", MOST_BESIDE)
            .row_buffer_size(ROWS_AHEAD);
        // A connection to a file does not go away by itself, so nobody needs to ask it before use.
        let pool = SqlitePoolOptions::new()
            .acquire_timeout(PATIENCE)
            .test_before_acquire(false)
            .after_release(|connection, _| Box::pin(is_free(connection)));
        let writer = pool
            .clone()
            .max_connections(1)
            .connect_with(options.clone())
            .await?;
        keep_as_it_was(&writer, Path::new(file)).await?;
        MIGRATIONS.run(&writer).await?;
        let readers = pool
            .max_connections(READERS)
            .connect_with(options.read_only(true))
            .await?;
        Ok((writer, readers))
    }
}

/// Whether a connection that comes back can be used again. Where a disk takes nothing more, SQLite itself takes a transaction back, and the driver
/// goes on believing that one is open: such a connection is closed, and the next use opens another.
async fn is_free(connection: &mut SqliteConnection) -> std::result::Result<bool, sqlx::Error> {
    if connection.is_in_transaction() {
        // A dropped transaction is taken back by the driver's thread, which answers this afterwards.
        connection.ping().await?;
    }
    Ok(!connection.is_in_transaction())
}

/// The files that SQLite keeps beside a database. It gives them the rights of the database, so that those made beside one that may not be written
/// would keep it so when the rights are put right.
#[derive(Debug)]
struct Beside {
    file: PathBuf,
    wal: PathBuf,
    shared: PathBuf,
    /// Whether there were none before.
    new: bool,
}

impl Beside {
    fn of(file: &str) -> Self {
        let [wal, shared] = ["-wal", "-shm"].map(|end| PathBuf::from(format!("{file}{end}")));
        let new = !wal.exists() && !shared.exists();
        let file = PathBuf::from(file);
        Self {
            file,
            wal,
            shared,
            new,
        }
    }

    /// Removes those that were made here for nothing. Nothing of ours has the database open any more: to open it otherwise and let go of it
    /// would let go of SQLite's locks too.
    fn tidy(&self) {
        let denied = || OpenOptions::new().write(true).open(&self.file).is_err();
        let empty = || std::fs::metadata(&self.wal).is_ok_and(|about| about.len() == 0);
        if self.new && empty() && denied() {
            for file in [&self.shared, &self.wal] {
                // That it cannot be removed leaves things as they are.
                let _ = std::fs::remove_file(file);
            }
        }
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
        let begun = self.writer.begin_with("BEGIN IMMEDIATE").await;
        let begun = begun.map_err(StoreError::from);
        if let Err(StoreError::ReadOnly(_)) = begun {
            self.open_anew().await;
        }
        Ok(Box::new(sql::Transaction::of(begun?, &self.keeper)))
    }

    async fn read(&self) -> Result<Box<dyn Read>> {
        let begun = self.readers.begin().await?;
        Ok(Box::new(sql::Transaction::of(begun, &self.keeper)))
    }

    /// One process serves a file.
    async fn commits(&self) -> Result<Commits> {
        Ok(Box::pin(futures_util::stream::pending()))
    }

    async fn close(&self) {
        self.readers.close().await;
        self.writer.close().await;
        self.beside.tidy();
    }
}
