//! What is stored, as it is stored: for verifying.

use async_trait::async_trait;
use serde_json::{Value, json};
use uuid::Uuid;

use super::super::super::{AccountRow, ReadStored, Result, StoredCommand, StoredFlow};
use super::Transaction;
use crate::ids::{LotId, SiteId};

#[async_trait]
impl ReadStored for Transaction {
    async fn accounts(&mut self, site: SiteId) -> Result<Vec<AccountRow>> {
        let rows: Vec<(i64, Uuid, String, Uuid, i64)> = sqlx::query_as(
            "SELECT id, lot, place, key, balance_mg
             FROM account
             WHERE site = $1
             ORDER BY id",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
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
        .fetch_all(self.now().await?)
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

    async fn stored_records(
        &mut self,
        site: SiteId,
        after: Option<Uuid>,
        limit: i64,
    ) -> Result<Vec<Value>> {
        type Columns = (Uuid, String, i64, Option<String>, Option<String>, String);
        let rows: Vec<Columns> = sqlx::query_as(
            "SELECT id, kind, revision, label, day, body
             FROM record
             WHERE site = $1 AND id > $2
             ORDER BY id
             LIMIT $3",
        )
        .bind(site.0)
        .bind(after.unwrap_or_default())
        .bind(limit)
        .fetch_all(self.now().await?)
        .await?;
        let value = |(id, kind, revision, label, day, body): Columns| json!({"id": id, "kind": kind, "revision": revision, "label": label, "day": day, "body": body});
        Ok(rows.into_iter().map(value).collect())
    }

    async fn stored_links(&mut self, site: SiteId) -> Result<Vec<(Uuid, Uuid)>> {
        Ok(sqlx::query_as(
            "SELECT record_link.record, record_link.names
             FROM record_link
             JOIN record ON record.id = record_link.record
             WHERE record.site = $1
             ORDER BY record_link.record, record_link.names",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
        .await?)
    }

    async fn stored_closings(&mut self, site: SiteId) -> Result<Vec<Value>> {
        type Columns = (Uuid, i64, Option<String>, String, i32);
        let rows: Vec<Columns> = sqlx::query_as(
            "SELECT id, position, from_day, to_day, CAST(reopened AS INTEGER)
             FROM closing
             WHERE site = $1
             ORDER BY position",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
        .await?;
        let value = |(id, position, from, to, reopened): Columns| json!({"id": id, "position": position, "from_day": from, "to_day": to, "reopened": reopened});
        Ok(rows.into_iter().map(value).collect())
    }

    async fn stored_batches(
        &mut self,
        site: SiteId,
        after: Option<Uuid>,
        limit: i64,
    ) -> Result<Vec<Value>> {
        let rows: Vec<BatchColumns> = sqlx::query_as(
            "SELECT id, lot, style, roaster, card, state, CAST(held AS INTEGER) AS held, day, out_minute, steps
             FROM batch
             WHERE site = $1 AND id > $2
             ORDER BY id
             LIMIT $3",
        )
        .bind(site.0)
        .bind(after.unwrap_or_default())
        .bind(limit)
        .fetch_all(self.now().await?)
        .await?;
        let value = |row: BatchColumns| {
            json!({
                "id": row.id, "lot": row.lot, "style": row.style, "roaster": row.roaster, "card": row.card, "state": row.state,
                "held": row.held, "day": row.day, "out_minute": row.out_minute, "steps": row.steps,
            })
        };
        Ok(rows.into_iter().map(value).collect())
    }

    async fn stored_commands(
        &mut self,
        site: SiteId,
        after: Option<Uuid>,
        limit: i64,
    ) -> Result<Vec<StoredCommand>> {
        let rows: Vec<(Uuid, Vec<u8>, String, Vec<u8>)> = sqlx::query_as(
            "SELECT id, digest, answer, answer_hash
             FROM command
             WHERE site = $1 AND id > $2
             ORDER BY id
             LIMIT $3",
        )
        .bind(site.0)
        .bind(after.unwrap_or_default())
        .bind(limit)
        .fetch_all(self.now().await?)
        .await?;
        let command = |(id, digest, answer, answer_hash)| StoredCommand {
            id,
            digest,
            answer,
            answer_hash,
        };
        Ok(rows.into_iter().map(command).collect())
    }

    async fn stored_counts(&mut self, site: SiteId) -> Result<Vec<Value>> {
        let rows: Vec<(Uuid, String, i64, String)> = sqlx::query_as(
            "SELECT id, state, frozen_at, steps
             FROM count_session
             WHERE site = $1
             ORDER BY id",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
        .await?;
        let value = |(id, state, frozen_at, steps)| json!({"id": id, "state": state, "frozen_at": frozen_at, "steps": steps});
        Ok(rows.into_iter().map(value).collect())
    }

    async fn stored_flows(&mut self, site: SiteId) -> Result<Vec<StoredFlow>> {
        type Columns = (Uuid, String, String, Uuid, String, Uuid, String, i64);
        let rows: Vec<Columns> = sqlx::query_as(
            "SELECT lot, kind, from_place, from_key, to_place, to_key, month, mass_mg
             FROM flow_month
             WHERE site = $1
             ORDER BY lot, kind, from_place, from_key, to_place, to_key, month",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
        .await?;
        let flow = |(lot, kind, from, from_key, to, to_key, month, mg): Columns| {
            ((lot, kind, from, from_key, to, to_key, month), mg)
        };
        Ok(rows.into_iter().map(flow).collect())
    }

    async fn strays(&mut self) -> Result<Vec<(String, i64)>> {
        Ok(sqlx::query_as(
            "WITH sited AS (
                 SELECT 'log' AS name, site FROM log
                 UNION ALL SELECT 'command', site FROM command
                 UNION ALL SELECT 'record', site FROM record
                 UNION ALL SELECT 'posting', site FROM posting
                 UNION ALL SELECT 'account', site FROM account
                 UNION ALL SELECT 'journal', site FROM journal
                 UNION ALL SELECT 'closing', site FROM closing
                 UNION ALL SELECT 'batch', site FROM batch
                 UNION ALL SELECT 'unsettled', site FROM unsettled
                 UNION ALL SELECT 'flow_month', site FROM flow_month
                 UNION ALL SELECT 'count_session', site FROM count_session
             )
             SELECT name, COUNT(*)
             FROM sited
             WHERE site NOT IN (SELECT site FROM log_head)
             GROUP BY name
             ORDER BY name",
        )
        .fetch_all(self.now().await?)
        .await?)
    }

    async fn stored_unsettled(&mut self, site: SiteId) -> Result<Vec<Value>> {
        let rows: Vec<UnsettledColumns> = sqlx::query_as(
            "SELECT id, command, person, device, received_at, body, problem, settled_at, settled_how
             FROM unsettled
             WHERE site = $1
             ORDER BY id",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
        .await?;
        let value = |row: UnsettledColumns| {
            json!({
                "id": row.id, "command": row.command, "person": row.person, "device": row.device, "received_at": row.received_at,
                "body": row.body, "problem": row.problem, "settled_at": row.settled_at, "settled_how": row.settled_how,
            })
        };
        Ok(rows.into_iter().map(value).collect())
    }
}

#[derive(sqlx::FromRow)]
struct BatchColumns {
    id: Uuid,
    lot: Uuid,
    style: Uuid,
    roaster: Uuid,
    card: Option<Uuid>,
    state: String,
    held: i32,
    day: String,
    out_minute: Option<i64>,
    steps: String,
}

#[derive(sqlx::FromRow)]
struct UnsettledColumns {
    id: Uuid,
    command: String,
    person: Uuid,
    device: Option<Uuid>,
    received_at: i64,
    body: String,
    problem: String,
    settled_at: Option<i64>,
    settled_how: Option<String>,
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
    late: i32,
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
        "SELECT id, position, version, kind, person, device, happened_at, effective_at, day, recorded_at, CAST(late AS INTEGER) AS late, reason, card, reverses,
                facts, digest
         FROM posting
         WHERE site = $1 AND position >= $2 AND position < $3
         ORDER BY position",
    )
    .bind(site.0)
    .bind(from)
    .bind(to)
    .fetch_all(tx.now().await?)
    .await?;
    rows.into_iter()
        .map(|row| {
            let value = json!({
                "table": "posting", "id": row.id, "v": row.version, "kind": row.kind, "person": row.person, "device": row.device,
                "happened_at": row.happened_at, "effective_at": row.effective_at, "day": row.day, "recorded_at": row.recorded_at,
                "late": row.late, "reason": row.reason, "card": row.card, "reverses": row.reverses, "facts": row.facts,
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
    .fetch_all(tx.now().await?)
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
    .fetch_all(tx.now().await?)
    .await?;
    rows.into_iter()
        .map(|row| {
            let value = json!({
                "table": "weighing", "posting": row.posting, "line": row.line, "movement": row.movement, "basis": row.basis,
                "source": row.source, "scale": row.scale, "unit": row.unit, "division_mg": row.division_mg, "net_mg": row.net_mg,
                "readings": row.readings,
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
    type Columns = (
        i64,
        Uuid,
        i64,
        Option<Uuid>,
        Uuid,
        i64,
        Option<String>,
        Option<Uuid>,
    );
    let rows: Vec<Columns> = sqlx::query_as(
        "SELECT posting.position, bags.posting, bags.line, bags.for_order, bags.product, bags.bags, bags.grind, bags.from_packing
         FROM bags
         JOIN posting ON posting.id = bags.posting
         WHERE posting.site = $1 AND posting.position >= $2 AND posting.position < $3
         ORDER BY posting.position, bags.line",
    )
    .bind(site.0)
    .bind(from)
    .bind(to)
    .fetch_all(tx.now().await?)
    .await?;
    let value = |(position, posting, line, order, product, bags, grind, packing): Columns| {
        let row = json!({
            "table": "bags", "posting": posting, "line": line, "order": order, "product": product, "bags": bags, "grind": grind,
            "packing": packing,
        });
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
    .fetch_all(tx.now().await?)
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
