//! A plan is released: its batches become cards on the floor, and the cards it replaces are taken back.

use std::collections::HashSet;

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::MOST_DAYS;
use super::cards::{Card, CardView, Feed, ReleasedPlan, cards};
use super::facts::open_cards;
use crate::app::App;
use crate::book::Book;
use crate::command::{Command, Common, command};
use crate::day::{Day, TimeOfDay};
use crate::demand;
use crate::ids::{CardId, LotId, OrderId, PlanId, RoasterId, StyleId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Expected, Kept, Lot, Order, Product, Roaster, Style};

/// The most batches of a release.
const MOST_BATCHES: usize = 500;

/// A batch to make a card of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReleasedBatch {
    /// The card that goes on standing for it; left out: one that says the same already, or a new one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub card: Option<CardId>,
    /// The roaster.
    pub roaster: RoasterId,
    /// The day.
    pub day: Day,
    /// When it is meant to go into the drum.
    pub start: TimeOfDay,
    /// The lot.
    pub lot: LotId,
    /// The style.
    pub style: StyleId,
    /// Green charge.
    pub charge_g: Mass,
    /// What it is for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 1000)]
    pub feeds: Vec<Feed>,
}

command! {
    /// A plan was released.
    Release {
        /// Its first day.
        from_day: Day,
        /// How many days it covers.
        #[schema(minimum = 1, maximum = 31)]
        days: u16,
        /// Its batches.
        #[schema(max_items = 500)]
        batches: Vec<ReleasedBatch>,
    }
}

/// The answer to a release.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Released {
    /// The released plan.
    pub plan: PlanId,
    /// Its cards.
    pub cards: Vec<CardView>,
    /// The cards that were taken back.
    pub withdrawn: Vec<CardId>,
}

#[async_trait]
impl Command for Release {
    const NAME: &'static str = "releases";
    type Answer = Released;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, _id: Uuid) -> Outcome<Released> {
        self.write_orders_down(book, app).await?;
        self.check(book).await?;
        let (site, today) = (book.site(), book.zone().day(book.now()));
        let last = self.from_day.plus(i64::from(self.days) - 1);
        let open = open_cards(book.tx(), site).await?;
        let claims = self.claims(&open)?;

        let plan = PlanId(app.clock.new_id());
        let fields = ReleasedPlan {
            from_day: self.from_day,
            days: self.days,
        };
        put(book, app, plan.0, Expected::Nothing, fields).await?;
        let mut kept = Vec::new();
        for (batch, claim) in self.batches.iter().zip(&claims) {
            kept.push(self.card(book, app, plan, batch, *claim).await?);
        }
        let mut withdrawn = Vec::new();
        for (id, card) in open {
            let replaced = (self.from_day..=last).contains(&card.day) || card.day < today;
            if replaced && !claims.contains(&Some(id)) {
                withdraw(book, app, id, card).await?;
                withdrawn.push(id);
            }
        }
        Ok(Released {
            plan,
            cards: cards(app, book.tx(), kept).await?,
            withdrawn,
        })
    }
}

impl Release {
    /// What the batches are for may be orders to come: a card can only name one that is written down.
    async fn write_orders_down(&self, book: &mut Book, app: &App) -> Outcome<()> {
        let feeds = self.batches.iter().flat_map(|batch| &batch.feeds);
        let named: HashSet<OrderId> = feeds.map(|feed| feed.order).collect();
        let today = book.zone().day(book.now());
        demand::write_down_named(book, app, &named, today).await
    }

    async fn check(&self, book: &mut Book) -> Outcome<()> {
        if !(1..=MOST_DAYS).contains(&self.days) {
            return Err(Refusal::field(
                "/days",
                format!("release from 1 to {MOST_DAYS} days"),
            ));
        }
        if self.batches.len() > MOST_BATCHES {
            return Err(Refusal::field(
                "/batches",
                format!("release at most {MOST_BATCHES} batches at once"),
            ));
        }
        let today = book.zone().day(book.now());
        let days = self.from_day..=self.from_day.plus(i64::from(self.days) - 1);
        for (i, batch) in self.batches.iter().enumerate() {
            let at = |field: &str| format!("/batches/{i}/{field}");
            if !days.contains(&batch.day) || batch.day < today {
                let why = format!(
                    "a day of the plan, {} to {}, and not before today",
                    days.start(),
                    days.end()
                );
                return Err(Refusal::field(&at("day"), why));
            }
            let site = book.site();
            let lot = setup::named::<Lot>(book.tx(), site, &at("lot"), batch.lot).await?;
            setup::named::<Style>(book.tx(), site, &at("style"), batch.style).await?;
            let roaster =
                setup::named::<Roaster>(book.tx(), site, &at("roaster"), batch.roaster).await?;
            let roaster = roaster.fields;
            if !roaster.roasts(batch.style) {
                return Err(Refusal::field(
                    &at("style"),
                    format!("{} does not roast this style", roaster.name),
                ));
            }
            let charges = roaster.min_charge_g..=roaster.max_charge_g;
            if !charges.contains(&batch.charge_g) {
                return Err(Refusal::field(
                    &at("charge_g"),
                    format!(
                        "{} takes {} to {} of {}",
                        roaster.name, roaster.min_charge_g, roaster.max_charge_g, lot.fields.name
                    ),
                ));
            }
            check_feeds(book, &batch.feeds, &at("feeds")).await?;
        }
        Ok(())
    }

