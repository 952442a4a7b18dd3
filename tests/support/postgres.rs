//! A fresh schema on the PostgreSQL server that the tests are given.

use sqlx::{AssertSqlSafe, Connection, PgConnection};

/// A schema of its own for one test, so that tests share a server and nothing else.
#[derive(Debug, Clone)]
pub struct Schema {
    server: String,
    name: String,
}

impl Schema {
    /// Makes it, empty. `name` must be of lower-case letters, digits and underscores.
    ///
    /// # Panics
    /// Without a server, with what to do.
    pub async fn create(name: String) -> Self {
        let server = std::env::var("OUTTURN_TEST_POSTGRES").unwrap_or_else(|_| {
            panic!(
                "this test needs PostgreSQL: run `bash tests/run`, which starts one of its own, or put the URL of a database in OUTTURN_TEST_POSTGRES"
            )
        });
        Self::on(server, &name).await
    }

    /// Makes it on a server of the test's own.
    pub async fn on(server: String, name: &str) -> Self {
        let name = name.to_owned();
        let schema = Self { server, name };
        schema.order("CREATE SCHEMA").await;
        schema
    }

    /// The same as it lies on another server.
    pub fn at(&self, server: String) -> Self {
        let name = self.name.clone();
        Self { server, name }
    }

    /// The URL under which only this schema is seen.
    pub fn url(&self) -> String {
        let mark = if self.server.contains('?') { '&' } else { '?' };
        format!(
            "{}{mark}options=-c%20search_path%3D{}",
            self.server, self.name
        )
    }

    /// Removes it with all that is in it.
    pub async fn drop(self) {
        self.order("DROP SCHEMA").await;
    }

    async fn order(&self, what: &str) {
        let mut connection = PgConnection::connect(&self.server)
            .await
            .unwrap_or_else(|e| panic!("{} does not answer: {e}", self.server));
        let end = if what.starts_with("DROP") {
            " CASCADE"
        } else {
            ""
        };
        // The name is the harness's own; no text of a user can get here.
        let text = format!("{what} {}{end}", self.name);
        sqlx::query(AssertSqlSafe(text.clone()))
            .execute(&mut connection)
            .await
            .unwrap_or_else(|e| panic!("{text}: {e}"));
        let _ = connection.close().await;
    }
}
