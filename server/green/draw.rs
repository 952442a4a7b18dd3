//! Coffee is drawn as a sample, or spilled: from a storeroom, or of a batch.

use async_trait::async_trait;
use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

use super::PostingView;
use super::leave::{self, Portion};
use crate::app::App;
use crate::book::leaf::{Kind, Movement};
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::floor::batch::{State, Step};
use crate::floor::{BatchView, Taken, fact, movement, view};
use crate::ids::{BatchId, LotId, StoreroomId};
use crate::mass::Mass;
use crate::refusal::{Confirm, Outcome, Refusal};
use crate::setup::Weight;
use crate::text::Note;

command! {
    /// A sample was drawn: of green from a storeroom, or of a batch. What is drawn of a batch before its weigh-out counts as come out.
    Sample {
        /// The lot, where it was drawn from a storeroom.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lot: Option<LotId>,
        /// Where it stood.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        storeroom: Option<StoreroomId>,
        /// The batch, where it was drawn of one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        batch: Option<BatchId>,
        /// How much.
        weight: Weight,
        /// What for.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        purpose: Option<Note>,
    }
}

command! {
    /// Green in a storeroom, or roasted coffee of a batch, was spilled, sorted out or swept up.
    Waste {
        /// The lot, where it was spilled in a storeroom.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lot: Option<LotId>,
        /// Where it stood.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        storeroom: Option<StoreroomId>,
        /// The batch, where it was roasted coffee of one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        batch: Option<BatchId>,
        /// How much.
        weight: Weight,
    }
}

/// The answer when coffee was drawn or spilled.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Drawn {
    /// The posting.
    pub posting: PostingView,
    /// The batch as it is now, where it was of one.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(required = false)]
    pub batch: Option<BatchView>,
}

#[async_trait]
impl Command for Sample {
    const NAME: &'static str = "samples";
    type Answer = Drawn;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Drawn> {
        let drawing = Drawing {
            id,
            kind: Kind::Sample,
            to: Place::Sample,
            common: self.common(),
            weight: &self.weight,
            purpose: self.purpose.as_ref(),
        };
        let origin = Origin::of(self.lot, self.storeroom, self.batch)?;
        drawing.book(book, origin).await
    }
}

#[async_trait]
impl Command for Waste {
    const NAME: &'static str = "wastes";
    type Answer = Drawn;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Drawn> {
        let drawing = Drawing {
            id,
            kind: Kind::Waste,
            to: Place::Waste,
            common: self.common(),
            weight: &self.weight,
            purpose: None,
        };
        let origin = Origin::of(self.lot, self.storeroom, self.batch)?;
        drawing.book(book, origin).await
    }
}

/// Where coffee is drawn from.
enum Origin {
    Store(LotId, StoreroomId),
    Batch(BatchId),
}

impl Origin {
    fn of(
        lot: Option<LotId>,
        storeroom: Option<StoreroomId>,
        batch: Option<BatchId>,
    ) -> Outcome<Self> {
        match (lot, storeroom, batch) {
            (Some(lot), Some(storeroom), None) => Ok(Self::Store(lot, storeroom)),
            (None, None, Some(batch)) => Ok(Self::Batch(batch)),
            _ => Err(Refusal::field(
                "",
                "give either lot and storeroom, or batch, and not both",
            )),
        }
    }
}

/// What a sample and waste have in common.
struct Drawing<'a> {
    id: Uuid,
    kind: Kind,
    to: Place,
    common: Common<'a>,
    weight: &'a Weight,
    purpose: Option<&'a Note>,
}

impl Drawing<'_> {
    async fn book(self, book: &mut Book, origin: Origin) -> Outcome<Drawn> {
        match origin {
            Origin::Store(lot, storeroom) => self.of_store(book, (lot, storeroom)).await,
            Origin::Batch(batch) => self.of_batch(book, batch).await,
        }
    }

    async fn of_store(self, book: &mut Book, account: (LotId, StoreroomId)) -> Outcome<Drawn> {
        let portion = Portion::check(book, "", account, self.weight, self.to).await?;
        let mut draft = leave::draft(book, self.id, self.kind, self.common, &[portion]).await?;
        self.add_purpose(&mut draft.facts);
        Ok(Drawn {
            posting: (&book.post(draft).await?).into(),
            batch: None,
        })
    }

    async fn of_batch(self, book: &mut Book, batch: BatchId) -> Outcome<Drawn> {
        let site = book.site();
        let weighed = self.weight.positive(book.tx(), site, "/weight").await?;
        let mut taken = Taken::up(book, batch).await?;
        let (from, step) = self.step(&taken, weighed.mass)?;
        let lot = taken
            .batch
            .lot()
            .ok_or_else(|| Refusal::conflict("nothing was weighed in"))?;
        let there = book.tx().balance(site, lot, from).await?;
        let beyond = weighed.mass.minus(there)?.max(Mass::ZERO);
        if beyond.is_positive() && !self.common.confirms(Confirm::BeyondBook) {
            return Err(ask(beyond));
        }
        let mut facts = json!({ "steps": [fact(batch, &step)] });
        if beyond.is_positive() {
            facts["beyond_book_g"] = json!(beyond);
        }
        self.add_purpose(&mut facts);
        // What the book does not have comes out of the count difference first.
        let movements: Vec<Movement> = movement(lot, Place::Variance, from, beyond)
            .into_iter()
            .chain(movement(lot, from, self.to, weighed.mass))
            .collect();
        let drawn = movements.len() - 1;
        let draft = Draft {
            id: self.id.into(),
            kind: self.kind,
            happened_at: taken.at(book, self.common.happened_at),
            reason: self.common.why(),
            card: None,
            reverses: None,
            facts,
            movements,
            weighings: vec![weighed.weighing(drawn)],
        };
        let posting = book.post(draft).await?;
        taken.step(book, step).await?;
        Ok(Drawn {
            posting: (&posting).into(),
            batch: Some(view::one(book.tx(), site, &taken.batch).await?),
        })
    }

    /// Where a batch's coffee is, and the step that draws from it.
    fn step(&self, taken: &Taken, mass_g: Mass) -> Outcome<(Place, Step)> {
        let (by, batch) = (self.id.into(), taken.batch.id);
        let state = taken.batch.state();
        match (self.kind, state) {
            (Kind::Sample, State::WeighedIn | State::InDrum | State::WeighedOut) => {
                let before = state != State::WeighedOut;
                let step = Step::Sampled { by, mass_g, before };
                let from = if before {
                    Place::Batch(batch)
                } else {
                    Place::Roasted(batch)
                };
                Ok((from, step))
            }
            (Kind::Waste, State::WeighedOut) => {
                Ok((Place::Roasted(batch), Step::Wasted { by, mass_g }))
            }
            (Kind::Waste, State::WeighedIn | State::InDrum) => Err(Refusal::conflict(
                "this batch has not been weighed out: weigh out what is left, or scrap it",
            )),
            _ => Err(Refusal::conflict(
                "this batch is done: nothing of it is left",
            )),
        }
    }

    fn add_purpose(&self, facts: &mut Value) {
        if let Some(purpose) = self.purpose {
            if facts.is_null() {
                *facts = json!({});
            }
            facts["purpose"] = json!(purpose);
        }
    }
}

fn ask(beyond: Mass) -> Refusal {
    Refusal::beyond_book(
        beyond,
        format!(
            "the book has {beyond} less of this batch than you say: look at the weight again, or confirm it"
        ),
    )
}
