//! Writing a copy.

use std::io::Write;

use serde::Serialize;
use sha2::{Digest, Sha256};

use super::{AT_ONCE, CommandLine, CopyError, End, FORM, Hashes, Head};
use crate::book::canonical;
use crate::ids::SiteId;
use crate::store::{LogRow, Read, StoreError, StoredCommand};

const PAGE: i64 = 2_048;

/// Writes a copy of all books of a database, as one snapshot sees them: people may go on working. Answers how many leaves it wrote.
///
/// # Errors
/// [`CopyError`] when the database cannot be read or the copy not be written.
pub async fn write(tx: &mut dyn Read, to: &mut (dyn Write + Send)) -> Result<u64, CopyError> {
    let mut leaves = 0;
    for site in tx.sites().await? {
        let mut lines = Lines {
            to,
            hash: Sha256::new(),
        };
        leaves += head(tx, site, &mut lines).await?;
        log(tx, site, &mut lines).await?;
        commands(tx, site, &mut lines).await?;
    }
    to.flush().map_err(CopyError::Write)?;
    Ok(leaves)
}

/// Lines on their way to a file, and the hash of those of a site.
struct Lines<'a> {
    to: &'a mut (dyn Write + Send),
    hash: Sha256,
}

impl Lines<'_> {
    fn text(&mut self, line: &str) -> Result<(), CopyError> {
        for bytes in [line.as_bytes(), b"\n"] {
            self.to.write_all(bytes).map_err(CopyError::Write)?;
            self.hash.update(bytes);
        }
        Ok(())
    }

    fn json<T: Serialize>(&mut self, line: &T) -> Result<(), CopyError> {
        self.text(&canonical::text(line))
    }
}

async fn head(tx: &mut dyn Read, site: SiteId, lines: &mut Lines<'_>) -> Result<u64, CopyError> {
    let head = tx.head(site).await?;
    let head = head.ok_or_else(|| StoreError::Damaged("the site has no log".to_owned()))?;
    let size =
        u64::try_from(head.size).map_err(|_| StoreError::Damaged("the log's size".to_owned()))?;
    lines.json(&Head {
        book: FORM,
        root: hex::encode(head.root),
        site,
        size,
    })?;
    Ok(size)
}

async fn log(tx: &mut dyn Read, site: SiteId, lines: &mut Lines<'_>) -> Result<(), CopyError> {
    let mut from = 0;
    loop {
        let page: Vec<LogRow> = tx.leaves(site, from, PAGE).await?;
        let Some(last) = page.last() else {
            return Ok(());
        };
        from = last.position + 1;
        for rows in page.chunks(AT_ONCE) {
            lines.json(&Hashes {
                hashes: rows.iter().map(|row| hex::encode(&row.hash)).collect(),
            })?;
            for row in rows {
                lines.text(&row.leaf)?;
            }
        }
    }
}

async fn commands(tx: &mut dyn Read, site: SiteId, lines: &mut Lines<'_>) -> Result<(), CopyError> {
    let (mut after, mut commands) = (None, 0);
    loop {
        let page: Vec<StoredCommand> = tx.stored_commands(site, after, PAGE).await?;
        let Some(last) = page.last() else { break };
        after = Some(last.id);
        for command in page {
            commands += 1;
            lines.json(&CommandLine {
                answer: command.answer,
                command: command.id,
                digest: hex::encode(command.digest),
                hash: hex::encode(command.answer_hash),
            })?;
        }
    }
    let sha256 = hex::encode(lines.hash.clone().finalize());
    lines.json(&End { commands, sha256 })
}
