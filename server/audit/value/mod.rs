//! What the stock is worth and where its cost went, for a period, as known now or then. A bookkeeper decides; this only reckons.

mod costs;
mod export;
pub mod worth;

use std::collections::{BTreeMap, HashMap};

use serde::Serialize;
use uuid::Uuid;

use super::statement::ordered_days;
use crate::audit::as_known;
use crate::day::Day;
use crate::floor::view::Named;
use crate::ids::{DeliveryId, LotId, SiteId};
use crate::mass::Mass;
use crate::money::half_even;
use crate::refusal::Outcome;
use crate::setup::{Coffee, Kept, Lot, Site};
use crate::store::{LotFlow, Read, StoreError};
use costs::Costs;
pub use export::{csv, workbook};
use worth::{Gone, Layer, Masses, first_in_first_out, mass, of, share, weighted_average};

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
    /// Sent to other sites, where it is a bill of what came.
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
    /// What all of it cost up to the last day, minor units.
    pub cost: i64,
    /// What came, less what dried: the mass that the cost is shared by.
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
/// [`crate::refusal::Refusal::Invalid`] for a period that ends before it begins; [`StoreError`] when the database fails.
pub async fn value(tx: &mut dyn Read, site: SiteId, asked: Asked) -> Outcome<ValueView> {
    ordered_days(asked.from, asked.to)?;
    let size = tx.head(site).await?.map_or(0, |head| head.size);
    let then = asked.known.filter(|known| *known < size);
    let record = as_known::need::<Site>(tx, site, site, then).await?.fields;
    let costs = Costs::read(tx, site, record.zone, &record.currency, then).await?;
    let lots = as_known::all::<Lot>(tx, site, then).await?;
    let before = asked.from.map(|from| from.plus(-1));
    let mut days = BTreeMap::new();
    let downs = costs.days_of_downs().map(|(_, day)| day);
    for day in downs.chain([asked.to]).chain(before) {
        if let std::collections::btree_map::Entry::Vacant(free) = days.entry(day) {
            free.insert(Snapshot::read(tx, site, day, then).await?);
        }
    }
    let reckoning = Reckoning {
        costs: &costs,
        lots: &lots,
        days: &days,
    };
    let closing = reckoning.all_on(Some(asked.to));
    let opening = reckoning.all_on(before);
    let coffees = as_known::all::<Coffee>(tx, site, then).await?;
    let views = reckoning.views(&asked, &opening, &closing, &coffees);
    Ok(ValueView {
        from: asked.from,
        to: asked.to,
        known: then.unwrap_or(size),
        digits: crate::money::minor_digits(&record.currency),
        coffees: by_coffee(&coffees, &lots, &views, &closing),
        lots: views,
        currency: record.currency,
        unreadable: costs.unreadable,
        notice: NOTICE.to_owned(),
    })
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
struct Then {
    /// All that it cost, other lots' green in it included.
    cost: i64,
    /// Of that, what came with other lots' green.
    from_others: i64,
    base: i64,
    store_mg: i64,
    shares: [i64; 10],
    written_down: i64,
}

struct Reckoning<'a> {
    costs: &'a Costs,
    lots: &'a [Kept<Lot>],
    days: &'a BTreeMap<Day, Snapshot>,
}

