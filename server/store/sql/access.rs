//! Queries of who may come in.

use async_trait::async_trait;
use uuid::Uuid;

use super::super::super::{
    KeyRow, PairingRow, ReadAccess, Result, SecretRow, SessionRow, WriteAccess,
};
use super::{Transaction, records};
use crate::book::merkle::Hash;
use crate::day::Instant;
use crate::ids::{DeviceId, PersonId, SiteId};

type Secret = (Uuid, String, String, i64);
type Shown = (
    Uuid,
    i64,
    Uuid,
    Uuid,
    String,
    i64,
    Option<String>,
    Option<String>,
    String,
);

fn secret((person, kind, hash, set_at): Secret) -> SecretRow {
    SecretRow {
        person: PersonId(person),
        kind,
        hash,
        set_at: Instant::from_ms(set_at),
    }
}

fn key((device, seen_at): (Uuid, i64)) -> KeyRow {
    KeyRow {
        device: DeviceId(device),
        seen_at: Instant::from_ms(seen_at),
    }
}

impl Transaction {
    /// What somebody shows, by its hash: the record that it is of, the device and a time. The record is read with it, since it is asked for next.
    async fn shown(
        &mut self,
        table: &str,
        of: &str,
        time: &str,
        hash: &Hash,
    ) -> Result<Option<(Uuid, Uuid, i64)>> {
        let mut query = self.behind(&format!(
            "SELECT shown.device, shown.{time}, record.site, record.id, record.kind, record.revision, record.label, record.day, record.body
             FROM {table} AS shown
             JOIN record ON record.id = shown.{of}
             WHERE shown.hash = "
        ));
        query.push_bind(hash.to_vec());
        let rows: Vec<Shown> = query.build_query_as().fetch_all(&mut *self.tx).await?;
        let Some((device, time, site, id, kind, revision, label, day, body)) =
            rows.into_iter().next()
        else {
            return Ok(None);
        };
        let record = records::row((id, kind, revision, label, day, body))?;
        self.known.set_record(SiteId(site), id, Some(record));
        Ok(Some((id, device, time)))
    }
}

#[async_trait]
impl ReadAccess for Transaction {
    async fn secret(&mut self, person: PersonId, kind: &str) -> Result<Option<SecretRow>> {
        let found: Option<Secret> = sqlx::query_as(
            "SELECT person, kind, hash, set_at
             FROM secret
             WHERE person = $1 AND kind = $2",
        )
        .bind(person.0)
        .bind(kind.to_owned())
        .fetch_optional(self.now().await?)
        .await?;
        Ok(found.map(secret))
    }

    async fn secrets(&mut self, site: SiteId) -> Result<Vec<SecretRow>> {
        let rows: Vec<Secret> = sqlx::query_as(
            "SELECT secret.person, secret.kind, secret.hash, secret.set_at
             FROM secret
             JOIN record ON record.id = secret.person
             WHERE record.site = $1
             ORDER BY secret.person, secret.kind",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
        .await?;
        Ok(rows.into_iter().map(secret).collect())
    }

    async fn session(&mut self, hash: &Hash) -> Result<Option<SessionRow>> {
        let found = self.shown("session", "person", "expires_at", hash).await?;
        Ok(found.map(|(person, device, expires_at)| SessionRow {
            person: PersonId(person),
            device: DeviceId(device),
            expires_at: Instant::from_ms(expires_at),
        }))
    }

    async fn device_key(&mut self, hash: &Hash) -> Result<Option<KeyRow>> {
        let found = self.shown("device_key", "device", "seen_at", hash).await?;
        Ok(found.map(|(_, device, seen_at)| key((device, seen_at))))
    }

    async fn device_keys(&mut self, site: SiteId) -> Result<Vec<KeyRow>> {
        let rows: Vec<(Uuid, i64)> = sqlx::query_as(
            "SELECT device_key.device, device_key.seen_at
             FROM device_key
             JOIN record ON record.id = device_key.device
             WHERE record.site = $1
             ORDER BY device_key.device, device_key.seen_at",
        )
        .bind(site.0)
        .fetch_all(self.now().await?)
        .await?;
        Ok(rows.into_iter().map(key).collect())
    }

    async fn invitation(&mut self, hash: &Hash) -> Result<Option<(PersonId, Instant)>> {
        let found: Option<(Uuid, i64)> = sqlx::query_as(
            "SELECT person, expires_at
             FROM invitation
             WHERE hash = $1",
        )
        .bind(hash.to_vec())
        .fetch_optional(self.now().await?)
        .await?;
        Ok(found.map(|(person, expires_at)| (PersonId(person), Instant::from_ms(expires_at))))
    }

    async fn pairing(&mut self, site: SiteId, hash: &Hash) -> Result<Option<PairingRow>> {
        let found: Option<(String, Uuid, i64)> = sqlx::query_as(
            "SELECT name, made_by, expires_at
             FROM pairing
             WHERE site = $1 AND hash = $2",
        )
        .bind(site.0)
        .bind(hash.to_vec())
        .fetch_optional(self.now().await?)
        .await?;
        Ok(found.map(|(name, made_by, expires_at)| PairingRow {
            name,
            made_by: PersonId(made_by),
            expires_at: Instant::from_ms(expires_at),
        }))
    }
}

#[async_trait]
impl WriteAccess for Transaction {
    async fn put_secret(&mut self, row: &SecretRow) -> Result<()> {
        sqlx::query(
            "INSERT INTO secret (person, kind, hash, set_at)
             VALUES ($1, $2, $3, $4)
             ON CONFLICT (person, kind) DO UPDATE
             SET hash = excluded.hash, set_at = excluded.set_at",
        )
        .bind(row.person.0)
        .bind(row.kind.clone())
        .bind(row.hash.clone())
        .bind(row.set_at.ms())
        .execute(self.now().await?)
        .await?;
        Ok(())
    }

