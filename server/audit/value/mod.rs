//! What the stock is worth and where its cost went, for a period, as known now or then. A bookkeeper decides; this only reckons.

mod costs;
mod export;
mod passed;
mod reckon;
pub mod worth;

use std::collections::{BTreeMap, HashMap};

use serde::Serialize;
use uuid::Uuid;

use super::statement::ordered_days;
use crate::audit::as_known;
use crate::book::Book;
use crate::day::Day;
use crate::floor::view::Named;
use crate::ids::{LotId, SiteId};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Coffee, Kept, Lot, Site, WriteDown};
use crate::store::{LotFlow, Read, StoreError};
use costs::Costs;
pub use export::{csv, workbook};
use passed::Passed;
use reckon::{Moment, Then};
use worth::{Gone, Layer, Masses, first_in_first_out, of, part, weighted_average};

/// Which value is wanted.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// The first day of the period; the beginning unless said.
    pub from: Option<Day>,
    /// The last day.
    pub to: Day,
    /// The log's size up to which the book is believed; all of it unless said.
    pub known: Option<i64>,
}

/// What is at the end of a day, or what became of cost in a period, in minor units.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Worth {
    /// Green in store, at cost.
    pub store: i64,
    /// What of that is written down.
    pub written_down: i64,
    /// Green weighed in.
    pub batch: i64,
    /// Roasted, not yet in bags.
    pub roasted: i64,
    /// In bags.
    pub packed: i64,
    /// Paid for and not yet here.
    pub coming: i64,
}

/// What became of the cost of coffee used in a period, in minor units.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Used {
    /// Sold: roasting loss, which is normal, is part of it.
    pub sold: i64,
    /// Samples.
    pub samples: i64,
    /// Spilled, scrapped, swept up.
    pub waste: i64,
    /// Missing by count, less what was found.
    pub differences: i64,
    /// Went into blend lots, less what other lots gave to this one.
    pub blended: i64,
    /// Sent to other sites: once taken in, what its bill there says.
    pub sent: i64,
    /// Written down, less what was taken back.
    pub written_down: i64,
    /// Of what was written down before, what has been used: it makes the coffee sold cheaper.
    pub written_down_used: i64,
}

/// The value of one lot.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct LotValue {
    /// The lot.
    pub lot: Named,
    /// Its coffee.
    pub coffee: Named,
    /// The customer whose coffee it is: worth nothing here.
    pub owned_by: Option<String>,
    /// What it cost up to the last day, without what other sites have taken in, minor units.
    pub cost: i64,
    /// What came, less what dried and what other sites have taken in: the mass that the cost is shared by.
    pub base_g: Mass,
    /// Cost of a kilogram of it, minor units; null where none is here.
    pub per_kg: Option<i64>,
    /// Green in store after the last day.
    pub store_g: Mass,
    /// What was there before the first day.
    pub opening: Worth,
    /// Costs of the period: bills, credit notes and what changed of them.
    pub added: i64,
    /// What became of the coffee used.
    pub used: Used,
    /// What is there after the last day.
    pub closing: Worth,
}

/// Green of one coffee by three ways of reckoning, minor units.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct CoffeeValue {
    /// The coffee.
    pub coffee: Named,
    /// Green in store.
    pub store_g: Mass,
    /// Each lot at its own cost, less what is written down.
    pub by_lot: i64,
    /// At the weighted average of all its lots.
    pub weighted_average: i64,
    /// As if what came first were used first.
    pub first_in_first_out: i64,
}

/// The value of all stock, and where cost went in a period. It is a reckoning for a bookkeeper, who decides.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ValueView {
    /// The first day; null for the beginning.
    pub from: Option<Day>,
    /// The last day.
    pub to: Day,
    /// The log's size up to which the book is believed.
    pub known: i64,
    /// The currency of the books.
    pub currency: String,
    /// How many digits its minor unit has after the point.
    pub digits: u32,
    /// Lot by lot.
    pub lots: Vec<LotValue>,
    /// Coffee by coffee.
    pub coffees: Vec<CoffeeValue>,
    /// Bills and lots whose cost is in another currency and has no rate: they count for nothing.
    pub unreadable: Vec<Uuid>,
    /// What to keep in mind.
    pub notice: String,
}

