//! Cards: what the floor is asked to roast. A card's state follows from the batch that was weighed in on it.

use std::collections::{BTreeMap, HashMap};

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::app::App;
use crate::book::leaf::words;
use crate::day::{Day, TimeOfDay};
use crate::expect::{Questions, RangeCard};
use crate::floor::batch::State;
use crate::floor::view::Named;
use crate::ids::{
    BatchId, CardId, LotId, OrderId, PlanId, ProductId, RoasterId, ScaleId, SiteId, StoreroomId,
    StyleId,
};
use crate::mass::Mass;
use crate::refusal::{FieldError, Outcome};
use crate::setup::{
    self, Coffee, Kept, Link, Lot, Order, PackingKind, Product, Record, Roaster, Storeroom, Style,
};
use crate::store::{BatchRow, Read, StoreError};
use crate::text::Name;

/// What a batch gives to a line of an order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Feed {
    /// The order.
    pub order: OrderId,
    /// Its line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<u16>,
    /// The product.
    pub product: ProductId,
    /// Roasted coffee for it.
    pub mass_g: Mass,
}

/// A released plan.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReleasedPlan {
    /// Its first day.
    pub from_day: Day,
    /// How many days it covers.
    pub days: u16,
}

impl Record for ReleasedPlan {
    const KIND: &'static str = "plan";

    fn label(&self) -> Option<String> {
        None
    }

    fn day(&self) -> Option<Day> {
        Some(self.from_day)
    }
}

/// The card of one planned batch.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Card {
    /// The plan that last said so.
    pub plan: PlanId,
    /// The day.
    pub day: Day,
    /// When it is meant to go into the drum.
    pub start: TimeOfDay,
    /// The roaster.
    pub roaster: RoasterId,
    /// The lot.
    pub lot: LotId,
    /// The style.
    pub style: StyleId,
    /// Where its green stands.
    pub storeroom: StoreroomId,
    /// Green charge.
    pub charge_g: Mass,
    /// What it is for.
    pub feeds: Vec<Feed>,
    /// Taken back.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub withdrawn: bool,
}

impl Record for Card {
    const KIND: &'static str = "card";

    fn label(&self) -> Option<String> {
        None
    }

    fn day(&self) -> Option<Day> {
        Some(self.day)
    }

    fn links(&self) -> Vec<Link> {
        let mut links = vec![
            Link::new("/plan", ReleasedPlan::KIND, self.plan),
            Link::new("/roaster", Roaster::KIND, self.roaster),
            Link::new("/lot", Lot::KIND, self.lot),
            Link::new("/style", Style::KIND, self.style),
            Link::new("/storeroom", Storeroom::KIND, self.storeroom),
        ];
        for (i, feed) in self.feeds.iter().enumerate() {
            links.push(Link::new(
                format!("/feeds/{i}/order"),
                Order::KIND,
                feed.order,
            ));
            links.push(Link::new(
                format!("/feeds/{i}/product"),
                Product::KIND,
                feed.product,
            ));
        }
        links
    }

    fn faults(&self) -> Vec<FieldError> {
        let mut faults = Vec::new();
        if !self.charge_g.is_positive() {
            faults.push(FieldError {
                pointer: "/charge_g".to_owned(),
                detail: "a charge is more than nothing".to_owned(),
            });
        }
        faults
    }
}

words! {
    /// How far a card has come.
    CardState {
        /// Nobody has weighed in on it.
        Planned = "planned",
        /// Its green stands ready.
        WeighedIn = "weighed_in",
        /// Its batch is in the drum.
        InDrum = "in_drum",
        /// Its batch is roasted and weighed.
        WeighedOut = "weighed_out",
        /// Its batch was thrown away.
        Scrapped = "scrapped",
        /// Taken back.
        Withdrawn = "withdrawn",
    }
}

/// A card as it is answered.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct CardView {
    /// Its id.
    pub id: CardId,
    /// The plan that last said so.
    pub plan: PlanId,
    /// The day.
    pub day: Day,
    /// When it is meant to go into the drum.
    pub start: TimeOfDay,
    /// The roaster.
    pub roaster: Named,
    /// The lot.
    pub lot: Named,
    /// Its coffee.
    pub coffee: Named,
    /// Its size grade.
    pub grade: Name,
    /// The style.
    pub style: Named,
    /// Where the green stands.
    pub storeroom: Named,
    /// Green charge.
    pub charge_g: Mass,
    /// How far it has come.
    pub state: CardState,
    /// The batch that carries it out.
    pub batch: Option<BatchId>,
    /// What it is for.
    pub feeds: Vec<Feed>,
    /// Which sacks to take the green from.
    pub pull: String,
    /// The scale for green.
    pub green_scale: ScaleId,
    /// The scale for roasted coffee.
    pub roasted_scale: ScaleId,
    /// What is expected of its own lot and of every lot in store of its coffee; nothing once the batch is done or the card taken back.
    pub ranges: Vec<RangeCard>,
}

