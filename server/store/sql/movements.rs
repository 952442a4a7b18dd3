//! Queries of balances and movements.

use async_trait::async_trait;
use serde_json::{Value, json};
use sqlx::QueryBuilder;
use uuid::Uuid;

use super::super::super::{
    AccountRow, LogRow, PostingFilter, ReadMovements, Receipts, Result, Standing, StoreError,
};
use super::{Db, Transaction, day, mass, place};
use crate::book::place::Place;
use crate::day::{Day, Instant};
use crate::ids::{LotId, SiteId};
use crate::mass::Mass;

type StandingColumns = (Uuid, String, Uuid, i64);

fn standing((lot, word, key, mg): StandingColumns) -> Result<Standing> {
    Ok(Standing {
        lot: LotId(lot),
        place: place(&word, key)?,
        mass: mass(mg)?,
    })
}

#[async_trait]
impl ReadMovements for Transaction {
    async fn balance(&mut self, site: SiteId, lot: LotId, at: Place) -> Result<Mass> {
        let mg: Option<i64> = sqlx::query_scalar(
            "SELECT balance_mg
             FROM account
             WHERE site = $1 AND lot = $2 AND place = $3 AND key = $4",
        )
        .bind(site.0)
        .bind(lot.0)
        .bind(at.word())
        .bind(at.key())
        .fetch_optional(&mut **self)
        .await?;
        mass(mg.unwrap_or(0))
    }

