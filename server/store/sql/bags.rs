//! Queries of bags packed and shipped.

use async_trait::async_trait;
use sqlx::QueryBuilder;
use uuid::Uuid;

use super::super::super::{
    BagsAllotted, BagsFilled, BagsRow, BagsShipped, BagsStanding, BagsSum, ReadBags, Result,
    StoreError, WriteBags,
};
use super::{Db, Transaction, mass, number};
use crate::day::Instant;
use crate::ids::{OrderId, PostingId, ProductId, SiteId};
use crate::text::Name;

pub(super) fn grind(text: Option<String>) -> Result<Option<Name>> {
    text.map(|text| Name::new(&text))
        .transpose()
        .map_err(|e| StoreError::Damaged(format!("no grind: {e}")))
}

type ShippedColumns = (
    i64,
    Uuid,
    Option<Uuid>,
    Uuid,
    i64,
    Option<String>,
    Option<Uuid>,
);

fn shipped(
    (position, shipment, order, product, bags, ground, packing): ShippedColumns,
) -> Result<BagsShipped> {
    Ok(BagsShipped {
        position,
        shipment: PostingId(shipment),
        row: BagsRow {
            order: order.map(OrderId),
            product: ProductId(product),
            bags: count(bags)?,
            grind: grind(ground)?,
            packing: packing.map(PostingId),
        },
    })
}

fn count(bags: i64) -> Result<u32> {
    u32::try_from(bags).map_err(|_| StoreError::Damaged(format!("no number of bags: {bags}")))
}

