//! Opening the database that a URL names.

use std::path::Path;
use std::sync::Arc;

use super::{Result, Store, StoreError, postgres, sqlite};

/// Opens a database that must be there: an embedded one is not made for whoever mistypes its name.
///
/// # Errors
/// [`StoreError`] when there is none, or it cannot be opened.
pub async fn open_there(url: &str) -> Result<Arc<dyn Store>> {
    let file = url.strip_prefix("sqlite:");
    if let Some(file) = file.map(|file| file.trim_start_matches("//"))
        && !Path::new(file).exists()
    {
        return Err(StoreError::Database(format!("there is no file {file}")));
    }
    open(url).await
}

/// Opens the database that a URL names, `sqlite:<file>` or `postgres://...`, and brings its tables up to date.
///
/// # Errors
/// [`StoreError`] when it cannot be opened or is newer than this program.
pub async fn open(url: &str) -> Result<Arc<dyn Store>> {
    if url.starts_with("postgres://") || url.starts_with("postgresql://") {
        Ok(Arc::new(postgres::Database::open(url).await?))
    } else if let Some(file) = url.strip_prefix("sqlite:") {
        Ok(Arc::new(
            sqlite::Database::open(file.trim_start_matches("//")).await?,
        ))
    } else {
        Err(StoreError::Database(
            "name the database as sqlite:<file> or postgres://<user>@<host>/<name>".to_owned(),
        ))
    }
}
