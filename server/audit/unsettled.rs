//! Commands that were kept on a tablet and could not be booked: they wait for a person, and nothing of them is lost.

use serde::Serialize;
use serde_json::Value;
use uuid::Uuid;

use super::People;
use crate::book::damaged;
use crate::day::Instant;
use crate::floor::view::Named;
use crate::ids::SiteId;
use crate::store::{Read, StoreError};

/// A kept command that could not be booked.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct UnsettledView {
    /// The command's id.
    pub id: Uuid,
    /// Its name, such as `weigh-ins`.
    pub command: String,
    /// Who sent it.
    pub person: Named,
    /// From which device, if it has a name of its own.
    pub device: Option<Uuid>,
    /// When it came.
    pub received_at: Instant,
    /// The command as sent.
    #[schema(value_type = Object)]
    pub body: Value,
    /// Why it could not be booked.
    #[schema(value_type = Object)]
    pub problem: Value,
}

/// All that wait, oldest first.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn unsettled(tx: &mut dyn Read, site: SiteId) -> Result<Vec<UnsettledView>, StoreError> {
    let people = People::read(tx, site).await?;
    let mut waiting = Vec::new();
    for row in tx.unsettled(site).await? {
        waiting.push(UnsettledView {
            id: row.id,
            person: people.named(row.person)?,
            device: row.device,
            received_at: row.received_at,
            body: serde_json::from_str(&row.body).map_err(damaged)?,
            problem: serde_json::from_str(&row.problem).map_err(damaged)?,
            command: row.command,
        });
    }
    Ok(waiting)
}
