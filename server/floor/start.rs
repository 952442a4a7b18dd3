//! A batch goes into the drum: one per roaster. Nothing moves, so it is a journal entry.

use async_trait::async_trait;
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::batch::{State, Step};
use super::{BatchSaid, Taken, view};
use crate::app::App;
use crate::book::leaf::Act;
use crate::book::{Book, Remark};
use crate::command::{Command, Common, command};
use crate::ids::BatchId;
use crate::refusal::{Confirm, Outcome, Refusal};
use crate::store::BatchFilter;

command! {
    /// A batch went into the drum.
    Start {
        /// The batch.
        batch: BatchId,
    }
}

#[async_trait]
impl Command for Start {
    const NAME: &'static str = "starts";
    type Answer = BatchSaid;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<BatchSaid> {
        let mut taken = Taken::up(book, self.batch).await?;
        match taken.batch.state() {
            State::WeighedIn => {}
            State::InDrum => return Err(Refusal::conflict("this batch is in the drum already")),
            State::WeighedOut | State::Scrapped | State::Undone => {
                return Err(Refusal::conflict(
                    "this batch is done: weigh green in for a new one",
                ));
            }
        }
        self.ask_about_drum(book, &taken).await?;
        let at = taken.at(book, self.happened_at);
        let step = Step::Started { by: id, at };
        let remark = Remark {
            id,
            kind: "batch",
            subject: self.batch.0,
            act: Act::Start,
            happened_at: at,
            reason: self.common().why(),
            before: Value::Null,
            after: json!(step),
        };
        book.remark(remark).await?;
        taken.step(book, step).await?;
        let site = book.site();
        Ok(BatchSaid {
            batch: view::one(book.tx(), site, &taken.batch).await?,
        })
    }
}

impl Start {
    async fn ask_about_drum(&self, book: &mut Book, taken: &Taken) -> Outcome<()> {
        if self.common().confirms(Confirm::DrumBusy) {
            return Ok(());
        }
        let site = book.site();
        let filter = BatchFilter {
            states: vec![State::InDrum.word().to_owned()],
            ..BatchFilter::default()
        };
        let in_drums = book.tx().batches(site, &filter, 100).await?;
        let roaster = taken.batch.weighed_in().map(|first| first.roaster.0);
        let Some(other) = in_drums.iter().find(|row| Some(row.roaster) == roaster) else {
            return Ok(());
        };
        let mut facts = Map::new();
        facts.insert("batch".to_owned(), json!(other.id));
        Err(Refusal::Confirm {
            confirm: vec![Confirm::DrumBusy],
            sentence: "another batch is still in this roaster: weigh it out first, or say that this one is in as well".to_owned(),
            facts,
        })
    }
}
