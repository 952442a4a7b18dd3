//! Taking a copy in: its leaves are folded into an empty book, in one transaction that is kept only if all of it then holds.

use std::io::BufRead;

use super::follow::follow;
use super::{CopyError, Item, Reader};
use crate::audit::verify::{self, Report};
use crate::book::merkle::{Frontier, Hash};
use crate::book::{Actor, Book};
use crate::day::{Instant, Zone};
use crate::ids::PersonId;
use crate::refusal::Refusal;
use crate::store::{Store, StoreError, StoredCommand, Write};

/// Takes a copy into an empty database. Answers the report of each book that it holds. When it fails, nothing was taken in.
///
/// # Errors
/// [`CopyError`] with the line that does not hold, or when the database has a book already.
pub async fn take<R: BufRead + Send>(store: &dyn Store, from: R) -> Result<Vec<Report>, CopyError> {
    let mut tx = store.write().await?;
    if !tx.sites().await?.is_empty() {
        return Err(CopyError::NotEmpty);
    }
    let mut reader = Reader::new(from);
    while let Some(item) = reader.next()? {
        if let Item::Head(head) = item {
            tx.insert_head(head.site, &Frontier::default().root())
                .await?;
            tx = site(tx, head.site, &mut reader).await?;
        }
    }
    let mut reports = Vec::new();
    for site in tx.sites().await? {
        let report = verify::verify(&mut *tx, site).await?;
        if !report.ok {
            return Err(CopyError::Unsound(report.to_string()));
        }
        reports.push(report);
    }
    tx.commit().await?;
    Ok(reports)
}

/// Takes one site's book in, up to its end.
async fn site<R: BufRead + Send>(
    tx: Box<dyn Write>,
    site: crate::ids::SiteId,
    reader: &mut Reader<R>,
) -> Result<Box<dyn Write>, CopyError> {
    // Who booked, when and under which digest stands in each leaf.
    let nobody = Actor::person(PersonId(uuid::Uuid::nil()));
    let start = Instant::from_ms(0);
    let mut book = Book::open(tx, site, Zone::UTC, nobody, Hash::default(), start).await?;
    loop {
        match reader.next()? {
            Some(Item::Leaf(leaf, _)) => {
                let taken = async {
                    book.take(&leaf).await?;
                    follow(&mut book, &leaf).await
                };
                taken.await.map_err(|refusal| at(reader, refusal))?;
            }
            Some(Item::Command(command)) => {
                insert(&mut book, &command)
                    .await
                    .map_err(|error| at(reader, error.into()))?;
            }
            _ => return Ok(book.hand_on().await?),
        }
    }
}

async fn insert(book: &mut Book, command: &StoredCommand) -> Result<(), StoreError> {
    let site = book.site();
    let hash = |bytes: &[u8]| {
        Hash::try_from(bytes).map_err(|_| StoreError::Damaged("no SHA-256".to_owned()))
    };
    let (digest, answer_hash) = (hash(&command.digest)?, hash(&command.answer_hash)?);
    book.tx()
        .insert_command(command.id, site, &digest, &command.answer, &answer_hash)
        .await
}

/// What a line of the copy says cannot be booked.
fn at<R: BufRead>(reader: &Reader<R>, refusal: Refusal) -> CopyError {
    match refusal {
        Refusal::Store(
            error @ (StoreError::Busy(_)
            | StoreError::Away(_)
            | StoreError::Full(_)
            | StoreError::ReadOnly(_)
            | StoreError::Database(_)),
        ) => error.into(),
        other => reader.wrong(format!("this cannot be booked: {other}")),
    }
}
