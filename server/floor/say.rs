//! What people say of a batch: hold, pass, review. Nothing moves, so each is a journal entry.

use async_trait::async_trait;
use serde_json::{Value, json};
use uuid::Uuid;

use super::batch::{Finding, State, Step};
use super::{BatchSaid, Taken, view};
use crate::app::App;
use crate::book::leaf::Act;
use crate::book::{Book, Remark};
use crate::command::{Command, Common, command};
use crate::day::Instant;
use crate::ids::BatchId;
use crate::refusal::{Outcome, Refusal};

command! {
    /// A batch was put on hold: not bagged until a person passes it.
    Hold {
        /// The batch.
        batch: BatchId,
    }
}

command! {
    /// A batch on hold was passed.
    Pass {
        /// The batch.
        batch: BatchId,
    }
}

command! {
    /// A batch's loss was reviewed: what the learner makes of it.
    Review {
        /// The batch.
        batch: BatchId,
        /// What was found.
        finding: Finding,
    }
}

#[async_trait]
impl Command for Hold {
    const NAME: &'static str = "holds";
    type Answer = BatchSaid;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<BatchSaid> {
        let reason = needed(self.common())?;
        let mut taken = roasted(book, self.batch).await?;
        if taken.batch.hold().is_some() {
            return Err(Refusal::conflict("this batch is on hold already"));
        }
        hold(book, id, &mut taken, self.happened_at, reason).await?;
        answer(book, &taken).await
    }
}

#[async_trait]
impl Command for Pass {
    const NAME: &'static str = "passes";
    type Answer = BatchSaid;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<BatchSaid> {
        let reason = needed(self.common())?;
        let mut taken = roasted(book, self.batch).await?;
        if taken.batch.hold().is_none() {
            return Err(Refusal::conflict("this batch is not on hold"));
        }
        let step = Step::Passed { by: id, reason };
        say(book, id, &mut taken, Act::Pass, self.happened_at, step).await?;
        answer(book, &taken).await
    }
}

#[async_trait]
impl Command for Review {
    const NAME: &'static str = "reviews";
    type Answer = BatchSaid;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<BatchSaid> {
        let reason = needed(self.common())?;
        let mut taken = roasted(book, self.batch).await?;
        let step = Step::Reviewed {
            by: id,
            finding: self.finding,
            reason,
        };
        say(book, id, &mut taken, Act::Review, self.happened_at, step).await?;
        answer(book, &taken).await
    }
}

/// Puts a batch on hold.
pub(super) async fn hold(
    book: &mut Book,
    id: Uuid,
    taken: &mut Taken,
    at: Instant,
    reason: String,
) -> Outcome<()> {
    say(
        book,
        id,
        taken,
        Act::Hold,
        at,
        Step::Held { by: id, reason },
    )
    .await
}

fn needed(common: Common<'_>) -> Outcome<String> {
    common
        .why()
        .ok_or_else(|| Refusal::field("/reason", "say why, in a few words"))
}

async fn roasted(book: &mut Book, batch: BatchId) -> Outcome<Taken> {
    let taken = Taken::up(book, batch).await?;
    if taken.batch.state() != State::WeighedOut {
        return Err(Refusal::conflict(
            "only a batch that has been weighed out, and not scrapped, can be held, passed or reviewed",
        ));
    }
    Ok(taken)
}

/// Says something of a batch.
pub(super) async fn say(
    book: &mut Book,
    id: Uuid,
    taken: &mut Taken,
    act: Act,
    at: Instant,
    step: Step,
) -> Outcome<()> {
    let reason = match &step {
        Step::Held { reason, .. } | Step::Passed { reason, .. } | Step::Reviewed { reason, .. } => {
            Some(reason.clone())
        }
        _ => None,
    };
    let subject = taken.batch.id.0;
    book.remark(Remark {
        id,
        kind: "batch",
        subject,
        act,
        happened_at: at,
        reason,
        before: Value::Null,
        after: json!(step),
    })
    .await?;
    taken.step(book, step).await
}

async fn answer(book: &mut Book, taken: &Taken) -> Outcome<BatchSaid> {
    let site = book.site();
    Ok(BatchSaid {
        batch: view::one(book.tx(), site, &taken.batch).await?,
    })
}
