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

/// Each part goes by an index of its own: the accounts of count differences, late and undoing postings, reckoned weighings, cards.
const FLAGGED: &str = "
    WITH differing AS (
        SELECT id, lot
        FROM account
        WHERE site = $1 AND place = 'variance'
    ), found AS (
        SELECT CASE posting.kind WHEN 'count' THEN 'count' ELSE 'beyond_book' END AS why, posting.id AS posting,
               differing.lot, movement.mass_mg
        FROM differing
        JOIN movement ON movement.from_account = differing.id
        JOIN posting ON posting.id = movement.posting
        LEFT JOIN posting AS reversal ON reversal.reverses = posting.id
        WHERE posting.reverses IS NULL AND reversal.id IS NULL
        UNION ALL
        SELECT posting.kind, posting.id, differing.lot, -movement.mass_mg
        FROM differing
        JOIN movement ON movement.to_account = differing.id
        JOIN posting ON posting.id = movement.posting
        LEFT JOIN posting AS reversal ON reversal.reverses = posting.id
        WHERE posting.kind IN ('count', 'use_up') AND posting.reverses IS NULL AND reversal.id IS NULL
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
        JOIN posting ON posting.id = weighing.posting
        JOIN movement ON movement.posting = weighing.posting AND movement.line = weighing.movement
        JOIN account ON account.id = movement.from_account
        LEFT JOIN posting AS reversal ON reversal.reverses = posting.id
        WHERE weighing.basis = 'reckoned' AND posting.site = $1 AND reversal.id IS NULL
        UNION ALL
        SELECT 'card_twice', posting.id, account.lot, movement.mass_mg
        FROM batch
        JOIN account ON account.site = $1 AND account.lot = batch.lot AND account.place = 'batch' AND account.key = batch.id
        JOIN movement ON movement.to_account = account.id
        JOIN posting ON posting.id = movement.posting AND posting.kind = 'weigh_in'
        LEFT JOIN posting AS reversal ON reversal.reverses = posting.id
        WHERE batch.site = $1 AND batch.state <> 'undone' AND reversal.id IS NULL
          AND EXISTS (
              SELECT 1
              FROM batch AS other
              WHERE other.card = batch.card AND other.id <> batch.id AND other.state <> 'undone')
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
            .fetch_all(&mut **self)
            .await?;
        rows.into_iter().map(row).collect()
    }
}