/// Cards of the days from one to another, in order of day and start.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn of_days(app: &App, tx: &mut dyn Read, from: Day, to: Day) -> Outcome<Vec<CardView>> {
    let mut found = Vec::new();
    for row in tx.records_of_days(app.site, Card::KIND, from, to).await? {
        found.push(Kept {
            id: row.id,
            revision: row.revision,
            fields: serde_json::from_str(&row.body).map_err(crate::book::damaged)?,
        });
    }
    cards(app, tx, found).await
}

/// Cards as they are answered, in order of day and start.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn cards(
    app: &App,
    tx: &mut dyn Read,
    mut cards: Vec<Kept<Card>>,
) -> Outcome<Vec<CardView>> {
    cards.sort_by_key(|card| (card.fields.day, card.fields.start, card.id));
    let beside = Beside::read(app, tx, &cards).await?;
    let mut pulls = Pulls::new(&beside);
    let mut views = Vec::with_capacity(cards.len());
    for card in cards {
        let view = beside.view(&card, &mut pulls);
        views.push(view.ok_or_else(|| {
            StoreError::Damaged(format!("card {} names what is not there", card.id))
        })?);
    }
    Ok(views)
}

/// What cards are shown with.
struct Beside {
    questions: Questions,
    batches: HashMap<CardId, BatchRow>,
    roasters: HashMap<Uuid, Roaster>,
    lots: HashMap<LotId, Lot>,
    coffees: HashMap<Uuid, Name>,
    styles: HashMap<Uuid, Name>,
    storerooms: HashMap<Uuid, Name>,
    /// What stands in the stores, by lot and storeroom.
    store: BTreeMap<(LotId, StoreroomId), Mass>,
}

impl Beside {
    async fn read(app: &App, tx: &mut dyn Read, cards: &[Kept<Card>]) -> Result<Self, StoreError> {
        let site = app.site;
        let ids: Vec<CardId> = cards.iter().map(|card| card.id.into()).collect();
        let rows = tx.batches_of_cards(site, &ids).await?;
        let done = rows
            .into_iter()
            .filter(|row| row.state != State::Undone.word());
        Ok(Self {
            questions: app.expect.questions(tx, site).await?,
            batches: done
                .filter_map(|row| row.card.map(|card| (card, row)))
                .collect(),
            roasters: by_id(setup::all::<Roaster>(tx, site).await?, |roaster| roaster),
            lots: setup::all::<Lot>(tx, site)
                .await?
                .into_iter()
                .map(|lot| (lot.id.into(), lot.fields))
                .collect(),
            coffees: by_id(setup::all::<Coffee>(tx, site).await?, |coffee| coffee.name),
            styles: by_id(setup::all::<Style>(tx, site).await?, |style| style.name),
            storerooms: by_id(setup::all::<Storeroom>(tx, site).await?, |room| room.name),
            store: in_store(tx, site).await?,
        })
    }

    fn view(&self, card: &Kept<Card>, pulls: &mut Pulls) -> Option<CardView> {
        let fields = &card.fields;
        let lot = self.lots.get(&fields.lot)?;
        let roaster = self.roasters.get(&fields.roaster.0)?;
        let batch = self.batches.get(&CardId(card.id));
        let state = state(fields, batch);
        let named = |names: &HashMap<Uuid, Name>, id: Uuid| {
            names.get(&id).map(|name| Named {
                id,
                name: name.clone(),
            })
        };
        Some(CardView {
            id: card.id.into(),
            plan: fields.plan,
            day: fields.day,
            start: fields.start,
            roaster: Named {
                id: fields.roaster.0,
                name: roaster.name.clone(),
            },
            lot: Named {
                id: fields.lot.0,
                name: lot.name.clone(),
            },
            coffee: named(&self.coffees, lot.coffee.0)?,
            grade: lot.grade.clone(),
            style: named(&self.styles, fields.style.0)?,
            storeroom: named(&self.storerooms, fields.storeroom.0)?,
            charge_g: fields.charge_g,
            state,
            batch: batch.map(|row| row.id),
            feeds: fields.feeds.clone(),
            pull: pulls.sentence(fields, lot, state),
            green_scale: roaster.green_scale,
            roasted_scale: roaster.roasted_scale,
            ranges: self.ranges(fields, lot, state),
        })
    }

