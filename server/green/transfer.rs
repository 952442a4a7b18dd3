//! Green goes to another storeroom of the site: store -> store.

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
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Storeroom, Weight};

command! {
    /// Green was taken to another storeroom.
    Transfer {
        /// The lot.
        lot: LotId,
        /// Where it stood.
        from: StoreroomId,
        /// Where it stands now.
        to: StoreroomId,
        /// How much.
        weight: Weight,
    }
}

#[async_trait]
impl Command for Transfer {
    const NAME: &'static str = "transfers";
    type Answer = Posted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Posted> {
        let site = book.site();
        for (pointer, room) in [("/from", self.from), ("/to", self.to)] {
            setup::named::<Storeroom>(book.tx(), site, pointer, room).await?;
        }
        if self.from == self.to {
            return Err(Refusal::field(
                "/to",
                "it stands there already: choose another storeroom",
            ));
        }
        let (account, to) = ((self.lot, self.from), Place::Store(self.to));
        let portion = Portion::check(book, "", account, &self.weight, to).await?;
        let draft = leave::draft(book, id, Kind::Transfer, self.common(), &[portion]).await?;
        Ok(Posted::from(&book.post(draft).await?))
    }
}
