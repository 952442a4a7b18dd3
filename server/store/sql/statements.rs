//! Queries of statements and pictures of a lot: one for each part, however many lines it has.

use async_trait::async_trait;
use sqlx::QueryBuilder;
use uuid::Uuid;

use super::super::super::{AccountRow, Flow, LogRow, Period, ReadStatements, Result, StoreLine};
use super::{Db, Transaction, day, mass};
use crate::day::{Day, Instant};
use crate::ids::{BatchId, LotId, PostingId, SiteId};
use crate::mass::Mass;

/// The most values of one list: both databases take that many.
const MOST_BOUND: usize = 10_000;

/// The columns of a line.
#[derive(sqlx::FromRow)]
pub(super) struct LineColumns {
    posting: Uuid,
    line: i64,
    day: String,
    kind: String,
    undoes: Option<String>,
    undone: bool,
    happened_at: i64,
    recorded_at: i64,
    late: bool,
    reason: Option<String>,
    from_account: i64,
    to_account: i64,
    mass_mg: i64,
}

pub(super) fn line(row: LineColumns) -> Result<StoreLine> {
    Ok(StoreLine {
        posting: PostingId(row.posting),
        line: row.line,
        day: day(&row.day)?,
        kind: row.kind,
        undoes: row.undoes,
        undone: row.undone,
        happened_at: Instant::from_ms(row.happened_at),
        recorded_at: Instant::from_ms(row.recorded_at),
        late: row.late,
        reason: row.reason,
        from: row.from_account,
        to: row.to_account,
        mass: mass(row.mass_mg)?,
    })
}

/// The first day as text; empty, which sorts before every day, for the beginning.
fn first(period: &Period) -> String {
    period.from.map(|day| day.to_string()).unwrap_or_default()
}

#[async_trait]
impl ReadStatements for Transaction {
    async fn accounts_of_lot(&mut self, site: SiteId, lot: LotId) -> Result<Vec<AccountRow>> {
        let rows: Vec<(i64, String, Uuid, i64)> = sqlx::query_as(
            "SELECT id, place, key, balance_mg
             FROM account
             WHERE site = $1 AND lot = $2
             ORDER BY id",
        )
        .bind(site.0)
        .bind(lot.0)
        .fetch_all(self.now().await?)
        .await?;
        Ok(rows
            .into_iter()
            .map(|(id, word, key, balance_mg)| AccountRow {
                id,
                lot,
                place: (word, key),
                balance_mg,
            })
            .collect())
    }

