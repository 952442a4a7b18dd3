//! Queries of balances and movements.

use async_trait::async_trait;
use serde::Deserialize;
use sqlx::QueryBuilder;
use uuid::Uuid;

use super::super::super::{
    LogRow, PostingFilter, ReadMovements, Receipts, Result, Sendings, Standing, StoreError,
};
use super::{Db, Transaction, day, mass, place};
use crate::book::place::Place;
use crate::day::{Day, Instant};
use crate::ids::{LotId, PostingId, SiteId};
use crate::mass::Mass;

type StandingColumns = (Uuid, String, Uuid, i64);

/// The day from which coffee ages as the facts of its arrival say, if it was received elsewhere before that day.
fn said_age(facts: &str) -> Result<Option<Day>> {
    #[derive(Deserialize)]
    struct Facts {
        ages_from: Option<Day>,
    }
    let facts: Facts = serde_json::from_str(facts)
        .map_err(|e| StoreError::Damaged(format!("no facts of an arrival: {e}")))?;
    Ok(facts.ages_from)
}

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
        if let Some(known) = self.known.balance(site, lot, at) {
            return Ok(known);
        }
        let mg: Option<i64> = sqlx::query_scalar(
            "SELECT balance_mg
             FROM account
             WHERE site = $1 AND lot = $2 AND place = $3 AND key = $4",
        )
        .bind(site.0)
        .bind(lot.0)
        .bind(at.word())
        .bind(at.key())
        .fetch_optional(self.now().await?)
        .await?;
        let found = mass(mg.unwrap_or(0))?;
        self.known.set_balance(site, lot, at, found);
        Ok(found)
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
        .fetch_all(self.now().await?)
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
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter().map(standing).collect()
    }

    async fn standing_at(&mut self, site: SiteId, at: Place) -> Result<Vec<Standing>> {
        let rows: Vec<StandingColumns> = sqlx::query_as(
            "SELECT lot, place, key, balance_mg
             FROM account
             WHERE key = $2 AND place = $3 AND site = $1 AND balance_mg <> 0
             ORDER BY lot",
        )
        .bind(site.0)
        .bind(at.key())
        .bind(at.word())
        .fetch_all(self.now().await?)
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
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter().map(standing).collect()
    }

    async fn in_store(&mut self, site: SiteId, lot: LotId) -> Result<bool> {
        let found: Option<i32> = sqlx::query_scalar(
            "SELECT 1
             FROM account
             WHERE site = $1 AND lot = $2 AND place = 'store' AND balance_mg <> 0
             LIMIT 1",
        )
        .bind(site.0)
        .bind(lot.0)
        .fetch_optional(self.now().await?)
        .await?;
        Ok(found.is_some())
    }

    async fn standing_on(
        &mut self,
        site: SiteId,
        lot: LotId,
        word: Option<&str>,
        on: Day,
        known: Option<i64>,
    ) -> Result<Vec<Standing>> {
        // A range of words can be looked up where a choice of one or all cannot.
        let words = word
            .map_or(["", "~"], |word| [word, word])
            .map(str::to_owned);
        let rows = standing_on(self, site, lot, words, on, known).await?;
        rows.into_iter().map(standing).collect()
    }

    async fn green_used(&mut self, site: SiteId, from: Day) -> Result<Vec<(LotId, Day, Mass)>> {
        let rows: Vec<(Uuid, String, i64)> = sqlx::query_as(
            "WITH store AS (
                 SELECT account.id, account.lot
                 FROM record
                 CROSS JOIN account
                 WHERE record.site = $1 AND record.kind = 'lot'
                   AND account.site = $1 AND account.lot = record.id AND account.place = 'store'
             ), change AS (
                 SELECT store.lot, movement.day, movement.mass_mg AS mg
                 FROM store
                 JOIN movement ON movement.from_account = store.id AND movement.day >= $2
                 JOIN account ON account.id = movement.to_account
                 WHERE account.place IN ('batch', 'sample', 'waste', 'blended')
                 UNION ALL
                 SELECT store.lot, movement.day, -movement.mass_mg
                 FROM store
                 JOIN movement ON movement.to_account = store.id AND movement.day >= $2
                 JOIN account ON account.id = movement.from_account
                 WHERE account.place IN ('batch', 'sample', 'waste')
             )
             SELECT lot, day, CAST(SUM(mg) AS BIGINT)
             FROM change
             GROUP BY lot, day
             ORDER BY lot, day",
        )
        .bind(site.0)
        .bind(from.to_string())
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter()
            .map(|(lot, on, mg)| Ok((LotId(lot), day(&on)?, mass(mg)?)))
            .collect()
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
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter()
            .map(|(lot, word, mg)| Ok((LotId(lot), word, mass(mg)?)))
            .collect()
    }

    async fn receipts(&mut self, site: SiteId, lot: Option<LotId>) -> Result<Vec<Receipts>> {
        type Columns = (Uuid, String, Uuid, Option<String>, Option<String>, i64);
        if let Some(known) = lot.and_then(|lot| self.known.receipts(site, lot)) {
            return Ok(known.clone());
        }
        let mut query = QueryBuilder::<Db>::new(
            "SELECT account.lot, account.place, account.key,
                    MIN(CASE WHEN posting.reverses IS NULL AND reversal.id IS NULL THEN movement.day END),
                    MIN(CASE WHEN posting.reverses IS NULL AND reversal.id IS NULL AND account.place = 'transit' THEN posting.facts END),
                    CAST(-account.balance_mg AS BIGINT)
             FROM record
             CROSS JOIN account
             LEFT JOIN movement ON movement.from_account = account.id
             LEFT JOIN posting ON posting.id = movement.posting
             LEFT JOIN posting AS reversal ON reversal.reverses = posting.id
             WHERE record.kind = 'lot' AND record.site = ",
        );
        query.push_bind(site.0);
        if let Some(lot) = lot {
            query.push(" AND record.id = ").push_bind(lot.0);
        }
        // By the lots: there are few of them, and many accounts.
        query.push(" AND account.site = ").push_bind(site.0).push(
            " AND account.lot = record.id AND account.place IN ('supplier', 'blended', 'transit')
                  AND (account.place = 'supplier' OR (account.place = 'blended' AND account.key = account.lot)
                       OR (account.place = 'transit' AND account.balance_mg < 0))",
        );
        query.push(
            " GROUP BY account.id, account.lot, account.place, account.key, account.balance_mg
             ORDER BY account.lot, account.id",
        );
        let rows: Vec<Columns> = query.build_query_as().fetch_all(self.now().await?).await?;
        let found = rows
            .into_iter()
            .map(|(lot, word, key, first, arrival, mg)| {
                let first_day = first.as_deref().map(day).transpose()?;
                // What was sent is taken in once, so there is one such posting.
                let said = arrival.as_deref().map(said_age).transpose()?.flatten();
                Ok(Receipts {
                    lot: LotId(lot),
                    from: place(&word, key)?,
                    first_day,
                    ages_from: said.or(first_day),
                    mass: mass(mg)?,
                })
            })
            .collect::<Result<Vec<_>>>()?;
        if let Some(lot) = lot {
            self.known.set_receipts(site, lot, &found);
        }
        Ok(found)
    }

    async fn in_transit(&mut self, which: Sendings) -> Result<Vec<(SiteId, Standing)>> {
        let mut query = QueryBuilder::<Db>::new(
            "SELECT site, lot, place, key, balance_mg
             FROM account
             WHERE place = 'transit' AND balance_mg <> 0",
        );
        match which {
            Sendings::All => {}
            Sendings::One(sending) => {
                query.push(" AND key = ").push_bind(sending.0);
            }
            Sendings::Of(site) => {
                // What is on its way to a site has no account there yet.
                query
                    .push(
                        " AND key IN (SELECT key FROM account WHERE place = 'transit' AND balance_mg <> 0
                          GROUP BY key
                          HAVING SUM(balance_mg) <> 0 OR MAX(CASE WHEN site = ",
                    )
                    .push_bind(site.0)
                    .push(" THEN 1 ELSE 0 END) = 1)");
            }
        }
        query.push(" ORDER BY key, site, lot");
        let rows: Vec<(Uuid, Uuid, String, Uuid, i64)> =
            query.build_query_as().fetch_all(self.now().await?).await?;
        rows.into_iter()
            .map(|(site, lot, word, key, mg)| Ok((SiteId(site), standing((lot, word, key, mg))?)))
            .collect()
    }

    async fn arrival_of(&mut self, site: SiteId, sending: PostingId) -> Result<Option<PostingId>> {
        let found: Option<Uuid> = sqlx::query_scalar(
            "SELECT posting.id
             FROM account
             JOIN movement ON movement.from_account = account.id
             JOIN posting ON posting.id = movement.posting
             LEFT JOIN posting AS reversal ON reversal.reverses = posting.id
             WHERE account.key = $2 AND account.place = 'transit' AND account.site = $1 AND posting.kind = 'arrive' AND reversal.id IS NULL",
        )
        .bind(site.0)
        .bind(sending.0)
        .fetch_optional(self.now().await?)
        .await?;
        Ok(found.map(PostingId))
    }

    async fn same_lot(&mut self, lot: LotId, site: SiteId) -> Result<Option<LotId>> {
        let found: Option<Uuid> = sqlx::query_scalar(
            "WITH RECURSIVE same (lot, site) AS (
                 SELECT lot, site
                 FROM account
                 WHERE lot = $1 AND place = 'transit'
                 UNION
                 SELECT there.lot, there.site
                 FROM same
                 JOIN account AS here ON here.lot = same.lot AND here.place = 'transit'
                 JOIN account AS there ON there.key = here.key AND there.place = 'transit' AND there.lot <> here.lot
             )
             SELECT lot
             FROM same
             WHERE site = $2 AND lot <> $1
             ORDER BY lot
             LIMIT 1",
        )
        .bind(lot.0)
        .bind(site.0)
        .fetch_optional(self.now().await?)
        .await?;
        Ok(found.map(LotId))
    }

    async fn posting_leaves(
        &mut self,
        site: SiteId,
        filter: &PostingFilter,
        limit: i64,
    ) -> Result<Vec<LogRow>> {
        let mut query = QueryBuilder::<Db>::new("");
        if let Some(batch) = filter.batch {
            // From the few accounts of that key, on whichever side, and on from there: said in the order of the joins.
            for (word, side) in [
                ("WITH moved AS (", "from_account"),
                (" UNION ", "to_account"),
            ] {
                query
                    .push(word)
                    .push("SELECT movement.posting FROM account JOIN movement ON movement.")
                    .push(side)
                    .push(" = account.id WHERE account.key = ")
                    .push_bind(batch.0);
            }
            query.push(") ");
        }
        query
            .push("SELECT log.position, log.recorded_at, log.hash, log.leaf FROM ")
            .push(filter.batch.map_or("", |_| "moved CROSS JOIN "))
            .push("posting JOIN log ON log.site = posting.site AND log.position = posting.position WHERE ")
            .push(filter.batch.map_or("", |_| "posting.id = moved.posting AND "))
            .push("posting.site = ")
            .push_bind(site.0)
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
        query
            .push(" ORDER BY posting.position LIMIT ")
            .push_bind(limit);
        let rows: Vec<(i64, i64, Vec<u8>, String)> =
            query.build_query_as().fetch_all(self.now().await?).await?;
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
}

