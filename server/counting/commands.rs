//! What people tell of a count: that it begins, what they found, that all is entered, and what the second person says.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::far::ask_if_far;
use super::session::{CountState, Covers, Entered, OfLot, Opened, Session, Step};
use super::sheet::{CountSheet, sheet};
use super::{book as booking, need, step};
use crate::app::App;
use crate::book::Book;
use crate::book::leaf::{Act, Weighing};
use crate::book::place::Place;
use crate::command::{Command, Common, command};
use crate::ids::{BatchId, LotId, PostingId, StoreroomId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Lot, Storeroom, Weight};

command! {
    /// A count begins: what stands there at this moment is counted, whatever moves afterwards.
    CountOpening {
        /// The one storeroom whose green is counted; all unless said.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        storeroom: Option<StoreroomId>,
        /// What is counted.
        #[schema(min_items = 1, max_items = 3)]
        covers: Vec<Covers>,
        /// Whether who counts does not see the book's figure first.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        blind: bool,
    }
}

/// Green of a lot in a storeroom.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OfGreen {
    /// The lot.
    pub lot: LotId,
    /// The storeroom.
    pub storeroom: StoreroomId,
}

command! {
    /// One place was counted: green of a lot in a storeroom, roasted coffee of a batch, or bags of a packing.
    CountEntry {
        /// The count.
        count: Uuid,
        /// Green of a lot in a storeroom.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        green: Option<OfGreen>,
        /// Roasted coffee of a batch.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        roasted: Option<BatchId>,
        /// Bags of a packing.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        packing: Option<PostingId>,
        /// What was weighed or counted in sacks: open sacks first, then whole ones. None: nothing is there.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        #[schema(max_items = 50)]
        weights: Vec<Weight>,
        /// How many bags, where bags are counted.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        bags: Option<u32>,
    }
}

command! {
    /// All that is there is entered.
    CountHandIn {
        /// The count.
        count: Uuid,
    }
}

/// What is to become of a count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Decided {
    /// The differences go into the book.
    Approve,
    /// It is to be counted again.
    SendBack,
    /// Nothing comes of it.
    Drop,
}

command! {
    /// What the second person says of a count that was handed in; an open one can be dropped.
    CountDecision {
        /// The count.
        count: Uuid,
        /// What is to become of it.
        decision: Decided,
    }
}

#[async_trait]
impl Command for CountOpening {
    const NAME: &'static str = "count-openings";
    type Answer = CountSheet;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<CountSheet> {
        let site = book.site();
        if self.covers.is_empty() || self.covers.len() > 3 {
            return Err(Refusal::field(
                "/covers",
                "say what is counted: green, roasted, bags",
            ));
        }
        if let Some(room) = self.storeroom {
            setup::named::<Storeroom>(book.tx(), site, "/storeroom", room).await?;
        }
        let second_person = setup::site(book.tx(), site).await?.fields.second_person;
        let mut covers = self.covers.clone();
        covers.sort_unstable();
        covers.dedup();
        let at = self.happened_at.min(book.now());
        let opened = Opened {
            by: id,
            person: book.actor().person,
            at,
            storeroom: self.storeroom,
            covers,
            blind: self.blind,
            second_person,
        };
        let mut session = Session {
            id,
            steps: Vec::new(),
        };
        let told = (id, Act::CountOpened, Step::Opened(opened));
        step(book, &mut session, told, at, self.common().why()).await?;
        answer(book, &session).await
    }
}

#[async_trait]
impl Command for CountEntry {
    const NAME: &'static str = "count-entries";
    type Answer = CountSheet;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<CountSheet> {
        let mut session = open_one(book, self.count).await?;
        let (place, lots) = self.place(book, &session).await?;
        let mut weighings = Vec::new();
        let mut sum = Mass::ZERO;
        let site = book.site();
        for (i, weight) in self.weights.iter().enumerate() {
            let weighed = weight
                .resolve(book.tx(), site, &format!("/weights/{i}"))
                .await?;
            sum = sum.plus(weighed.mass)?;
            weighings.push(weighed.weighing(0));
        }
        let masses = match (place, self.bags) {
            (Place::Packed(packing), Some(bags)) => {
                booking::of_bags(book.tx(), site, packing, bags).await?
            }
            _ => lots
                .into_iter()
                .map(|lot| OfLot { lot, mass_g: sum })
                .collect(),
        };
        let entered = self.entered(book, id, place, masses, weighings);
        ask_if_far(book, self.common(), &session, &entered).await?;
        let told = (id, Act::CountEntered, Step::Entered(entered));
        step(
            book,
            &mut session,
            told,
            self.happened_at,
            self.common().why(),
        )
        .await?;
        answer(book, &session).await
    }
}

impl CountEntry {
    fn entered(
        &self,
        book: &Book,
        by: Uuid,
        place: Place,
        masses: Vec<OfLot>,
        weighings: Vec<Weighing>,
    ) -> Entered {
        Entered {
            by,
            person: book.actor().person,
            at: self.happened_at.min(book.now()),
            place,
            masses,
            weighings,
            bags: self.bags,
        }
    }

