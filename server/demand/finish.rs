//! A run is finished: its bin is weighed, or found empty, and the book's rest put right or thrown away.

use async_trait::async_trait;
use serde::Serialize;
use serde_json::json;
use uuid::Uuid;

use crate::app::App;
use crate::book::leaf::{Kind, Movement};
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::demand::roasted::{Run, bin};
use crate::floor::movement;
use crate::green::PostingView;
use crate::ids::BatchId;
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::Weight;

command! {
    /// The bin of a run was weighed or found empty after packing.
    RunEnd {
        /// One of the batches of the run.
        batch: BatchId,
        /// What is really left in the bin; left out where it is empty.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        weight: Option<Weight>,
        /// Whether what is left is thrown away.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        waste: bool,
    }
}

/// The answer when a run was finished.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct RunEnded {
    /// The posting; none where bin and book agree and nothing was thrown away.
    pub posting: Option<PostingView>,
    /// What the book had in the bin.
    pub book_g: Mass,
    /// What was there.
    pub found_g: Mass,
    /// Found less book.
    pub difference_g: Mass,
}

#[async_trait]
impl Command for RunEnd {
    const NAME: &'static str = "run-ends";
    type Answer = RunEnded;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<RunEnded> {
        let site = book.site();
        let run = bin(book.tx(), site, self.batch).await?;
        let run = run.ok_or_else(|| {
            Refusal::field(
                "/batch",
                "name a batch that has been weighed out and was not scrapped",
            )
        })?;
        let weighed = match &self.weight {
            Some(weight) => Some(weight.resolve(book.tx(), site, "/weight").await?),
            None => None,
        };
        let found = weighed.as_ref().map_or(Mass::ZERO, |weighed| weighed.mass);
        let book_g = run.mass();
        let difference_g = found.minus(book_g)?;
        let movements = self.movements(&run, found)?;
        let mut ended = RunEnded {
            posting: None,
            book_g,
            found_g: found,
            difference_g,
        };
        if movements.is_empty() {
            return Ok(ended);
        }
        let batches: Vec<BatchId> = run.batches.iter().map(|batch| batch.batch).collect();
        let mut facts = json!({
            "batches": batches, "book_g": book_g, "counted_g": found, "difference_g": difference_g,
        });
        if let Some(weighed) = &weighed {
            // The bin was weighed, not one movement.
            facts["weighing"] = json!(weighed.weighing(0));
        }
        let draft = Draft {
            id: id.into(),
            kind: Kind::FinishRun,
            happened_at: self.happened_at,
            reason: self.common().why(),
            card: None,
            reverses: None,
            facts,
            movements,
            weighings: Vec::new(),
        };
        ended.posting = Some((&book.post(draft).await?).into());
        Ok(ended)
    }
}

impl RunEnd {
    /// The difference against the count difference, by what the book has of each batch; then, if it is thrown away, all that is there.
    fn movements(&self, run: &Run, found: Mass) -> Outcome<Vec<Movement>> {
        let lot = run.first().lot;
        let missing = run.mass().minus(found)?;
        let over = found.minus(run.mass())?.max(Mass::ZERO);
        let mut movements = Vec::new();
        let gone = run.shares(missing.max(Mass::ZERO));
        for (batch, mass) in &gone {
            movements.extend(movement(
                lot,
                Place::Roasted(*batch),
                Place::Variance,
                *mass,
            ));
        }
        let come = run.shares(over);
        for (batch, mass) in &come {
            movements.extend(movement(
                lot,
                Place::Variance,
                Place::Roasted(*batch),
                *mass,
            ));
        }
        if self.waste {
            for ((batch, gone), ((_, come), roasted)) in
                gone.iter().zip(come.iter().zip(&run.batches))
            {
                let there = roasted.mass.minus(*gone)?.plus(*come)?;
                movements.extend(movement(lot, Place::Roasted(*batch), Place::Waste, there));
            }
        }
        Ok(movements)
    }
}
