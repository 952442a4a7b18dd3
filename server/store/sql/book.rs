//! Queries of the log, its commands and what follows from postings.

use std::collections::{BTreeMap, HashMap};

use async_trait::async_trait;
use sqlx::QueryBuilder;
use uuid::Uuid;

use super::super::super::{
    Change, ClosingRow, CommandRow, HeadRow, JournalFilter, JournalRow, LogRow, ReadBook, Result,
    StoreError, UnsettledRow, WriteBook,
};
use super::super::{AROUND_HEAD, LOCK_HEAD, LOCK_SITES};
use super::known::Known;
use super::{Db, ROWS, Transaction, day, mass, number, place};
use crate::book::canonical;
use crate::book::leaf::{Act, Closing, Entry, Kind, Movement, Posting};
use crate::book::merkle::Hash;
use crate::day::Instant;
use crate::ids::{LotId, PostingId, SiteId};
use crate::mass::Mass;

const POSTING: &str = "posting (id, site, position, version, kind, person, device, happened_at, effective_at, day, recorded_at, late, reason, \
                       card, reverses, facts, digest)";
const ENTRY: &str = "journal (id, site, position, version, kind, subject, act, person, device, happened_at, recorded_at, reason)";

type HeadColumns = (i64, i64, Vec<u8>, Vec<u8>);

fn head_row((size, recorded_at, frontier, root): HeadColumns) -> HeadRow {
    HeadRow {
        size,
        recorded_at: Instant::from_ms(recorded_at),
        frontier,
        root,
    }
}

#[async_trait]
impl ReadBook for Transaction {
    async fn sites(&mut self) -> Result<Vec<SiteId>> {
        let rows: Vec<Uuid> = sqlx::query_scalar(
            "SELECT site
             FROM log_head
             ORDER BY site",
        )
        .fetch_all(self.now().await?)
        .await?;
        Ok(rows.into_iter().map(SiteId).collect())
    }

    async fn log_sizes(&mut self) -> Result<Vec<(SiteId, i64)>> {
        let rows: Vec<(Uuid, i64)> = sqlx::query_as(
            "SELECT site, size
             FROM log_head
             ORDER BY site",
        )
        .fetch_all(self.now().await?)
        .await?;
        Ok(rows
            .into_iter()
            .map(|(site, size)| (SiteId(site), size))
            .collect())
    }

    async fn went_between(&mut self, site: SiteId, from: i64) -> Result<bool> {
        let went: i64 = sqlx::query_scalar(
            "SELECT COUNT(*)
             FROM posting
             LEFT JOIN posting AS undone ON undone.id = posting.reverses
             WHERE posting.site = $1 AND posting.position >= $2
               AND COALESCE(undone.kind, posting.kind) IN ('dispatch', 'arrive')",
        )
        .bind(site.0)
        .bind(from)
        .fetch_one(self.now().await?)
        .await?;
        Ok(went > 0)
    }

    async fn head(&mut self, site: SiteId) -> Result<Option<HeadRow>> {
        if let Some(known) = self.known.head(site) {
            return Ok(Some(known.clone()));
        }
        let row: Option<HeadColumns> = sqlx::query_as(
            "SELECT size, recorded_at, frontier, root
             FROM log_head
             WHERE site = $1",
        )
        .bind(site.0)
        .fetch_optional(self.now().await?)
        .await?;
        Ok(row.map(head_row))
    }

