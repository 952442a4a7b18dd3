//! Queries of records.

use async_trait::async_trait;
use sqlx::QueryBuilder;
use uuid::Uuid;

use super::super::super::{ReadRecords, RecordRow, Result, StoreError, UnsettledRow, WriteRecords};
use super::{Db, MOST_BOUND, ROWS, Transaction, day};
use crate::day::{Day, Instant};
use crate::ids::{PersonId, SiteId};

type Columns = (Uuid, String, i64, Option<String>, Option<String>, String);

/// The record that they make.
pub(super) fn row((id, kind, revision, label, about, body): Columns) -> Result<RecordRow> {
    Ok(RecordRow {
        id,
        kind,
        revision,
        label,
        day: about.as_deref().map(day).transpose()?,
        body,
    })
}

#[async_trait]
impl ReadRecords for Transaction {
    async fn record(&mut self, site: SiteId, id: Uuid) -> Result<Option<RecordRow>> {
        if let Some(known) = self.known.record(site, id) {
            return Ok(known.clone());
        }
        let found: Option<Columns> = sqlx::query_as(
            "SELECT id, kind, revision, label, day, body
             FROM record
             WHERE site = $1 AND id = $2",
        )
        .bind(site.0)
        .bind(id)
        .fetch_optional(self.now().await?)
        .await?;
        let found = found.map(row).transpose()?;
        self.known.set_record(site, id, found.clone());
        Ok(found)
    }

    async fn records(
        &mut self,
        site: SiteId,
        kind: &str,
        after: Option<Uuid>,
        limit: i64,
    ) -> Result<Vec<RecordRow>> {
        let rows: Vec<Columns> = sqlx::query_as(
            "SELECT id, kind, revision, label, day, body
             FROM record
             WHERE site = $1 AND kind = $2 AND id > $3
             ORDER BY id
             LIMIT $4",
        )
        .bind(site.0)
        .bind(kind.to_owned())
        .bind(after.unwrap_or_default())
        .bind(limit)
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter().map(row).collect()
    }

    async fn records_by_id(&mut self, site: SiteId, ids: &[Uuid]) -> Result<Vec<RecordRow>> {
        let mut found = Vec::with_capacity(ids.len());
        for ids in ids.chunks(MOST_BOUND) {
            let mut query = QueryBuilder::<Db>::new(
                "SELECT id, kind, revision, label, day, body
                 FROM record
                 WHERE site = ",
            );
            query.push_bind(site.0).push(" AND id IN (");
            let mut list = query.separated(", ");
            for id in ids {
                list.push_bind(*id);
            }
            query.push(") ORDER BY id");
            let rows: Vec<Columns> = query.build_query_as().fetch_all(self.now().await?).await?;
            found.extend(rows);
        }
        found.into_iter().map(row).collect()
    }

    async fn records_of_days(
        &mut self,
        site: SiteId,
        kind: &str,
        from: Day,
        to: Day,
    ) -> Result<Vec<RecordRow>> {
        let rows: Vec<Columns> = sqlx::query_as(
            "SELECT id, kind, revision, label, day, body
             FROM record
             WHERE site = $1 AND kind = $2 AND day >= $3 AND day <= $4
             ORDER BY day, id",
        )
        .bind(site.0)
        .bind(kind.to_owned())
        .bind(from.to_string())
        .bind(to.to_string())
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter().map(row).collect()
    }

    async fn record_state(&mut self, site: SiteId, kind: &str) -> Result<(i64, i64)> {
        Ok(sqlx::query_as(
            "SELECT COUNT(*), CAST(COALESCE(SUM(revision), 0) AS BIGINT)
             FROM record
             WHERE site = $1 AND kind = $2",
        )
        .bind(site.0)
        .bind(kind.to_owned())
        .fetch_one(self.now().await?)
        .await?)
    }

