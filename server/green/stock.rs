//! What follows from the book for deliveries and lots: what came, what stands in store, what of it is spoken for.

use std::collections::{BTreeMap, HashMap};

use serde::Serialize;

use super::lasts::{Lasts, WEEKS, lasts_with};
use crate::book::place::Place;
use crate::day::Day;
use crate::floor::view::Named;
use crate::ids::{BatchId, DeliveryId, LotId, SiteId};
use crate::mass::Mass;
use crate::setup::{self, Coffee, Delivery, Kept, Lot, SampleRequest, Screen, Style};
use crate::store::{BatchRow, Read, Receipts, RecordRow, Standing, StoreError};
use crate::week::Card;

/// How far a delivery has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DeliveryState {
    /// Not here yet.
    Expected,
    /// Here, or part of it.
    Received,
    /// Not to be used, whether here or not.
    OnHold,
    /// It came, and all of it went back.
    Returned,
}

/// A delivery as it is answered: its fields, and what follows from the book.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct DeliveryView {
    /// Its id.
    pub id: DeliveryId,
    /// How often it has been written: what If-Match expects.
    pub revision: i64,
    /// Its fields.
    #[serde(flatten)]
    pub fields: Delivery,
    /// How far it has come.
    pub state: DeliveryState,
    /// The first day on which any of it came.
    pub received_day: Option<Day>,
    /// How much of it came, less what went back.
    pub received_g: Mass,
}

/// A lot as it is answered: its fields, and what follows from the book.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct LotView {
    /// Its id.
    pub id: LotId,
    /// How often it has been written: what If-Match expects.
    pub revision: i64,
    /// Its fields.
    #[serde(flatten)]
    pub fields: Lot,
    /// The smallest hole that holds its beans back, in millimetres.
    pub screen_mm: Option<f64>,
    /// How far its delivery has come.
    pub state: DeliveryState,
    /// The first day on which any of it came, or was made up as a blend.
    pub received_day: Option<Day>,
    /// The day from which it ages: that day, or, where it came from another site, the first day on which it was received there.
    pub ages_from: Option<Day>,
    /// How much of it came or was made up, less what went back.
    pub received_g: Mass,
    /// What stands in all storerooms.
    pub store_g: Mass,
    /// What planned cards and open sample requests will take.
    pub reserved_g: Mass,
    /// What is neither.
    pub free_g: Mass,
    /// Whether it came and nothing stands in store any more.
    pub used_up: bool,
    /// How long it lasts at the rate of the last weeks; null where that cannot be said.
    pub lasts: Option<Lasts>,
}

/// Roasted coffee of a batch that is not yet in bags.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct RoastedView {
    /// The batch.
    pub batch: BatchId,
    /// Its lot.
    pub lot: Named,
    /// Its coffee.
    pub coffee: Named,
    /// Its style.
    pub style: Named,
    /// The day it was roasted.
    pub day: Day,
    /// How much.
    pub mass_g: Mass,
    /// Whether the batch is on hold.
    pub hold: bool,
}

/// All stock: green by lot, roasted by batch.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct StockView {
    /// All lots.
    pub lots: Vec<LotView>,
    /// All roasted coffee that is not yet in bags, oldest first.
    pub roasted: Vec<RoastedView>,
}

/// What came of a lot or delivery.
#[derive(Debug, Clone, Copy, Default)]
struct Came {
    first: Option<Day>,
    ages_from: Option<Day>,
    mass: Mass,
}

impl Came {
    fn add(&mut self, receipts: &Receipts) -> Result<(), StoreError> {
        self.first = first_of(self.first, receipts.first_day);
        self.ages_from = first_of(self.ages_from, receipts.ages_from);
        self.mass = sum(self.mass, receipts.mass)?;
        Ok(())
    }
}

fn first_of(a: Option<Day>, b: Option<Day>) -> Option<Day> {
    a.into_iter().chain(b).min()
}

/// Green used by lot and day.
type Used = HashMap<LotId, Vec<(Day, Mass)>>;

