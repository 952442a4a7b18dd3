//! A connection to PostgreSQL that is believed in no longer than it deserves: a host can vanish without closing anything, and the operating system
//! waits a quarter of an hour for it, or for ever.
//!
//! A statement that says nothing for some seconds is asked after on a connection of its own. While it is at work it may take its time; where
//! nobody answers, or nobody there works on it, it is given up and its connection closed. So no question is cut short for being a long one.

use std::io;
use std::ops::{Deref, DerefMut};
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use futures_util::future::{BoxFuture, FutureExt};
use futures_util::stream::{self, BoxStream, StreamExt};
use sqlx::pool::PoolConnection;
use sqlx::postgres::{
    PgConnectOptions, PgConnection, PgPool, PgQueryResult, PgRow, PgStatement, PgTypeInfo,
};
use sqlx::{Connection, Describe, Either, Error, Execute, Executor, QueryBuilder, Row, SqlStr};
use tokio::time::timeout;

use super::Db;

/// A statement that has said nothing for so long is asked after.
const SILENCE: Duration = Duration::from_secs(4);
/// How long a host that is there may take to say so.
const SIGN_OF_LIFE: Duration = Duration::from_secs(2);

type Result<T> = std::result::Result<T, Error>;

/// A connection that waits for nobody who is not there.
#[derive(Debug)]
pub struct Line {
    connection: PoolConnection<Db>,
    worker: Worker,
}

/// Who works on the statements of a connection.
#[derive(Debug)]
struct Worker {
    /// The server's process, once it is known.
    process: Option<i32>,
    options: Arc<PgConnectOptions>,
}

impl Worker {
    /// Waits for an answer as long as there is hope.
    async fn answers<T>(&self, answer: impl Future<Output = T>) -> Result<T> {
        let mut answer = pin!(answer);
        loop {
            if let Ok(answer) = timeout(SILENCE, &mut answer).await {
                return Ok(answer);
            }
            if !self.is_at_work().await {
                // It may have ended just now.
                let last = timeout(SIGN_OF_LIFE, answer).await;
                return last.map_err(|_| silent());
            }
        }
    }

    async fn is_at_work(&self) -> bool {
        match timeout(SIGN_OF_LIFE, self.ask()).await {
            Ok(Ok(at_work)) => at_work,
            // Whoever refuses to talk is there, such as a server that takes no further connection: it is asked again.
            Ok(Err(error)) => error.as_database_error().is_some(),
            Err(_) => false,
        }
    }

    async fn ask(&self) -> Result<bool> {
        let mut beside = PgConnection::connect_with(&self.options).await?;
        let at_work = sqlx::query_scalar(
            "SELECT EXISTS (
                 SELECT
                 FROM pg_stat_activity
                 WHERE pid = $1
                   AND state NOT LIKE 'idle%')",
        )
        .bind(self.process)
        .fetch_one(&mut beside)
        .await;
        // The answer counts, however it takes its leave.
        let _ = beside.close().await;
        at_work
    }
}

fn silent() -> Error {
    io::Error::new(io::ErrorKind::TimedOut, "the host says nothing").into()
}

/// Whether a connection that lay idle is there.
///
/// # Errors
/// [`Error::Io`] when nothing is heard.
pub async fn is_there(connection: &mut PgConnection) -> Result<bool> {
    let ping = timeout(SIGN_OF_LIFE, connection.ping()).await;
    ping.map_err(|_| silent())?.map(|()| true)
}

impl<'c> Executor<'c> for &'c mut Line {
    type Database = Db;

    fn fetch_many<'e, 'q: 'e, E>(
        self,
        query: E,
    ) -> BoxStream<'e, Result<Either<PgQueryResult, PgRow>>>
    where
        'c: 'e,
        E: 'q + Execute<'q, Db>,
    {
        let Line { connection, worker } = self;
        let rows = connection.fetch_many(query);
        stream::unfold(Some(rows), async |rows| {
            let mut rows = rows?;
            match worker.answers(rows.next()).await {
                Ok(row) => Some((row?, Some(rows))),
                Err(error) => Some((Err(error), None)),
            }
        })
        .boxed()
    }

    fn fetch_optional<'e, 'q: 'e, E>(self, query: E) -> BoxFuture<'e, Result<Option<PgRow>>>
    where
        'c: 'e,
        E: 'q + Execute<'q, Db>,
    {
        let Line { connection, worker } = self;
        let row = connection.fetch_optional(query);
        async { worker.answers(row).await? }.boxed()
    }

    fn prepare_with<'e>(
        self,
        sql: SqlStr,
        parameters: &'e [PgTypeInfo],
    ) -> BoxFuture<'e, Result<PgStatement>>
    where
        'c: 'e,
    {
        let Line { connection, worker } = self;
        let statement = connection.prepare_with(sql, parameters);
        async { worker.answers(statement).await? }.boxed()
    }

    fn describe<'e>(self, sql: SqlStr) -> BoxFuture<'e, Result<Describe<Db>>>
    where
        'c: 'e,
    {
        let Line { connection, worker } = self;
        let described = connection.describe(sql);
        async { worker.answers(described).await? }.boxed()
    }
}

/// A transaction: undone when it goes, unless it was committed.
#[derive(Debug)]
pub struct Begun {
    /// There until it goes.
    line: Option<Line>,
    open: bool,
}

impl Begun {
    /// Begins one with statements of which the last answers with the number of the server's process.
    pub async fn with(pool: &PgPool, statements: &'static str) -> Result<Self> {
        let worker = Worker {
            process: None,
            options: pool.connect_options(),
        };
        let line = Line {
            connection: pool.acquire().await?,
            worker,
        };
        let mut begun = Self {
            line: Some(line),
            open: true,
        };
        let process = begun.fetch_one(statements).await?.try_get(0)?;
        begun.worker.process = Some(process);
        Ok(begun)
    }

    /// Makes it lasting by a statement, COMMIT.
    pub async fn commit(mut self, mut statement: QueryBuilder<Db>) -> Result<()> {
        statement.build().execute(&mut *self).await?;
        self.open = false;
        Ok(())
    }
}

impl Deref for Begun {
    type Target = Line;

    fn deref(&self) -> &Line {
        self.line.as_ref().expect("it has not gone")
    }
}

impl DerefMut for Begun {
    fn deref_mut(&mut self) -> &mut Line {
        self.line.as_mut().expect("it has not gone")
    }
}

impl Drop for Begun {
    fn drop(&mut self) {
        if let Some(line) = self.line.take() {
            tokio::spawn(give_back(line.connection, self.open));
        }
    }
}

/// Gives a connection back to its pool, which would wait for its last answer without end; one that does not answer is closed, and whatever was open
/// on it is undone at the other end.
async fn give_back(mut connection: PoolConnection<Db>, open: bool) {
    if open {
        let undone = timeout(SIGN_OF_LIFE, connection.execute("ROLLBACK")).await;
        if !matches!(undone, Ok(Ok(_))) {
            drop(connection.detach());
            return;
        }
    }
    let _ = timeout(SIGN_OF_LIFE, connection.return_to_pool()).await;
}
