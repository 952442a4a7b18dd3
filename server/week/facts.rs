//! What a plan is made from, as the book and the learner have it at one moment.

use std::collections::{BTreeMap, HashMap, HashSet};

use super::cards::{Card, in_store};
use super::day::{Busy, Shift, crew, shifts};
use super::wants::wants;
use crate::app::App;
use crate::day::{Day, Instant, TimeOfDay, Zone};
use crate::demand::{Window, roasted};
use crate::expect::Questions;
use crate::floor::batch::{Batch, State};
use crate::fraction::Fraction;
use crate::green::stock::{DeliveryState, Stock};
use crate::ids::{
    CardId, CoffeeId, DispatchId, LotId, OrderId, ProductId, RoasterId, SiteId, StoreroomId,
    StyleId,
};
use crate::mass::Mass;
use crate::refusal::Outcome;
use crate::setup::{self, Coffee, Delivery, Lot, Record, Roaster, SampleRequest, Storeroom, Style};
use crate::store::{BatchFilter, Read, StoreError};
use crate::text::Name;

/// A roaster with its shifts in the days of the plan.
pub struct RoasterFacts {
    /// Its id.
    pub id: RoasterId,
    /// Its fields.
    pub fields: Roaster,
    /// One shift for each day of the plan.
    pub shifts: Vec<Shift>,
    /// Whether it is hot on the first day.
    pub hot: bool,
}

/// A lot with what of it may be planned.
pub struct LotFacts {
    /// Its fields.
    pub fields: Lot,
    /// Green that plans may use, in store or to come, before cards.
    pub green: Mass,
    /// The day from which on it is there.
    pub from: Day,
    /// What plans might use of it if nothing kept it from them.
    pub there: Mass,
    /// Whether it came and nothing of it is in store any more.
    pub used_up: bool,
    /// Why its coffee may not be used, green or roasted.
    pub held: Option<String>,
    /// The storeroom to take it from.
    pub storeroom: StoreroomId,
}

impl LotFacts {
    /// Why plans may not use its green.
    pub fn barred(&self) -> Option<&str> {
        let out_of_use = self.fields.retired.then_some("it is out of use");
        self.held.as_deref().or(out_of_use)
    }
}

/// A product of an order line, and what it takes.
#[derive(Clone)]
pub struct Want {
    /// The order, or the level of the shelf.
    pub order: OrderId,
    /// Its number.
    pub number: Name,
    /// Who wants it.
    pub customer: Name,
    /// The line.
    pub line: u16,
    /// The product.
    pub product: ProductId,
    /// Bags that are not packed yet.
    pub bags: u32,
    /// How many of them the packing bench can fill in time.
    pub packable: u32,
    /// Roasted coffee in a bag.
    pub bag: Mass,
    /// Coffees and their shares.
    pub parts: Vec<(CoffeeId, Fraction)>,
    /// The style.
    pub style: StyleId,
    /// Only these lots.
    pub lots: Option<Vec<LotId>>,
    /// When it leaves the house.
    pub ship_day: Day,
    /// The dispatch that it is part of.
    pub dispatch: Option<DispatchId>,
    /// When it may be roasted.
    pub window: Window,
    /// Priority of the order; nothing for the shelf of the shop.
    pub priority: u16,
}

/// As much as a gram for the shelf weighs a gram of an ordinary order so often: the shelf is filled after all orders.
pub const ORDER_WEIGHT: i64 = 10;

impl Want {
    /// Whether it is for the shelf of the shop and for no order.
    pub const fn is_shelf(&self) -> bool {
        self.priority == 0
    }

    /// Weight of a missing gram.
    pub fn weight(&self) -> i64 {
        (i64::from(self.priority) * ORDER_WEIGHT).max(1)
    }
}

/// Roasted coffee that is there, or will be before the plan begins.
pub struct Supply {
    /// Its name in the instance.
    pub name: String,
    /// Its lot.
    pub lot: LotId,
    /// Its style.
    pub style: StyleId,
    /// When it was roasted, or will be.
    pub day: Day,
    /// How much.
    pub mass: Mass,
}

