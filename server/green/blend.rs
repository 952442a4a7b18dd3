//! Lots become one before roasting: each part's store -> blended -> the blend lot's store, all in one posting, so that no gram is between.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::Posted;
use super::leave::{self, Portion, check_store};
use crate::app::App;
use crate::book::Book;
use crate::book::leaf::{Kind, Movement};
use crate::book::place::Place;
use crate::command::{Command, Common, command};
use crate::ids::{LotId, StoreroomId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::Weight;

/// What of one lot goes into a blend.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BlendPart {
    /// The lot.
    pub lot: LotId,
    /// Where it stood.
    pub storeroom: StoreroomId,
    /// How much.
    pub weight: Weight,
}

/// The most parts of one making.
const MOST_PARTS: usize = 20;

command! {
    /// A blend lot was made up from others.
    Blend {
        /// The blend lot, to which all of it belongs from now on.
        lot: LotId,
        /// Where the blend stands.
        storeroom: StoreroomId,
        /// What went into it.
        #[schema(min_items = 1, max_items = 20)]
        parts: Vec<BlendPart>,
    }
}

#[async_trait]
impl Command for Blend {
    const NAME: &'static str = "blends";
    type Answer = Posted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Posted> {
        check_store(book, "", (self.lot, self.storeroom)).await?;
        if self.parts.is_empty() || self.parts.len() > MOST_PARTS {
            return Err(Refusal::field("/parts", "give one to 20 parts"));
        }
        let into = Place::Blended(self.lot);
        let mut portions = Vec::with_capacity(self.parts.len());
        for (i, part) in self.parts.iter().enumerate() {
            let at = format!("/parts/{i}");
            if part.lot == self.lot {
                return Err(Refusal::field(
                    &format!("{at}/lot"),
                    "this is the blend itself: give the lots that went into it",
                ));
            }
            let account = (part.lot, part.storeroom);
            portions.push(Portion::check(book, &at, account, &part.weight, into).await?);
        }
        let mut draft = leave::draft(book, id, Kind::Blend, self.common(), &portions).await?;
        draft.movements.push(Movement {
            lot: self.lot,
            from: into,
            to: Place::Store(self.storeroom),
            mass_mg: Mass::sum(portions.iter().map(Portion::mass))?.mg(),
        });
        Ok(Posted::from(&book.post(draft).await?))
    }
}
