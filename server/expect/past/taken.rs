//! What has been taken over.

use serde::Serialize;
use uuid::Uuid;

use super::Import;
use crate::day::Instant;
use crate::ids::SiteId;
use crate::store::{Read, StoreError};
use crate::text::Name;

/// An import of past batches.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct PastImportView {
    /// Its id.
    pub id: Uuid,
    /// What its table was called.
    pub name: Name,
    /// When it was taken over.
    pub at: Instant,
    /// How many batches it has.
    pub batches: usize,
    /// The site's wall-clock minute of its first batch.
    pub first_minute: i64,
    /// The site's wall-clock minute of its last batch.
    pub last_minute: i64,
}

/// All imports that have not been taken back, newest first.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn imports(tx: &mut dyn Read, site: SiteId) -> Result<Vec<PastImportView>, StoreError> {
    let imports = Import::all(tx, site).await?;
    let view = |import: Import| {
        let minutes = || import.rows.iter().map(|row| row.minute);
        PastImportView {
            id: import.id,
            at: import.at,
            batches: import.rows.len(),
            first_minute: minutes().min().unwrap_or_default(),
            last_minute: minutes().max().unwrap_or_default(),
            name: import.name,
        }
    };
    Ok(imports.into_iter().rev().map(view).collect())
}
