//! PostgreSQL, where several servers share one book.

use std::time::Duration;

use async_trait::async_trait;
use sqlx::postgres::{PgPool, PgPoolOptions};

use super::{Read, Result, Store, StoreError, Write};

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

/// How long a request waits for a connection.
const PATIENCE: Duration = Duration::from_secs(5);

/// One pool of connections.
#[derive(Debug)]
pub struct Database {
    pool: PgPool,
}

impl Database {
    /// Connects and brings the tables up to date.
    pub async fn open(url: &str) -> Result<Self> {
        let pool = PgPoolOptions::new()
            .max_connections(8)
            .acquire_timeout(PATIENCE)
            .connect(url)
            .await?;
        sqlx::migrate!("migrations/postgres")
            .run(&pool)
            .await
            .map_err(|e| StoreError::Database(e.to_string()))?;
        Ok(Self { pool })
    }
}

#[async_trait]
impl Store for Database {
    async fn write(&self) -> Result<Box<dyn Write>> {
        Ok(Box::new(self.pool.begin().await?))
    }

    async fn read(&self) -> Result<Box<dyn Read>> {
        Ok(Box::new(
            self.pool
                .begin_with("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
                .await?,
        ))
    }

    async fn close(&self) {
        self.pool.close().await;
    }
}
