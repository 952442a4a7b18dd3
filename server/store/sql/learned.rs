//! Queries of what was learned.

use async_trait::async_trait;

use super::super::super::{ReadLearned, Result, WriteLearned};
use super::Transaction;
use crate::ids::SiteId;

#[async_trait]
impl ReadLearned for Transaction {
    async fn learned(&mut self, site: SiteId) -> Result<Option<Vec<u8>>> {
        let found = sqlx::query_scalar(
            "SELECT image
             FROM learned
             WHERE site = $1",
        )
        .bind(site.0)
        .fetch_optional(self.now().await?)
        .await?;
        Ok(found)
    }
}

#[async_trait]
impl WriteLearned for Transaction {
    async fn put_learned(&mut self, site: SiteId, image: Vec<u8>) -> Result<()> {
        sqlx::query(
            "INSERT INTO learned (site, image)
             VALUES ($1, $2)
             ON CONFLICT (site) DO UPDATE
             SET image = excluded.image",
        )
        .bind(site.0)
        .bind(image)
        .execute(self.now().await?)
        .await?;
        Ok(())
    }
}