    async fn leaves(&mut self, site: SiteId, from: i64, limit: i64) -> Result<Vec<LogRow>> {
        let rows: Vec<(i64, i64, Vec<u8>, String)> = sqlx::query_as(
            "SELECT position, recorded_at, hash, leaf
             FROM log
             WHERE site = $1 AND position >= $2
             ORDER BY position
             LIMIT $3",
        )
        .bind(site.0)
        .bind(from)
        .bind(limit)
        .fetch_all(self.now().await?)
        .await?;
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

    async fn size_at(&mut self, site: SiteId, at: Instant) -> Result<i64> {
        let last: Option<i64> = sqlx::query_scalar(
            "SELECT MAX(position)
             FROM log
             WHERE site = $1 AND recorded_at <= $2",
        )
        .bind(site.0)
        .bind(at.ms())
        .fetch_one(self.now().await?)
        .await?;
        Ok(last.map_or(0, |position| position + 1))
    }

    async fn is_new(&mut self, id: Uuid) -> Result<bool> {
        let sent: bool = sqlx::query_scalar(
            "SELECT EXISTS (SELECT 1 FROM command WHERE id = $1)
                 OR EXISTS (SELECT 1 FROM unsettled WHERE id = $1)",
        )
        .bind(id)
        .fetch_one(self.now().await?)
        .await?;
        Ok(!sent)
    }

    async fn command(&mut self, id: Uuid) -> Result<Option<CommandRow>> {
        let row: Option<(Vec<u8>, String)> = sqlx::query_as(
            "SELECT digest, answer
             FROM command
             WHERE id = $1",
        )
        .bind(id)
        .fetch_optional(self.now().await?)
        .await?;
        Ok(row.map(|(digest, answer)| CommandRow { digest, answer }))
    }

    async fn posting_leaf(&mut self, site: SiteId, id: PostingId) -> Result<Option<String>> {
        Ok(sqlx::query_scalar(
            "SELECT log.leaf
             FROM posting
             JOIN log ON log.site = posting.site AND log.position = posting.position
             WHERE posting.id = $1 AND posting.site = $2",
        )
        .bind(id.0)
        .bind(site.0)
        .fetch_optional(self.now().await?)
        .await?)
    }

    async fn entry_leaf(&mut self, site: SiteId, id: Uuid) -> Result<Option<String>> {
        Ok(sqlx::query_scalar(
            "SELECT log.leaf
             FROM journal
             JOIN log ON log.site = journal.site AND log.position = journal.position
             WHERE journal.id = $1 AND journal.site = $2",
        )
        .bind(id)
        .bind(site.0)
        .fetch_optional(self.now().await?)
        .await?)
    }

    async fn reversal_of(&mut self, id: PostingId) -> Result<Option<PostingId>> {
        let row: Option<Uuid> = sqlx::query_scalar(
            "SELECT id
             FROM posting
             WHERE reverses = $1",
        )
        .bind(id.0)
        .fetch_optional(self.now().await?)
        .await?;
        Ok(row.map(PostingId))
    }

    async fn journal(
        &mut self,
        site: SiteId,
        filter: &JournalFilter,
        limit: i64,
    ) -> Result<Vec<JournalRow>> {
        // Only what is asked for is a condition, so that each is looked up by its index however long the journal is.
        let mut query = QueryBuilder::<Db>::new(
            "SELECT log.position, log.leaf
             FROM journal
             JOIN log ON log.site = journal.site AND log.position = journal.position
             WHERE journal.site = ",
        );
        query.push_bind(site.0);
        if let Some(kind) = &filter.kind {
            query.push(" AND journal.kind = ").push_bind(kind.clone());
        }
        if let Some(subject) = filter.subject {
            query.push(" AND journal.subject = ").push_bind(subject);
        }
        if let Some(before) = filter.before {
            query.push(" AND journal.position < ").push_bind(before);
        }
        query
            .push(" ORDER BY journal.position DESC LIMIT ")
            .push_bind(limit);
        let rows: Vec<(i64, String)> = query.build_query_as().fetch_all(self.now().await?).await?;
        Ok(rows
            .into_iter()
            .map(|(position, leaf)| JournalRow { position, leaf })
            .collect())
    }

    async fn entries(&mut self, site: SiteId, acts: &[Act]) -> Result<Vec<String>> {
        let mut query = QueryBuilder::<Db>::new(
            "SELECT log.leaf
             FROM journal
             JOIN log ON log.site = journal.site AND log.position = journal.position
             WHERE journal.site = ",
        );
        query.push_bind(site.0).push(" AND journal.act IN (");
        let mut list = query.separated(", ");
        for act in acts {
            list.push_bind(act.word());
        }
        query.push(") ORDER BY journal.position");
        Ok(query
            .build_query_scalar()
            .fetch_all(self.now().await?)
            .await?)
    }

    async fn closings(&mut self, site: SiteId) -> Result<Vec<ClosingRow>> {
        if let Some(known) = self.known.closings(site) {
            return Ok(known.clone());
        }
        let rows: Vec<(Uuid, i64, Option<String>, String, bool)> = sqlx::query_as(
            "SELECT id, position, from_day, to_day, reopened
             FROM closing
             WHERE site = $1
             ORDER BY position",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
        .await?;
        let found = rows
            .into_iter()
            .map(|(id, position, from, to, reopened)| {
                Ok(ClosingRow {
                    id,
                    position,
                    from_day: from.as_deref().map(day).transpose()?,
                    to_day: day(&to)?,
                    reopened,
                })
            })
            .collect::<Result<Vec<_>>>()?;
        self.known.set_closings(site, &found);
        Ok(found)
    }

    async fn has_postings(&mut self, site: SiteId) -> Result<bool> {
        let row: Option<i64> = sqlx::query_scalar(
            "SELECT position
             FROM posting
             WHERE site = $1
             LIMIT 1",
        )
        .bind(site.0)
        .fetch_optional(self.now().await?)
        .await?;
        Ok(row.is_some())
    }
}

#[async_trait]
impl WriteBook for Transaction {
    async fn hold_sites(&mut self) -> Result<()> {
        sqlx::query(LOCK_SITES).execute(self.now().await?).await?;
        Ok(())
    }

    async fn insert_head(&mut self, site: SiteId, root: &[u8]) -> Result<()> {
        sqlx::query(
            "INSERT INTO log_head (site, size, recorded_at, frontier, root)
             VALUES ($1, 0, 0, $2, $3)",
        )
        .bind(site.0)
        .bind(Vec::<u8>::new())
        .bind(root.to_vec())
        .execute(self.now().await?)
        .await?;
        Ok(())
    }

    async fn lock_head(&mut self, site: SiteId) -> Result<Option<HeadRow>> {
        if let Some(known) = self.known.head(site) {
            return Ok(Some(known.clone()));
        }
        let row: Option<HeadColumns> = sqlx::query_as(LOCK_HEAD)
            .bind(site.0)
            .fetch_optional(self.now().await?)
            .await?;
        let head = row.map(head_row);
        // What was read before is forgotten: another server may have written while this one waited for its turn.
        self.known = match &head {
            Some(head) => self.keeper.take(site, head.clone()),
            None => Known::default(),
        };
        Ok(head)
    }

    async fn update_head(&mut self, site: SiteId, head: &HeadRow) -> Result<()> {
        self.known.set_head(site, head);
        let [before, after] = AROUND_HEAD;
        let mut update = self.behind(before);
        update
            .push("UPDATE log_head SET size = ")
            .push_bind(head.size)
            .push(", recorded_at = ")
            .push_bind(head.recorded_at.ms())
            .push(", frontier = ")
            .push_bind(head.frontier.clone())
            .push(", root = ")
            .push_bind(head.root.clone())
            .push(" WHERE site = ")
            .push_bind(site.0)
            .push(after);
        self.later(update).await
    }

    async fn insert_leaf(&mut self, site: SiteId, row: &LogRow) -> Result<()> {
        self.insert_later(
            "log (site, position, recorded_at, hash, leaf)",
            |mut values| {
                values
                    .push_bind(site.0)
                    .push_bind(row.position)
                    .push_bind(row.recorded_at.ms())
                    .push_bind(row.hash.clone())
                    .push_bind(row.leaf.clone());
            },
        )
        .await
    }

    async fn insert_command(
        &mut self,
        id: Uuid,
        site: SiteId,
        digest: &Hash,
        answer: &str,
        answer_hash: &Hash,
    ) -> Result<()> {
        self.insert_later(
            "command (id, site, digest, answer, answer_hash)",
            |mut values| {
                values
                    .push_bind(id)
                    .push_bind(site.0)
                    .push_bind(digest.to_vec())
                    .push_bind(answer.to_owned())
                    .push_bind(answer_hash.to_vec());
            },
        )
        .await
    }

    async fn insert_posting(&mut self, posting: &Posting) -> Result<()> {
        self.insert_later(POSTING, |mut values| {
            values
                .push_bind(posting.id.0)
                .push_bind(posting.head.site.0)
                .push_bind(posting.head.position)
                .push_bind(i64::from(posting.head.v))
                .push_bind(posting.kind.word())
                .push_bind(posting.head.person.0)
                .push_bind(posting.head.device)
                .push_bind(posting.happened_at)
                .push_bind(posting.effective_at)
                .push_bind(posting.day.to_string())
                .push_bind(posting.head.recorded_at)
                .push_bind(posting.late)
                .push_bind(posting.reason.clone())
                .push_bind(posting.card.map(|card| card.0))
                .push_bind(posting.reverses.map(|id| id.0))
                .push_bind(canonical::text(&posting.facts))
                .push_bind(hex::decode(&posting.digest).unwrap_or_default());
        })
        .await
    }

    async fn add_to_accounts(
        &mut self,
        site: SiteId,
        changes: &[Change],
    ) -> Result<Vec<(i64, i64)>> {
        self.known.moves(changes);
        let mut found = HashMap::new();
        for changes in changes.chunks(ROWS) {
            let mut query = self.behind("INSERT INTO account (site, lot, place, key, balance_mg) ");
            query.push_values(changes, |mut row, change| {
                row.push_bind(site.0)
                    .push_bind(change.lot.0)
                    .push_bind(change.place.word())
                    .push_bind(change.place.key())
                    .push_bind(change.mass.mg());
            });
            query.push(
                " ON CONFLICT (site, lot, place, key) DO UPDATE
                  SET balance_mg = account.balance_mg + excluded.balance_mg
                  RETURNING id, lot, place, key, balance_mg",
            );
            let rows: Vec<(i64, Uuid, String, Uuid, i64)> =
                query.build_query_as().fetch_all(&mut *self.tx).await?;
            for (id, lot, word, key, mg) in rows {
                let (lot, place) = (LotId(lot), place(&word, key)?);
                self.known.set_balance(site, lot, place, mass(mg)?);
                found.insert((lot, place), (id, mg));
            }
        }
        let missing = || StoreError::Damaged("an account was not stored".to_owned());
        changes
            .iter()
            .map(|change| found.get(&(change.lot, change.place)).copied())
            .map(|account| account.ok_or_else(missing))
            .collect()
    }

    async fn add_to_month(&mut self, month: &str, changes: &[(i64, Mass)]) -> Result<()> {
        for changes in changes.chunks(ROWS) {
            let mut query = self.behind("INSERT INTO account_month (account, month, net_mg) ");
            query.push_values(changes, |mut row, (account, change)| {
                row.push_bind(*account)
                    .push_bind(month.to_owned())
                    .push_bind(change.mg());
            });
            query.push(
                " ON CONFLICT (account, month) DO UPDATE
                  SET net_mg = account_month.net_mg + excluded.net_mg",
            );
            self.later(query).await?;
        }
        Ok(())
    }

    async fn add_to_flows(
        &mut self,
        site: SiteId,
        done: Kind,
        month: &str,
        movements: &[Movement],
    ) -> Result<()> {
        let mut flows: BTreeMap<_, i64> = BTreeMap::new();
        for Movement {
            lot,
            from,
            to,
            mass_mg,
        } in movements
        {
            let flow = (
                lot.0,
                from.word(),
                from.flow_key(),
                to.word(),
                to.flow_key(),
            );
            *flows.entry(flow).or_default() += mass_mg;
        }
        let flows: Vec<_> = flows.into_iter().collect();
        for flows in flows.chunks(ROWS) {
            let mut query = self.behind(
                "INSERT INTO flow_month (site, lot, kind, from_place, from_key, to_place, to_key, month, mass_mg) ",
            );
            query.push_values(flows, |mut row, ((lot, from, from_key, to, to_key), mg)| {
                row.push_bind(site.0)
                    .push_bind(*lot)
                    .push_bind(done.word())
                    .push_bind(*from)
                    .push_bind(*from_key)
                    .push_bind(*to)
                    .push_bind(*to_key)
                    .push_bind(month.to_owned())
                    .push_bind(*mg);
            });
            query.push(
                " ON CONFLICT (site, lot, kind, from_place, from_key, to_place, to_key, month) DO UPDATE
                  SET mass_mg = flow_month.mass_mg + excluded.mass_mg",
            );
            self.later(query).await?;
        }
        Ok(())
    }

    async fn insert_movements(&mut self, posting: &Posting, accounts: &[(i64, i64)]) -> Result<()> {
        let lines: Vec<_> = posting.movements.iter().zip(accounts).enumerate().collect();
        for lines in lines.chunks(ROWS) {
            let mut query = self.behind(
                "INSERT INTO movement (posting, line, position, day, from_account, to_account, mass_mg) ",
            );
            query.push_values(lines, |mut row, (line, (movement, (from, to)))| {
                row.push_bind(posting.id.0)
                    .push_bind(number(*line))
                    .push_bind(posting.head.position)
                    .push_bind(posting.day.to_string())
                    .push_bind(*from)
                    .push_bind(*to)
                    .push_bind(movement.mass_mg);
            });
            self.later(query).await?;
        }
        Ok(())
    }

    async fn hold_sending(&mut self, sending: PostingId) -> Result<()> {
        // Writing what is there takes the rows on both databases.
        sqlx::query(
            "UPDATE account
             SET balance_mg = balance_mg
             WHERE key = $1 AND place = 'transit'",
        )
        .bind(sending.0)
        .execute(self.now().await?)
        .await?;
        Ok(())
    }

    async fn insert_weighings(&mut self, posting: &Posting) -> Result<()> {
        let lines: Vec<_> = posting.weighings.iter().enumerate().collect();
        for lines in lines.chunks(ROWS) {
            let mut query = self.behind(
                "INSERT INTO weighing (posting, line, movement, basis, source, scale, unit, division_mg, net_mg, readings) ",
            );
            query.push_values(lines, |mut row, (line, weighing)| {
                row.push_bind(posting.id.0)
                    .push_bind(number(*line))
                    .push_bind(number(weighing.movement))
                    .push_bind(weighing.basis.word())
                    .push_bind(weighing.source.word())
                    .push_bind(weighing.scale.map(|scale| scale.0))
                    .push_bind(weighing.unit.map(|unit| unit.name().to_owned()))
                    .push_bind(weighing.division_mg)
                    .push_bind(weighing.net_mg)
                    .push_bind(canonical::text(&weighing.readings));
            });
            self.later(query).await?;
        }
        Ok(())
    }

    async fn insert_entry(&mut self, entry: &Entry) -> Result<()> {
        self.insert_later(ENTRY, |mut values| {
            values
                .push_bind(entry.id)
                .push_bind(entry.head.site.0)
                .push_bind(entry.head.position)
                .push_bind(i64::from(entry.head.v))
                .push_bind(entry.kind.clone())
                .push_bind(entry.subject)
                .push_bind(entry.act.word())
                .push_bind(entry.head.person.0)
                .push_bind(entry.head.device)
                .push_bind(entry.happened_at)
                .push_bind(entry.head.recorded_at)
                .push_bind(entry.reason.clone());
        })
        .await
    }

    async fn insert_closing(&mut self, closing: &Closing) -> Result<()> {
        self.known.forget_closings();
        if let Some(reopened) = closing.reopens {
            sqlx::query(
                "UPDATE closing
                 SET reopened = TRUE
                 WHERE id = $1",
            )
            .bind(reopened)
            .execute(self.now().await?)
            .await?;
            return Ok(());
        }
        sqlx::query(
            "INSERT INTO closing (id, site, position, from_day, to_day, reopened)
             VALUES ($1, $2, $3, $4, $5, FALSE)",
        )
        .bind(closing.id)
        .bind(closing.head.site.0)
        .bind(closing.head.position)
        .bind(closing.from_day.map(|day| day.to_string()))
        .bind(closing.to_day.to_string())
        .execute(self.now().await?)
        .await?;
        Ok(())
    }

    async fn insert_unsettled(&mut self, site: SiteId, row: &UnsettledRow) -> Result<()> {
        sqlx::query(
            "INSERT INTO unsettled (id, site, command, person, device, received_at, body, problem)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8)
             ON CONFLICT (id) DO NOTHING",
        )
        .bind(row.id)
        .bind(site.0)
        .bind(row.command.clone())
        .bind(row.person.0)
        .bind(row.device)
        .bind(row.received_at.ms())
        .bind(row.body.clone())
        .bind(row.problem.clone())
        .execute(self.now().await?)
        .await?;
        Ok(())
    }

    async fn settle(&mut self, unsettled: Uuid, at: Instant, how: &str) -> Result<()> {
        sqlx::query(
            "UPDATE unsettled
             SET settled_at = $2, settled_how = $3
             WHERE id = $1",
        )
        .bind(unsettled)
        .bind(at.ms())
        .bind(how.to_owned())
        .execute(self.now().await?)
        .await?;
        Ok(())
    }
}
