//! What can go wrong below the areas, told apart by what a person can do about it.

use sqlx::error::{DatabaseError, ErrorKind};
use sqlx::migrate::MigrateError;

/// What can go wrong below the areas. Its text is for the log and the terminal, never for a client.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The database could not be reached in time, or is locked: worth trying again.
    #[error("the database did not answer in time; another program may hold it: {0}")]
    Busy(String),
    /// The database was cut off, or is stopping, starting or a replica. What was being written may be there or not: worth asking again.
    #[error("the database is away: {0}")]
    Away(String),
    /// The disk takes nothing more: it is full, over its quota, or failing.
    #[error("the disk takes nothing more: make room where the database lies: {0}")]
    Full(String),
    /// The database may be read only.
    #[error(
        "the database may not be written: give this user the right to write the file and its folder: {0}"
    )]
    ReadOnly(String),
    /// A value that must be unique is there already.
    #[error("already there: {0}")]
    Taken(String),
    /// A value names something that is not there.
    #[error("names what is not there: {0}")]
    Dangling(String),
    /// The database refused or failed.
    #[error("database: {0}")]
    Database(String),
    /// What stands in the database cannot be understood.
    #[error("damaged: {0}")]
    Damaged(String),
}

impl From<sqlx::Error> for StoreError {
    fn from(error: sqlx::Error) -> Self {
        let text = error.to_string();
        match error {
            sqlx::Error::PoolTimedOut => Self::Busy(text),
            sqlx::Error::Io(_) => Self::Away(text),
            sqlx::Error::Database(error) => of_database(&*error, text),
            sqlx::Error::ColumnDecode { .. } | sqlx::Error::Decode(_) => Self::Damaged(text),
            _ => Self::Database(text),
        }
    }
}

impl From<MigrateError> for StoreError {
    fn from(error: MigrateError) -> Self {
        match error {
            MigrateError::Execute(error) | MigrateError::ExecuteMigration(error, _) => error.into(),
            other => Self::Database(other.to_string()),
        }
    }
}

fn of_database(error: &dyn DatabaseError, text: String) -> StoreError {
    let code = error.code().unwrap_or_default();
    match error.kind() {
        ErrorKind::UniqueViolation => StoreError::Taken(text),
        ErrorKind::ForeignKeyViolation => StoreError::Dangling(text),
        // PostgreSQL names an error by five characters, SQLite by a number of at most four digits.
        _ if code.len() == 5 => of_postgres(&code, text),
        _ => of_sqlite(code.parse().unwrap_or_default(), text),
    }
}

/// PostgreSQL's manual, appendix A. It is no use to ask now: it is being stopped (57P01), has crashed (57P02) or is not started yet (57P03), takes no
/// further connection (53300), or is a replica that was not promoted (25006). Its disk is full (53100), a lock was not to be had (55P03), another
/// transaction came between (40001, 40P01), data or an index is corrupt (XX001, XX002).
fn of_postgres(code: &str, text: String) -> StoreError {
    match code {
        "57P01" | "57P02" | "57P03" | "53300" | "25006" => StoreError::Away(text),
        "53100" => StoreError::Full(text),
        "55P03" | "40001" | "40P01" => StoreError::Busy(text),
        "XX001" | "XX002" => broken(&text),
        _ => StoreError::Database(text),
    }
}

/// SQLite, "Result and Error Codes": the last eight bits say what (5 busy, 6 locked, 8 read-only, 10 input or output, 11 corrupt, 13 full, 14
/// cannot open, 26 no database), those before them in which case. A quota or a failing disk is told as an error of writing (3 write, 4 and 5 sync,
/// 6 truncate, 19 size of the shared memory).
fn of_sqlite(code: u32, text: String) -> StoreError {
    match (code & 0xff, code >> 8) {
        (5 | 6, _) => StoreError::Busy(text),
        (8, _) => StoreError::ReadOnly(text),
        (13, _) | (10, 3..=6 | 19) => StoreError::Full(text),
        (11 | 26, _) => broken(&text),
        _ => StoreError::Database(text),
    }
}

fn broken(text: &str) -> StoreError {
    StoreError::Damaged(format!(
        "keep the file, and take the last good copy into a new one with `outturn import book`: {text}"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SQLite's own table of extended codes.
    #[test]
    fn sqlite_says_what_a_person_can_do() {
        let of = |code| of_sqlite(code, String::new());
        for busy in [5, 6, 261, 517, 262] {
            assert!(matches!(of(busy), StoreError::Busy(_)), "{busy}");
        }
        // SQLITE_FULL, SQLITE_IOERR_WRITE, _FSYNC, _SHMSIZE.
        for full in [13, 778, 1034, 4874] {
            assert!(matches!(of(full), StoreError::Full(_)), "{full}");
        }
        // SQLITE_READONLY, _CANTLOCK, _DIRECTORY.
        for read_only in [8, 520, 1544] {
            assert!(
                matches!(of(read_only), StoreError::ReadOnly(_)),
                "{read_only}"
            );
        }
        // SQLITE_CORRUPT, SQLITE_NOTADB.
        for damaged in [11, 26] {
            assert!(matches!(of(damaged), StoreError::Damaged(_)), "{damaged}");
        }
        // SQLITE_ERROR, SQLITE_IOERR_READ.
        for other in [1, 266] {
            assert!(matches!(of(other), StoreError::Database(_)), "{other}");
        }
    }

    #[test]
    fn postgres_says_what_a_person_can_do() {
        let of = |code| of_postgres(code, String::new());
        assert!(matches!(of("53100"), StoreError::Full(_)));
        assert!(matches!(of("55P03"), StoreError::Busy(_)));
        assert!(matches!(of("57P03"), StoreError::Away(_)));
        assert!(matches!(of("42P01"), StoreError::Database(_)));
    }
}
