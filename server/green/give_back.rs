//! Green goes back: store -> supplier.

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
use crate::setup::{self, Lot, Weight};
use crate::store::is_of_sites;

command! {
    /// Green went back to its supplier.
    Return {
        /// The lot.
        lot: LotId,
        /// Where it stood.
        storeroom: StoreroomId,
        /// How much.
        weight: Weight,
    }
}

#[async_trait]
impl Command for Return {
    const NAME: &'static str = "returns";
    type Answer = Posted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Posted> {
        let site = book.site();
        let lot = setup::named::<Lot>(book.tx(), site, "/lot", self.lot).await?;
        let receipts = book.tx().receipts(site, Some(self.lot)).await?;
        if is_of_sites(&receipts) {
            return Err(Refusal::field(
                "/lot",
                "it came from another site: send it there instead",
            ));
        }
        let supplier = Place::Supplier(lot.fields.delivery);
        let account = (self.lot, self.storeroom);
        let portion = Portion::check(book, "", account, &self.weight, supplier).await?;
        let draft = leave::draft(book, id, Kind::Return, self.common(), &[portion]).await?;
        Ok(Posted::from(&book.post(draft).await?))
    }
}
