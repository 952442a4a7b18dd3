//! Green goes to another site: store -> transit.

use async_trait::async_trait;
use serde_json::{Value, json};
use uuid::Uuid;

use super::record;
use crate::app::App;
use crate::book::Book;
use crate::book::leaf::Kind;
use crate::book::place::Place;
use crate::command::{Command, Common, command};
use crate::green::Posted;
use crate::green::leave::{self, Portion};
use crate::ids::{LotId, SiteId, StoreroomId};
use crate::refusal::{Confirm, Outcome, Refusal};
use crate::setup::{self, Delivery, Lot, Weight};

command! {
    /// Green of a lot left for another site.
    Sending {
        /// Where it goes.
        to: SiteId,
        /// The lot.
        lot: LotId,
        /// Where it stood.
        storeroom: StoreroomId,
        /// How much.
        weight: Weight,
    }
}

#[async_trait]
impl Command for Sending {
    const NAME: &'static str = "sendings";
    type Answer = Posted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Posted> {
        self.check_site(book).await?;
        self.ask_if_on_hold(book).await?;
        let (account, to) = ((self.lot, self.storeroom), Place::Transit(id.into()));
        let portion = Portion::check(book, "", account, &self.weight, to).await?;
        let mut draft = leave::draft(book, id, Kind::Dispatch, self.common(), &[portion]).await?;
        if draft.facts.is_null() {
            draft.facts = Value::Object(serde_json::Map::new());
        }
        draft.facts["to"] = json!(self.to);
        Ok(Posted::from(&book.post(draft).await?))
    }
}

impl Sending {
    /// Green on hold may go to be looked at elsewhere; it is on hold there too.
    async fn ask_if_on_hold(&self, book: &mut Book) -> Outcome<()> {
        let site = book.site();
        let lot = setup::named::<Lot>(book.tx(), site, "/lot", self.lot)
            .await?
            .fields;
        let delivery = setup::need::<Delivery>(book.tx(), site, lot.delivery).await?;
        let Some(why) = delivery.fields.hold else {
            return Ok(());
        };
        if self.common().confirms(Confirm::DeliveryOnHold) {
            return Ok(());
        }
        Err(Refusal::Confirm {
            confirm: vec![Confirm::DeliveryOnHold],
            sentence: format!(
                "the delivery of {} is on hold: {why}. It will be on hold at the other site too",
                lot.name
            ),
            facts: serde_json::Map::new(),
        })
    }

    async fn check_site(&self, book: &mut Book) -> Outcome<()> {
        if self.to == book.site() {
            return Err(Refusal::field(
                "/to",
                "this is your own site: choose another",
            ));
        }
        if !book.tx().sites().await?.contains(&self.to) {
            return Err(Refusal::field("/to", "there is no such site"));
        }
        let there = record(book.tx(), self.to).await?;
        if there.retired {
            let why = format!("{} is no longer used: choose another site", there.name);
            return Err(Refusal::field("/to", why));
        }
        Ok(())
    }
}