/// Everything a plan is made from.
pub struct Facts {
    /// How many leaves the log had when they were read.
    pub log_size: i64,
    /// The first day of the plan.
    pub from: Day,
    /// How many days it has.
    pub days: i64,
    /// Today at the site.
    pub today: Day,
    /// How certain it is to cover what is promised.
    pub service: Fraction,
    /// Roasters that are in use and not for samples.
    pub roasters: Vec<RoasterFacts>,
    /// Minutes that the people have on each day of the plan, all roasters together; none: no limit.
    pub crew: Option<Vec<u32>>,
    /// All lots.
    pub lots: BTreeMap<LotId, LotFacts>,
    /// All styles.
    pub styles: HashMap<StyleId, Style>,
    /// Names of coffees.
    pub coffees: HashMap<CoffeeId, Name>,
    /// Coffees that need a clean drum.
    pub clean_drum: HashSet<CoffeeId>,
    /// Names of storerooms.
    pub storerooms: HashMap<StoreroomId, Name>,
    /// What is wanted and can no longer wait for the next plan.
    pub wants: Vec<Want>,
    /// Roasted coffee.
    pub supplies: Vec<Supply>,
    /// Cards in the days of the plan on which nobody has weighed in.
    pub cards: Vec<(CardId, Card)>,
    /// Green that cards outside these days will take.
    pub elsewhere: HashMap<LotId, Mass>,
    /// What is expected of the coffee.
    pub questions: Questions,
    /// Roasted coffee of each batch that does not come into bags.
    pub kept_back: Mass,
}

/// A batch that is weighed in or in the drum.
struct Open {
    batch: Batch,
    lot: LotId,
    style: StyleId,
    roaster: RoasterId,
}

impl Facts {
    /// The last day of the plan.
    pub fn last(&self) -> Day {
        self.from.plus(self.days - 1)
    }

    /// Reads them.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn read(app: &App, tx: &mut dyn Read, from: Option<Day>, days: i64) -> Outcome<Self> {
        let site = app.site;
        let record = app.site_record(tx).await?.fields;
        let now = app.clock.now();
        let today = record.zone.day(now);
        let from = from.unwrap_or(today).max(today);
        let last = from.plus(days - 1);
        let open = open_batches(tx, site).await?;
        let busy = busy(tx, site, &record.zone, now, &open).await?;
        let styles = by_id::<Style, StyleId>(tx, site).await?;
        let lots = lots(tx, site, today).await?;
        let stock = roasted(tx, site).await?;
        let wants = wants(
            app,
            tx,
            &record,
            (&styles, &lots),
            &stock,
            (today, from, last),
        )
        .await?;
        let coffees = by_id::<Coffee, CoffeeId>(tx, site).await?;
        let apart = coffees.iter().filter(|(_, coffee)| coffee.clean_drum);
        let mut facts = Self {
            log_size: tx.head(site).await?.map_or(0, |head| head.size),
            from,
            days,
            today,
            service: record.service_level,
            roasters: Vec::new(),
            crew: None,
            lots,
            wants,
            styles,
            clean_drum: apart.map(|(id, _)| *id).collect(),
            coffees: names(coffees, |coffee| coffee.name),
            storerooms: names(by_id::<Storeroom, StoreroomId>(tx, site).await?, |s| s.name),
            supplies: Vec::new(),
            cards: Vec::new(),
            elsewhere: HashMap::new(),
            questions: app.expect.questions(tx, site).await?,
            kept_back: record.kept_back_g,
        };
        let now = (today, record.zone.time_of_day(now));
        let ready = facts.take_roasters(tx, site, now, &busy).await?;
        if let Some(minutes) = record.crew_min {
            facts.take_crew(tx, site, now, minutes, &ready).await?;
        }
        facts.take_roasted(stock);
        facts.take_open(&open, ready);
        facts.take_cards(tx, site).await?;
        Ok(facts)
    }

    /// Roasters with their shifts; answers the days on which batches that stand ready will be roasted.
    async fn take_roasters(
        &mut self,
        tx: &mut dyn Read,
        site: SiteId,
        now: (Day, TimeOfDay),
        busy: &HashMap<RoasterId, Busy>,
    ) -> Result<HashMap<RoasterId, Vec<Day>>, StoreError> {
        let mut ready = HashMap::new();
        for kept in setup::all::<Roaster>(tx, site).await? {
            let id = RoasterId(kept.id);
            let at = busy.get(&id).copied().unwrap_or_default();
            let (mut shifts, days) = shifts(&kept.fields, now, self.last(), at);
            ready.insert(id, days);
            if kept.fields.retired || kept.fields.sample_roaster {
                continue;
            }
            shifts.retain(|shift| shift.day >= self.from);
            self.roasters.push(RoasterFacts {
                id,
                hot: at.hot && self.from == self.today,
                fields: kept.fields,
                shifts,
            });
        }
        Ok(ready)
    }

    /// The people's minutes on each day, less those of batches that stand ready.
    async fn take_crew(
        &mut self,
        tx: &mut dyn Read,
        site: SiteId,
        now: (Day, TimeOfDay),
        a_day: u32,
        ready: &HashMap<RoasterId, Vec<Day>>,
    ) -> Result<(), StoreError> {
        let roasters = by_id::<Roaster, RoasterId>(tx, site).await?;
        let at_work = || {
            let used = |r: &&Roaster| !r.retired && !r.sample_roaster;
            roasters.values().filter(used)
        };
        let mut minutes: Vec<u32> = (0..self.days)
            .map(|n| crew(a_day, at_work(), now, self.from.plus(n)))
            .collect();
        for (roaster, days) in ready {
            let cycle = roasters.get(roaster).map_or(0, |fields| fields.cycle_min);
            for day in days {
                let place = usize::try_from(day.since(self.from)).ok();
                if let Some(there) = place.and_then(|n| minutes.get_mut(n)) {
                    *there = there.saturating_sub(cycle);
                }
            }
        }
        self.crew = Some(minutes);
        Ok(())
    }

    fn take_roasted(&mut self, roasted: Vec<crate::demand::Roasted>) {
        self.supplies
            .extend(roasted.into_iter().map(|roasted| Supply {
                name: format!("batch {}", roasted.batch),
                lot: roasted.lot,
                style: roasted.style,
                day: roasted.day,
                mass: roasted.mass,
            }));
    }

    /// Batches that stand ready or are in the drum will give what is expected of them.
    fn take_open(&mut self, open: &[Open], mut ready: HashMap<RoasterId, Vec<Day>>) {
        for open in open {
            let days = ready.entry(open.roaster).or_default();
            let day = if open.batch.state() == State::WeighedIn && !days.is_empty() {
                days.remove(0)
            } else {
                self.today
            };
            let charge = open.batch.charged();
            if self
                .lots
                .get(&open.lot)
                .is_some_and(|lot| lot.held.is_none())
                && open.batch.hold().is_none()
                && let Some(mass) = self.expected(open.lot, open.style, open.roaster, charge)
            {
                self.supplies.push(Supply {
                    name: format!("batch {}", open.batch.id),
                    lot: open.lot,
                    style: open.style,
                    day,
                    mass,
                });
            }
        }
    }

    /// Cards on which nobody has weighed in: those in the days of the plan may be kept, earlier ones give coffee before it begins, and all
    /// but those in its days keep their green. A card whose day has passed stands for nothing.
    async fn take_cards(&mut self, tx: &mut dyn Read, site: SiteId) -> Outcome<()> {
        for (id, card) in open_cards(tx, site).await? {
            if card.day < self.today {
                continue;
            }
            if card.day >= self.from && card.day <= self.last() {
                self.cards.push((id, card));
                continue;
            }
            let reserved = self.elsewhere.entry(card.lot).or_default();
            *reserved = reserved.plus(card.charge_g)?;
            if card.day < self.from
                && let Some(mass) = self.expected(card.lot, card.style, card.roaster, card.charge_g)
            {
                self.supplies.push(Supply {
                    name: format!("card {id}"),
                    lot: card.lot,
                    style: card.style,
                    day: card.day,
                    mass,
                });
            }
        }
        self.cards
            .sort_by_key(|(id, card)| (card.day, card.start, *id));
        Ok(())
    }

    /// The mass that is expected of a charge for bags.
    pub(super) fn expected(
        &self,
        lot: LotId,
        style: StyleId,
        roaster: RoasterId,
        charge: Mass,
    ) -> Option<Mass> {
        let range = self.questions.range(lot, style, roaster, charge)?;
        let for_bags = less(charge, range.mean).minus(self.kept_back).ok()?;
        Some(for_bags.max(Mass::ZERO))
    }
}