    async fn record_labelled(
        &mut self,
        site: SiteId,
        kind: &str,
        label: &str,
    ) -> Result<Option<RecordRow>> {
        let found: Option<Columns> = sqlx::query_as(
            "SELECT id, kind, revision, label, day, body
             FROM record
             WHERE site = $1 AND kind = $2 AND label = $3",
        )
        .bind(site.0)
        .bind(kind.to_owned())
        .bind(label.to_owned())
        .fetch_optional(self.now().await?)
        .await?;
        found.map(row).transpose()
    }

    async fn links(&mut self, record: Uuid) -> Result<Vec<Uuid>> {
        Ok(sqlx::query_scalar(
            "SELECT names
             FROM record_link
             WHERE record = $1
             ORDER BY names",
        )
        .bind(record)
        .fetch_all(self.now().await?)
        .await?)
    }

    async fn open_cards(&mut self, site: SiteId) -> Result<Vec<RecordRow>> {
        let rows: Vec<Columns> = sqlx::query_as(
            "SELECT id, kind, revision, label, day, body
             FROM record
             WHERE site = $1 AND kind = 'card'
               AND NOT EXISTS (
                   SELECT 1
                   FROM batch
                   WHERE batch.card = record.id AND batch.state <> 'undone'
               )
             ORDER BY id",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter().map(row).collect()
    }

    async fn unsettled(&mut self, site: SiteId) -> Result<Vec<UnsettledRow>> {
        let rows: Vec<UnsettledColumns> = sqlx::query_as(
            "SELECT id, command, person, device, received_at, body, problem
             FROM unsettled
             WHERE site = $1 AND settled_at IS NULL
             ORDER BY received_at, id",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
        .await?;
        Ok(rows.into_iter().map(unsettled_row).collect())
    }

    async fn unbooked(&mut self, id: Uuid) -> Result<Option<UnsettledRow>> {
        let row: Option<UnsettledColumns> = sqlx::query_as(
            "SELECT id, command, person, device, received_at, body, problem
             FROM unsettled
             WHERE id = $1",
        )
        .bind(id)
        .fetch_optional(self.now().await?)
        .await?;
        Ok(row.map(unsettled_row))
    }
}

type UnsettledColumns = (Uuid, String, Uuid, Option<Uuid>, i64, String, String);

fn unsettled_row(
    (id, command, person, device, at, body, problem): UnsettledColumns,
) -> UnsettledRow {
    UnsettledRow {
        id,
        command,
        person: PersonId(person),
        device,
        received_at: Instant::from_ms(at),
        body,
        problem,
    }
}

#[async_trait]
impl WriteRecords for Transaction {
    async fn put_record(&mut self, site: SiteId, row: &RecordRow, names: &[Uuid]) -> Result<()> {
        self.known.forget_record(site, row.id);
        let stored = sqlx::query(
            "INSERT INTO record (id, site, kind, revision, label, day, body)
             VALUES ($1, $2, $3, $4, $5, $6, $7)
             ON CONFLICT (id) DO UPDATE
             SET revision = excluded.revision, label = excluded.label, day = excluded.day, body = excluded.body
             WHERE record.site = excluded.site",
        )
        .bind(row.id)
        .bind(site.0)
        .bind(row.kind.clone())
        .bind(row.revision)
        .bind(row.label.clone())
        .bind(row.day.map(|day| day.to_string()))
        .bind(row.body.clone())
        .execute(self.now().await?)
        .await?;
        // A record of another site keeps its id.
        if stored.rows_affected() == 0 {
            return Err(StoreError::Taken(format!("record {}", row.id)));
        }
        sqlx::query(
            "DELETE FROM record_link
             WHERE record = $1",
        )
        .bind(row.id)
        .execute(self.now().await?)
        .await?;
        for names in names.chunks(ROWS) {
            let mut query = QueryBuilder::<Db>::new("INSERT INTO record_link (record, names) ");
            query.push_values(names, |mut link, named| {
                link.push_bind(row.id).push_bind(*named);
            });
            query.push(" ON CONFLICT (record, names) DO NOTHING");
            query.build().execute(self.now().await?).await?;
        }
        Ok(())
    }
}
