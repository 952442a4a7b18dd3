//! Queries of what an auditor must look at.

use async_trait::async_trait;
use uuid::Uuid;

use super::super::super::{FlaggedRow, ReadFindings, Result};
use super::{Transaction, day, mass};
use crate::day::Instant;
use crate::ids::{LotId, PersonId, PostingId, SiteId};

#[derive(sqlx::FromRow)]
struct Columns {
    why: String,
    posting: Uuid,
    kind: String,
    day: String,
    happened_at: i64,
    person: Uuid,
    facts: String,
    lot: Uuid,
    mass_mg: i64,
}

fn row(row: Columns) -> Result<FlaggedRow> {
    Ok(FlaggedRow {
        why: row.why,
        posting: PostingId(row.posting),
        kind: row.kind,
        day: day(&row.day)?,
        happened_at: Instant::from_ms(row.happened_at),
        person: PersonId(row.person),
        facts: row.facts,
        lot: LotId(row.lot),
        mass: mass(row.mass_mg)?,
    })
}

/// Each part goes by an index of its own, and what stands in it first: the accounts of count differences by their lots, late and undoing
/// postings, reckoned weighings, cards. Joins are crossed so that SQLite keeps their order: it takes most postings for rare by what they undo,
/// which is nothing, and would look through all of them for each lot.
const FLAGGED: &str = "
    WITH differing AS (
        SELECT account.id, account.lot
        FROM record
        CROSS JOIN account
        WHERE record.site = $1 AND record.kind = 'lot'
          AND account.site = $1 AND account.lot = record.id AND account.place = 'variance'
    ), moved AS (
        SELECT differing.lot, movement.posting, movement.mass_mg, TRUE AS beyond
        FROM differing
        CROSS JOIN movement
        WHERE movement.from_account = differing.id
        UNION ALL
        SELECT differing.lot, movement.posting, -movement.mass_mg, FALSE
        FROM differing
        CROSS JOIN movement
        WHERE movement.to_account = differing.id
    ), twice AS (
        SELECT card
        FROM batch
        WHERE site = $1 AND card IS NOT NULL AND state <> 'undone'
        GROUP BY card
        HAVING COUNT(*) > 1
    ), found AS (
        SELECT CASE WHEN moved.beyond AND posting.kind NOT IN ('count', 'arrive') THEN 'beyond_book' ELSE posting.kind END AS why,
               posting.id AS posting, moved.lot, moved.mass_mg
        FROM moved
        CROSS JOIN posting
        LEFT JOIN posting AS reversal ON reversal.reverses = posting.id
        WHERE posting.id = moved.posting AND (moved.beyond OR posting.kind IN ('count', 'use_up', 'arrive'))
          AND posting.reverses IS NULL AND reversal.id IS NULL
        UNION ALL
        SELECT 'late', posting.id, account.lot, movement.mass_mg
        FROM posting
        JOIN movement ON movement.posting = posting.id
        JOIN account ON account.id = movement.from_account
        WHERE posting.site = $1 AND posting.late = TRUE
        UNION ALL
        SELECT 'reversal', posting.id, account.lot, movement.mass_mg
        FROM posting
        JOIN movement ON movement.posting = posting.id
        JOIN account ON account.id = movement.from_account
        WHERE posting.site = $1 AND posting.reverses IS NOT NULL
        UNION ALL
        SELECT 'reckoned', posting.id, account.lot, movement.mass_mg
        FROM weighing
        CROSS JOIN posting
        CROSS JOIN movement
        CROSS JOIN account
        LEFT JOIN posting AS reversal ON reversal.reverses = posting.id
        WHERE weighing.basis = 'reckoned' AND posting.id = weighing.posting AND posting.site = $1
          AND movement.posting = weighing.posting AND movement.line = weighing.movement
          AND account.id = movement.from_account AND reversal.id IS NULL
        UNION ALL
        SELECT 'card_twice', posting.id, account.lot, movement.mass_mg
        FROM twice
        CROSS JOIN batch
        CROSS JOIN account
        CROSS JOIN movement
        CROSS JOIN posting
        LEFT JOIN posting AS reversal ON reversal.reverses = posting.id
        WHERE batch.card = twice.card AND batch.site = $1 AND batch.state <> 'undone'
          AND account.site = $1 AND account.lot = batch.lot AND account.place = 'batch' AND account.key = batch.id
          AND movement.to_account = account.id
          AND posting.id = movement.posting AND posting.kind = 'weigh_in' AND reversal.id IS NULL
    )
    SELECT found.why, found.posting, posting.kind, posting.day, posting.happened_at, posting.person, posting.facts, found.lot,
           CAST(SUM(found.mass_mg) AS BIGINT) AS mass_mg
    FROM found
    JOIN posting ON posting.id = found.posting
    GROUP BY found.why, found.posting, posting.position, posting.kind, posting.day, posting.happened_at, posting.person,
             posting.facts, found.lot
    ORDER BY posting.position, found.why, found.lot";

#[async_trait]
impl ReadFindings for Transaction {
    async fn flagged(&mut self, site: SiteId) -> Result<Vec<FlaggedRow>> {
        let rows: Vec<Columns> = sqlx::query_as(FLAGGED)
            .bind(site.0)
            .fetch_all(self.now().await?)
            .await?;
        rows.into_iter().map(row).collect()
    }
}
