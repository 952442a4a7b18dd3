//! What follows from a leaf in the tables that are not the book's own: records, batches, bags, counts, kept commands.
//!
//! Whoever adds a table that follows from leaves adds it here, by the rule that also writes it; taking a copy in ends with verifying, so
//! that what is missing here does not go unseen.

use std::collections::HashMap;

use uuid::Uuid;

use crate::audit::verify::records::follows;
use crate::book::leaf::{Act, Entry, Leaf};
use crate::book::{Book, canonical, damaged, settled_how};
use crate::counting::session::{self, Session};
use crate::day::Instant;
use crate::demand;
use crate::floor::batch::{self, Batch, Step};
use crate::refusal::{Outcome, Refusal};
use crate::store::{BatchRow, RecordRow, UnsettledRow};

/// Adds what follows from a leaf that the book has just taken.
pub(super) async fn follow(book: &mut Book, leaf: &Leaf) -> Outcome<()> {
    match leaf {
        Leaf::Posting(posting) => demand::store_bags(book, posting).await?,
        Leaf::Entry(entry) if entry.act == Act::Put => put(book, entry).await?,
        Leaf::Entry(entry) if entry.act == Act::Keep => keep(book, entry).await?,
        Leaf::Entry(entry) if entry.act == Act::Settle => settle(book, entry).await?,
        Leaf::Entry(_) | Leaf::Closing(_) => {}
    }
    for id in batch::changed(leaf) {
        step(book, leaf, id).await?;
    }
    if let Some(id) = session::changed(leaf) {
        count(book, leaf, id).await?;
    }
    Ok(())
}

async fn put(book: &mut Book, entry: &Entry) -> Outcome<()> {
    let site = book.site();
    let body = canonical::text(&entry.after);
    let derived = follows(&entry.kind, &body)
        .ok_or_else(|| Refusal::conflict(format!("this is no {}", entry.kind)))?;
    let before = book.tx().record(site, entry.subject).await?;
    let row = RecordRow {
        id: entry.subject,
        kind: entry.kind.clone(),
        revision: before.map_or(0, |row| row.revision) + 1,
        label: derived.label,
        day: derived.day,
        body,
    };
    let names: Vec<Uuid> = derived.names.into_iter().collect();
    Ok(book.tx().put_record(site, &row, &names).await?)
}

async fn keep(book: &mut Book, entry: &Entry) -> Outcome<()> {
    let site = book.site();
    let row = UnsettledRow {
        id: entry.subject,
        command: entry.after["command"]
            .as_str()
            .unwrap_or_default()
            .to_owned(),
        person: entry.head.person,
        device: entry.head.device,
        received_at: Instant::from_ms(entry.head.recorded_at),
        body: canonical::text(&entry.after["body"]),
        problem: canonical::text(&entry.after["problem"]),
    };
    Ok(book.tx().insert_unsettled(site, &row).await?)
}

async fn settle(book: &mut Book, entry: &Entry) -> Outcome<()> {
    let how = settled_how(&entry.after["by"], entry.reason.as_deref());
    let at = Instant::from_ms(entry.head.recorded_at);
    Ok(book.tx().settle(entry.subject, at, &how).await?)
}

/// Brings a count on by what the leaf says of it.
async fn count(book: &mut Book, leaf: &Leaf, id: Uuid) -> Outcome<()> {
    let site = book.site();
    let before = book.tx().count_session(site, id).await?;
    let steps = before.as_ref().map_or("[]", |row| row.steps.as_str());
    let steps = serde_json::from_str(steps).map_err(damaged)?;
    let mut all = HashMap::from([(id, steps)]);
    session::follow(&mut all, leaf);
    let session = Session::of_steps(id, &all.remove(&id).unwrap_or_default());
    let session = session.ok_or_else(|| Refusal::conflict("this is no step of a count"))?;
    if let Some(row) = session.row() {
        book.tx().put_count(site, &row).await?;
    }
    Ok(())
}

/// Brings a batch on by what the leaf says of it.
async fn step(book: &mut Book, leaf: &Leaf, id: Uuid) -> Outcome<()> {
    let site = book.site();
    let before: Option<BatchRow> = book.tx().batch(site, id.into()).await?;
    let steps = before.as_ref().map_or("[]", |row| row.steps.as_str());
    let steps = serde_json::from_str(steps).map_err(damaged)?;
    let mut all = HashMap::from([(id, steps)]);
    batch::follow(&mut all, leaf);
    let steps = all.remove(&id).unwrap_or_default().into_iter();
    let batch = Batch {
        id: id.into(),
        steps: steps
            .map(serde_json::from_value::<Step>)
            .collect::<Result<_, _>>()
            .map_err(|_| Refusal::conflict("this is no step of a batch"))?,
    };
    if let Some(row) = batch.row(before.as_ref()) {
        book.tx().put_batch(site, &row).await?;
    }
    Ok(())
}
