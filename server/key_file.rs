//! The file with the key that seals are signed with: beside the book, readable by its owner alone, and never in the book or a copy of it.

use std::fs::OpenOptions;
use std::io::{ErrorKind, Write};
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use crate::book::seal::{SealError, SealKey};
use crate::clock::Clock;

/// Who may read the file: its owner.
const MODE: u32 = 0o600;

/// Why there is no key.
#[derive(Debug, thiserror::Error)]
pub enum KeyFileError {
    /// The file cannot be read or made.
    #[error("the key for seals, {0}: {1}")]
    File(PathBuf, std::io::Error),
    /// The file holds no key.
    #[error("the key for seals, {0}: {1}")]
    Key(PathBuf, SealError),
    /// Others may read it.
    #[error(
        "the key for seals, {0}, can be read by others: chmod 600 it, and think about who may have read it"
    )]
    Open(PathBuf),
}

/// Where the key lies unless somebody says so: beside an embedded book, else in the folder in which the service was started.
#[must_use]
pub fn usual(database: &str) -> PathBuf {
    let book = database.strip_prefix("sqlite:").unwrap_or("outturn");
    PathBuf::from(format!("{}.seal.pem", book.trim_start_matches("//")))
}

/// The key of a file; makes both if there is no such file.
///
/// # Errors
/// [`KeyFileError`] when the file cannot be read or made, holds no key, or can be read by others.
pub fn open(file: &Path, clock: &Clock) -> Result<SealKey, KeyFileError> {
    let wrong = |error| KeyFileError::File(file.to_owned(), error);
    let text = match std::fs::read_to_string(file) {
        Ok(text) => text,
        Err(error) if error.kind() == ErrorKind::NotFound => return make(file, clock),
        Err(error) => return Err(wrong(error)),
    };
    let mode = std::fs::metadata(file).map_err(wrong)?.permissions().mode();
    if mode & 0o077 != 0 {
        return Err(KeyFileError::Open(file.to_owned()));
    }
    SealKey::from_pem(&text).map_err(|e| KeyFileError::Key(file.to_owned(), e))
}

fn make(file: &Path, clock: &Clock) -> Result<SealKey, KeyFileError> {
    let wrong = |error| KeyFileError::File(file.to_owned(), error);
    let key = SealKey::of_secret(&clock.new_secret().map_err(wrong)?);
    let text = key
        .to_pem()
        .map_err(|e| KeyFileError::Key(file.to_owned(), e))?;
    let mut new = OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(MODE)
        .open(file)
        .map_err(wrong)?;
    new.write_all(text.as_bytes()).map_err(wrong)?;
    new.sync_all().map_err(wrong)?;
    Ok(key)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn is_made_once_for_its_owner_alone() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("book.seal.pem");
        let key = open(&file, &Clock::Machine).unwrap();
        let mode = std::fs::metadata(&file).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
        let again = open(&file, &Clock::Machine).unwrap();
        assert_eq!(again.public("x"), key.public("x"));
        std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o640)).unwrap();
        assert!(matches!(
            open(&file, &Clock::Machine),
            Err(KeyFileError::Open(_))
        ));
        let other = open(&folder.path().join("other.pem"), &Clock::Machine).unwrap();
        assert_ne!(other.public("x"), key.public("x"));
    }

    #[test]
    fn lies_beside_the_book() {
        assert_eq!(
            usual("sqlite:books/a.sqlite"),
            Path::new("books/a.sqlite.seal.pem")
        );
        assert_eq!(usual("postgres://u@h/n"), Path::new("outturn.seal.pem"));
    }
}