/// What the book and the plans say of green, read once for any number of lots and deliveries.
#[derive(Debug, Default)]
pub struct Stock {
    lots: HashMap<LotId, Came>,
    deliveries: HashMap<DeliveryId, Came>,
    on_hold: HashMap<DeliveryId, bool>,
    store: HashMap<LotId, Mass>,
    reserved: HashMap<LotId, Mass>,
    /// What cards will take, and the last day of one.
    carded: HashMap<LotId, (Mass, Day)>,
    /// What was used in the last weeks, and today; read where somebody asks how long it lasts.
    used: Option<(Used, Day)>,
}

impl Stock {
    /// Reads it.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn read(tx: &mut dyn Read, site: SiteId) -> Result<Self, StoreError> {
        let mut stock = Self::default();
        for receipts in tx.receipts(site, None).await? {
            stock.lots.entry(receipts.lot).or_default().add(&receipts)?;
            let delivery = match receipts.from {
                Place::Supplier(delivery) => Some(delivery),
                // What comes from another site has a delivery here that stands for it.
                Place::Transit(_) => setup::find::<Lot>(tx, site, receipts.lot)
                    .await?
                    .map(|lot| lot.fields.delivery),
                _ => None,
            };
            if let Some(delivery) = delivery {
                stock
                    .deliveries
                    .entry(delivery)
                    .or_default()
                    .add(&receipts)?;
            }
        }
        for delivery in setup::all::<Delivery>(tx, site).await? {
            let held = delivery.fields.hold.is_some();
            stock.on_hold.insert(delivery.id.into(), held);
        }
        for standing in tx.standing(site, "store").await? {
            let there = stock.store.entry(standing.lot).or_default();
            *there = sum(*there, standing.mass)?;
        }
        let cards = cards(&tx.open_cards(site).await?)?;
        stock.reserved = reserved(&cards, &setup::all::<SampleRequest>(tx, site).await?)?;
        for card in cards {
            let at = stock.carded.entry(card.lot);
            let (mass, last) = at.or_insert((Mass::ZERO, card.day));
            (*mass, *last) = (sum(*mass, card.charge_g)?, card.day.max(*last));
        }
        Ok(stock)
    }

    /// Reads also what was used in the last weeks.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn with_use(
        mut self,
        tx: &mut dyn Read,
        site: SiteId,
        today: Day,
    ) -> Result<Self, StoreError> {
        let mut used = Used::new();
        for (lot, day, mass) in tx.green_used(site, today.plus(-7 * WEEKS)).await? {
            used.entry(lot).or_default().push((day, mass));
        }
        self.used = Some((used, today));
        Ok(self)
    }

    fn lasts(&self, id: LotId, since: Option<Day>, store: Mass) -> Option<Lasts> {
        let (used, today) = self.used.as_ref()?;
        let used = used.get(&id).map_or(&[][..], Vec::as_slice);
        let cards = self.carded.get(&id).copied();
        lasts_with(cards, store, used, since?, *today)
    }

    /// A lot with what follows.
    #[must_use]
    pub fn lot(&self, kept: Kept<Lot>) -> LotView {
        let id = LotId(kept.id);
        let came = self.lots.get(&id).copied().unwrap_or_default();
        let of = |masses: &HashMap<LotId, Mass>| masses.get(&id).copied().unwrap_or_default();
        let (store_g, reserved_g) = (of(&self.store), of(&self.reserved));
        LotView {
            id,
            revision: kept.revision,
            state: self.state(kept.fields.delivery, came),
            screen_mm: kept.fields.screen.and_then(Screen::hole_mm),
            fields: kept.fields,
            received_day: came.first,
            ages_from: came.ages_from,
            received_g: came.mass,
            store_g,
            reserved_g,
            free_g: store_g
                .minus(reserved_g)
                .unwrap_or_default()
                .max(Mass::ZERO),
            used_up: came.first.is_some() && store_g == Mass::ZERO,
            lasts: self.lasts(id, came.first, store_g),
        }
    }

    /// A delivery with what follows.
    #[must_use]
    pub fn delivery(&self, kept: Kept<Delivery>) -> DeliveryView {
        let id = DeliveryId(kept.id);
        let came = self.deliveries.get(&id).copied().unwrap_or_default();
        DeliveryView {
            id,
            revision: kept.revision,
            fields: kept.fields,
            state: self.state(id, came),
            received_day: came.first,
            received_g: came.mass,
        }
    }

    fn state(&self, delivery: DeliveryId, came: Came) -> DeliveryState {
        if self.on_hold.get(&delivery).copied().unwrap_or_default() {
            DeliveryState::OnHold
        } else if came.first.is_none() {
            DeliveryState::Expected
        } else if came.mass.is_positive() {
            DeliveryState::Received
        } else {
            DeliveryState::Returned
        }
    }
}