impl Reckoning<'_> {
    fn masses(&self, day: Day, lot: LotId) -> Option<&Masses> {
        self.days.get(&day)?.0.get(&lot)
    }

    /// All lots at the end of a day; before the beginning there is nothing.
    fn all_on(&self, day: Option<Day>) -> HashMap<LotId, Then> {
        let Some(day) = day else {
            return HashMap::new();
        };
        let mut given: HashMap<LotId, i64> = HashMap::new();
        let mut done = HashMap::new();
        // A blend's cost is that of the green in it, so the lots in it come first; a blend of blends takes a further round.
        for _ in 0..=self.lots.len() {
            let round: HashMap<LotId, Then> = self
                .lots
                .iter()
                .map(|lot| {
                    let from_others = given.get(&lot.id.into()).copied().unwrap_or_default();
                    (LotId(lot.id), self.one(lot, day, from_others))
                })
                .collect();
            let now = self.given(day, &round);
            done = round;
            if now == given {
                break;
            }
            given = now;
        }
        done
    }

    fn one(&self, lot: &Kept<Lot>, day: Day, from_others: i64) -> Then {
        let id = LotId(lot.id);
        let own = if lot.fields.owned_by.is_some() {
            0
        } else {
            let came = self.came(lot.fields.delivery, day);
            self.costs.of(id, lot.fields.delivery, &came, day)
        };
        let cost = own + from_others;
        let Some(masses) = self.masses(day, id) else {
            return Then {
                cost,
                from_others,
                ..Then::default()
            };
        };
        let store = |on: Day| self.masses(on, id).map_or(0, Masses::store);
        Then {
            cost,
            from_others,
            base: masses.base(),
            store_mg: masses.store(),
            shares: share(cost, &masses.as_green(), masses.base()),
            written_down: self.costs.written_down(id, day, store),
        }
    }

    /// What came of each lot of a delivery; customers' own lots bear nothing of its costs.
    fn came(&self, delivery: DeliveryId, day: Day) -> BTreeMap<LotId, i64> {
        self.lots
            .iter()
            .filter(|lot| lot.fields.delivery == delivery && lot.fields.owned_by.is_none())
            .map(|lot| {
                let id = LotId(lot.id);
                (id, self.masses(day, id).map_or(0, |masses| masses.came))
            })
            .collect()
    }

    /// What each blend lot was given by others, at their cost.
    fn given(&self, day: Day, then: &HashMap<LotId, Then>) -> HashMap<LotId, i64> {
        let mut given: HashMap<LotId, i64> = HashMap::new();
        for (lot, of_lot) in then {
            let Some(masses) = self.masses(day, *lot).filter(|_| of_lot.base > 0) else {
                continue;
            };
            for (blend, mg) in &masses.blends {
                let exact = i128::from(of_lot.cost) * i128::from(*mg);
                let part = half_even(exact, i128::from(of_lot.base));
                *given.entry(*blend).or_default() += i64::try_from(part).unwrap_or(0);
            }
        }
        given.retain(|_, cost| *cost != 0);
        given
    }

    fn views(
        &self,
        asked: &Asked,
        opening: &HashMap<LotId, Then>,
        closing: &HashMap<LotId, Then>,
        coffees: &[Kept<Coffee>],
    ) -> Vec<LotValue> {
        let nothing = Then::default();
        let mut views = Vec::new();
        for lot in self.lots {
            let id = LotId(lot.id);
            let before = opening.get(&id).unwrap_or(&nothing);
            let after = closing.get(&id).unwrap_or(&nothing);
            let coffee = coffees.iter().find(|c| c.id == lot.fields.coffee.0);
            let silent = after.cost == 0 && before.cost == 0 && after.store_mg == 0;
            let Some(coffee) = coffee.filter(|_| !silent) else {
                continue;
            };
            let per_kg = (after.base > 0).then(|| {
                let exact = i128::from(after.cost) * 1_000_000;
                i64::try_from(half_even(exact, i128::from(after.base))).unwrap_or(0)
            });
            let downs = self.costs.downs_between(id, asked.from, asked.to);
            views.push(LotValue {
                lot: Named {
                    id: lot.id,
                    name: lot.fields.name.clone(),
                },
                coffee: Named {
                    id: coffee.id,
                    name: coffee.fields.name.clone(),
                },
                owned_by: lot.fields.owned_by.as_ref().map(ToString::to_string),
                cost: after.cost,
                base_g: mass(after.base),
                per_kg,
                store_g: mass(after.store_mg),
                opening: worth_of(before),
                added: (after.cost - after.from_others) - (before.cost - before.from_others),
                used: used(before, after, downs),
                closing: worth_of(after),
            });
        }
        views.sort_by(|a, b| (&a.coffee.name, &a.lot.name).cmp(&(&b.coffee.name, &b.lot.name)));
        views
    }
}

fn worth_of(then: &Then) -> Worth {
    let at = |gone| of(&then.shares, gone);
    Worth {
        store: at(Gone::Store),
        written_down: then.written_down,
        batch: at(Gone::Batch),
        roasted: at(Gone::Roasted),
        packed: at(Gone::Packed),
        coming: if then.base > 0 { 0 } else { then.cost },
    }
}

fn used(before: &Then, after: &Then, downs: i64) -> Used {
    let gone = |gone| of(&after.shares, gone) - of(&before.shares, gone);
    Used {
        sold: gone(Gone::Shipped),
        samples: gone(Gone::Sample),
        waste: gone(Gone::Waste),
        differences: gone(Gone::Variance),
        blended: gone(Gone::Blended) - (after.from_others - before.from_others),
        sent: gone(Gone::Sent),
        written_down: downs,
        written_down_used: before.written_down + downs - after.written_down,
    }
}

/// Green of each coffee by three ways of reckoning; lots in the order of their deliveries' first receipts, which is that of their ids.
fn by_coffee(
    coffees: &[Kept<Coffee>],
    lots: &[Kept<Lot>],
    views: &[LotValue],
    closing: &HashMap<LotId, Then>,
) -> Vec<CoffeeValue> {
    let mut values = Vec::new();
    for coffee in coffees {
        let layers: Vec<Layer> = lots
            .iter()
            .filter(|lot| lot.fields.coffee.0 == coffee.id && lot.fields.owned_by.is_none())
            .filter_map(|lot| closing.get(&LotId(lot.id)))
            .filter(|then| then.base > 0)
            .map(|then| Layer {
                cost: then.cost,
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
                coffee: Named {
                    id: coffee.id,
                    name: coffee.fields.name.clone(),
                },
                store_g: mass(layers.iter().map(|layer| layer.store).sum()),
                by_lot,
                weighted_average: weighted_average(&layers),
                first_in_first_out: first_in_first_out(&layers),
            });
        }
    }
    values
}
