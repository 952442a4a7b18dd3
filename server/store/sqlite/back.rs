//! What commits left beside the file is written back into it, while others write.
//!
//! SQLite has the commit that fills the file beside the database write all of it back, and whoever writes next waits for that too. Here it is
//! done on a connection of its own: most of it beside the commits to come, then what these have left meanwhile, and while nobody commits only
//! the last of it, so that the file beside begins anew and does not grow.

use std::sync::Weak;
use std::time::Duration;

use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use sqlx::{Connection, Error};
use tokio::sync::{Mutex, watch};
use tokio::task::JoinHandle;

use super::turn::{self, Place};

/// So many commits are written back at once. A weigh-out leaves some 35 pages.
const AT_ONCE: u64 = 200;
/// Where somebody still read what was there before, it is tried again after so many more.
const AGAIN: u64 = 10;

/// Opens a connection that writes back. It waits for nobody.
///
/// # Errors
/// As [`turn::connect`].
pub async fn connect(options: &SqliteConnectOptions) -> Result<SqliteConnection, Error> {
    turn::connect(&options.clone().busy_timeout(Duration::ZERO)).await
}

/// Writes back until nobody can commit any more.
pub fn write_back(
    connection: SqliteConnection,
    commits: watch::Receiver<u64>,
    place: Weak<Mutex<Place>>,
) -> JoinHandle<()> {
    tokio::spawn(run(connection, commits, place))
}

async fn run(
    mut connection: SqliteConnection,
    mut commits: watch::Receiver<u64>,
    place: Weak<Mutex<Place>>,
) {
    let mut due = AT_ONCE;
    while let Ok(made) = commits
        .wait_for(|made| *made >= due)
        .await
        .map(|made| *made)
    {
        let begins_anew = all_of_it(&mut connection, &place).await;
        if let Err(error) = &begins_anew {
            tracing::warn!(%error, "what was committed could not be written back yet");
        }
        let wait = if let Ok(false) = begins_anew {
            AGAIN
        } else {
            AT_ONCE
        };
        due = made + wait;
    }
    // Whatever it says in going, it is gone.
    let _ = connection.close().await;
}

/// Answers whether the file beside begins anew with the next commit; it does not where somebody still reads what was there before.
async fn all_of_it(
    connection: &mut SqliteConnection,
    place: &Weak<Mutex<Place>>,
) -> Result<bool, Error> {
    // Where a commit came meanwhile, the first has not made the database lasting. The second has little to write, and mostly does.
    checkpoint(connection, "PRAGMA wal_checkpoint(PASSIVE)").await?;
    checkpoint(connection, "PRAGMA wal_checkpoint(PASSIVE)").await?;
    let Some(place) = place.upgrade() else {
        return Ok(true);
    };
    let _nobody_commits = place.lock().await;
    let busy = checkpoint(connection, "PRAGMA wal_checkpoint(RESTART)").await?;
    Ok(busy == 0)
}

/// Writes back what nobody reads as it was. Answers whether somebody was in the way.
async fn checkpoint(connection: &mut SqliteConnection, how: &'static str) -> Result<i64, Error> {
    sqlx::query_scalar(how).fetch_one(connection).await
}
