//! Green dries in its storeroom: store -> air.

use async_trait::async_trait;
use uuid::Uuid;

use super::Posted;
use super::leave::{self, Portion};
use crate::app::App;
use crate::book::Book;
use crate::book::leaf::Kind;
use crate::book::place::Place;
use crate::command::{Command, Common, command};
use crate::ids::{LotId, StoreroomId};
use crate::refusal::Outcome;
use crate::setup::Weight;

command! {
    /// Green dried in its storeroom.
    Drying {
        /// The lot.
        lot: LotId,
        /// Where it stood.
        storeroom: StoreroomId,
        /// How much.
        weight: Weight,
    }
}

#[async_trait]
impl Command for Drying {
    const NAME: &'static str = "dryings";
    type Answer = Posted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Posted> {
        let account = (self.lot, self.storeroom);
        let portion = Portion::check(book, "", account, &self.weight, Place::Air).await?;
        let draft = leave::draft(book, id, Kind::Dry, self.common(), &[portion]).await?;
        Ok(Posted::from(&book.post(draft).await?))
    }
}