#[async_trait]
impl ReadBags for Transaction {
    async fn bags_of_orders(&mut self, site: SiteId, orders: &[OrderId]) -> Result<Vec<BagsSum>> {
        if orders.is_empty() {
            return Ok(Vec::new());
        }
        let mut query = QueryBuilder::<Db>::new(
            "SELECT bags.for_order, bags.product, bags.grind, posting.kind, CAST(SUM(bags.bags) AS BIGINT)
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
        query.push(
            ") GROUP BY bags.for_order, bags.product, bags.grind, posting.kind ORDER BY 1, 2, 3, 4",
        );
        let rows: Vec<(Uuid, Uuid, Option<String>, String, i64)> =
            query.build_query_as().fetch_all(self.now().await?).await?;
        rows.into_iter()
            .map(|(order, product, ground, kind, bags)| {
                Ok(BagsSum {
                    order: OrderId(order),
                    product: ProductId(product),
                    grind: grind(ground)?,
                    kind,
                    bags,
                })
            })
            .collect()
    }

    async fn bags_allotted_to(
        &mut self,
        site: SiteId,
        orders: &[OrderId],
    ) -> Result<Vec<BagsAllotted>> {
        type Columns = (Uuid, i64, Uuid, Uuid, Option<String>, Uuid, i64);
        if orders.is_empty() {
            return Ok(Vec::new());
        }
        let mut query = QueryBuilder::<Db>::new(
            "SELECT bags.posting, posting.happened_at, bags.for_order, bags.product, bags.grind, bags.from_packing, bags.bags
             FROM bags
             JOIN posting ON posting.id = bags.posting
             LEFT JOIN posting AS undo ON undo.reverses = posting.id
             WHERE undo.id IS NULL AND posting.kind = 'allot' AND posting.site = ",
        );
        query.push_bind(site.0).push(" AND bags.for_order IN (");
        let mut list = query.separated(", ");
        for order in orders {
            list.push_bind(order.0);
        }
        query.push(") ORDER BY posting.position, bags.line");
        let rows: Vec<Columns> = query.build_query_as().fetch_all(self.now().await?).await?;
        rows.into_iter()
            .map(|(posting, at, order, product, ground, packing, bags)| {
                Ok(BagsAllotted {
                    posting: PostingId(posting),
                    taken_at: Instant::from_ms(at),
                    order: OrderId(order),
                    product: ProductId(product),
                    grind: grind(ground)?,
                    packing: PostingId(packing),
                    bags: count(bags)?,
                })
            })
            .collect()
    }

    async fn bags_standing(&mut self, site: SiteId) -> Result<Vec<BagsStanding>> {
        let rows: Vec<(Uuid, Option<Uuid>, Uuid, Option<String>, i64)> = sqlx::query_as(
            "WITH standing AS (
                 SELECT DISTINCT key AS packing
                 FROM account
                 WHERE site = $1 AND place = 'packed' AND balance_mg <> 0
             ), line AS (
                 SELECT standing.packing, bags.for_order, bags.product, bags.grind, bags.bags
                 FROM standing
                 JOIN bags ON bags.posting = standing.packing
                 UNION ALL
                 SELECT standing.packing, bags.for_order, bags.product, bags.grind,
                        CASE WHEN posting.kind = 'take_back' OR (posting.kind = 'allot' AND bags.for_order IS NOT NULL)
                             THEN bags.bags ELSE -bags.bags END
                 FROM standing
                 JOIN bags ON bags.from_packing = standing.packing
                 JOIN posting ON posting.id = bags.posting
                 LEFT JOIN posting AS undo ON undo.reverses = posting.id
                 WHERE undo.id IS NULL
             )
             SELECT packing, for_order, product, grind, CAST(SUM(bags) AS BIGINT)
             FROM line
             GROUP BY packing, for_order, product, grind
             HAVING SUM(bags) > 0
             ORDER BY packing, for_order, product, grind",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter()
            .map(|(packing, order, product, ground, bags)| {
                Ok(BagsStanding {
                    packing: PostingId(packing),
                    order: order.map(OrderId),
                    product: ProductId(product),
                    grind: grind(ground)?,
                    bags: count(bags)?,
                })
            })
            .collect()
    }

    async fn bags_overdrawn(&mut self, packing: PostingId) -> Result<bool> {
        let buckets: i64 = sqlx::query_scalar(
            "WITH line AS (
                 SELECT bags.for_order, bags.product, bags.grind,
                        CASE WHEN posting.kind IN ('pack', 'take_back') OR (posting.kind = 'allot' AND bags.for_order IS NOT NULL)
                             THEN bags.bags ELSE -bags.bags END AS bags
                 FROM bags
                 JOIN posting ON posting.id = bags.posting
                 LEFT JOIN posting AS undo ON undo.reverses = posting.id
                 WHERE undo.id IS NULL AND (bags.from_packing = $1 OR (bags.posting = $1 AND bags.from_packing IS NULL))
             ), bucket AS (
                 SELECT SUM(bags) AS bags
                 FROM line
                 GROUP BY for_order, product, grind
             )
             SELECT COUNT(*)
             FROM bucket
             WHERE bags < 0",
        )
        .bind(packing.0)
        .fetch_one(self.now().await?)
        .await?;
        Ok(buckets > 0)
    }

    async fn bags_filled(&mut self, site: SiteId) -> Result<Vec<BagsFilled>> {
        type Columns = (Uuid, Option<Uuid>, Uuid, Option<String>, i64, i64, i64);
        let rows: Vec<Columns> = sqlx::query_as(
            "WITH standing AS (
                 SELECT key AS packing, CAST(SUM(balance_mg) AS BIGINT) AS left_mg
                 FROM account
                 WHERE site = $1 AND place = 'packed' AND balance_mg <> 0
                 GROUP BY key
             ), filled AS (
                 SELECT standing.packing, CAST(SUM(movement.mass_mg) AS BIGINT) AS filled_mg
                 FROM standing
                 JOIN movement ON movement.posting = standing.packing
                 JOIN account ON account.id = movement.to_account
                 WHERE account.place = 'packed'
                 GROUP BY standing.packing
             )
             SELECT standing.packing, bags.for_order, bags.product, bags.grind, bags.bags, filled.filled_mg, standing.left_mg
             FROM standing
             JOIN filled ON filled.packing = standing.packing
             JOIN bags ON bags.posting = standing.packing AND bags.line = 0
             ORDER BY standing.packing",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter()
            .map(|(packing, order, product, ground, bags, filled, left)| {
                Ok(BagsFilled {
                    of: BagsStanding {
                        packing: PostingId(packing),
                        order: order.map(OrderId),
                        product: ProductId(product),
                        grind: grind(ground)?,
                        bags: count(bags)?,
                    },
                    filled: mass(filled)?,
                    left: mass(left)?,
                })
            })
            .collect()
    }

