//! Queries of what went from one kind of place to another, over many lots.

use async_trait::async_trait;
use sqlx::QueryBuilder;
use uuid::Uuid;

use super::super::super::{LotFlow, Mark, ReadFlows, Result, RoomLine, TakenIn, Within};
use super::statements::{LineColumns, line};
use super::{Db, Transaction, day, mass, place};
use crate::day::{Day, Instant};
use crate::ids::{LotId, SiteId};

type FlowColumns = (Uuid, String, String, Uuid, String, Uuid, i64);

fn flow((lot, kind, from, from_key, to, to_key, mg): FlowColumns) -> Result<LotFlow> {
    Ok(LotFlow {
        lot: LotId(lot),
        kind,
        from,
        from_key,
        to,
        to_key,
        mass: mass(mg)?,
    })
}

#[derive(sqlx::FromRow)]
struct RoomColumns {
    lot: Uuid,
    position: i64,
    from_place: String,
    from_key: Uuid,
    to_place: String,
    to_key: Uuid,
    #[sqlx(flatten)]
    line: LineColumns,
}

fn room_line(row: RoomColumns) -> Result<RoomLine> {
    Ok(RoomLine {
        lot: LotId(row.lot),
        position: row.position,
        from: place(&row.from_place, row.from_key)?,
        to: place(&row.to_place, row.to_key)?,
        line: line(row.line)?,
    })
}

/// The movements of some lots, found from their accounts; of all, in order of their days.
fn moved(query: &mut QueryBuilder<Db>, site: SiteId, within: &Within<'_>) {
    let Some(lots) = within.lots else {
        query.push("WITH moved AS (SELECT posting, line, position, day, from_account, to_account, mass_mg FROM movement)");
        return;
    };
    query
        .push("WITH store AS (SELECT id FROM account WHERE place = 'store' AND site = ")
        .push_bind(site.0)
        .push(" AND lot IN (");
    let mut list = query.separated(", ");
    for lot in lots {
        list.push_bind(lot.0);
    }
    // What goes between two storerooms is found from both sides, and is one line.
    query.push(
        ")), moved AS (SELECT posting, line, position, day, from_account, to_account, mass_mg FROM store \
         JOIN movement ON movement.from_account = store.id \
         UNION SELECT posting, line, position, day, from_account, to_account, mass_mg FROM store \
         JOIN movement ON movement.to_account = store.id)",
    );
}

/// Which of them are wanted.
fn wanted(query: &mut QueryBuilder<Db>, site: SiteId, within: &Within<'_>, after: Option<Mark>) {
    query
        .push(
            " WHERE source.id = moved.from_account AND target.id = moved.to_account AND posting.id = moved.posting \
             AND source.site = ",
        )
        .push_bind(site.0);
    match within.room {
        None => {
            query.push(" AND (source.place = 'store' OR target.place = 'store')");
        }
        Some(room) => {
            query
                .push(" AND ((source.place = 'store' AND source.key = ")
                .push_bind(room.0)
                .push(") OR (target.place = 'store' AND target.key = ")
                .push_bind(room.0)
                .push("))");
        }
    }
    if let Some(from) = within.from {
        query.push(" AND moved.day >= ").push_bind(from.to_string());
    }
    query
        .push(" AND moved.day <= ")
        .push_bind(within.to.to_string());
    if let Some(known) = within.known {
        query.push(" AND moved.position < ").push_bind(known);
    }
    if let Some((day, position, line)) = after {
        query
            .push(" AND (moved.day, moved.position, moved.line) > (")
            .push_bind(day.to_string())
            .push(", ")
            .push_bind(position)
            .push(", ")
            .push_bind(line)
            .push(")");
    }
}