    /// Of the card's own lot first, then of the others of its coffee that stand in store.
    fn ranges(&self, card: &Card, lot: &Lot, state: CardState) -> Vec<RangeCard> {
        if !matches!(
            state,
            CardState::Planned | CardState::WeighedIn | CardState::InDrum
        ) {
            return Vec::new();
        }
        let mut others: Vec<LotId> = self
            .store
            .iter()
            .filter(|(_, mass)| mass.is_positive())
            .map(|((other, _), _)| *other)
            .filter(|other| {
                *other != card.lot
                    && self
                        .lots
                        .get(other)
                        .is_some_and(|other| other.coffee == lot.coffee)
            })
            .collect();
        others.dedup();
        std::iter::once(card.lot)
            .chain(others)
            .filter_map(|lot| {
                self.questions
                    .card(lot, card.style, card.roaster, card.charge_g)
            })
            .collect()
    }
}

fn by_id<R, T>(kept: Vec<Kept<R>>, of: impl Fn(R) -> T) -> HashMap<Uuid, T> {
    kept.into_iter()
        .map(|kept| (kept.id, of(kept.fields)))
        .collect()
}

/// What stands in the stores.
pub(super) async fn in_store(
    tx: &mut dyn Read,
    site: SiteId,
) -> Result<BTreeMap<(LotId, StoreroomId), Mass>, StoreError> {
    let standing = tx.standing(site, "store").await?;
    Ok(standing
        .into_iter()
        .filter_map(|standing| match standing.place {
            crate::book::place::Place::Store(room) => Some(((standing.lot, room), standing.mass)),
            _ => None,
        })
        .collect())
}

/// How far a card has come.
fn state(card: &Card, batch: Option<&BatchRow>) -> CardState {
    match batch.and_then(|row| State::of_word(&row.state)) {
        Some(State::WeighedIn) => CardState::WeighedIn,
        Some(State::InDrum) => CardState::InDrum,
        Some(State::WeighedOut) => CardState::WeighedOut,
        Some(State::Scrapped) => CardState::Scrapped,
        Some(State::Undone) | None if card.withdrawn => CardState::Withdrawn,
        Some(State::Undone) | None => CardState::Planned,
    }
}

/// Which sacks to take from, card after card: an opened sack is used up before the next is opened.
struct Pulls {
    left: BTreeMap<(LotId, StoreroomId), Mass>,
}

impl Pulls {
    fn new(beside: &Beside) -> Self {
        Self {
            left: beside.store.clone(),
        }
    }

    fn sentence(&mut self, card: &Card, lot: &Lot, state: CardState) -> String {
        match state {
            CardState::Planned => {}
            CardState::Withdrawn => return "nothing: this card was taken back".to_owned(),
            _ => return "nothing more: it is weighed in".to_owned(),
        }
        let left = self.left.entry((card.lot, card.storeroom)).or_default();
        let there = *left;
        *left = there
            .minus(card.charge_g)
            .unwrap_or_default()
            .max(Mass::ZERO);
        if there < card.charge_g {
            return format!("only {} is left of it here", there.max(Mass::ZERO));
        }
        let sack = lot.packing.sack_g;
        if lot.packing.kind == PackingKind::Bulk || !sack.is_positive() {
            return "from the bin".to_owned();
        }
        sacks(there.mg() % sack.mg(), sack.mg(), card.charge_g.mg())
    }
}

/// Which sacks a charge comes from, when `open` lies in an opened one; all in milligrams.
fn sacks(open: i64, sack: i64, charge: i64) -> String {
    let whole = |n: i64| format!("{n} whole");
    if charge <= open {
        return "from the open sack".to_owned();
    }
    let (full, part) = ((charge - open) / sack, (charge - open) % sack);
    match (open > 0, full, part > 0) {
        (true, 0, _) => "open sack first, then open another".to_owned(),
        (true, n, false) => format!("open sack first, then {}", whole(n)),
        (true, n, true) => format!("open sack first, then {}, then open another", whole(n)),
        (false, 0, _) => "open a sack".to_owned(),
        (false, 1, false) => "1 whole sack".to_owned(),
        (false, n, false) => format!("{n} whole sacks"),
        (false, 1, true) => "1 whole sack, then open another".to_owned(),
        (false, n, true) => format!("{n} whole sacks, then open another"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_open_sack_goes_first() {
        for (open, charge, told) in [
            (10, 10, "from the open sack"),
            (10, 11, "open sack first, then open another"),
            (10, 130, "open sack first, then 2 whole"),
            (10, 131, "open sack first, then 2 whole, then open another"),
            (0, 5, "open a sack"),
            (0, 60, "1 whole sack"),
            (0, 130, "2 whole sacks, then open another"),
        ] {
            assert_eq!(sacks(open, 60, charge), told);
        }
    }
}