/// A mass less a fraction of it, rounded down to the milligram.
pub fn less(mass: Mass, lost: Fraction) -> Mass {
    let kept = i128::from(Fraction::ONE.ppm() - lost.ppm());
    let mg = i128::from(mass.mg()) * kept / i128::from(Fraction::ONE.ppm());
    i64::try_from(mg)
        .ok()
        .and_then(|mg| Mass::from_mg(mg).ok())
        .unwrap_or(Mass::ZERO)
}

/// Cards that are not taken back and on which nobody has weighed in.
pub(super) async fn open_cards(
    tx: &mut dyn Read,
    site: SiteId,
) -> Result<Vec<(CardId, Card)>, StoreError> {
    let mut cards = Vec::new();
    for row in tx.open_cards(site).await? {
        let card: Card = serde_json::from_str(&row.body).map_err(crate::book::damaged)?;
        if !card.withdrawn {
            cards.push((CardId(row.id), card));
        }
    }
    Ok(cards)
}

pub(super) async fn by_id<R: Record, I: From<uuid::Uuid> + Eq + std::hash::Hash>(
    tx: &mut dyn Read,
    site: SiteId,
) -> Result<HashMap<I, R>, StoreError> {
    Ok(setup::all::<R>(tx, site)
        .await?
        .into_iter()
        .map(|kept| (kept.id.into(), kept.fields))
        .collect())
}

