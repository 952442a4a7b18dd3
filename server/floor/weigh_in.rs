//! Green is weighed in: store -> batch. Any number of batches ahead, each in one or several crates.

use async_trait::async_trait;
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::batch::{State, Step, WeighedIn};
use super::{BatchPosted, Taken, fact, movement, view};
use crate::app::App;
use crate::book::leaf::Kind;
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::ids::{BatchId, CardId, LotId, RoasterId, StoreroomId, StyleId};
use crate::mass::Mass;
use crate::refusal::{Confirm, Outcome, Refusal};
use crate::setup::{self, Delivery, Lot, Roaster, Storeroom, Style, Weighed, Weight};
use crate::text::Name;

command! {
    /// Green was weighed in for a batch.
    WeighIn {
        /// The batch: an id that the sender makes for the first crate.
        batch: BatchId,
        /// The card it carries out.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        card: Option<CardId>,
        /// The lot.
        lot: LotId,
        /// The style.
        style: StyleId,
        /// The roaster.
        roaster: RoasterId,
        /// Where the green stood; the lot's own storeroom unless said.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        storeroom: Option<StoreroomId>,
        /// How much.
        weight: Weight,
    }
}

#[async_trait]
impl Command for WeighIn {
    const NAME: &'static str = "weigh-ins";
    type Answer = BatchPosted;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<BatchPosted> {
        let site = book.site();
        let lot = setup::named::<Lot>(book.tx(), site, "/lot", self.lot)
            .await?
            .fields;
        setup::named::<Style>(book.tx(), site, "/style", self.style).await?;
        let roaster = setup::named::<Roaster>(book.tx(), site, "/roaster", self.roaster)
            .await?
            .fields;
        if !roaster.roasts(self.style) {
            return Err(Refusal::field(
                "/style",
                format!("{} does not roast this style", roaster.name),
            ));
        }
        let storeroom = self.storeroom.unwrap_or(lot.storeroom);
        setup::named::<Storeroom>(book.tx(), site, "/storeroom", storeroom).await?;
        let weighed = self.weight.positive(book.tx(), site, "/weight").await?;
        let mut taken = Taken::new(book, self.batch).await?;
        self.check_batch(&taken)?;
        let missing = self.missing(book, storeroom, weighed.mass).await?;
        self.ask(book, &taken, &lot, &roaster, &weighed, missing)
            .await?;

        let at = taken.at(book, self.happened_at);
        let step = Step::WeighedIn(WeighedIn {
            by: id.into(),
            lot: self.lot,
            style: self.style,
            roaster: self.roaster,
            card: self.card,
            storeroom,
            mass_g: weighed.mass,
            at,
            day: book.zone().day(at),
            division_g: weighed.division,
            reckoned: weighed.is_reckoned(),
        });
        let draft = self.draft(id, at, storeroom, &weighed, missing, &step);
        let posting = book.post(draft).await?;
        taken.step(book, step).await?;
        Ok(BatchPosted {
            posting: (&posting).into(),
            batch: view::one(book.tx(), site, &taken.batch).await?,
        })
    }
}

impl WeighIn {
    /// A further crate goes to a batch that still stands ready, of the same lot, style and roaster.
    fn check_batch(&self, taken: &Taken) -> Outcome<()> {
        let Some(first) = taken.batch.weighed_in() else {
            return Ok(());
        };
        if taken.batch.state() != State::WeighedIn {
            return Err(Refusal::conflict(
                "this batch is in the drum or done: weigh the green in as a batch of its own",
            ));
        }
        let lot = taken.batch.lot().unwrap_or(first.lot);
        if (lot, first.style, first.roaster, first.card)
            != (self.lot, self.style, self.roaster, self.card)
        {
            return Err(Refusal::conflict(
                "this batch was begun with another lot, style, roaster or card: weigh the green in as a batch of its own",
            ));
        }
        Ok(())
    }

    /// How much more is weighed in than the book has in the storeroom.
    async fn missing(&self, book: &mut Book, storeroom: StoreroomId, mass: Mass) -> Outcome<Mass> {
        let site = book.site();
        let there = book
            .tx()
            .balance(site, self.lot, Place::Store(storeroom))
            .await?;
        Ok(mass.minus(there)?.max(Mass::ZERO))
    }

