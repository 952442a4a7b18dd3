//! Undo: a posting is mirrored as a whole, once; last in, first out for each batch, while nothing depends on it.

use async_trait::async_trait;
use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

use super::batch::{Batch, Step};
use super::{BatchView, Taken, view};
use crate::access;
use crate::app::App;
use crate::book::leaf::{Act, Entry, Kind, Leaf, Movement, Posting};
use crate::book::{Book, Draft, Remark, damaged};
use crate::command::{Command, Common, command};
use crate::counting::session;
use crate::day::Instant;
use crate::demand;
use crate::green::PostingView;
use crate::ids::{BatchId, PostingId};
use crate::refusal::{Outcome, Refusal};
use crate::setup::Right;
use crate::sites;

command! {
    /// A posting, or a batch's start, was undone.
    Reversal {
        /// The posting to undo, or the start.
        posting: PostingId,
    }
}

/// The answer to an undo.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Reversed {
    /// The mirroring posting; none where a start was taken back.
    pub posting: Option<PostingView>,
    /// The first of the batches that it was about, as it is now.
    pub batch: Option<BatchView>,
}

#[async_trait]
impl Command for Reversal {
    const NAME: &'static str = "reversals";
    type Answer = Reversed;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, id: Uuid) -> Outcome<Reversed> {
        let site = book.site();
        match book.tx().posting_leaf(site, self.posting).await? {
            Some(text) => match serde_json::from_str(&text).map_err(damaged)? {
                Leaf::Posting(posting) => self.mirror(book, app, id, posting).await,
                _ => Err(Refusal::NotFound("posting", self.posting.0)),
            },
            None => self.take_start_back(book, id).await,
        }
    }
}

impl Reversal {
    async fn mirror(
        &self,
        book: &mut Book,
        app: &App,
        id: Uuid,
        posting: Posting,
    ) -> Outcome<Reversed> {
        let (site, actor) = (book.site(), book.actor());
        access::check(book.tx(), site, actor, Right::to_undo(&posting)).await?;
        check_free(book, &posting).await?;
        sites::check_undone(book, &posting).await?;
        let mut run = Vec::new();
        for batch in batches_of(&posting) {
            let taken = Taken::up(book, batch).await?;
            if taken.batch.steps.last().map(Step::by) != Some(posting.id.0) {
                return Err(in_the_way(&taken.batch));
            }
            run.push(taken);
        }
        let ids: Vec<BatchId> = run.iter().map(|taken| taken.batch.id).collect();
        let mirrored = posting
            .movements
            .iter()
            .rev()
            .map(|m| Movement {
                from: m.to,
                to: m.from,
                ..*m
            })
            .collect();
        let draft = Draft {
            id: id.into(),
            kind: Kind::Reverse,
            // Before it had happened there was nothing to undo.
            happened_at: self.happened_at.max(Instant::from_ms(posting.effective_at)),
            reason: self.common().why(),
            card: posting.card,
            reverses: Some(posting.id),
            facts: if ids.is_empty() {
                Value::Null
            } else {
                json!({ "undone": ids })
            },
            movements: mirrored,
            weighings: Vec::new(),
        };
        let reversal = book.post(draft).await.map_err(depends)?;
        demand::check_undone(book, &posting).await?;
        sites::undone(book, app, &posting).await?;
        for taken in &mut run {
            taken.unstep(book).await?;
        }
        let batch = match run.first() {
            Some(taken) => view::of_row(book.tx(), site, taken.batch.id).await?,
            None => None,
        };
        Ok(Reversed {
            posting: Some((&reversal).into()),
            batch,
        })
    }

    /// Takes a batch's start back, if that was the last thing said of it.
    async fn take_start_back(&self, book: &mut Book, id: Uuid) -> Outcome<Reversed> {
        let site = book.site();
        let text = book
            .tx()
            .entry_leaf(site, self.posting.0)
            .await?
            .ok_or(Refusal::NotFound("posting", self.posting.0))?;
        let entry = match serde_json::from_str(&text).map_err(damaged)? {
            Leaf::Entry(Entry {
                act: Act::Start,
                subject,
                ..
            }) => BatchId(subject),
            _ => {
                return Err(Refusal::conflict(
                    "only what was weighed or started can be undone: say it anew instead",
                ));
            }
        };
        let mut taken = Taken::up(book, entry).await?;
        let last = taken.batch.steps.last();
        if !matches!(last, Some(Step::Started { by, .. }) if *by == self.posting.0) {
            return Err(in_the_way(&taken.batch));
        }
        let remark = Remark {
            id,
            kind: "batch",
            subject: entry.0,
            act: Act::Unstart,
            happened_at: taken.at(book, self.happened_at),
            reason: self.common().why(),
            before: json!(last),
            after: Value::Null,
        };
        book.remark(remark).await?;
        taken.unstep(book).await?;
        Ok(Reversed {
            posting: None,
            batch: Some(view::one(book.tx(), site, &taken.batch).await?),
        })
    }
}

/// The batches whose steps a posting made.
fn batches_of(posting: &Posting) -> Vec<BatchId> {
    let steps = posting.facts["steps"].as_array();
    steps
        .into_iter()
        .flatten()
        .filter_map(|step| serde_json::from_value(step["batch"].clone()).ok())
        .collect()
}

/// Something was booked on the batch since; what people said of it cannot be undone, but its weights can be put right.
fn in_the_way(batch: &Batch) -> Refusal {
    let said = matches!(
        batch.steps.last(),
        Some(Step::Held { .. } | Step::Passed { .. } | Step::Reviewed { .. })
    );
    let way_out = if said {
        "correct its weights instead"
    } else {
        "undo that first"
    };
    Refusal::conflict(format!(
        "something else has been said or booked of this batch since ({}): {way_out}",
        last_word(batch)
    ))
}

fn last_word(batch: &Batch) -> &'static str {
    match batch.steps.last() {
        Some(Step::WeighedIn(_)) => "a further crate",
        Some(Step::Started { .. }) => "its start",
        Some(Step::Sampled { .. }) => "a sample",
        Some(Step::WeighedOut(_)) => "its weigh-out",
        Some(Step::Wasted { .. }) => "waste",
        Some(Step::Scrapped { .. }) => "it was scrapped",
        Some(Step::Held { .. }) => "a hold",
        Some(Step::Passed { .. }) => "it was passed",
        Some(Step::Reviewed { .. }) => "a review",
        Some(Step::Corrected { .. }) => "a correction",
        None => "all of it was undone",
    }
}

/// What would fall below nothing has gone on since.
fn depends(refusal: Refusal) -> Refusal {
    match refusal {
        Refusal::Conflict { sentence, facts } => Refusal::Conflict {
            sentence: format!("this coffee has gone on since, so it cannot be undone: {sentence}"),
            facts,
        },
        other => other,
    }
}

/// Refuses to undo what cannot be: an undo, what a count found, what has been undone.
async fn check_free(book: &mut Book, posting: &Posting) -> Outcome<()> {
    if posting.kind == Kind::Reverse {
        return Err(Refusal::conflict("an undo cannot be undone: book it again"));
    }
    if session::is_of(posting) {
        return Err(Refusal::conflict(
            "this is the difference that a count found: count again instead of undoing it",
        ));
    }
    if let Some(by) = book.tx().reversal_of(posting.id).await? {
        return Err(Refusal::conflict(format!(
            "this has been undone already (posting {by})"
        )));
    }
    Ok(())
}
