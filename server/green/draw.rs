//! Coffee is drawn as a sample or spilled: from a storeroom, or of a batch.

use async_trait::async_trait;
use serde::Serialize;
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::PostingView;
use super::leave::{self, Portion};
use crate::app::App;
use crate::book::leaf::Kind;
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::ids::{LotId, StoreroomId};
use crate::refusal::Outcome;
use crate::setup::Weight;
use crate::text::Note;

command! {
    /// A sample was drawn.
    Sample {
        /// The lot.
        lot: LotId,
        /// Where it stood.
        storeroom: StoreroomId,
        /// How much.
        weight: Weight,
        /// What for.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        purpose: Option<Note>,
    }
}

command! {
    /// Coffee was spilled, sorted out or swept up.
    Waste {
        /// The lot.
        lot: LotId,
        /// Where it stood.
        storeroom: StoreroomId,
        /// How much.
        weight: Weight,
    }
}

/// The answer when coffee was drawn.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Drawn {
    /// The posting.
    pub posting: PostingView,
}

#[async_trait]
impl Command for Sample {
    const NAME: &'static str = "samples";
    type Answer = Drawn;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Drawn> {
        let account = (self.lot, self.storeroom);
        let portion = Portion::check(book, "", account, &self.weight, Place::Sample).await?;
        let mut draft = leave::draft(book, id, Kind::Sample, self.common(), &[portion]).await?;
        if let Some(purpose) = &self.purpose {
            add_fact(&mut draft, "purpose", json!(purpose));
        }
        Ok(Drawn {
            posting: (&book.post(draft).await?).into(),
        })
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
        let account = (self.lot, self.storeroom);
        let portion = Portion::check(book, "", account, &self.weight, Place::Waste).await?;
        let draft = leave::draft(book, id, Kind::Waste, self.common(), &[portion]).await?;
        Ok(Drawn {
            posting: (&book.post(draft).await?).into(),
        })
    }
}

fn add_fact(draft: &mut Draft, name: &str, value: Value) {
    if !draft.facts.is_object() {
        draft.facts = Value::Object(Map::new());
    }
    draft.facts[name] = value;
}
