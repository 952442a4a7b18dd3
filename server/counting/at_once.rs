//! One place counted in one go: begun, entered and booked at the same moment, and from then on a count like any other.

use uuid::Uuid;

use super::far::ask_if_far;
use super::session::{Covers, Entered, Line, OfLot, Opened, Session, Step};
use super::{book as booking, step};
use crate::app::App;
use crate::book::Book;
use crate::book::leaf::{Act, Kind, Posting};
use crate::book::place::Place;
use crate::command::Common;
use crate::ids::{LotId, StoreroomId};
use crate::refusal::Outcome;
use crate::setup::Weighed;

/// Books what is really there of a lot's green in a storeroom. What was compared is answered, and the posting of the difference; none where
/// count and book agree, or where what is missing dried.
///
/// # Errors
/// [`crate::refusal::Refusal::Confirm`] where it is far from the book, or what the book refuses.
pub async fn at_once(
    book: &mut Book,
    app: &App,
    id: Uuid,
    common: Common<'_>,
    (lot, storeroom): (LotId, StoreroomId),
    found: &Weighed,
) -> Outcome<(Option<Line>, Option<Posting>)> {
    let (person, at) = (book.actor().person, common.happened_at.min(book.now()));
    let place = Place::Store(storeroom);
    let opened = Opened {
        by: id,
        person,
        at,
        storeroom: Some(storeroom),
        covers: vec![Covers::Green],
        blind: false,
        second_person: false,
    };
    let by = app.clock.new_id();
    let entered = Entered {
        by,
        person,
        at,
        place,
        masses: vec![OfLot {
            lot,
            mass_g: found.mass,
        }],
        weighings: vec![found.weighing(0)],
        bags: None,
    };
    let mut session = Session {
        id,
        steps: Vec::new(),
    };
    let begun = (id, Act::CountOpened, Step::Opened(opened));
    step(book, &mut session, begun, at, common.why()).await?;
    ask_if_far(book, common, &session, &entered).await?;
    let told = (by, Act::CountEntered, Step::Entered(entered));
    step(book, &mut session, told, at, None).await?;
    booking::book(book, app, &mut session, app.clock.new_id(), common).await?;
    let own = session.postings();
    let posted = book.posted().iter();
    let posted = posted
        .filter(|posting| posting.kind == Kind::Count)
        .find(|posting| own.contains(&posting.id));
    Ok((session.booked().first().cloned(), posted.cloned()))
}