/// The whole stock as it stands.
///
/// # Errors
/// [`StoreError`] when the database fails.
pub async fn view(tx: &mut dyn Read, site: SiteId, today: Day) -> Result<StockView, StoreError> {
    let stock = Stock::read(tx, site).await?;
    let stock = stock.with_use(tx, site, today).await?;
    let lots = setup::all::<Lot>(tx, site).await?;
    let roasted = roasted(tx, site, &lots).await?;
    Ok(StockView {
        lots: lots.into_iter().map(|lot| stock.lot(lot)).collect(),
        roasted,
    })
}

/// Cards on which nobody has weighed in, unless withdrawn.
fn cards(rows: &[RecordRow]) -> Result<Vec<Card>, StoreError> {
    let mut cards = Vec::with_capacity(rows.len());
    for row in rows {
        let card: Card = serde_json::from_str(&row.body).map_err(crate::book::damaged)?;
        if !card.withdrawn {
            cards.push(card);
        }
    }
    Ok(cards)
}

/// What cards and open sample requests will take of each lot.
fn reserved(
    cards: &[Card],
    requests: &[Kept<SampleRequest>],
) -> Result<HashMap<LotId, Mass>, StoreError> {
    let mut reserved: HashMap<LotId, Mass> = HashMap::new();
    let mut add = |lot, mass| {
        let there = reserved.entry(lot).or_default();
        *there = sum(*there, mass)?;
        Ok::<_, StoreError>(())
    };
    for card in cards {
        add(card.lot, card.charge_g)?;
    }
    for request in requests.iter().filter(|request| !request.fields.done) {
        add(request.fields.lot, request.fields.mass_g)?;
    }
    Ok(reserved)
}

/// Roasted coffee that is not yet in bags, oldest first.
async fn roasted(
    tx: &mut dyn Read,
    site: SiteId,
    lots: &[Kept<Lot>],
) -> Result<Vec<RoastedView>, StoreError> {
    let standing = tx.standing(site, "roasted").await?;
    let ids: Vec<BatchId> = standing.iter().map(|s| BatchId(s.place.key())).collect();
    let batches = tx.batches_by_id(site, &ids).await?;
    let batches: HashMap<BatchId, &BatchRow> = batches.iter().map(|row| (row.id, row)).collect();
    let names = Names {
        lots: lots
            .iter()
            .map(|lot| (lot.id.into(), &lot.fields))
            .collect(),
        coffees: setup::all::<Coffee>(tx, site).await?,
        styles: setup::all::<Style>(tx, site).await?,
    };
    let mut views = BTreeMap::new();
    for one in &standing {
        let view = batches
            .get(&BatchId(one.place.key()))
            .and_then(|row| names.view(row, one));
        let view = view.ok_or_else(|| {
            StoreError::Damaged(format!("roasted coffee of no batch: {}", one.place.key()))
        })?;
        views.insert((view.day, view.batch, view.lot.id), view);
    }
    Ok(views.into_values().collect())
}

struct Names<'a> {
    lots: HashMap<LotId, &'a Lot>,
    coffees: Vec<Kept<Coffee>>,
    styles: Vec<Kept<Style>>,
}

impl Names<'_> {
    fn view(&self, row: &BatchRow, standing: &Standing) -> Option<RoastedView> {
        let lot = self.lots.get(&standing.lot)?;
        let coffee = self.coffees.iter().find(|c| c.id == lot.coffee.0)?;
        let style = self.styles.iter().find(|s| s.id == row.style)?;
        Some(RoastedView {
            batch: row.id,
            lot: Named {
                id: standing.lot.0,
                name: lot.name.clone(),
            },
            coffee: Named {
                id: coffee.id,
                name: coffee.fields.name.clone(),
            },
            style: Named {
                id: style.id,
                name: style.fields.name.clone(),
            },
            day: row.day,
            mass_g: standing.mass,
            hold: row.held,
        })
    }
}

fn sum(a: Mass, b: Mass) -> Result<Mass, StoreError> {
    a.plus(b).map_err(|e| StoreError::Damaged(e.to_string()))
}
