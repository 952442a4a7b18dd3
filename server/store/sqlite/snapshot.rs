//! A snapshot: what stands in the file at one moment.

use std::ops::{Deref, DerefMut};

use sqlx::Executor;
use sqlx::pool::PoolConnection;
use sqlx::sqlite::SqliteConnection;

use super::Db;

/// A transaction that reads. What it is of is given back when it goes.
#[derive(Debug)]
pub struct Snapshot {
    /// There until it goes.
    connection: Option<PoolConnection<Db>>,
}

impl Snapshot {
    /// One on a connection, on which it is still to be begun.
    pub const fn on(connection: PoolConnection<Db>) -> Self {
        Self {
            connection: Some(connection),
        }
    }
}

impl Deref for Snapshot {
    type Target = SqliteConnection;

    fn deref(&self) -> &SqliteConnection {
        self.connection.as_ref().expect("it has not gone")
    }
}

impl DerefMut for Snapshot {
    fn deref_mut(&mut self) -> &mut SqliteConnection {
        self.connection.as_mut().expect("it has not gone")
    }
}

impl Drop for Snapshot {
    fn drop(&mut self) {
        if let Some(mut connection) = self.connection.take() {
            tokio::spawn(async move {
                // One of which nothing was asked was never begun.
                let _ = connection.execute("ROLLBACK").await;
            });
        }
    }
}
