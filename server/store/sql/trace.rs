//! Queries of where coffee came from and went.

use async_trait::async_trait;
use sqlx::QueryBuilder;
use uuid::Uuid;

use super::super::super::{BagsRow, PostedBags, ReadTrace, Result, Way};
use super::bags::grind;
use super::{Db, MOST_BOUND, Transaction, day, mass, place};
use crate::ids::{LotId, OrderId, PostingId, ProductId, SiteId};

type WayColumns = (Uuid, String, Uuid, String, Uuid, i64, String);
type AllottedColumns = (Option<Uuid>, Uuid, i64, Option<String>, Option<Uuid>);
type BagsColumns = (
    Uuid,
    String,
    Option<Uuid>,
    Uuid,
    i64,
    Option<String>,
    Option<Uuid>,
);

fn bags_row((order, product, bags, ground, packing): AllottedColumns) -> Result<BagsRow> {
    Ok(BagsRow {
        order: order.map(OrderId),
        product: ProductId(product),
        bags: u32::try_from(bags).unwrap_or(u32::MAX),
        grind: grind(ground)?,
        packing: packing.map(PostingId),
    })
}

#[async_trait]
impl ReadTrace for Transaction {
    async fn ways(&mut self, site: SiteId, lots: &[LotId]) -> Result<Vec<Way>> {
        let mut found = Vec::new();
        for lot in lots {
            let rows: Vec<WayColumns> = sqlx::query_as(
                "WITH gone AS (
                     SELECT movement.from_account, movement.to_account, SUM(movement.mass_mg) AS mg, MIN(movement.day) AS first
                     FROM account
                     JOIN movement ON movement.from_account = account.id
                     WHERE account.site = $1 AND account.lot = $2
                     GROUP BY movement.from_account, movement.to_account
                 )
                 SELECT one.lot, one.place, one.key, other.place, other.key, CAST(gone.mg AS BIGINT), gone.first
                 FROM gone
                 JOIN account AS one ON one.id = gone.from_account
                 JOIN account AS other ON other.id = gone.to_account
                 ORDER BY gone.first, gone.from_account, gone.to_account",
            )
            .bind(site.0)
            .bind(lot.0)
            .fetch_all(self.now().await?)
            .await?;
            for (lot, from, from_key, to, to_key, mg, first) in rows {
                found.push(Way {
                    lot: LotId(lot),
                    from: place(&from, from_key)?,
                    to: place(&to, to_key)?,
                    mass: mass(mg)?,
                    day: day(&first)?,
                });
            }
        }
        Ok(found)
    }

    async fn lots_at(&mut self, site: SiteId, key: Uuid) -> Result<Vec<LotId>> {
        let rows: Vec<Uuid> = sqlx::query_scalar(
            "SELECT DISTINCT lot
             FROM account
             WHERE site = $1 AND key = $2
             ORDER BY lot",
        )
        .bind(site.0)
        .bind(key)
        .fetch_all(self.now().await?)
        .await?;
        Ok(rows.into_iter().map(LotId).collect())
    }

    async fn bags_of_postings(
        &mut self,
        site: SiteId,
        postings: &[PostingId],
    ) -> Result<Vec<PostedBags>> {
        let mut found = Vec::new();
        for postings in postings.chunks(MOST_BOUND) {
            let mut query = QueryBuilder::<Db>::new(
                "SELECT bags.posting, posting.day, bags.for_order, bags.product, bags.bags, bags.grind, bags.from_packing
                 FROM bags
                 JOIN posting ON posting.id = bags.posting
                 LEFT JOIN posting AS undo ON undo.reverses = posting.id
                 WHERE undo.id IS NULL AND posting.site = ",
            );
            query.push_bind(site.0).push(" AND bags.posting IN (");
            let mut list = query.separated(", ");
            for posting in postings {
                list.push_bind(posting.0);
            }
            query.push(") ORDER BY posting.position, bags.line");
            let rows: Vec<BagsColumns> =
                query.build_query_as().fetch_all(self.now().await?).await?;
            for (posting, on, order, product, bags, ground, packing) in rows {
                found.push(PostedBags {
                    posting: PostingId(posting),
                    day: day(&on)?,
                    bags: bags_row((order, product, bags, ground, packing))?,
                });
            }
        }
        Ok(found)
    }

    async fn bags_allotted(
        &mut self,
        site: SiteId,
        packings: &[PostingId],
    ) -> Result<Vec<BagsRow>> {
        let mut found = Vec::new();
        for packings in packings.chunks(MOST_BOUND) {
            let mut query = QueryBuilder::<Db>::new(
                "SELECT bags.for_order, bags.product, bags.bags, bags.grind, bags.from_packing
                 FROM bags
                 JOIN posting ON posting.id = bags.posting
                 LEFT JOIN posting AS undo ON undo.reverses = posting.id
                 WHERE undo.id IS NULL AND posting.kind = 'allot' AND bags.for_order IS NOT NULL AND posting.site = ",
            );
            query.push_bind(site.0).push(" AND bags.from_packing IN (");
            let mut list = query.separated(", ");
            for packing in packings {
                list.push_bind(packing.0);
            }
            query.push(") ORDER BY posting.position, bags.line");
            let rows: Vec<AllottedColumns> =
                query.build_query_as().fetch_all(self.now().await?).await?;
            for row in rows {
                found.push(bags_row(row)?);
            }
        }
        Ok(found)
    }

    async fn bags_of_products(
        &mut self,
        site: SiteId,
        products: &[ProductId],
    ) -> Result<Vec<(ProductId, u32)>> {
        let mut found = Vec::new();
        for products in products.chunks(MOST_BOUND) {
            let mut query = QueryBuilder::<Db>::new(
                "SELECT bags.product, CAST(SUM(bags.bags) AS BIGINT)
                 FROM bags
                 JOIN posting ON posting.id = bags.posting
                 LEFT JOIN posting AS undo ON undo.reverses = posting.id
                 WHERE undo.id IS NULL AND posting.kind = 'pack' AND posting.site = ",
            );
            query.push_bind(site.0).push(" AND bags.product IN (");
            let mut list = query.separated(", ");
            for product in products {
                list.push_bind(product.0);
            }
            query.push(") GROUP BY bags.product ORDER BY bags.product");
            let rows: Vec<(Uuid, i64)> =
                query.build_query_as().fetch_all(self.now().await?).await?;
            let count = |(product, bags): (Uuid, i64)| {
                (ProductId(product), u32::try_from(bags).unwrap_or(u32::MAX))
            };
            found.extend(rows.into_iter().map(count));
        }
        Ok(found)
    }

    async fn postings_of_order(&mut self, site: SiteId, order: OrderId) -> Result<Vec<PostingId>> {
        let rows: Vec<Uuid> = sqlx::query_scalar(
            "SELECT DISTINCT CASE posting.kind WHEN 'allot' THEN bags.from_packing ELSE posting.id END AS id
             FROM bags
             JOIN posting ON posting.id = bags.posting
             LEFT JOIN posting AS undo ON undo.reverses = posting.id
             WHERE undo.id IS NULL AND posting.site = $1 AND bags.for_order = $2 AND posting.kind <> 'take_back'
             ORDER BY id",
        )
        .bind(site.0)
        .bind(order.0)
        .fetch_all(self.now().await?)
        .await?;
        Ok(rows.into_iter().map(PostingId).collect())
    }
}