fn names<I: Eq + std::hash::Hash, R>(
    records: HashMap<I, R>,
    name: fn(R) -> Name,
) -> HashMap<I, Name> {
    records
        .into_iter()
        .map(|(id, record)| (id, name(record)))
        .collect()
}

async fn open_batches(tx: &mut dyn Read, site: SiteId) -> Result<Vec<Open>, StoreError> {
    let filter = BatchFilter {
        under_way: true,
        ..BatchFilter::default()
    };
    let mut open = Vec::new();
    for row in tx.batches(site, &filter, 1_000).await?.into_iter().rev() {
        open.push(Open {
            batch: Batch::of_row(&row)?,
            lot: row.lot,
            style: StyleId(row.style),
            roaster: RoasterId(row.roaster),
        });
    }
    Ok(open)
}

/// What each roaster is at.
async fn busy(
    tx: &mut dyn Read,
    site: SiteId,
    zone: &Zone,
    now: Instant,
    open: &[Open],
) -> Result<HashMap<RoasterId, Busy>, StoreError> {
    let today = zone.day(now);
    let mut busy: HashMap<RoasterId, Busy> = HashMap::new();
    for open in open {
        let at = busy.entry(open.roaster).or_default();
        if open.batch.state() == State::WeighedIn {
            at.waiting += 1;
            continue;
        }
        let started = open.batch.started_at().filter(|at| zone.day(*at) == today);
        let Some(started) = started else { continue };
        at.hot = true;
        if let Some(roaster) = setup::find::<Roaster>(tx, site, open.roaster).await? {
            let empty = started.plus_minutes(i64::from(roaster.fields.cycle_min));
            if zone.day(empty) == today {
                at.until = at.until.max(Some(zone.time_of_day(empty)));
            }
        }
    }
    let out = BatchFilter {
        states: vec![State::WeighedOut.word().to_owned()],
        from: Some(today),
        to: Some(today),
        ..BatchFilter::default()
    };
    for row in tx.batches(site, &out, 1_000).await? {
        busy.entry(RoasterId(row.roaster)).or_default().hot = true;
    }
    Ok(busy)
}

/// All lots with what plans may use of them.
pub(super) async fn lots(
    tx: &mut dyn Read,
    site: SiteId,
    today: Day,
) -> Outcome<BTreeMap<LotId, LotFacts>> {
    let stock = Stock::read(tx, site).await?;
    let store = in_store(tx, site).await?;
    let deliveries = by_id::<Delivery, crate::ids::DeliveryId>(tx, site).await?;
    let mut samples: HashMap<LotId, Mass> = HashMap::new();
    for request in setup::all::<SampleRequest>(tx, site).await? {
        if !request.fields.done {
            let sum = samples.entry(request.fields.lot).or_default();
            *sum = sum.plus(request.fields.mass_g)?;
        }
    }
    let mut lots = BTreeMap::new();
    for kept in setup::all::<Lot>(tx, site).await? {
        let id = LotId(kept.id);
        let view = stock.lot(kept);
        let delivery = deliveries.get(&view.fields.delivery);
        let expected = delivery.filter(|delivery| {
            view.received_day.is_none() && !delivery.retired && delivery.expected_day >= today
        });
        let there = if view.received_day.is_some() {
            view.store_g
        } else {
            expected.map_or(Mass::ZERO, |_| view.fields.expected_g)
        };
        let held = delivery.and_then(|delivery| delivery.hold.as_ref());
        let held = held
            .map(|why| format!("its delivery is on hold: {why}"))
            .or_else(|| (view.state == DeliveryState::Returned).then(|| "it went back".to_owned()));
        let kept_back = view.fields.reserve_g.unwrap_or_default();
        let samples = samples.get(&id).copied().unwrap_or_default();
        let free = there.minus(kept_back)?.minus(samples)?.max(Mass::ZERO);
        let usable = held.is_none() && !view.fields.retired;
        lots.insert(
            id,
            LotFacts {
                green: if usable { free } else { Mass::ZERO },
                there: free,
                used_up: view.used_up,
                from: expected.map_or(today, |delivery| delivery.expected_day),
                held,
                storeroom: storeroom(&store, id, view.fields.storeroom),
                fields: view.fields,
            },
        );
    }
    Ok(lots)
}

/// A lot's own storeroom if some of it is there, else the one that has most of it.
pub(super) fn storeroom(
    store: &BTreeMap<(LotId, StoreroomId), Mass>,
    lot: LotId,
    own: StoreroomId,
) -> StoreroomId {
    if store
        .get(&(lot, own))
        .is_some_and(|mass| mass.is_positive())
    {
        return own;
    }
    let most = store
        .iter()
        .filter(|((of, _), mass)| *of == lot && mass.is_positive())
        .max_by_key(|(_, mass)| **mass);
    most.map_or(own, |((_, room), _)| *room)
}