    /// Asks once about what is unusual.
    async fn ask(
        &self,
        book: &mut Book,
        taken: &Taken,
        lot: &Lot,
        roaster: &Roaster,
        weighed: &Weighed,
        missing: Mass,
    ) -> Outcome<()> {
        let site = book.site();
        let mut asked = Vec::new();
        let mut facts = Map::new();
        if missing.is_positive() {
            facts.insert("beyond_book_g".to_owned(), json!(missing));
            asked.push((
                Confirm::BeyondBook,
                format!(
                    "the book has {missing} less of {} in this storeroom than you weighed",
                    lot.name
                ),
            ));
        }
        let charge = taken.batch.charged().plus(weighed.mass)?;
        if charge > roaster.max_charge_g {
            facts.insert("max_charge_g".to_owned(), json!(roaster.max_charge_g));
            asked.push((
                Confirm::OverRoaster,
                format!(
                    "{} takes at most {} and this makes {charge}",
                    roaster.name, roaster.max_charge_g
                ),
            ));
        }
        let delivery = setup::need::<Delivery>(book.tx(), site, lot.delivery)
            .await?
            .fields;
        if let Some(why) = delivery.hold {
            asked.push((
                Confirm::DeliveryOnHold,
                format!("the delivery of {} is on hold: {why}", lot.name),
            ));
        }
        if let Some(card) = self.card {
            asked.extend(self.ask_about_card(book, card, lot).await?);
        }
        asked.retain(|(what, _)| !self.common().confirms(*what));
        if asked.is_empty() {
            return Ok(());
        }
        let sentence = asked
            .iter()
            .map(|(_, sentence)| sentence.as_str())
            .collect::<Vec<_>>()
            .join("; ");
        Err(Refusal::Confirm {
            confirm: asked.into_iter().map(|(what, _)| what).collect(),
            sentence,
            facts,
        })
    }

    async fn ask_about_card(
        &self,
        book: &mut Book,
        card: CardId,
        lot: &Lot,
    ) -> Outcome<Vec<(Confirm, String)>> {
        let site = book.site();
        let row = book
            .tx()
            .record(site, card.0)
            .await?
            .filter(|row| row.kind == "card");
        let row = row.ok_or_else(|| Refusal::field("/card", "there is no such card"))?;
        let body: Value = serde_json::from_str(&row.body).map_err(crate::book::damaged)?;
        let mut asked = Vec::new();
        if body["withdrawn"] == Value::Bool(true) {
            asked.push((
                Confirm::CardWithdrawn,
                "this card has been withdrawn".to_owned(),
            ));
        }
        asked.extend(self.ask_about_claims(book, &body, lot).await?);
        let others = book.tx().batches_of_cards(site, &[card]).await?;
        if others
            .iter()
            .any(|row| row.id != self.batch && row.state != State::Undone.word())
        {
            asked.push((
                Confirm::CardUsed,
                "another batch has been weighed in on this card".to_owned(),
            ));
        }
        Ok(asked)
    }

    /// Another lot than the card's is taken, and what is made of it may no longer be sold as what the card's lot may.
    async fn ask_about_claims(
        &self,
        book: &mut Book,
        card: &Value,
        lot: &Lot,
    ) -> Outcome<Option<(Confirm, String)>> {
        let (site, today) = (book.site(), book.zone().day(book.now()));
        let planned: LotId = serde_json::from_value(card["lot"].clone()).unwrap_or(self.lot);
        if planned == self.lot {
            return Ok(None);
        }
        let planned = setup::need::<Lot>(book.tx(), site, planned).await?.fields;
        let claims: Vec<Name> = planned
            .claims
            .iter()
            .filter(|claim| claim.holds(&claim.claim, today))
            .map(|claim| claim.claim.clone())
            .collect();
        let lost: Vec<&str> = lot
            .lacks(&claims, today)
            .into_iter()
            .map(Name::as_str)
            .collect();
        Ok((!lost.is_empty()).then(|| {
            let lost = lost.join(", ");
            let sentence = format!(
                "the card is for {}, which may be sold as {lost}, and {} may not: no bag that is sold as {lost} will take this batch",
                planned.name, lot.name
            );
            (Confirm::ClaimDropped, sentence)
        }))
    }

    fn draft(
        &self,
        id: Uuid,
        at: crate::day::Instant,
        storeroom: StoreroomId,
        weighed: &Weighed,
        missing: Mass,
        step: &Step,
    ) -> Draft {
        let store = Place::Store(storeroom);
        let beyond = movement(self.lot, Place::Variance, store, missing);
        let charge = movement(self.lot, store, Place::Batch(self.batch), weighed.mass);
        let movements: Vec<_> = beyond.into_iter().chain(charge).collect();
        let mut facts = json!({ "steps": [fact(self.batch, step)] });
        if missing.is_positive() {
            facts["beyond_book_g"] = json!(missing);
        }
        if !self.confirmed.is_empty() || self.kept {
            facts["confirmed"] = json!(self.confirmed);
            facts["kept"] = json!(self.kept);
        }
        Draft {
            id: id.into(),
            kind: Kind::WeighIn,
            happened_at: at,
            reason: self.common().why(),
            card: self.card,
            reverses: None,
            facts,
            weighings: vec![weighed.weighing(movements.len() - 1)],
            movements,
        }
    }
}