    async fn insert_session(&mut self, hash: &Hash, row: &SessionRow) -> Result<()> {
        sqlx::query(
            "INSERT INTO session (hash, person, device, expires_at)
             VALUES ($1, $2, $3, $4)",
        )
        .bind(hash.to_vec())
        .bind(row.person.0)
        .bind(row.device.0)
        .bind(row.expires_at.ms())
        .execute(self.now().await?)
        .await?;
        Ok(())
    }

    async fn end_session(&mut self, hash: &Hash) -> Result<()> {
        sqlx::query(
            "DELETE FROM session
             WHERE hash = $1",
        )
        .bind(hash.to_vec())
        .execute(self.now().await?)
        .await?;
        Ok(())
    }

    async fn end_sessions_of(&mut self, person: PersonId, but: Option<&Hash>) -> Result<()> {
        sqlx::query(
            "DELETE FROM session
             WHERE person = $1 AND hash <> $2",
        )
        .bind(person.0)
        .bind(but.map_or_else(Vec::new, |hash| hash.to_vec()))
        .execute(self.now().await?)
        .await?;
        Ok(())
    }

    async fn insert_device_key(&mut self, hash: &Hash, row: &KeyRow) -> Result<()> {
        sqlx::query(
            "INSERT INTO device_key (hash, device, seen_at)
             VALUES ($1, $2, $3)",
        )
        .bind(hash.to_vec())
        .bind(row.device.0)
        .bind(row.seen_at.ms())
        .execute(self.now().await?)
        .await?;
        Ok(())
    }

    async fn see_device(&mut self, hash: &Hash, at: Instant) -> Result<()> {
        sqlx::query(
            "UPDATE device_key
             SET seen_at = $2
             WHERE hash = $1",
        )
        .bind(hash.to_vec())
        .bind(at.ms())
        .execute(self.now().await?)
        .await?;
        Ok(())
    }

    async fn put_invitation(
        &mut self,
        hash: &Hash,
        person: PersonId,
        expires_at: Instant,
    ) -> Result<()> {
        sqlx::query(
            "DELETE FROM invitation
             WHERE person = $1",
        )
        .bind(person.0)
        .execute(self.now().await?)
        .await?;
        sqlx::query(
            "INSERT INTO invitation (hash, person, expires_at)
             VALUES ($1, $2, $3)",
        )
        .bind(hash.to_vec())
        .bind(person.0)
        .bind(expires_at.ms())
        .execute(self.now().await?)
        .await?;
        Ok(())
    }

    async fn take_invitation(&mut self, hash: &Hash) -> Result<bool> {
        let done = sqlx::query(
            "DELETE FROM invitation
             WHERE hash = $1",
        )
        .bind(hash.to_vec())
        .execute(self.now().await?)
        .await?;
        Ok(done.rows_affected() == 1)
    }

    async fn insert_pairing(&mut self, site: SiteId, hash: &Hash, row: &PairingRow) -> Result<()> {
        sqlx::query(
            "INSERT INTO pairing (hash, site, name, made_by, expires_at)
             VALUES ($1, $2, $3, $4, $5)",
        )
        .bind(hash.to_vec())
        .bind(site.0)
        .bind(row.name.clone())
        .bind(row.made_by.0)
        .bind(row.expires_at.ms())
        .execute(self.now().await?)
        .await?;
        Ok(())
    }

    async fn take_pairing(&mut self, hash: &Hash) -> Result<bool> {
        let done = sqlx::query(
            "DELETE FROM pairing
             WHERE hash = $1",
        )
        .bind(hash.to_vec())
        .execute(self.now().await?)
        .await?;
        Ok(done.rows_affected() == 1)
    }

    async fn forget_expired(&mut self, now: Instant) -> Result<()> {
        for text in [
            "DELETE FROM session WHERE expires_at <= $1",
            "DELETE FROM invitation WHERE expires_at <= $1",
            "DELETE FROM pairing WHERE expires_at <= $1",
        ] {
            sqlx::query(text)
                .bind(now.ms())
                .execute(self.now().await?)
                .await?;
        }
        Ok(())
    }
}
