//! Queries of counts: the counts themselves, and what an account has seen since a moment.

use async_trait::async_trait;
use uuid::Uuid;

use super::super::super::{CountRow, ReadCounts, Result, Since, WeighedMove, WriteCounts};
use super::{Transaction, mass, place};
use crate::book::place::Place;
use crate::day::{Day, Instant};
use crate::ids::{LotId, PostingId, SiteId};

type Columns = (Uuid, String, i64, String);

fn row((id, state, frozen_at, steps): Columns) -> CountRow {
    CountRow {
        id,
        state,
        frozen_at: Instant::from_ms(frozen_at),
        steps,
    }
}

#[derive(sqlx::FromRow)]
struct SinceColumns {
    lot: Uuid,
    place: String,
    key: Uuid,
    posting: Uuid,
    position: i64,
    kind: String,
    happened_at: i64,
    mg: i64,
}

fn since(row: SinceColumns) -> Result<Since> {
    Ok(Since {
        lot: LotId(row.lot),
        place: place(&row.place, row.key)?,
        posting: PostingId(row.posting),
        position: row.position,
        kind: row.kind,
        happened_at: Instant::from_ms(row.happened_at),
        change: mass(row.mg)?,
    })
}

#[derive(sqlx::FromRow)]
struct WeighedColumns {
    posting: Uuid,
    kind: String,
    happened_at: i64,
    mg: i64,
    basis: Option<String>,
    scale: Option<Uuid>,
    division_mg: Option<i64>,
}

fn weighed(row: WeighedColumns) -> Result<WeighedMove> {
    Ok(WeighedMove {
        posting: PostingId(row.posting),
        kind: row.kind,
        happened_at: Instant::from_ms(row.happened_at),
        change: mass(row.mg)?,
        basis: row.basis,
        scale: row.scale,
        division: row.division_mg.map(mass).transpose()?,
    })
}

#[async_trait]
impl ReadCounts for Transaction {
    async fn count_session(&mut self, site: SiteId, id: Uuid) -> Result<Option<CountRow>> {
        let found: Option<Columns> = sqlx::query_as(
            "SELECT id, state, frozen_at, steps
             FROM count_session
             WHERE site = $1 AND id = $2",
        )
        .bind(site.0)
        .bind(id)
        .fetch_optional(self.now().await?)
        .await?;
        Ok(found.map(row))
    }

    async fn count_sessions(&mut self, site: SiteId, from: Instant) -> Result<Vec<CountRow>> {
        if self.known.is_uncounted(site, from) {
            return Ok(Vec::new());
        }
        let rows: Vec<Columns> = sqlx::query_as(
            "SELECT id, state, frozen_at, steps
             FROM count_session
             WHERE site = $1 AND frozen_at >= $2
             ORDER BY frozen_at, id",
        )
        .bind(site.0)
        .bind(from.ms())
        .fetch_all(self.now().await?)
        .await?;
        let found: Vec<CountRow> = rows.into_iter().map(row).collect();
        self.known.set_uncounted(site, from, &found);
        Ok(found)
    }

    async fn changes_since(&mut self, site: SiteId, from: Day) -> Result<Vec<Since>> {
        // Crossed so that SQLite begins with the movements, which are few.
        let rows: Vec<SinceColumns> = sqlx::query_as(
            "WITH moved AS (
                 SELECT posting, position, to_account AS account, mass_mg AS mg
                 FROM movement
                 WHERE day >= $2
                 UNION ALL
                 SELECT posting, position, from_account, -mass_mg
                 FROM movement
                 WHERE day >= $2
             )
             SELECT account.lot, account.place, account.key, moved.posting, moved.position, posting.kind, posting.happened_at, moved.mg
             FROM moved
             CROSS JOIN account
             CROSS JOIN posting
             LEFT JOIN posting AS reversal ON reversal.reverses = posting.id
             WHERE account.id = moved.account AND posting.id = moved.posting AND account.site = $1 AND account.place IN ('packed', 'roasted', 'store')
               AND posting.reverses IS NULL AND reversal.id IS NULL
             ORDER BY moved.position, account.id",
        )
        .bind(site.0)
        .bind(from.to_string())
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter().map(since).collect()
    }

    async fn weighed_moves(
        &mut self,
        site: SiteId,
        lot: LotId,
        at: Place,
    ) -> Result<Vec<WeighedMove>> {
        let rows: Vec<WeighedColumns> = sqlx::query_as(
            "WITH here AS (
                 SELECT id
                 FROM account
                 WHERE site = $1 AND lot = $2 AND place = $3 AND key = $4
             ), moved AS (
                 SELECT movement.posting, movement.line, movement.position, movement.mass_mg AS mg
                 FROM here
                 JOIN movement ON movement.to_account = here.id
                 UNION ALL
                 SELECT movement.posting, movement.line, movement.position, -movement.mass_mg
                 FROM here
                 JOIN movement ON movement.from_account = here.id
             )
             SELECT moved.posting, posting.kind, posting.happened_at, moved.mg, weighing.basis, weighing.scale, weighing.division_mg
             FROM moved
             JOIN posting ON posting.id = moved.posting
             LEFT JOIN posting AS reversal ON reversal.reverses = posting.id
             LEFT JOIN weighing ON weighing.posting = moved.posting AND weighing.movement = moved.line
             WHERE posting.reverses IS NULL AND reversal.id IS NULL
             ORDER BY moved.position, moved.line",
        )
        .bind(site.0)
        .bind(lot.0)
        .bind(at.word())
        .bind(at.key())
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter().map(weighed).collect()
    }
}

#[async_trait]
impl WriteCounts for Transaction {
    async fn put_count(&mut self, site: SiteId, row: &CountRow) -> Result<()> {
        self.known.forget_uncounted();
        sqlx::query(
            "INSERT INTO count_session (id, site, state, frozen_at, steps)
             VALUES ($1, $2, $3, $4, $5)
             ON CONFLICT (id) DO UPDATE
             SET state = excluded.state, frozen_at = excluded.frozen_at, steps = excluded.steps",
        )
        .bind(row.id)
        .bind(site.0)
        .bind(row.state.clone())
        .bind(row.frozen_at.ms())
        .bind(row.steps.clone())
        .execute(self.now().await?)
        .await?;
        Ok(())
    }
}
