//! Queries of batches.

use async_trait::async_trait;
use sqlx::QueryBuilder;
use uuid::Uuid;

use super::super::super::{BatchFilter, BatchRow, ReadBatches, Result, StoreError, WriteBatches};
use super::{Db, MOST_BOUND, Transaction, day};
use crate::ids::{BatchId, CardId, LotId, SiteId};

type Columns = (
    Uuid,
    Uuid,
    Uuid,
    Uuid,
    Option<Uuid>,
    String,
    bool,
    String,
    Option<i64>,
    String,
);

const SELECT: &str =
    "SELECT id, lot, style, roaster, card, state, held, day, out_minute, steps FROM batch";

fn row(
    (id, lot, style, roaster, card, state, held, on, out_minute, steps): Columns,
) -> Result<BatchRow> {
    Ok(BatchRow {
        id: BatchId(id),
        lot: LotId(lot),
        style,
        roaster,
        card: card.map(CardId),
        state,
        held,
        day: day(&on)?,
        out_minute,
        steps,
    })
}

#[async_trait]
impl ReadBatches for Transaction {
    async fn batch(&mut self, site: SiteId, id: BatchId) -> Result<Option<BatchRow>> {
        if let Some(known) = self.known.batch(site, id) {
            return Ok(Some(known.clone()));
        }
        let found: Option<Columns> = QueryBuilder::<Db>::new(SELECT)
            .push(" WHERE id = ")
            .push_bind(id.0)
            .push(" AND site = ")
            .push_bind(site.0)
            .build_query_as()
            .fetch_optional(self.now().await?)
            .await?;
        let found = found.map(row).transpose()?;
        if let Some(row) = &found {
            self.known.set_batch(site, row);
        }
        Ok(found)
    }

    async fn batches(
        &mut self,
        site: SiteId,
        filter: &BatchFilter,
        limit: i64,
    ) -> Result<Vec<BatchRow>> {
        let mut query = QueryBuilder::<Db>::new(SELECT);
        query.push(" WHERE site = ").push_bind(site.0);
        if !filter.states.is_empty() {
            query.push(" AND state IN (");
            let mut list = query.separated(", ");
            for state in &filter.states {
                list.push_bind(state.clone());
            }
            query.push(")");
        }
        if filter.held {
            // Said outright, so that it is looked up among the few that are.
            query.push(" AND held = TRUE");
        }
        if filter.under_way {
            // As the index of these few has it.
            query.push(" AND state IN ('weighed_in', 'in_drum')");
        }
        if let Some(lot) = filter.lot {
            query.push(" AND lot = ").push_bind(lot.0);
        }
        if let Some(from) = filter.from {
            query.push(" AND day >= ").push_bind(from.to_string());
        }
        if let Some(to) = filter.to {
            query.push(" AND day <= ").push_bind(to.to_string());
        }
        if let Some((on, id)) = filter.before {
            query
                .push(" AND (day, id) < (")
                .push_bind(on.to_string())
                .push(", ")
                .push_bind(id.0)
                .push(")");
        }
        query
            .push(" ORDER BY day DESC, id DESC LIMIT ")
            .push_bind(limit);
        let rows: Vec<Columns> = query.build_query_as().fetch_all(self.now().await?).await?;
        rows.into_iter().map(row).collect()
    }

    async fn batches_by_id(&mut self, site: SiteId, ids: &[BatchId]) -> Result<Vec<BatchRow>> {
        let mut found = Vec::with_capacity(ids.len());
        for ids in ids.chunks(MOST_BOUND) {
            let mut query = QueryBuilder::<Db>::new(SELECT);
            query.push(" WHERE site = ").push_bind(site.0);
            query.push(" AND id IN (");
            let mut list = query.separated(", ");
            for id in ids {
                list.push_bind(id.0);
            }
            query.push(") ORDER BY id");
            let rows: Vec<Columns> = query.build_query_as().fetch_all(self.now().await?).await?;
            found.extend(rows);
        }
        found.into_iter().map(row).collect()
    }

    async fn batches_of_cards(&mut self, site: SiteId, cards: &[CardId]) -> Result<Vec<BatchRow>> {
        if cards.is_empty() {
            return Ok(Vec::new());
        }
        let mut query = QueryBuilder::<Db>::new(SELECT);
        query
            .push(" WHERE site = ")
            .push_bind(site.0)
            .push(" AND card IN (");
        let mut list = query.separated(", ");
        for card in cards {
            list.push_bind(card.0);
        }
        query.push(") ORDER BY id");
        let rows: Vec<Columns> = query.build_query_as().fetch_all(self.now().await?).await?;
        rows.into_iter().map(row).collect()
    }

    async fn weighed_out(
        &mut self,
        site: SiteId,
        after: Option<(i64, BatchId)>,
        limit: i64,
    ) -> Result<Vec<BatchRow>> {
        let (minute, id) = after.map_or((i64::MIN, Uuid::nil()), |(minute, id)| (minute, id.0));
        let mut query = QueryBuilder::<Db>::new(SELECT);
        query.push(" WHERE site = ").push_bind(site.0);
        query
            .push(" AND (out_minute, id) > (")
            .push_bind(minute)
            .push(", ")
            .push_bind(id)
            .push(")");
        query
            .push(" ORDER BY out_minute, id LIMIT ")
            .push_bind(limit);
        let rows: Vec<Columns> = query.build_query_as().fetch_all(self.now().await?).await?;
        rows.into_iter().map(row).collect()
    }
}

#[async_trait]
impl WriteBatches for Transaction {
    async fn put_batch(&mut self, site: SiteId, row: &BatchRow) -> Result<()> {
        let mut query = self.behind(
            "INSERT INTO batch (id, site, lot, style, roaster, card, state, held, day, out_minute, steps) ",
        );
        query.push_values([row], |mut values, row| {
            values
                .push_bind(row.id.0)
                .push_bind(site.0)
                .push_bind(row.lot.0)
                .push_bind(row.style)
                .push_bind(row.roaster)
                .push_bind(row.card.map(|card| card.0))
                .push_bind(row.state.clone())
                .push_bind(row.held)
                .push_bind(row.day.to_string())
                .push_bind(row.out_minute)
                .push_bind(row.steps.clone());
        });
        query.push(
            " ON CONFLICT (id) DO UPDATE
              SET lot = excluded.lot, style = excluded.style, roaster = excluded.roaster, card = excluded.card, state = excluded.state,
                  held = excluded.held, day = excluded.day, out_minute = excluded.out_minute, steps = excluded.steps
              WHERE batch.site = excluded.site
              RETURNING id",
        );
        let stored: Vec<Uuid> = query.build_query_scalar().fetch_all(&mut *self.tx).await?;
        // A batch of another site keeps its id.
        if stored.is_empty() {
            return Err(StoreError::Taken(format!("batch {}", row.id)));
        }
        self.known.set_batch(site, row);
        Ok(())
    }
}
