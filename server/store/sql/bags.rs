//! Queries of bags packed and shipped.

use async_trait::async_trait;
use sqlx::QueryBuilder;
use uuid::Uuid;

use super::super::super::{BagsRow, BagsSum, ReadBags, Result, WriteBags};
use super::{Db, Transaction, number};
use crate::ids::{OrderId, PostingId, ProductId, SiteId};

#[async_trait]
impl ReadBags for Transaction {
    async fn bags_of_orders(&mut self, site: SiteId, orders: &[OrderId]) -> Result<Vec<BagsSum>> {
        if orders.is_empty() {
            return Ok(Vec::new());
        }
        let mut query = QueryBuilder::<Db>::new(
            "SELECT bags.for_order, bags.product, posting.kind, CAST(SUM(bags.bags) AS BIGINT)
             FROM bags
             JOIN posting ON posting.id = bags.posting
             LEFT JOIN posting AS undo ON undo.reverses = posting.id
             WHERE undo.id IS NULL AND posting.site = ",
        );
        query.push_bind(site.0).push(" AND bags.for_order IN (");
        let mut list = query.separated(", ");
        for order in orders {
            list.push_bind(order.0);
        }
        query.push(") GROUP BY bags.for_order, bags.product, posting.kind ORDER BY 1, 2, 3");
        let rows: Vec<(Uuid, Uuid, String, i64)> =
            query.build_query_as().fetch_all(&mut **self).await?;
        let sum = |(order, product, kind, bags)| BagsSum {
            order: OrderId(order),
            product: ProductId(product),
            kind,
            bags,
        };
        Ok(rows.into_iter().map(sum).collect())
    }

    async fn packings_of_order(&mut self, site: SiteId, order: OrderId) -> Result<Vec<PostingId>> {
        let rows: Vec<Uuid> = sqlx::query_scalar(
            "SELECT DISTINCT posting.id
             FROM bags
             JOIN posting ON posting.id = bags.posting
             LEFT JOIN posting AS undo ON undo.reverses = posting.id
             WHERE undo.id IS NULL AND posting.site = $1 AND bags.for_order = $2 AND posting.kind = 'pack'
             ORDER BY posting.id",
        )
        .bind(site.0)
        .bind(order.0)
        .fetch_all(&mut **self)
        .await?;
        Ok(rows.into_iter().map(PostingId).collect())
    }
}

#[async_trait]
impl WriteBags for Transaction {
    async fn insert_bags(&mut self, posting: PostingId, line: usize, row: &BagsRow) -> Result<()> {
        sqlx::query(
            "INSERT INTO bags (posting, line, for_order, product, bags)
             VALUES ($1, $2, $3, $4, $5)",
        )
        .bind(posting.0)
        .bind(number(line))
        .bind(row.order.map(|order| order.0))
        .bind(row.product.0)
        .bind(i64::from(row.bags))
        .execute(&mut **self)
        .await?;
        Ok(())
    }
}
