//! A plan is released: its batches become cards on the floor, and the cards it replaces are taken back.

use std::collections::HashSet;

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use serde_json::{Map, json};
use uuid::Uuid;

use super::MOST_DAYS;
use super::cards::{Card, CardView, Feed, ReleasedPlan, cards};
use super::facts::{lots, open_cards};
use crate::app::App;
use crate::book::leaf::Leaf;
use crate::book::{Book, damaged};
use crate::command::{Command, Common, command};
use crate::day::{Day, TimeOfDay};
use crate::demand;
use crate::ids::{CardId, LotId, OrderId, PlanId, RoasterId, StyleId};
use crate::mass::Mass;
use crate::refusal::{Confirm, Outcome, Refusal, ToConfirm};
use crate::setup::{self, Expected, Kept, Lot, Order, Person, Product, Record, Roaster, Style};
use crate::store::{JournalFilter, StoreError};
use crate::text::Name;

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
        /// The plan's own `log_size`: cards that were released or taken back since are not replaced unseen. Left out: whoever sends it is asked
        /// before a card is taken back.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(minimum = 0)]
        log_size: Option<u32>,
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
        self.check_unchanged(book).await?;
        self.write_orders_down(book, app).await?;
        self.check(book).await?;
        let site = book.site();
        let open = open_cards(book.tx(), site).await?;
        let claims = self.claims(&open)?;
        let today = book.zone().day(book.now());
        let (replaced, stay) = self.replaced(open, &claims, today);
        self.ask(book, &replaced, &stay, today).await?;

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
        for (id, card) in replaced {
            withdraw(book, app, id, card).await?;
            withdrawn.push(id);
        }
        Ok(Released {
            plan,
            cards: cards(app, book.tx(), kept).await?,
            withdrawn,
        })
    }
}

/// Cards on which nobody has weighed in.
type Cards = Vec<(CardId, Card)>;

impl Release {
    /// Refuses a plan that does not know of cards that were written since it was made.
    async fn check_unchanged(&self, book: &mut Book) -> Outcome<()> {
        let site = book.site();
        let Some(size) = self.log_size else {
            return Ok(());
        };
        let cards = JournalFilter {
            kind: Some(Card::KIND.to_owned()),
            subject: None,
            before: None,
        };
        let last = book.tx().journal(site, &cards, 1).await?;
        let Some(row) = last.iter().find(|row| row.position >= i64::from(size)) else {
            return Ok(());
        };
        let Leaf::Entry(entry) = serde_json::from_str(&row.leaf).map_err(damaged)? else {
            return Err(StoreError::Damaged("a card's entry is none".to_owned()).into());
        };
        let person = setup::need::<Person>(book.tx(), site, entry.head.person).await?;
        Err(Refusal::conflict(format!(
            "{} released or took back cards since this plan was made: plan again, look at what changed, and release that",
            person.fields.name
        )))
    }

    /// The open cards that the plan takes the place of, and those that stay beside its own: it has those of its days, and none of days that are past.
    fn replaced(&self, open: Cards, claims: &[Option<CardId>], today: Day) -> (Cards, Cards) {
        let days = self.from_day..=self.from_day.plus(i64::from(self.days) - 1);
        let others = open
            .into_iter()
            .filter(|(id, _)| !claims.contains(&Some(*id)));
        others.partition(|(_, card)| days.contains(&card.day) || card.day < today)
    }

    /// Asks once about cards that are taken back by a plan that does not say what it knows of, and about green that is not there.
    async fn ask(
        &self,
        book: &mut Book,
        replaced: &Cards,
        stay: &Cards,
        today: Day,
    ) -> Outcome<()> {
        let mut open = ToConfirm::default();
        let standing = replaced.iter().filter(|(_, card)| card.day >= today);
        let standing = standing.count();
        if standing > 0 && self.log_size.is_none() {
            let cards = if standing == 1 { "card" } else { "cards" };
            let sentence = format!(
                "this takes back {standing} {cards} on the floor: send the plan's log_size, or confirm it"
            );
            let facts = Map::from_iter([("takes_back".to_owned(), json!(standing))]);
            open.add(Confirm::TakesCardsBack, sentence, facts);
        }
        if !self.common().confirms(Confirm::BeyondBook)
            && let Some((lot, asked, there)) = self.beyond_lot(book, stay, today).await?
        {
            let sentence = format!(
                "cards would reserve {asked} of {lot}, of which {there} may be planned: release less of it, or confirm it"
            );
            let beyond = json!(asked.minus(there)?);
            let facts = Map::from_iter([("beyond_book_g".to_owned(), beyond)]);
            open.add(Confirm::BeyondBook, sentence, facts);
        }
        open.ask(|confirm| self.common().confirms(confirm))
    }

    /// The first lot of which all cards together would reserve more than is there or to come, with both masses.
    async fn beyond_lot(
        &self,
        book: &mut Book,
        stay: &Cards,
        today: Day,
    ) -> Outcome<Option<(Name, Mass, Mass)>> {
        let site = book.site();
        let lots = lots(book.tx(), site, today).await?;
        for batch in &self.batches {
            let ours = self.batches.iter().map(|batch| (batch.lot, batch.charge_g));
            let beside = stay.iter().map(|(_, card)| (card.lot, card.charge_g));
            let of_lot = ours.chain(beside).filter(|(lot, _)| *lot == batch.lot);
            let asked = Mass::sum(of_lot.map(|(_, charge)| charge))?;
            if let Some(of) = lots.get(&batch.lot).filter(|of| asked > of.green) {
                return Ok(Some((of.fields.name.clone(), asked, of.green)));
            }
        }
        Ok(None)
    }

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