/// What the movements up to a day left on each account of a lot: whole months before, then the days of its month, and what is added to them.
macro_rules! standing_on {
    ($more:literal) => {
        concat!(
            "WITH change AS (
                 SELECT account_month.account, account_month.net_mg AS mg
                 FROM account_month
                 JOIN account ON account.id = account_month.account
                 WHERE account.site = $1 AND account.lot = $2 AND account.place >= $6 AND account.place <= $7
                   AND account_month.month < $3
                 UNION ALL
                 SELECT movement.to_account, movement.mass_mg
                 FROM movement
                 JOIN account ON account.id = movement.to_account
                 WHERE account.site = $1 AND account.lot = $2 AND account.place >= $6 AND account.place <= $7
                   AND movement.day >= $4 AND movement.day <= $5
                 UNION ALL
                 SELECT movement.from_account, -movement.mass_mg
                 FROM movement
                 JOIN account ON account.id = movement.from_account
                 WHERE account.site = $1 AND account.lot = $2 AND account.place >= $6 AND account.place <= $7
                   AND movement.day >= $4 AND movement.day <= $5 ",
            $more,
            ")
             SELECT account.lot, account.place, account.key, CAST(SUM(change.mg) AS BIGINT)
             FROM change
             JOIN account ON account.id = change.account
             GROUP BY account.id, account.lot, account.place, account.key
             HAVING SUM(change.mg) <> 0
             ORDER BY account.place, account.key"
        )
    };
}