    async fn counterparts(
        &mut self,
        site: SiteId,
        lot: LotId,
        at: Place,
    ) -> Result<Vec<(Place, Mass)>> {
        let rows: Vec<(String, Uuid, i64)> = sqlx::query_as(
            "WITH change AS (
                 SELECT movement.to_account AS other, movement.mass_mg AS mg
                 FROM movement
                 JOIN account ON account.id = movement.from_account
                 WHERE account.site = $1 AND account.lot = $2 AND account.place = $3 AND account.key = $4
                 UNION ALL
                 SELECT movement.from_account, -movement.mass_mg
                 FROM movement
                 JOIN account ON account.id = movement.to_account
                 WHERE account.site = $1 AND account.lot = $2 AND account.place = $3 AND account.key = $4
             )
             SELECT account.place, account.key, CAST(SUM(change.mg) AS BIGINT)
             FROM change
             JOIN account ON account.id = change.other
             GROUP BY account.id, account.place, account.key
             HAVING SUM(change.mg) <> 0
             ORDER BY account.place, account.key",
        )
        .bind(site.0)
        .bind(lot.0)
        .bind(at.word())
        .bind(at.key())
        .fetch_all(&mut **self)
        .await?;
        rows.into_iter()
            .map(|(word, key, mg)| Ok((place(&word, key)?, mass(mg)?)))
            .collect()
    }

    async fn standing(&mut self, site: SiteId, word: &str) -> Result<Vec<Standing>> {
        let rows: Vec<StandingColumns> = sqlx::query_as(
            "SELECT lot, place, key, balance_mg
             FROM account
             WHERE site = $1 AND place = $2 AND balance_mg <> 0
             ORDER BY lot, key",
        )
        .bind(site.0)
        .bind(word.to_owned())
        .fetch_all(&mut **self)
        .await?;
        rows.into_iter().map(standing).collect()
    }

    async fn standing_of_lot(&mut self, site: SiteId, lot: LotId) -> Result<Vec<Standing>> {
        let rows: Vec<StandingColumns> = sqlx::query_as(
            "SELECT lot, place, key, balance_mg
             FROM account
             WHERE site = $1 AND lot = $2 AND balance_mg <> 0
             ORDER BY place, key",
        )
        .bind(site.0)
        .bind(lot.0)
        .fetch_all(&mut **self)
        .await?;
        rows.into_iter().map(standing).collect()
    }

    async fn standing_on(
        &mut self,
        site: SiteId,
        lot: LotId,
        on: Day,
        known: Option<i64>,
    ) -> Result<Vec<Standing>> {
        let rows = match known {
            None => standing_now(self, site, lot, on).await?,
            Some(known) => standing_then(self, site, lot, on, known).await?,
        };
        rows.into_iter().map(standing).collect()
    }

    async fn totals_on(&mut self, site: SiteId, on: Day) -> Result<Vec<(LotId, String, Mass)>> {
        let rows: Vec<(Uuid, String, i64)> = sqlx::query_as(
            "WITH change AS (
                 SELECT account, net_mg AS mg
                 FROM account_month
                 WHERE month < $2
                 UNION ALL
                 SELECT to_account, mass_mg
                 FROM movement
                 WHERE day >= $3 AND day <= $4
                 UNION ALL
                 SELECT from_account, -mass_mg
                 FROM movement
                 WHERE day >= $3 AND day <= $4
             )
             SELECT account.lot, account.place, CAST(SUM(change.mg) AS BIGINT)
             FROM change
             JOIN account ON account.id = change.account
             WHERE account.site = $1
             GROUP BY account.lot, account.place
             HAVING SUM(change.mg) <> 0
             ORDER BY account.lot, account.place",
        )
        .bind(site.0)
        .bind(on.month())
        .bind(on.month_start().to_string())
        .bind(on.to_string())
        .fetch_all(&mut **self)
        .await?;
        rows.into_iter()
            .map(|(lot, word, mg)| Ok((LotId(lot), word, mass(mg)?)))
            .collect()
    }

    async fn receipts(&mut self, site: SiteId) -> Result<Vec<Receipts>> {
        let rows: Vec<(Uuid, String, Uuid, Option<String>, i64)> = sqlx::query_as(
            "SELECT account.lot, account.place, account.key,
                    MIN(CASE WHEN posting.reverses IS NULL AND reversal.id IS NULL THEN movement.day END),
                    CAST(-account.balance_mg AS BIGINT)
             FROM account
             LEFT JOIN movement ON movement.from_account = account.id
             LEFT JOIN posting ON posting.id = movement.posting
             LEFT JOIN posting AS reversal ON reversal.reverses = posting.id
             WHERE account.site = $1 AND (account.place = 'supplier' OR (account.place = 'blended' AND account.key = account.lot))
             GROUP BY account.id, account.lot, account.place, account.key, account.balance_mg
             ORDER BY account.lot, account.id",
        )
        .bind(site.0)
        .fetch_all(&mut **self)
        .await?;
        rows.into_iter()
            .map(|(lot, word, key, first, mg)| {
                let delivery = match place(&word, key)? {
                    Place::Supplier(delivery) => Some(delivery),
                    _ => None,
                };
                Ok(Receipts {
                    lot: LotId(lot),
                    delivery,
                    first_day: first.as_deref().map(day).transpose()?,
                    mass: mass(mg)?,
                })
            })
            .collect()
    }

    async fn posting_leaves(
        &mut self,
        site: SiteId,
        filter: &PostingFilter,
        limit: i64,
    ) -> Result<Vec<LogRow>> {
        let mut query = QueryBuilder::<Db>::new(
            "SELECT log.position, log.recorded_at, log.hash, log.leaf FROM posting \
             JOIN log ON log.site = posting.site AND log.position = posting.position",
        );
        query.push(" WHERE posting.site = ").push_bind(site.0);
        query
            .push(" AND posting.position >= ")
            .push_bind(filter.from);
        if let Some(lot) = filter.lot {
            // Every movement leaves an account of its lot.
            query
                .push(
                    " AND posting.position IN (SELECT movement.position FROM account \
                     JOIN movement ON movement.from_account = account.id WHERE account.site = ",
                )
                .push_bind(site.0)
                .push(" AND account.lot = ")
                .push_bind(lot.0)
                .push(")");
        }
        if let Some(batch) = filter.batch {
            for (word, side) in [(" AND (", "from_account"), (" OR ", "to_account")] {
                query
                    .push(word)
                    .push("posting.position IN (SELECT movement.position FROM account JOIN movement ON movement.")
                    .push(side)
                    .push(" = account.id WHERE account.site = ")
                    .push_bind(site.0)
                    .push(" AND account.key = ")
                    .push_bind(batch.0)
                    .push(")");
            }
            query.push(")");
        }
        query
            .push(" ORDER BY posting.position LIMIT ")
            .push_bind(limit);
        let rows: Vec<(i64, i64, Vec<u8>, String)> =
            query.build_query_as().fetch_all(&mut **self).await?;
        Ok(rows
            .into_iter()
            .map(|(position, at, hash, leaf)| LogRow {
                position,
                recorded_at: Instant::from_ms(at),
                hash,
                leaf,
            })
            .collect())
    }

    async fn accounts(&mut self, site: SiteId) -> Result<Vec<AccountRow>> {
        let rows: Vec<(i64, Uuid, String, Uuid, i64)> = sqlx::query_as(
            "SELECT id, lot, place, key, balance_mg
             FROM account
             WHERE site = $1
             ORDER BY id",
        )
        .bind(site.0)
        .fetch_all(&mut **self)
        .await?;
        Ok(rows
            .into_iter()
            .map(|(id, lot, word, key, balance_mg)| AccountRow {
                id,
                lot: LotId(lot),
                place: (word, key),
                balance_mg,
            })
            .collect())
    }

    async fn months(&mut self, site: SiteId) -> Result<Vec<(i64, String, i64)>> {
        Ok(sqlx::query_as(
            "SELECT account_month.account, account_month.month, account_month.net_mg
             FROM account_month
             JOIN account ON account.id = account_month.account
             WHERE account.site = $1
             ORDER BY account_month.account, account_month.month",
        )
        .bind(site.0)
        .fetch_all(&mut **self)
        .await?)
    }

    async fn stored(&mut self, site: SiteId, from: i64, to: i64) -> Result<Vec<(i64, Value)>> {
        let mut stored = stored_postings(self, site, from, to).await?;
        stored.extend(stored_movements(self, site, from, to).await?);
        stored.extend(stored_weighings(self, site, from, to).await?);
        stored.extend(stored_bags(self, site, from, to).await?);
        stored.extend(stored_entries(self, site, from, to).await?);
        Ok(stored)
    }
}