/// What to keep in mind with every figure.
const NOTICE: &str = "A reckoning by specific identification after IAS 2: each lot at its own landed cost. Normal roasting loss and drying stay in \
    the cost; what was scrapped, spilled or is missing is expense. A bookkeeper decides what goes into the accounts.";

/// Reckons the value.
///
/// # Errors
/// [`Refusal::Invalid`] for a period that ends before it begins; [`Refusal::Conflict`] for amounts beyond all measure; [`StoreError`] when the
/// database fails.
pub async fn value(tx: &mut dyn Read, site: SiteId, asked: Asked) -> Outcome<ValueView> {
    ordered_days(asked.from, asked.to)?;
    let size = tx.head(site).await?.map_or(0, |head| head.size);
    let then = asked.known.filter(|known| *known < size);
    let before = asked.from.map(|from| from.plus(-1));
    let book = Facts::read(tx, site, then, [Some(asked.to), before]).await?;
    let closing = book.all_on(Some(asked.to))?;
    let opening = book.all_on(before)?;
    let coffees = as_known::all::<Coffee>(tx, site, then).await?;
    let first_days = tx.first_came(site, then).await?.into_iter().collect();
    let views = book.views(&asked, &opening, &closing, &coffees)?;
    export::fits(&views)?;
    Ok(ValueView {
        from: asked.from,
        to: asked.to,
        known: then.unwrap_or(size),
        digits: crate::money::minor_digits(&book.currency),
        coffees: by_coffee(&coffees, &book.in_order(&first_days), &views, &closing)?,
        lots: views,
        currency: book.currency,
        unreadable: book.costs.unreadable,
        notice: NOTICE.to_owned(),
    })
}

/// What lots cost, all of each: an amount in minor units, for a mass.
///
/// # Errors
/// [`Refusal::Conflict`] for amounts beyond all measure; [`StoreError`] when the database fails.
pub(crate) async fn lot_costs(
    tx: &mut dyn Read,
    site: SiteId,
    bills_until: Day,
) -> Outcome<HashMap<LotId, (i64, Mass)>> {
    let today = match tx.head(site).await? {
        // Nothing in the book is of a later day.
        Some(head) => setup::site(tx, site)
            .await?
            .fields
            .zone
            .day(head.recorded_at),
        None => bills_until,
    };
    let book = Facts::read(tx, site, None, [Some(today), None]).await?;
    let Some(masses) = book.days.get(&today) else {
        return Ok(HashMap::new());
    };
    let moment = Moment {
        bills_until,
        ..book.moment(today, &masses.0)
    };
    let known = moment.known()?;
    let mut costs = HashMap::new();
    for (lot, then) in moment.all()? {
        // Where all of it went to other sites, it cost what it cost then.
        let all = masses.0.get(&lot).map_or(0, Masses::base);
        let (cost, base) = if then.base > 0 {
            (then.cost - then.passed, then.base)
        } else {
            (then.cost, all)
        };
        if base > 0 && known.contains(&lot) {
            costs.insert(lot, (cost, Mass::from_mg(base)?));
        }
    }
    Ok(costs)
}

/// Refuses a write-down by more than what is left of its lot is worth on its day.
///
/// # Errors
/// [`Refusal::Invalid`] naming the most.
pub async fn check_write_down(book: &mut Book, id: Uuid) -> Outcome<()> {
    let site = book.site();
    let down = setup::need::<WriteDown>(book.tx(), site, id).await?.fields;
    if down.retired {
        return Ok(());
    }
    // What is of a closed period counts from the first open day.
    let open = book.closed_through().map(|closed| closed.plus(1));
    let day = open.map_or(down.day, |open| open.max(down.day));
    let facts = Facts::read(book.tx(), site, None, [Some(day), None]).await?;
    let there = facts.all_on(Some(day))?;
    let left = there.get(&down.lot).map_or(0, |state| {
        of(&state.then.shares, Gone::Store) - state.written_down
    });
    if left >= 0 {
        return Ok(());
    }
    let digits = crate::money::minor_digits(&facts.currency);
    let most = export::decimal((down.amount.minor + left).max(0), digits);
    let most = format!("{most} {}", facts.currency);
    Err(Refusal::field(
        "/amount/minor",
        format!("what is left of this lot is worth less: write down {most} at most"),
    ))
}

