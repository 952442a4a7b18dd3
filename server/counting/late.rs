//! What is learned late of the time before a count: the book changes, and the count does not, so the difference is put right.

use std::collections::HashMap;

use serde_json::json;

use super::book::{difference, draft};
use super::moment::{Later, Own, really};
use super::session::{CountState, Session, Step};
use super::store;
use crate::app::App;
use crate::book::leaf::{Kind, Posting};
use crate::book::{Book, need_posting};
use crate::day::Instant;
use crate::ids::PostingId;
use crate::refusal::Outcome;

/// Brings each booked count that lies after something of this turn back to what was counted, in order of their moments.
///
/// # Errors
/// [`crate::refusal::Refusal::Conflict`] when the coffee that a count took for gone is needed since.
pub async fn recount(book: &mut Book, app: &App) -> Outcome<()> {
    let Some(earliest) = earliest(book).await? else {
        return Ok(());
    };
    let site = book.site();
    for row in book.tx().count_sessions(site, earliest).await? {
        let mut session = Session::of_row(&row)?;
        if session.state() == CountState::Booked {
            recount_one(book, app, &mut session).await?;
        }
    }
    Ok(())
}

/// When the earliest thing of this turn happened. A count is among them: one that was frozen earlier and is booked late changes what a later one had.
async fn earliest(book: &mut Book) -> Outcome<Option<Instant>> {
    let mut earliest: Option<Instant> = None;
    for posting in book.posted().to_vec() {
        let at = happened(book, &posting).await?;
        earliest = Some(earliest.map_or(at, |before| before.min(at)));
    }
    Ok(earliest)
}

/// When the coffee of a posting moved: an undo and a correction speak of what happened before them.
async fn happened(book: &mut Book, posting: &Posting) -> Outcome<Instant> {
    let site = book.site();
    let booked = Instant::from_ms(posting.happened_at);
    if posting.kind == Kind::Correct {
        return Ok(really(book.tx(), site, posting.id, booked, &mut HashMap::new()).await?);
    }
    let Some(undone) = posting.reverses else {
        return Ok(booked);
    };
    let undone = need_posting(book.tx(), site, undone).await?;
    if undone.kind == Kind::Correct {
        return Ok(really(book.tx(), site, undone.id, booked, &mut HashMap::new()).await?);
    }
    Ok(Instant::from_ms(undone.happened_at))
}

async fn recount_one(book: &mut Book, app: &App, session: &mut Session) -> Outcome<()> {
    let moved: Vec<_> = book
        .posted()
        .iter()
        .flat_map(|posting| &posting.movements)
        .flat_map(|m| [(m.lot, m.from), (m.lot, m.to)])
        .collect();
    let lines: Vec<_> = session
        .booked()
        .iter()
        .filter(|line| moved.contains(&(line.lot, line.place)))
        .cloned()
        .collect();
    let Some(at) = session.opened().map(|opened| opened.at) else {
        return Ok(());
    };
    if lines.is_empty() {
        return Ok(());
    }
    let (site, zone) = (book.site(), book.zone());
    let later = Later::than(book.tx(), site, zone, session, Own::Kept).await?;
    let mut movements = Vec::new();
    for line in &lines {
        let had = later
            .before(book.tx(), site, (line.lot, line.place))
            .await?;
        movements.extend(difference(line, had.minus(line.counted_g)?));
    }
    if movements.is_empty() {
        return Ok(());
    }
    let id = PostingId(app.clock.new_id());
    let reason = "learned after the count".to_owned();
    let facts = json!({ "recounts": session.id });
    let draft = draft(id, Kind::Count, at, Some(reason), facts, movements);
    book.post(draft).await?;
    session.steps.push(Step::Recounted { by: id });
    store(book, session).await
}