/// What the movements up to a day left on each account of a lot: whole months before, then the days of its month.
async fn standing_now(
    tx: &mut Transaction,
    site: SiteId,
    lot: LotId,
    on: Day,
) -> Result<Vec<StandingColumns>> {
    Ok(sqlx::query_as(
        "WITH change AS (
                 SELECT account_month.account, account_month.net_mg AS mg
                 FROM account_month
                 JOIN account ON account.id = account_month.account
                 WHERE account.site = $1 AND account.lot = $2 AND account_month.month < $3
                 UNION ALL
                 SELECT movement.to_account, movement.mass_mg
                 FROM movement
                 JOIN account ON account.id = movement.to_account
                 WHERE account.site = $1 AND account.lot = $2 AND movement.day >= $4 AND movement.day <= $5
                 UNION ALL
                 SELECT movement.from_account, -movement.mass_mg
                 FROM movement
                 JOIN account ON account.id = movement.from_account
                 WHERE account.site = $1 AND account.lot = $2 AND movement.day >= $4 AND movement.day <= $5
             )
             SELECT account.lot, account.place, account.key, CAST(SUM(change.mg) AS BIGINT)
             FROM change
             JOIN account ON account.id = change.account
             GROUP BY account.id, account.lot, account.place, account.key
             HAVING SUM(change.mg) <> 0
             ORDER BY account.place, account.key",
    )
    .bind(site.0)
    .bind(lot.0)
    .bind(on.month())
    .bind(on.month_start().to_string())
    .bind(on.to_string())
    .fetch_all(&mut **tx)
    .await?)
}