/// The masses of all lots at the end of a day.
struct Snapshot(HashMap<LotId, Masses>);

impl Snapshot {
    async fn read(
        tx: &mut dyn Read,
        site: SiteId,
        day: Day,
        known: Option<i64>,
    ) -> Result<Self, StoreError> {
        let mut by_lot: HashMap<LotId, Vec<LotFlow>> = HashMap::new();
        let until = as_known::until(tx, site, day, known).await?;
        for flow in tx.flows_on(site, until, known).await? {
            by_lot.entry(flow.lot).or_default().push(flow);
        }
        let masses = by_lot
            .into_iter()
            .map(|(lot, flows)| (lot, Masses::of(lot, &flows)));
        Ok(Self(masses.collect()))
    }
}

/// What one lot's cost has become by the end of a day.
#[derive(Debug, Clone, Copy, Default)]
struct State {
    then: Then,
    written_down: i64,
}

/// What a site's book says of its lots' costs and masses.
struct Facts {
    currency: String,
    costs: Costs,
    passed: Passed,
    lots: Vec<Kept<Lot>>,
    days: BTreeMap<Day, Snapshot>,
}

impl Facts {
    /// Reads them as the first `known` leaves say, with the masses of some days and of those of write-downs.
    async fn read(
        tx: &mut dyn Read,
        site: SiteId,
        known: Option<i64>,
        wanted: [Option<Day>; 2],
    ) -> Outcome<Self> {
        let Site { zone, currency, .. } =
            as_known::need::<Site>(tx, site, site, known).await?.fields;
        let costs = Costs::read(tx, site, zone, &currency, known).await?;
        let mut days = BTreeMap::new();
        for day in costs.days_of_downs().chain(wanted.into_iter().flatten()) {
            if let std::collections::btree_map::Entry::Vacant(free) = days.entry(day) {
                free.insert(Snapshot::read(tx, site, day, known).await?);
            }
        }
        let before = as_known::end(tx, site, known).await?;
        Ok(Self {
            currency,
            costs,
            passed: Passed::read(tx, site, zone, before).await?,
            lots: as_known::all::<Lot>(tx, site, known).await?,
            days,
        })
    }

    fn moment<'a>(&'a self, day: Day, masses: &'a HashMap<LotId, Masses>) -> Moment<'a> {
        Moment {
            costs: &self.costs,
            passed: &self.passed,
            lots: &self.lots,
            masses,
            day,
            bills_until: day,
        }
    }

    fn store(&self, day: Day, lot: LotId) -> i64 {
        let there = self.days.get(&day);
        let masses = there.and_then(|there| there.0.get(&lot));
        masses.map_or(0, Masses::store)
    }

    /// All lots at the end of a day; before the beginning there is nothing.
    fn all_on(&self, day: Option<Day>) -> Outcome<HashMap<LotId, State>> {
        let there = day.and_then(|day| Some((day, self.days.get(&day)?)));
        let Some((day, snapshot)) = there else {
            return Ok(HashMap::new());
        };
        let all = self.moment(day, &snapshot.0).all()?.into_iter();
        all.map(|(lot, then)| {
            let store = |on: Day| self.store(on, lot);
            let written_down = self.costs.written_down(lot, day, store)?;
            Ok((lot, State { then, written_down }))
        })
        .collect()
    }

    /// The lots in the order in which they first came; those that have not, at the end.
    fn in_order(&self, first_days: &HashMap<LotId, Day>) -> Vec<&Kept<Lot>> {
        let mut lots: Vec<&Kept<Lot>> = self.lots.iter().collect();
        lots.sort_by_key(|lot| {
            let first = first_days.get(&LotId(lot.id));
            (first.is_none(), first.copied(), lot.id)
        });
        lots
    }

