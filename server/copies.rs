//! `outturn export book` and `outturn import book`: a whole book as one file, and back.

use std::fs::File;
use std::io::{BufReader, BufWriter};
use std::path::{Path, PathBuf};

use crate::audit::copy::{self, CopyError};
use crate::audit::verify::Report;
use crate::store::{self, Read, StoreError};

/// Why a book is not carried.
#[derive(Debug, thiserror::Error)]
pub enum CopiesError {
    /// The file cannot be opened.
    #[error("{0} cannot be opened: {1}")]
    Open(PathBuf, std::io::Error),
    /// The file cannot be written.
    #[error("{0} cannot be written: {1}")]
    Write(PathBuf, std::io::Error),
    /// The copy does not do.
    #[error(transparent)]
    Copy(#[from] CopyError),
    /// The copy does not do.
    #[error("{0}: {1}")]
    CopyIn(PathBuf, CopyError),
    /// The book that was copied does not hold.
    #[error("the book does not hold, and was not copied: {0}")]
    Unsound(String),
    /// The database cannot be opened.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Writes all of a database's book into a file, or where there is none to standard output. The file bears its name only when it is
/// whole and on disk. Answers what to say.
///
/// # Errors
/// [`CopiesError`] when the database cannot be read or the file not be written.
pub async fn export(url: &str, file: Option<&Path>) -> Result<String, CopiesError> {
    let store = store::open_there(url).await?;
    let mut tx = store.read().await?;
    let Some(file) = file else {
        copy::write(&mut *tx, &mut BufWriter::new(std::io::stdout())).await?;
        return Ok(String::new());
    };
    let leaves = write_file(&mut *tx, file, |_| Ok(())).await?;
    Ok(format!("{leaves} leaves written to {}", file.display()))
}

/// Writes a copy into a file, which bears its name only when it is whole, on disk, and found good. Answers how many leaves it has.
///
/// # Errors
/// [`CopiesError`] when it cannot be written or is not good; then nothing is left of it.
pub async fn write_file(
    tx: &mut dyn Read,
    file: &Path,
    good: impl FnOnce(&Path) -> Result<(), CopiesError>,
) -> Result<u64, CopiesError> {
    let part = file.with_extension("part");
    let written = match write_part(tx, &part).await {
        Ok(leaves) => good(&part).map(|()| leaves),
        Err(error) => Err(error),
    };
    match written {
        Ok(leaves) => {
            std::fs::rename(&part, file).map_err(|e| CopiesError::Write(file.to_owned(), e))?;
            Ok(leaves)
        }
        Err(error) => {
            // What is not whole helps nobody; that it cannot be removed either is not worth another word.
            let _ = std::fs::remove_file(&part);
            Err(error)
        }
    }
}

async fn write_part(tx: &mut dyn Read, part: &Path) -> Result<u64, CopiesError> {
    let wrong = |error| CopiesError::Write(part.to_owned(), error);
    let mut to = BufWriter::new(File::create(part).map_err(wrong)?);
    let leaves = copy::write(tx, &mut to).await?;
    let whole = to.into_inner().map_err(|e| wrong(e.into_error()))?;
    whole.sync_all().map_err(wrong)?;
    Ok(leaves)
}

/// Takes a file into an empty database. Answers what to say.
///
/// # Errors
/// [`CopiesError`] with the line that does not hold; then nothing was taken in.
pub async fn import(url: &str, file: &Path) -> Result<String, CopiesError> {
    let from = File::open(file).map_err(|e| CopiesError::Open(file.to_owned(), e))?;
    let store = store::open(url).await?;
    let taken = copy::take(&*store, BufReader::new(from)).await;
    store.close().await;
    let reports = taken.map_err(|e| CopiesError::CopyIn(file.to_owned(), e))?;
    Ok(reports.iter().map(Report::to_string).collect())
}
