//! A count that is far from the book is asked about: a digit too many, sacks for kilograms, the place next to it.

use serde_json::{Map, json};

use super::moment::{Later, Own};
use super::session::{Entered, Session};
use super::sheet::at_place;
use crate::book::Book;
use crate::command::Common;
use crate::mass::Mass;
use crate::refusal::{Confirm, Outcome, Refusal};

/// Not asked about however small the lot: 5 kg.
const ALWAYS_NEAR_MG: u64 = 5_000_000;

/// Asks once more where a count is far from what the book had at the frozen moment. Who counts blind is not told what that is.
///
/// # Errors
/// [`Refusal::Confirm`] where nobody has confirmed it.
pub(super) async fn ask_if_far(
    book: &mut Book,
    common: Common<'_>,
    session: &Session,
    entered: &Entered,
) -> Outcome<()> {
    let (site, zone) = (book.site(), book.zone());
    let blind = session.opened().is_some_and(|opened| opened.blind);
    let later = Later::than(book.tx(), site, zone, session, Own::Kept).await?;
    let found = at_place(book.tx(), site, entered, &later).await?;
    found
        .iter()
        .try_for_each(|(_, had, counted)| ask(common, blind, *had, *counted))
}

/// Asks once more where a figure is far from the book's.
///
/// # Errors
/// [`Refusal::Confirm`] where nobody has confirmed it.
pub fn ask(common: Common<'_>, blind: bool, had: Mass, counted: Mass) -> Outcome<()> {
    if !far(had, counted) || common.confirms(Confirm::FarFromBook) {
        return Ok(());
    }
    let mut facts = Map::new();
    let sentence = if blind {
        format!("{counted} is far from what the book has here: look again, or confirm it")
    } else {
        facts.insert("book_g".to_owned(), json!(had));
        format!("the book has {had} here, you say {counted}: look again, or confirm it")
    };
    Err(Refusal::Confirm {
        confirm: vec![Confirm::FarFromBook],
        sentence,
        facts,
    })
}

/// Whether a count is off by more than a fifth of what the book has, and not by little: bounds of our own, so wide that a place in order is not asked about.
fn far(had: Mass, counted: Mass) -> bool {
    let off = counted.mg().abs_diff(had.mg());
    off > ALWAYS_NEAR_MG && off > had.mg().unsigned_abs() / 5
}