    /// The card that goes on standing for each batch: the one it names, else one that says the same.
    fn claims(&self, open: &[(CardId, Card)]) -> Outcome<Vec<Option<CardId>>> {
        let mut taken = HashSet::new();
        for (i, batch) in self.batches.iter().enumerate() {
            let Some(card) = batch.card else { continue };
            let at = format!("/batches/{i}/card");
            if !open.iter().any(|(id, _)| *id == card) {
                return Err(Refusal::conflict(
                    "a card of this plan has been weighed in or taken back since: plan again",
                ));
            }
            if !taken.insert(card) {
                return Err(Refusal::field(&at, "this card stands for two batches"));
            }
        }
        let mut claims = Vec::new();
        for batch in &self.batches {
            let same = open.iter().find(|(id, card)| {
                !taken.contains(id)
                    && (card.roaster, card.day, card.lot, card.style, card.charge_g)
                        == (
                            batch.roaster,
                            batch.day,
                            batch.lot,
                            batch.style,
                            batch.charge_g,
                        )
            });
            let claim = batch.card.or(same.map(|(id, _)| *id));
            taken.extend(claim);
            claims.push(claim);
        }
        Ok(claims)
    }

    /// Writes the card of a batch; one that says all of it already stays as it is.
    async fn card(
        &self,
        book: &mut Book,
        app: &App,
        plan: PlanId,
        batch: &ReleasedBatch,
        claim: Option<CardId>,
    ) -> Outcome<Kept<Card>> {
        let site = book.site();
        let storeroom = storeroom(book, batch.lot).await?;
        let fields = Card {
            plan,
            day: batch.day,
            start: batch.start,
            roaster: batch.roaster,
            lot: batch.lot,
            style: batch.style,
            storeroom,
            charge_g: batch.charge_g,
            feeds: batch.feeds.clone(),
            withdrawn: false,
        };
        let Some(id) = claim else {
            return put(book, app, app.clock.new_id(), Expected::Nothing, fields).await;
        };
        let before = setup::need::<Card>(book.tx(), site, id).await?;
        let same = Card {
            plan: before.fields.plan,
            ..fields.clone()
        };
        if before.fields == same {
            return Ok(before);
        }
        let expected = Expected::Revision(before.revision);
        put(book, app, id.0, expected, fields).await
    }
}

/// What a batch is for must be there, and more than nothing.
async fn check_feeds(book: &mut Book, feeds: &[Feed], at: &str) -> Outcome<()> {
    let site = book.site();
    for (i, feed) in feeds.iter().enumerate() {
        let at = |field: &str| format!("{at}/{i}/{field}");
        setup::named::<Order>(book.tx(), site, &at("order"), feed.order).await?;
        setup::named::<Product>(book.tx(), site, &at("product"), feed.product).await?;
        if !feed.mass_g.is_positive() {
            return Err(Refusal::field(&at("mass_g"), "more than nothing"));
        }
    }
    Ok(())
}

/// Takes a card back.
pub(super) async fn withdraw(
    book: &mut Book,
    app: &App,
    id: CardId,
    card: Card,
) -> Outcome<Kept<Card>> {
    let site = book.site();
    let before = setup::need::<Card>(book.tx(), site, id).await?;
    let fields = Card {
        withdrawn: true,
        ..card
    };
    let expected = Expected::Revision(before.revision);
    put(book, app, id.0, expected, fields).await
}

async fn put<R: setup::Record>(
    book: &mut Book,
    app: &App,
    id: Uuid,
    expected: Expected,
    fields: R,
) -> Outcome<Kept<R>> {
    let (kept, _) = setup::put(book, id, expected, fields, app.clock.new_id()).await?;
    Ok(kept)
}

/// Where the green of a lot is taken from: its own storeroom while some is there, else where most is.
async fn storeroom(book: &mut Book, lot: LotId) -> Outcome<crate::ids::StoreroomId> {
    let site = book.site();
    let own = setup::need::<Lot>(book.tx(), site, lot)
        .await?
        .fields
        .storeroom;
    let store = super::cards::in_store(book.tx(), site).await?;
    Ok(super::facts::storeroom(&store, lot, own))
}