/// The same, as the first `known` leaves say.
async fn standing_then(
    tx: &mut Transaction,
    site: SiteId,
    lot: LotId,
    on: Day,
    known: i64,
) -> Result<Vec<StandingColumns>> {
    Ok(sqlx::query_as(
        "WITH change AS (
                 SELECT movement.to_account AS account, movement.mass_mg AS mg
                 FROM movement
                 JOIN account ON account.id = movement.to_account
                 WHERE account.site = $1 AND account.lot = $2 AND movement.day <= $3 AND movement.position < $4
                 UNION ALL
                 SELECT movement.from_account, -movement.mass_mg
                 FROM movement
                 JOIN account ON account.id = movement.from_account
                 WHERE account.site = $1 AND account.lot = $2 AND movement.day <= $3 AND movement.position < $4
             )
             SELECT account.lot, account.place, account.key, CAST(SUM(change.mg) AS BIGINT)
             FROM change
             JOIN account ON account.id = change.account
             GROUP BY account.id, account.lot, account.place, account.key
             HAVING SUM(change.mg) <> 0
             ORDER BY account.place, account.key",
    )
    .bind(site.0)
    .bind(lot.0)
    .bind(on.to_string())
    .bind(known)
    .fetch_all(&mut **tx)
    .await?)
}

fn parsed(text: &str) -> Result<Value> {
    serde_json::from_str(text).map_err(|e| StoreError::Damaged(format!("no JSON: {e}")))
}

#[derive(sqlx::FromRow)]
struct PostingColumns {
    id: Uuid,
    position: i64,
    version: i64,
    kind: String,
    person: Uuid,
    device: Option<Uuid>,
    happened_at: i64,
    effective_at: i64,
    day: String,
    recorded_at: i64,
    late: bool,
    reason: Option<String>,
    card: Option<Uuid>,
    reverses: Option<Uuid>,
    facts: String,
    digest: Vec<u8>,
}

async fn stored_postings(
    tx: &mut Transaction,
    site: SiteId,
    from: i64,
    to: i64,
) -> Result<Vec<(i64, Value)>> {
    let rows: Vec<PostingColumns> = sqlx::query_as(
        "SELECT id, position, version, kind, person, device, happened_at, effective_at, day, recorded_at, late, reason, card, reverses,
                facts, digest
         FROM posting
         WHERE site = $1 AND position >= $2 AND position < $3
         ORDER BY position",
    )
    .bind(site.0)
    .bind(from)
    .bind(to)
    .fetch_all(&mut **tx)
    .await?;
    rows.into_iter()
        .map(|row| {
            let value = json!({
                "table": "posting", "id": row.id, "v": row.version, "kind": row.kind, "person": row.person, "device": row.device,
                "happened_at": row.happened_at, "effective_at": row.effective_at, "day": row.day, "recorded_at": row.recorded_at,
                "late": row.late, "reason": row.reason, "card": row.card, "reverses": row.reverses, "facts": parsed(&row.facts)?,
                "digest": hex::encode(&row.digest),
            });
            Ok((row.position, value))
        })
        .collect()
}

async fn stored_movements(
    tx: &mut Transaction,
    site: SiteId,
    from: i64,
    to: i64,
) -> Result<Vec<(i64, Value)>> {
    let rows: Vec<(i64, Uuid, i64, String, i64, i64, i64)> = sqlx::query_as(
        "SELECT movement.position, movement.posting, movement.line, movement.day, movement.from_account, movement.to_account, movement.mass_mg
         FROM movement
         JOIN posting ON posting.id = movement.posting
         WHERE posting.site = $1 AND posting.position >= $2 AND posting.position < $3
         ORDER BY posting.position, movement.line",
    )
    .bind(site.0)
    .bind(from)
    .bind(to)
    .fetch_all(&mut **tx)
    .await?;
    let value = |(position, posting, line, on, from, to, mg): (
        i64,
        Uuid,
        i64,
        String,
        i64,
        i64,
        i64,
    )| {
        let row = json!({"table": "movement", "posting": posting, "line": line, "day": on, "from": from, "to": to, "mass_mg": mg});
        (position, row)
    };
    Ok(rows.into_iter().map(value).collect())
}