    /// The place that was counted, and the lot there; the lots of bags follow from their packing.
    async fn place(&self, book: &mut Book, session: &Session) -> Outcome<(Place, Vec<LotId>)> {
        let site = book.site();
        if self.weights.len() > 50 {
            return Err(Refusal::field(
                "/weights",
                "at most 50 weights for one place",
            ));
        }
        let found = match (&self.green, self.roasted, self.packing) {
            (Some(of), None, None) => {
                setup::named::<Lot>(book.tx(), site, "/green/lot", of.lot).await?;
                let at = "/green/storeroom";
                setup::named::<Storeroom>(book.tx(), site, at, of.storeroom).await?;
                (Covers::Green, Place::Store(of.storeroom), vec![of.lot])
            }
            (None, Some(batch), None) => {
                let row = book.tx().batch(site, batch).await?;
                let row =
                    row.ok_or_else(|| Refusal::field("/roasted", "there is no such batch"))?;
                (Covers::Roasted, Place::Roasted(batch), vec![row.lot])
            }
            (None, None, Some(packing)) => (Covers::Bags, Place::Packed(packing), Vec::new()),
            _ => {
                return Err(Refusal::field(
                    "",
                    "say one place: green of a lot, roasted coffee of a batch, or bags of a packing",
                ));
            }
        };
        let (covers, place, lots) = found;
        if covers != Covers::Bags && self.weights.is_empty() {
            return Err(Refusal::field(
                "/weights",
                "say what was found: a weight, or no sacks",
            ));
        }
        if (covers == Covers::Bags) != self.bags.is_some()
            || (covers == Covers::Bags && !self.weights.is_empty())
        {
            return Err(Refusal::field(
                "/bags",
                "bags are counted in bags, everything else by its weight",
            ));
        }
        let opened = session.opened();
        let here = opened.is_some_and(|opened| {
            let room = opened.storeroom.map(Place::Store);
            opened.covers.contains(&covers)
                && (covers != Covers::Green || room.is_none_or(|room| room == place))
        });
        if here {
            Ok((place, lots))
        } else {
            Err(Refusal::conflict("this count is not about that place"))
        }
    }
}

#[async_trait]
impl Command for CountHandIn {
    const NAME: &'static str = "count-hand-ins";
    type Answer = CountSheet;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, id: Uuid) -> Outcome<CountSheet> {
        let mut session = open_one(book, self.count).await?;
        if session.entered().is_empty() {
            return Err(Refusal::conflict(
                "nothing has been counted yet: enter what is there first",
            ));
        }
        if session.opened().is_some_and(|opened| opened.second_person) {
            let handed_in = Step::HandedIn {
                by: id,
                person: book.actor().person,
                at: self.happened_at.min(book.now()),
            };
            let told = (id, Act::CountHandedIn, handed_in);
            step(
                book,
                &mut session,
                told,
                self.happened_at,
                self.common().why(),
            )
            .await?;
        } else {
            booking::book(book, app, &mut session, id, self.common()).await?;
        }
        answer(book, &session).await
    }
}

#[async_trait]
impl Command for CountDecision {
    const NAME: &'static str = "count-decisions";
    type Answer = CountSheet;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, id: Uuid) -> Outcome<CountSheet> {
        let site = book.site();
        let mut session = need(book.tx(), site, self.count).await?;
        let person = book.actor().person;
        match (self.decision, session.state()) {
            (Decided::Drop, CountState::Open | CountState::HandedIn) => {
                let reason = self.need_reason()?;
                let dropped = Step::Dropped {
                    by: id,
                    person,
                    reason: reason.clone(),
                };
                let told = (id, Act::CountDropped, dropped);
                step(book, &mut session, told, self.happened_at, Some(reason)).await?;
            }
            (Decided::SendBack, CountState::HandedIn) => {
                let reason = self.need_reason()?;
                let sent_back = Step::SentBack {
                    by: id,
                    person,
                    reason: reason.clone(),
                };
                let told = (id, Act::CountSentBack, sent_back);
                step(book, &mut session, told, self.happened_at, Some(reason)).await?;
            }
            (Decided::Approve, CountState::HandedIn) => {
                if session.handed_in_by() == Some(person) {
                    return Err(Refusal::conflict(
                        "who handed a count in cannot approve it: ask a second person",
                    ));
                }
                booking::book(book, app, &mut session, id, self.common()).await?;
            }
            (Decided::Approve | Decided::SendBack, CountState::Open) => {
                return Err(Refusal::conflict("this count has not been handed in yet"));
            }
            (_, CountState::Booked | CountState::Dropped) => return Err(over(&session)),
        }
        answer(book, &session).await
    }
}

impl CountDecision {
    fn need_reason(&self) -> Outcome<String> {
        self.common()
            .why()
            .ok_or_else(|| Refusal::field("/reason", "say why, in a few words"))
    }
}

/// A count that can still be entered on.
async fn open_one(book: &mut Book, id: Uuid) -> Outcome<Session> {
    let site = book.site();
    let session = need(book.tx(), site, id)
        .await
        .map_err(|refusal| match refusal {
            Refusal::NotFound(..) => Refusal::field("/count", "there is no such count"),
            other => other,
        })?;
    match session.state() {
        CountState::Open => Ok(session),
        CountState::HandedIn => Err(Refusal::conflict(
            "this count has been handed in: it must be sent back before anything is entered",
        )),
        CountState::Booked | CountState::Dropped => Err(over(&session)),
    }
}

fn over(session: &Session) -> Refusal {
    Refusal::conflict(if session.state() == CountState::Booked {
        "this count is booked already: open another one"
    } else {
        "this count was dropped: open another one"
    })
}

async fn answer(book: &mut Book, session: &Session) -> Outcome<CountSheet> {
    let (site, zone) = (book.site(), book.zone());
    sheet(book.tx(), site, zone, session.id).await
}