const STANDING_NOW: &str = standing_on!("");

/// Off again comes what was recorded after the first leaves.
const STANDING_THEN: &str = standing_on!(
    "UNION ALL
     SELECT movement.to_account, -movement.mass_mg
     FROM movement
     JOIN account ON account.id = movement.to_account
     WHERE account.site = $1 AND account.lot = $2 AND account.place >= $6 AND account.place <= $7
       AND movement.day <= $5 AND movement.position >= $8
     UNION ALL
     SELECT movement.from_account, movement.mass_mg
     FROM movement
     JOIN account ON account.id = movement.from_account
     WHERE account.site = $1 AND account.lot = $2 AND account.place >= $6 AND account.place <= $7
       AND movement.day <= $5 AND movement.position >= $8"
);

async fn standing_on(
    tx: &mut Transaction,
    site: SiteId,
    lot: LotId,
    [first, last]: [String; 2],
    on: Day,
    known: Option<i64>,
) -> Result<Vec<StandingColumns>> {
    let text = known.map_or(STANDING_NOW, |_| STANDING_THEN);
    let query = sqlx::query_as(text)
        .bind(site.0)
        .bind(lot.0)
        .bind(on.month())
        .bind(on.month_start().to_string())
        .bind(on.to_string())
        .bind(first)
        .bind(last);
    let query = match known {
        Some(known) => query.bind(known),
        None => query,
    };
    Ok(query.fetch_all(tx.now().await?).await?)
}
