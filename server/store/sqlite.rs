//! The embedded database: one file, one writer, several readers. An answered write is on disk.

use std::fs::OpenOptions;
use std::ops::{Deref, DerefMut};
use std::path::{Path, PathBuf};
use std::time::Duration;

use async_trait::async_trait;
use sqlx::QueryBuilder;
use sqlx::migrate::Migrator;
use sqlx::sqlite::{
    SqliteConnectOptions, SqliteConnection, SqliteJournalMode, SqlitePool, SqlitePoolOptions,
    SqliteSynchronous,
};

use super::{Commits, Read, Result, Store, StoreError, Write};
use snapshot::Snapshot;
use turn::{Turn, Writer};

mod back;
mod snapshot;
mod turn;

/// This database's driver.
pub type Db = sqlx::Sqlite;
/// What statements are given to, and a transaction of it.
pub type Connection = SqliteConnection;

/// A transaction: a snapshot, or a turn at writing.
#[derive(Debug)]
pub enum Transaction {
    Snapshot(Snapshot),
    Turn(Turn),
}

impl Transaction {
    /// Makes it lasting by statements of which the last is COMMIT.
    async fn commit(self, statements: QueryBuilder<Db>) -> std::result::Result<(), sqlx::Error> {
        match self {
            Self::Snapshot(_) => Ok(()),
            Self::Turn(turn) => turn.commit(statements).await,
        }
    }
}

impl Deref for Transaction {
    type Target = Connection;

    fn deref(&self) -> &Connection {
        match self {
            Self::Snapshot(snapshot) => snapshot,
            Self::Turn(turn) => turn,
        }
    }
}

impl DerefMut for Transaction {
    fn deref_mut(&mut self) -> &mut Connection {
        match self {
            Self::Snapshot(snapshot) => snapshot,
            Self::Turn(turn) => turn,
        }
    }
}

#[path = "sql/mod.rs"]
mod sql;

/// So many statements with their values go to the database's thread at once.
const TOGETHER: usize = 16;

/// SQLite has one writer: the transaction that holds the file holds the head.
const LOCK_HEAD: &str = "
    SELECT size, recorded_at, frontier, root
    FROM log_head
    WHERE site = $1";

/// The transaction that holds the file holds the list of sites.
const LOCK_SITES: &str = "SELECT 1";

/// Before and after the change of a head.
const AROUND_HEAD: [&str; 2] = ["", ""];

/// How long a request waits for its turn to write.
const PATIENCE: Duration = Duration::from_secs(5);
const READERS: u32 = 4;

/// How much of the file a connection keeps in memory, in KiB, less than nothing as SQLite has it. Its own 2 MiB are less than one lot of five years.
const CACHE: &str = "-16384";
/// How many pages may stand beside the database before a commit itself writes them back, 128 MB: only where that is not done in time otherwise.
const BESIDE: &str = "32000";
/// How many bytes of the file beside the database, which grows while somebody reads on and on, stay when its content has been written back.
const MOST_BESIDE: &str = "67108864";
/// How many rows the thread of a connection reads before they are taken from it.
const ROWS_AHEAD: usize = 1_000;

static MIGRATIONS: Migrator = sqlx::migrate!("migrations/sqlite");

/// A file with one who writes and a pool of readers.
#[derive(Debug)]
pub struct Database {
    writer: Writer,
    readers: SqlitePool,
    keeper: sql::Keeper,
    beside: Beside,
}

impl Database {
    /// Opens or makes a file and brings its tables up to date. What an earlier release wrote is copied first, whole, beside the file.
    pub async fn open(file: &str) -> Result<Self> {
        let beside = Beside::of(file);
        let opened = Self::connections(file).await;
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

    async fn connections(file: &str) -> Result<(Writer, SqlitePool)> {
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
        let mut writer = turn::connect(&options).await?;
        keep_as_it_was(&mut writer, Path::new(file)).await?;
        MIGRATIONS.run_direct(None, &mut writer, false).await?;
        // A connection to a file does not go away by itself, so nobody needs to ask it before use.
        let readers = SqlitePoolOptions::new()
            .acquire_timeout(PATIENCE)
            .test_before_acquire(false)
            .max_connections(READERS)
            .connect_with(options.clone().read_only(true))
            .await?;
        let back = back::connect(&options).await?;
        Ok((Writer::of(writer, back, options), readers))
    }
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
async fn keep_as_it_was(writer: &mut SqliteConnection, file: &Path) -> Result<()> {
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
        .execute(&mut *writer)
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
async fn last_migration(writer: &mut SqliteConnection) -> Result<Option<i64>> {
    let tables = "SELECT name FROM sqlite_schema WHERE name = '_sqlx_migrations'";
    let made: Option<String> = sqlx::query_scalar(tables)
        .fetch_optional(&mut *writer)
        .await?;
    if made.is_none() {
        return Ok(None);
    }
    let last = "SELECT MAX(version) FROM _sqlx_migrations";
    Ok(sqlx::query_scalar(last).fetch_one(writer).await?)
}

#[async_trait]
impl Store for Database {
    async fn write(&self) -> Result<Box<dyn Write>> {
        let turn = Transaction::Turn(self.writer.turn().await?);
        Ok(Box::new(sql::Transaction::of(turn, &self.keeper, None)))
    }

    async fn read(&self) -> Result<Box<dyn Read>> {
        let snapshot = Transaction::Snapshot(Snapshot::on(self.readers.acquire().await?));
        let begins = Some("BEGIN");
        Ok(Box::new(sql::Transaction::of(
            snapshot,
            &self.keeper,
            begins,
        )))
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
