//! A batch is thrown away: all that is left of it goes to waste.

use async_trait::async_trait;
use serde_json::json;
use uuid::Uuid;

use super::batch::{State, Step};
use super::{BatchPosted, Taken, fact, movement, view};
use crate::app::App;
use crate::book::leaf::Kind;
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::ids::BatchId;
use crate::refusal::{Outcome, Refusal};

command! {
    /// A batch was thrown away.
    Scrap {
        /// The batch.
        batch: BatchId,
    }
}

#[async_trait]
impl Command for Scrap {
    const NAME: &'static str = "scraps";
    type Answer = BatchPosted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<BatchPosted> {
        let site = book.site();
        let mut taken = Taken::up(book, self.batch).await?;
        if matches!(taken.batch.state(), State::Scrapped | State::Undone) {
            return Err(Refusal::conflict(
                "this batch is done: nothing of it is left",
            ));
        }
        let lot = taken
            .batch
            .lot()
            .ok_or_else(|| Refusal::conflict("nothing was weighed in"))?;
        let mut movements = Vec::new();
        for place in [Place::Batch(self.batch), Place::Roasted(self.batch)] {
            let left = book.tx().balance(site, lot, place).await?;
            movements.extend(movement(lot, place, Place::Waste, left));
        }
        if movements.is_empty() {
            return Err(Refusal::conflict(
                "all of this batch is in bags or gone already: nothing of it is left to scrap",
            ));
        }
        let at = taken.at(book, self.happened_at);
        let step = Step::Scrapped { by: id.into(), at };
        let draft = Draft {
            id: id.into(),
            kind: Kind::Scrap,
            happened_at: at,
            reason: self.common().why(),
            card: None,
            reverses: None,
            facts: json!({ "steps": [fact(self.batch, &step)] }),
            movements,
            weighings: Vec::new(),
        };
        let posting = book.post(draft).await?;
        taken.step(book, step).await?;
        Ok(BatchPosted {
            posting: (&posting).into(),
            batch: view::one(book.tx(), site, &taken.batch).await?,
        })
    }
}
