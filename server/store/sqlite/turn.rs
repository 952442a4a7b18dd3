//! The turn at writing: one connection, which goes from one who writes to the next without a detour.

use std::ops::{Deref, DerefMut};
use std::sync::Arc;

use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use sqlx::{ConnectOptions, Connection, Error, Executor, QueryBuilder};
use tokio::sync::{Mutex, OwnedMutexGuard, watch};
use tokio::task::JoinHandle;
use tokio::time::timeout;

use super::back::write_back;
use super::{Db, PATIENCE};

type Result<T> = std::result::Result<T, Error>;

/// The connection that writes, and the queue for it.
#[derive(Debug)]
pub struct Writer {
    options: SqliteConnectOptions,
    place: Arc<Mutex<Place>>,
    /// Ends when the place is closed, or gone.
    back: Mutex<Option<JoinHandle<()>>>,
}

/// Where the connection lies while nobody has it.
#[derive(Debug)]
pub struct Place {
    /// None where it was closed: whoever comes next opens it.
    connection: Option<SqliteConnection>,
    /// How many commits there were; none when it stays closed.
    commits: Option<watch::Sender<u64>>,
}

impl Place {
    const fn is_over(&self) -> bool {
        self.commits.is_none()
    }
}

impl Writer {
    /// One with an open connection, with another that writes back what is committed, and with what to open more by.
    pub fn of(
        connection: SqliteConnection,
        back: SqliteConnection,
        options: SqliteConnectOptions,
    ) -> Self {
        let (made, commits) = watch::channel(0);
        let place = Arc::new(Mutex::new(Place {
            connection: Some(connection),
            commits: Some(made),
        }));
        let back = write_back(back, commits, Arc::downgrade(&place));
        Self {
            options,
            place,
            back: Mutex::new(Some(back)),
        }
    }

    /// Waits for the turn, and begins a transaction that holds the file: a plain BEGIN that reads first cannot be raised to a write after another
    /// commit.
    ///
    /// # Errors
    /// [`Error::PoolTimedOut`] when others write for too long; [`Error::PoolClosed`] when it was closed.
    pub async fn turn(&self) -> Result<Turn> {
        let place = timeout(PATIENCE, Arc::clone(&self.place).lock_owned()).await;
        let mut place = place.map_err(|_| Error::PoolTimedOut)?;
        if place.is_over() {
            return Err(Error::PoolClosed);
        }
        let mut connection = match place.connection.take() {
            Some(connection) => connection,
            None => connect(&self.options).await?,
        };
        match connection.execute("BEGIN IMMEDIATE").await {
            Ok(_) => Ok(Turn {
                seat: Some(Seat { connection, place }),
                open: true,
            }),
            // Where the file could only be read when it was opened, SQLite never tries again: the next turn opens another.
            Err(error) => {
                let _ = connection.close().await;
                Err(error)
            }
        }
    }

    /// Closes the connections when the last turn is over. There is no other after it.
    pub async fn close(&self) {
        let mut place = self.place.lock().await;
        place.commits = None;
        if let Some(connection) = place.connection.take() {
            // Whatever it says in going, it is gone.
            let _ = connection.close().await;
        }
        drop(place);
        if let Some(back) = self.back.lock().await.take() {
            // Where it failed, there is nothing to close.
            let _ = back.await;
        }
    }
}

/// Opens a connection that may write.
///
/// # Errors
/// [`Error::PoolTimedOut`] when another program holds the file for too long.
pub async fn connect(options: &SqliteConnectOptions) -> Result<SqliteConnection> {
    let connecting = timeout(PATIENCE, options.connect()).await;
    connecting.map_err(|_| Error::PoolTimedOut)?
}

/// A transaction that writes: undone when it goes, unless it was committed.
#[derive(Debug)]
pub struct Turn {
    /// There until it goes.
    seat: Option<Seat>,
    open: bool,
}

#[derive(Debug)]
struct Seat {
    connection: SqliteConnection,
    place: OwnedMutexGuard<Place>,
}

impl Turn {
    /// Makes it lasting by statements of which the last is COMMIT.
    pub async fn commit(mut self, mut statements: QueryBuilder<Db>) -> Result<()> {
        statements.build().execute(&mut *self).await?;
        self.open = false;
        if let Some(commits) = self
            .seat
            .as_ref()
            .and_then(|seat| seat.place.commits.as_ref())
        {
            commits.send_modify(|made| *made += 1);
        }
        Ok(())
    }
}

impl Deref for Turn {
    type Target = SqliteConnection;

    fn deref(&self) -> &SqliteConnection {
        &self.seat.as_ref().expect("it has not gone").connection
    }
}

impl DerefMut for Turn {
    fn deref_mut(&mut self) -> &mut SqliteConnection {
        &mut self.seat.as_mut().expect("it has not gone").connection
    }
}

impl Drop for Turn {
    fn drop(&mut self) {
        match self.seat.take() {
            Some(seat) if self.open => drop(tokio::spawn(seat.undo())),
            Some(seat) => seat.leave(),
            None => {}
        }
    }
}

impl Seat {
    /// Whoever waits has the turn now.
    fn leave(self) {
        let Self {
            connection,
            mut place,
        } = self;
        place.connection = Some(connection);
    }

    /// Undoes what was begun. Where a disk takes nothing more, SQLite itself has undone it, and says now that there is nothing to undo: such a
    /// connection is closed, and the next turn opens another.
    async fn undo(mut self) {
        match self.connection.execute("ROLLBACK").await {
            Ok(_) => self.leave(),
            Err(_) => drop(self.connection.close().await),
        }
    }
}
