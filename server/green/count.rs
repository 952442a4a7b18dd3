//! What is really there: a lot counted by itself, and the last tap on an empty sack, which is the count that costs nothing.

use async_trait::async_trait;
use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

use super::leave::check_store;
use super::{Posted, PostingView};
use crate::app::App;
use crate::book::leaf::{Act, Kind, Movement};
use crate::book::place::Place;
use crate::book::{Book, Draft, Remark};
use crate::command::{Command, Common, command};
use crate::counting;
use crate::ids::{LotId, StoreroomId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Weight};

command! {
    /// A lot in a storeroom was counted.
    Count {
        /// The lot.
        lot: LotId,
        /// The storeroom.
        storeroom: StoreroomId,
        /// What is really there; nothing is a count too.
        weight: Weight,
    }
}

command! {
    /// A lot in a storeroom was used up: nothing is left, whatever the book says.
    UsedUp {
        /// The lot.
        lot: LotId,
        /// The storeroom.
        storeroom: StoreroomId,
    }
}

/// What a count found.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Counted {
    /// The posting of the difference; none where count and book agree.
    pub posting: Option<PostingView>,
    /// What the book had.
    pub book_g: Mass,
    /// What was there.
    pub counted_g: Mass,
    /// Counted less book.
    pub difference_g: Mass,
}

#[async_trait]
impl Command for Count {
    const NAME: &'static str = "counts";
    type Answer = Counted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, id: Uuid) -> Outcome<Counted> {
        let account = (self.lot, self.storeroom);
        check_store(book, "", account).await?;
        let site = book.site();
        let here = setup::site(book.tx(), site).await?.fields;
        if here.second_person {
            return Err(Refusal::conflict(
                "here a second person approves what is counted: open a count and enter it there",
            ));
        }
        let weighed = self.weight.resolve(book.tx(), site, "/weight").await?;
        let (line, posting) =
            counting::at_once(book, app, id, self.common(), account, &weighed).await?;
        let book_g = line.map_or(Mass::ZERO, |line| line.book_g);
        Ok(Counted {
            posting: posting
                .as_ref()
                .map(|posting| Posted::from(posting).posting),
            book_g,
            counted_g: weighed.mass,
            difference_g: weighed.mass.minus(book_g)?,
        })
    }
}

#[async_trait]
impl Command for UsedUp {
    const NAME: &'static str = "used-ups";
    type Answer = Counted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Counted> {
        let account = (self.lot, self.storeroom);
        check_store(book, "", account).await?;
        let (lot, storeroom) = account;
        let site = book.site();
        let place = Place::Store(storeroom);
        let book_g = book.tx().balance(site, lot, place).await?;
        counting::ask_if_far(self.common(), false, book_g, Mass::ZERO)?;
        let found = Counted {
            posting: None,
            book_g,
            counted_g: Mass::ZERO,
            difference_g: Mass::ZERO.minus(book_g)?,
        };
        let facts =
            json!({"book_g": book_g, "counted_g": Mass::ZERO, "difference_g": found.difference_g});
        if book_g == Mass::ZERO {
            self.agree(book, id, facts).await?;
            return Ok(found);
        }
        let posted = book.post(self.draft(id, book_g, facts)).await?;
        Ok(Counted {
            posting: Some(Posted::from(&posted).posting),
            ..found
        })
    }
}

impl UsedUp {
    fn draft(&self, id: Uuid, left: Mass, facts: Value) -> Draft {
        Draft {
            id: id.into(),
            kind: Kind::UseUp,
            happened_at: self.happened_at,
            reason: self.common().why(),
            card: None,
            reverses: None,
            facts,
            movements: vec![Movement {
                lot: self.lot,
                from: Place::Store(self.storeroom),
                to: Place::Variance,
                mass_mg: left.mg(),
            }],
            weighings: Vec::new(),
        }
    }

    /// Nothing moves, and that it was said is kept all the same.
    async fn agree(&self, book: &mut Book, id: Uuid, mut facts: Value) -> Outcome<()> {
        facts["storeroom"] = json!(self.storeroom);
        book.remark(Remark {
            id,
            kind: "lot",
            subject: self.lot.0,
            act: Act::Agree,
            happened_at: self.happened_at,
            reason: self.common().why(),
            before: Value::Null,
            after: facts,
        })
        .await?;
        Ok(())
    }
}
