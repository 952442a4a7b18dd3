//! The floor: the life of a batch, from the weigh-in to the verdict, and what people say of it afterwards.
//!
//! Each file is one thing that happens. All go the same way: take the batch, check the step, book it, add the step, store the batch.
//! What has happened is not refused for the state of the book: it is asked about once, and booked with a further word.

pub mod batch;
mod correct;
pub mod cupping;
mod say;
mod scrap;
mod settle;
mod start;
mod undo;
pub mod view;
mod weigh_in;
mod weigh_out;

pub use correct::Correction;
pub use cupping::{CupVerdicts, Cupping, CuppingTable, CuppingView, CupsJudged, TableLaid};
pub use say::{Hold, Pass, Review};
pub use scrap::Scrap;
pub use settle::{Settled, Settlement};
pub use start::Start;
pub use undo::{Reversal, Reversed};
pub use view::BatchView;
pub use weigh_in::WeighIn;
pub use weigh_out::{Preview, Previewed, WeighOut, WeighedOutAnswer, preview};

use serde::Serialize;
use serde_json::{Value, json};

use crate::book::Book;
use crate::book::leaf::Movement;
use crate::book::place::Place;
use crate::day::Instant;
use crate::green::PostingView;
use crate::ids::{BatchId, LotId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::store::BatchRow;
use batch::{Batch, Step};

/// The answer to a command about one batch that moves coffee.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct BatchPosted {
    /// The posting.
    pub posting: PostingView,
    /// The batch as it is now.
    pub batch: BatchView,
}

/// The answer to a command about one batch that moves nothing.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct BatchSaid {
    /// The batch as it is now.
    pub batch: BatchView,
}

/// A batch as it is taken up for a further step.
pub(crate) struct Taken {
    /// The batch.
    pub batch: Batch,
    before: Option<BatchRow>,
}

impl Taken {
    /// Takes up a batch that must be there.
    pub async fn up(book: &mut Book, id: BatchId) -> Outcome<Self> {
        let taken = Self::new(book, id).await?;
        if taken.before.is_none() {
            return Err(Refusal::NotFound("batch", id.0));
        }
        Ok(taken)
    }

    /// Takes up a batch, or begins one.
    pub async fn new(book: &mut Book, id: BatchId) -> Outcome<Self> {
        let site = book.site();
        let before = book.tx().batch(site, id).await?;
        let batch = before
            .as_ref()
            .map_or_else(|| Ok(Batch::new(id)), Batch::of_row)?;
        Ok(Self { batch, before })
    }

    /// Adds a step and stores the batch.
    pub async fn step(&mut self, book: &mut Book, step: Step) -> Outcome<()> {
        self.batch.steps.push(step);
        self.store(book).await
    }

    /// Takes the last step back and stores the batch.
    pub async fn unstep(&mut self, book: &mut Book) -> Outcome<()> {
        self.batch.steps.pop();
        self.store(book).await
    }

    async fn store(&mut self, book: &mut Book) -> Outcome<()> {
        if let Some(row) = self.batch.row(self.before.as_ref()) {
            let site = book.site();
            book.tx().put_batch(site, &row).await?;
            self.before = Some(row);
        }
        Ok(())
    }

    /// When a step happened: as said, but not later than now nor before the step before.
    pub fn at(&self, book: &Book, said: Instant) -> Instant {
        said.min(book.now())
            .max(self.batch.last_at().unwrap_or(said))
            .min(book.now())
    }
}

/// A step as a posting's facts carry it, with the batch it belongs to.
pub(crate) fn fact(batch: BatchId, step: &Step) -> Value {
    let mut fact = serde_json::to_value(step).unwrap_or_default();
    if let Some(fields) = fact.as_object_mut() {
        fields.insert("batch".to_owned(), json!(batch));
    }
    fact
}

/// A movement, if there is anything to move.
pub(crate) fn movement(lot: LotId, from: Place, to: Place, mass: Mass) -> Option<Movement> {
    mass.is_positive().then_some(Movement {
        lot,
        from,
        to,
        mass_mg: mass.mg(),
    })
}