    async fn bags_shipped(
        &mut self,
        site: SiteId,
        order: OrderId,
        product: ProductId,
    ) -> Result<Vec<BagsShipped>> {
        let rows: Vec<ShippedColumns> = sqlx::query_as(
            "SELECT posting.position, bags.posting, bags.for_order, bags.product, bags.bags, bags.grind, bags.from_packing
             FROM bags
             JOIN posting ON posting.id = bags.posting
             LEFT JOIN posting AS undo ON undo.reverses = posting.id
             WHERE undo.id IS NULL AND posting.site = $1 AND posting.kind = 'ship' AND bags.product = $2 AND bags.for_order = $3
             ORDER BY posting.position DESC, bags.line",
        )
        .bind(site.0)
        .bind(product.0)
        .bind(order.0)
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter().map(shipped).collect()
    }

    async fn bags_sold(
        &mut self,
        site: SiteId,
        product: ProductId,
        before: i64,
        sales: i64,
    ) -> Result<Vec<BagsShipped>> {
        let rows: Vec<ShippedColumns> = sqlx::query_as(
            "WITH sale AS (
                 SELECT posting.id, posting.position
                 FROM posting
                 LEFT JOIN posting AS undo ON undo.reverses = posting.id
                 WHERE undo.id IS NULL AND posting.site = $1 AND posting.kind = 'ship' AND posting.position < $3
                   AND EXISTS (SELECT 1 FROM bags WHERE bags.posting = posting.id AND bags.product = $2 AND bags.for_order IS NULL)
                 ORDER BY posting.position DESC
                 LIMIT $4
             )
             SELECT sale.position, bags.posting, bags.for_order, bags.product, bags.bags, bags.grind, bags.from_packing
             FROM sale
             CROSS JOIN bags
             WHERE bags.posting = sale.id AND bags.product = $2 AND bags.for_order IS NULL
             ORDER BY sale.position DESC, bags.line",
        )
        .bind(site.0)
        .bind(product.0)
        .bind(before)
        .bind(sales)
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter().map(shipped).collect()
    }

    async fn packings(&mut self, site: SiteId) -> Result<Vec<PostingId>> {
        let rows: Vec<Uuid> = sqlx::query_scalar(
            "SELECT posting.id
             FROM posting
             LEFT JOIN posting AS undo ON undo.reverses = posting.id
             WHERE undo.id IS NULL AND posting.site = $1 AND posting.kind = 'pack'
             ORDER BY posting.position DESC",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
        .await?;
        Ok(rows.into_iter().map(PostingId).collect())
    }
}

#[async_trait]
impl WriteBags for Transaction {
    async fn insert_bags(&mut self, posting: PostingId, line: usize, row: &BagsRow) -> Result<()> {
        sqlx::query(
            "INSERT INTO bags (posting, line, for_order, product, bags, grind, from_packing)
             VALUES ($1, $2, $3, $4, $5, $6, $7)",
        )
        .bind(posting.0)
        .bind(number(line))
        .bind(row.order.map(|order| order.0))
        .bind(row.product.0)
        .bind(i64::from(row.bags))
        .bind(row.grind.as_ref().map(ToString::to_string))
        .bind(row.packing.map(|packing| packing.0))
        .execute(self.now().await?)
        .await?;
        Ok(())
    }
}
