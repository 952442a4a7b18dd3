//! What is really there: a count books its difference to the book, and the last tap on an empty sack is the count that costs nothing.

use async_trait::async_trait;
use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

use super::leave::check_store;
use super::{Posted, PostingView};
use crate::app::App;
use crate::book::leaf::{Act, Kind, Movement, Weighing};
use crate::book::place::Place;
use crate::book::{Book, Draft, Remark};
use crate::command::{Command, Common, command};
use crate::counting;
use crate::ids::{LotId, StoreroomId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Site, Weight};

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

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Counted> {
        let account = (self.lot, self.storeroom);
        check_store(book, "", account).await?;
        let site = book.site();
        let here = setup::need::<Site>(book.tx(), site, site).await?.fields;
        if here.second_person {
            return Err(Refusal::conflict(
                "here a second person approves what is counted: open a count and enter it there",
            ));
        }
        let weighed = self.weight.resolve(book.tx(), site, "/weight").await?;
        let found = Found {
            kind: Kind::Count,
            account,
            counted: weighed.mass,
            weighing: Some(weighed.weighing(0)),
        };
        found.book(book, id, self.common()).await
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
        let found = Found {
            kind: Kind::UseUp,
            account,
            counted: Mass::ZERO,
            weighing: None,
        };
        found.book(book, id, self.common()).await
    }
}

/// What was found in a storeroom.
struct Found {
    kind: Kind,
    account: (LotId, StoreroomId),
    counted: Mass,
    weighing: Option<Weighing>,
}

impl Found {
    /// Books the difference, or that there is none.
    async fn book(self, book: &mut Book, id: Uuid, common: Common<'_>) -> Outcome<Counted> {
        let (lot, storeroom) = self.account;
        let site = book.site();
        let book_g = book
            .tx()
            .balance(site, lot, Place::Store(storeroom))
            .await?;
        counting::ask_if_far(common, false, book_g, self.counted)?;
        let difference_g = self.counted.minus(book_g)?;
        let mut facts =
            json!({"book_g": book_g, "counted_g": self.counted, "difference_g": difference_g});
        if self.kind == Kind::Count && difference_g != Mass::ZERO {
            let account = (lot, Place::Store(storeroom));
            let masses = (book_g, self.counted);
            let weighing = self.weighing.as_ref();
            let at = common.happened_at;
            facts["unexplained_g"] =
                json!(counting::of_single(book, account, masses, weighing, at).await?);
        }
        let posting = if difference_g == Mass::ZERO {
            self.agree(book, id, common, facts).await?;
            None
        } else {
            let draft = self.draft(id, common, difference_g, facts);
            Some(Posted::from(&book.post(draft).await?).posting)
        };
        Ok(Counted {
            posting,
            book_g,
            counted_g: difference_g.plus(book_g)?,
            difference_g,
        })
    }

    fn draft(self, id: Uuid, common: Common<'_>, difference: Mass, facts: Value) -> Draft {
        let (lot, storeroom) = self.account;
        let store = Place::Store(storeroom);
        let (from, to) = if difference.is_positive() {
            (Place::Variance, store)
        } else {
            (store, Place::Variance)
        };
        Draft {
            id: id.into(),
            kind: self.kind,
            happened_at: common.happened_at,
            reason: common.why(),
            card: None,
            reverses: None,
            facts,
            movements: vec![Movement {
                lot,
                from,
                to,
                mass_mg: difference.mg().abs(),
            }],
            weighings: self.weighing.into_iter().collect(),
        }
    }

    /// Nothing moves, and that it was counted is said all the same.
    async fn agree(
        self,
        book: &mut Book,
        id: Uuid,
        common: Common<'_>,
        mut facts: Value,
    ) -> Outcome<()> {
        let (lot, storeroom) = self.account;
        facts["storeroom"] = json!(storeroom);
        if let Some(weighing) = &self.weighing {
            facts["weighing"] = json!(weighing);
        }
        book.remark(Remark {
            id,
            kind: "lot",
            subject: lot.0,
            act: Act::Agree,
            happened_at: common.happened_at,
            reason: common.why(),
            before: Value::Null,
            after: facts,
        })
        .await?;
        Ok(())
    }
}