#[derive(sqlx::FromRow)]
struct WeighingColumns {
    position: i64,
    posting: Uuid,
    line: i64,
    movement: i64,
    basis: String,
    source: String,
    scale: Option<Uuid>,
    unit: Option<String>,
    division_mg: Option<i64>,
    net_mg: i64,
    readings: String,
}

async fn stored_weighings(
    tx: &mut Transaction,
    site: SiteId,
    from: i64,
    to: i64,
) -> Result<Vec<(i64, Value)>> {
    let rows: Vec<WeighingColumns> = sqlx::query_as(
        "SELECT posting.position, weighing.posting, weighing.line, weighing.movement, weighing.basis, weighing.source, weighing.scale,
                weighing.unit, weighing.division_mg, weighing.net_mg, weighing.readings
         FROM weighing
         JOIN posting ON posting.id = weighing.posting
         WHERE posting.site = $1 AND posting.position >= $2 AND posting.position < $3
         ORDER BY posting.position, weighing.line",
    )
    .bind(site.0)
    .bind(from)
    .bind(to)
    .fetch_all(&mut **tx)
    .await?;
    rows.into_iter()
        .map(|row| {
            let value = json!({
                "table": "weighing", "posting": row.posting, "line": row.line, "movement": row.movement, "basis": row.basis,
                "source": row.source, "scale": row.scale, "unit": row.unit, "division_mg": row.division_mg, "net_mg": row.net_mg,
                "readings": parsed(&row.readings)?,
            });
            Ok((row.position, value))
        })
        .collect()
}

async fn stored_bags(
    tx: &mut Transaction,
    site: SiteId,
    from: i64,
    to: i64,
) -> Result<Vec<(i64, Value)>> {
    let rows: Vec<(i64, Uuid, i64, Option<Uuid>, Uuid, i64)> = sqlx::query_as(
        "SELECT posting.position, bags.posting, bags.line, bags.for_order, bags.product, bags.bags
         FROM bags
         JOIN posting ON posting.id = bags.posting
         WHERE posting.site = $1 AND posting.position >= $2 AND posting.position < $3
         ORDER BY posting.position, bags.line",
    )
    .bind(site.0)
    .bind(from)
    .bind(to)
    .fetch_all(&mut **tx)
    .await?;
    let value = |(position, posting, line, order, product, bags): (
        i64,
        Uuid,
        i64,
        Option<Uuid>,
        Uuid,
        i64,
    )| {
        let row = json!({"table": "bags", "posting": posting, "line": line, "order": order, "product": product, "bags": bags});
        (position, row)
    };
    Ok(rows.into_iter().map(value).collect())
}

#[derive(sqlx::FromRow)]
struct EntryColumns {
    id: Uuid,
    position: i64,
    version: i64,
    kind: String,
    subject: Uuid,
    act: String,
    person: Uuid,
    device: Option<Uuid>,
    happened_at: i64,
    recorded_at: i64,
    reason: Option<String>,
}

async fn stored_entries(
    tx: &mut Transaction,
    site: SiteId,
    from: i64,
    to: i64,
) -> Result<Vec<(i64, Value)>> {
    let rows: Vec<EntryColumns> = sqlx::query_as(
        "SELECT id, position, version, kind, subject, act, person, device, happened_at, recorded_at, reason
         FROM journal
         WHERE site = $1 AND position >= $2 AND position < $3
         ORDER BY position",
    )
    .bind(site.0)
    .bind(from)
    .bind(to)
    .fetch_all(&mut **tx)
    .await?;
    let value = |row: EntryColumns| {
        let value = json!({
            "table": "journal", "id": row.id, "v": row.version, "kind": row.kind, "subject": row.subject, "act": row.act,
            "person": row.person, "device": row.device, "happened_at": row.happened_at, "recorded_at": row.recorded_at, "reason": row.reason,
        });
        (row.position, value)
    };
    Ok(rows.into_iter().map(value).collect())
}