    fn views(
        &self,
        asked: &Asked,
        opening: &HashMap<LotId, State>,
        closing: &HashMap<LotId, State>,
        coffees: &[Kept<Coffee>],
    ) -> Outcome<Vec<LotValue>> {
        let nothing = State::default();
        let mut views = Vec::new();
        for lot in &self.lots {
            let id = LotId(lot.id);
            let before = opening.get(&id).unwrap_or(&nothing);
            let after = closing.get(&id).unwrap_or(&nothing);
            let (was, is) = (&before.then, &after.then);
            let coffee = coffees.iter().find(|c| c.id == lot.fields.coffee.0);
            let silent = is.cost == 0 && was.cost == 0 && is.store_mg == 0;
            if let Some(coffee) = coffee.filter(|_| !silent) {
                let downs = self.costs.downs_between(id, asked.from, asked.to)?;
                views.push(view((lot, coffee), before, after, downs)?);
            }
        }
        views.sort_by(|a, b| (&a.coffee.name, &a.lot.name).cmp(&(&b.coffee.name, &b.lot.name)));
        Ok(views)
    }
}

fn view(
    (lot, coffee): (&Kept<Lot>, &Kept<Coffee>),
    before: &State,
    after: &State,
    downs: i64,
) -> Outcome<LotValue> {
    let (was, is) = (&before.then, &after.then);
    let cost = is.cost - is.passed;
    let per_kg = match is.base {
        base @ 1.. => Some(part(cost, 1_000_000, base)?),
        _ => None,
    };
    Ok(LotValue {
        lot: Named {
            id: lot.id,
            name: lot.fields.name.clone(),
        },
        coffee: named(coffee),
        owned_by: lot.fields.owned_by.as_ref().map(ToString::to_string),
        cost,
        base_g: Mass::from_mg(is.base)?,
        per_kg,
        store_g: Mass::from_mg(is.store_mg)?,
        opening: worth_of(before),
        added: (is.cost - is.from_others) - (was.cost - was.from_others),
        used: used(before, after, downs),
        closing: worth_of(after),
    })
}

fn named(coffee: &Kept<Coffee>) -> Named {
    Named {
        id: coffee.id,
        name: coffee.fields.name.clone(),
    }
}

fn worth_of(state: &State) -> Worth {
    let then = &state.then;
    let at = |gone| of(&then.shares, gone);
    Worth {
        store: at(Gone::Store),
        written_down: state.written_down,
        batch: at(Gone::Batch),
        roasted: at(Gone::Roasted),
        packed: at(Gone::Packed),
        coming: then.cost - then.shares.iter().sum::<i64>(),
    }
}

fn used(before: &State, after: &State, downs: i64) -> Used {
    let (was, is) = (&before.then, &after.then);
    let gone = |gone| of(&is.shares, gone) - of(&was.shares, gone);
    Used {
        sold: gone(Gone::Shipped),
        samples: gone(Gone::Sample),
        waste: gone(Gone::Waste),
        differences: gone(Gone::Variance),
        blended: gone(Gone::Blended) - (is.from_others - was.from_others),
        sent: gone(Gone::Sent),
        written_down: downs,
        written_down_used: before.written_down + downs - after.written_down,
    }
}

/// Green of each coffee by three ways of reckoning; lots in the order in which they first came.
fn by_coffee(
    coffees: &[Kept<Coffee>],
    lots: &[&Kept<Lot>],
    views: &[LotValue],
    closing: &HashMap<LotId, State>,
) -> Outcome<Vec<CoffeeValue>> {
    let mut values = Vec::new();
    for coffee in coffees {
        let layers: Vec<Layer> = lots
            .iter()
            .filter(|lot| lot.fields.coffee.0 == coffee.id && lot.fields.owned_by.is_none())
            .filter_map(|lot| Some(closing.get(&LotId(lot.id))?.then))
            .filter(|then| then.base > 0)
            .map(|then| Layer {
                cost: then.cost - then.passed,
                base: then.base,
                store: then.store_mg,
            })
            .collect();
        let own = views.iter().filter(|view| view.coffee.id == coffee.id);
        let by_lot = own
            .map(|view| view.closing.store - view.closing.written_down)
            .sum();
        if !layers.is_empty() {
            values.push(CoffeeValue {
                coffee: named(coffee),
                store_g: Mass::from_mg(layers.iter().map(|layer| layer.store).sum())?,
                by_lot,
                weighted_average: weighted_average(&layers)?,
                first_in_first_out: first_in_first_out(&layers)?,
            });
        }
    }
    Ok(values)
}