    async fn store_lines(&mut self, site: SiteId, period: &Period) -> Result<Vec<StoreLine>> {
        // What goes between two storerooms is found from the side it leaves.
        let rows: Vec<LineColumns> = sqlx::query_as(
            "WITH store AS (
                 SELECT id
                 FROM account
                 WHERE site = $1 AND lot = $2 AND place = 'store'
             ), moved AS (
                 SELECT movement.posting, movement.line, movement.position, movement.day, movement.from_account, movement.to_account,
                        movement.mass_mg
                 FROM store
                 JOIN movement ON movement.from_account = store.id
                 WHERE movement.day >= $3 AND movement.day <= $4 AND movement.position < $5
                 UNION ALL
                 SELECT movement.posting, movement.line, movement.position, movement.day, movement.from_account, movement.to_account,
                        movement.mass_mg
                 FROM store
                 JOIN movement ON movement.to_account = store.id
                 WHERE movement.day >= $3 AND movement.day <= $4 AND movement.position < $5
                   AND movement.from_account NOT IN (SELECT id FROM store)
             )
             SELECT moved.posting, moved.line, moved.day, posting.kind, undone.kind AS undoes, reversal.id IS NOT NULL AS undone,
                    posting.happened_at, posting.recorded_at, posting.late, posting.reason, moved.from_account, moved.to_account,
                    moved.mass_mg
             FROM moved
             JOIN posting ON posting.id = moved.posting
             LEFT JOIN posting AS undone ON undone.id = posting.reverses
             LEFT JOIN posting AS reversal ON reversal.reverses = moved.posting AND reversal.position < $5
             ORDER BY moved.day, moved.position, moved.line",
        )
        .bind(site.0)
        .bind(period.lot.0)
        .bind(first(period))
        .bind(period.to.to_string())
        .bind(period.known)
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter().map(line).collect()
    }

    async fn flows(&mut self, site: SiteId, period: &Period) -> Result<Vec<Flow>> {
        let rows: Vec<(String, String, i64)> = sqlx::query_as(
            "SELECT source.place, target.place, CAST(SUM(movement.mass_mg) AS BIGINT)
             FROM account AS source
             JOIN movement ON movement.from_account = source.id
             JOIN account AS target ON target.id = movement.to_account
             WHERE source.site = $1 AND source.lot = $2 AND source.place <> 'store' AND target.place <> 'store'
               AND movement.day >= $3 AND movement.day <= $4 AND movement.position < $5
             GROUP BY source.place, target.place
             ORDER BY source.place, target.place",
        )
        .bind(site.0)
        .bind(period.lot.0)
        .bind(first(period))
        .bind(period.to.to_string())
        .bind(period.known)
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter()
            .map(|(from, to, mg)| {
                Ok(Flow {
                    from,
                    to,
                    mass: mass(mg)?,
                })
            })
            .collect()
    }

    async fn store_days(&mut self, site: SiteId, lot: LotId) -> Result<Vec<(Day, Mass)>> {
        let rows: Vec<(String, i64)> = sqlx::query_as(
            "WITH store AS (
                 SELECT id
                 FROM account
                 WHERE site = $1 AND lot = $2 AND place = 'store'
             ), change AS (
                 SELECT movement.day, movement.mass_mg AS mg
                 FROM store
                 JOIN movement ON movement.to_account = store.id
                 UNION ALL
                 SELECT movement.day, -movement.mass_mg
                 FROM store
                 JOIN movement ON movement.from_account = store.id
             )
             SELECT day, CAST(SUM(mg) AS BIGINT)
             FROM change
             GROUP BY day
             ORDER BY day",
        )
        .bind(site.0)
        .bind(lot.0)
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter()
            .map(|(on, mg)| Ok((day(&on)?, mass(mg)?)))
            .collect()
    }

    async fn leaves_of_batches(
        &mut self,
        site: SiteId,
        batches: &[BatchId],
        known: i64,
    ) -> Result<Vec<LogRow>> {
        let mut found = std::collections::BTreeMap::new();
        for some in batches.chunks(MOST_BOUND) {
            let mut query = QueryBuilder::<Db>::new(
                "WITH place AS (SELECT id FROM account WHERE place IN ('batch', 'roasted') AND key IN (",
            );
            let mut list = query.separated(", ");
            for batch in some {
                list.push_bind(batch.0);
            }
            query.push(
                ")), moved AS (SELECT movement.position FROM place JOIN movement ON movement.from_account = place.id \
                 UNION SELECT movement.position FROM place JOIN movement ON movement.to_account = place.id) \
                 SELECT log.position, log.recorded_at, log.hash, log.leaf FROM moved JOIN log ON log.position = moved.position",
            );
            query.push(" WHERE log.site = ").push_bind(site.0);
            query.push(" AND log.position < ").push_bind(known);
            let rows: Vec<(i64, i64, Vec<u8>, String)> =
                query.build_query_as().fetch_all(self.now().await?).await?;
            found.extend(rows.into_iter().map(|(position, at, hash, leaf)| {
                let row = LogRow {
                    position,
                    recorded_at: Instant::from_ms(at),
                    hash,
                    leaf,
                };
                (position, row)
            }));
        }
        Ok(found.into_values().collect())
    }
}