#[async_trait]
impl ReadFlows for Transaction {
    async fn flows_on(
        &mut self,
        site: SiteId,
        on: Day,
        known: Option<i64>,
    ) -> Result<Vec<LotFlow>> {
        // What was recorded after the first `known` leaves is taken off again. The joins are crossed so that SQLite begins with the movements,
        // which are few.
        let rows: Vec<FlowColumns> = sqlx::query_as(
            "WITH moved AS (
                 SELECT posting, from_account, to_account, mass_mg
                 FROM movement
                 WHERE day >= $3 AND day <= $4
                 UNION ALL
                 SELECT posting, from_account, to_account, -mass_mg
                 FROM movement
                 WHERE day <= $7 AND position >= $5
             ), flow AS (
                 SELECT lot, kind, from_place, from_key, to_place, to_key, mass_mg
                 FROM flow_month
                 WHERE site = $1 AND month < $2
                 UNION ALL
                 SELECT source.lot, COALESCE(undone.kind, posting.kind),
                        source.place, CASE WHEN source.place IN ('blended', 'store') THEN source.key ELSE $6 END,
                        target.place, CASE WHEN target.place IN ('blended', 'store') THEN target.key ELSE $6 END, moved.mass_mg
                 FROM moved
                 CROSS JOIN account AS source
                 CROSS JOIN account AS target
                 CROSS JOIN posting
                 LEFT JOIN posting AS undone ON undone.id = posting.reverses
                 WHERE source.id = moved.from_account AND target.id = moved.to_account AND posting.id = moved.posting
                   AND source.site = $1
             )
             SELECT lot, kind, from_place, from_key, to_place, to_key, CAST(SUM(mass_mg) AS BIGINT)
             FROM flow
             GROUP BY lot, kind, from_place, from_key, to_place, to_key
             HAVING SUM(mass_mg) <> 0
             ORDER BY lot, kind, from_place, from_key, to_place, to_key",
        )
        .bind(site.0)
        .bind(on.month())
        .bind(on.month_start().to_string())
        .bind(on.to_string())
        .bind(known.unwrap_or(i64::MAX))
        .bind(Uuid::nil())
        .bind(known.map(|_| on.to_string()).unwrap_or_default())
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter().map(flow).collect()
    }

    async fn first_came(&mut self, site: SiteId, known: Option<i64>) -> Result<Vec<(LotId, Day)>> {
        // By the lots: there are few of them, and many accounts.
        let rows: Vec<(Uuid, String)> = sqlx::query_as(
            "SELECT account.lot, MIN(movement.day)
             FROM record
             CROSS JOIN account
             JOIN movement ON movement.from_account = account.id
             JOIN posting ON posting.id = movement.posting
             LEFT JOIN posting AS reversal ON reversal.reverses = posting.id AND reversal.position < $2
             WHERE record.kind = 'lot' AND record.site = $1 AND account.site = $1 AND account.lot = record.id
               AND account.place IN ('supplier', 'blended', 'transit')
               AND posting.reverses IS NULL AND reversal.id IS NULL AND movement.position < $2
             GROUP BY account.lot
             ORDER BY account.lot",
        )
        .bind(site.0)
        .bind(known.unwrap_or(i64::MAX))
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter()
            .map(|(lot, first)| Ok((LotId(lot), day(&first)?)))
            .collect()
    }

    async fn taken_in(&mut self, from: SiteId) -> Result<Vec<TakenIn>> {
        let rows: Vec<(Uuid, Uuid, i64, i64, String)> = sqlx::query_as(
            "WITH way AS (
                 SELECT given.lot, taken.id
                 FROM account AS given
                 JOIN account AS taken ON taken.key = given.key AND taken.place = 'transit' AND taken.site <> given.site
                 WHERE given.site = $1 AND given.place = 'transit' AND given.balance_mg <> 0
             ), moved AS (
                 SELECT way.lot, movement.posting, movement.mass_mg
                 FROM way
                 JOIN movement ON movement.from_account = way.id
                 UNION ALL
                 SELECT way.lot, movement.posting, -movement.mass_mg
                 FROM way
                 JOIN movement ON movement.to_account = way.id
             )
             SELECT moved.lot, posting.site, moved.mass_mg, posting.recorded_at, COALESCE(undone.facts, posting.facts)
             FROM moved
             JOIN posting ON posting.id = moved.posting
             LEFT JOIN posting AS undone ON undone.id = posting.reverses
             WHERE COALESCE(undone.kind, posting.kind) = 'arrive'
             ORDER BY posting.recorded_at, posting.id",
        )
        .bind(from.0)
        .fetch_all(self.now().await?)
        .await?;
        rows.into_iter()
            .map(|(lot, by, mg, recorded_at, facts)| {
                Ok(TakenIn {
                    lot: LotId(lot),
                    by: SiteId(by),
                    mass: mass(mg)?,
                    recorded_at: Instant::from_ms(recorded_at),
                    facts,
                })
            })
            .collect()
    }

    async fn room_lines(
        &mut self,
        site: SiteId,
        within: &Within<'_>,
        after: Option<Mark>,
        limit: i64,
    ) -> Result<Vec<RoomLine>> {
        let mut query = QueryBuilder::<Db>::new("");
        moved(&mut query, site, within);
        query.push(
            " SELECT source.lot, moved.position, source.place AS from_place, source.key AS from_key, target.place AS to_place, \
             target.key AS to_key, moved.posting, moved.line, moved.day, posting.kind, undone.kind AS undoes, \
             reversal.id IS NOT NULL AS undone, posting.happened_at, posting.recorded_at, posting.late, posting.reason, \
             moved.from_account, moved.to_account, moved.mass_mg \
             FROM moved CROSS JOIN account AS source CROSS JOIN account AS target CROSS JOIN posting \
             LEFT JOIN posting AS undone ON undone.id = posting.reverses \
             LEFT JOIN posting AS reversal ON reversal.reverses = moved.posting AND reversal.position < ",
        );
        query.push_bind(within.known.unwrap_or(i64::MAX));
        wanted(&mut query, site, within, after);
        query
            .push(" ORDER BY moved.day, moved.position, moved.line LIMIT ")
            .push_bind(limit);
        let rows: Vec<RoomColumns> = query.build_query_as().fetch_all(self.now().await?).await?;
        rows.into_iter().map(room_line).collect()
    }
}
