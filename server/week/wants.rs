//! What is wanted: the lines of open orders and of those to come, and what the shelf lacks, each with the days on which its coffee may be roasted, as the packing
//! bench and the carrier's hour leave them.

use std::collections::{BTreeMap, HashMap};

use super::facts::{LotFacts, Want, by_id};
use super::instance::{Family, grams};
use crate::app::App;
use crate::day::Day;
use crate::demand::capacity::{Job, packed};
use crate::demand::{Coming, Progress, Roasted, shelf, standing, window};
use crate::ids::{LotId, ProductId, SiteId, StyleId};
use crate::mass::Mass;
use crate::refusal::Outcome;
use crate::setup::{
    self, Kept, Order, PackingHours, Product, Record, ShelfLevel, ShipDay, Site, Style,
};
use crate::store::Read;
use crate::text::Name;

/// An order that has not left this many days after its ship day is no longer planned for.
const LATE_DAYS: i64 = 30;
/// No ship day is more days after its packing day and rest than this.
const AHEAD_DAYS: i64 = 400;
/// By rule, packing ends at most so many days before a ship day.
const MOST_PACKED_BEFORE: i64 = 31;

/// What wants are made from.
struct Asking<'a> {
    record: &'a Site,
    styles: &'a HashMap<StyleId, Style>,
    lots: &'a BTreeMap<LotId, LotFacts>,
    products: HashMap<ProductId, Product>,
    ship_days: HashMap<Day, ShipDay>,
    /// Roasted coffee that lies ready.
    ready: HashMap<Family, Mass>,
    /// The last day of the plan.
    last: Day,
}

/// What the days of a plan must see to: in order of ship day and number, the shelf last.
pub(super) async fn wants(
    app: &App,
    tx: &mut dyn Read,
    record: &Site,
    (styles, lots): (&HashMap<StyleId, Style>, &BTreeMap<LotId, LotFacts>),
    roasted: &[Roasted],
    (today, from, last): (Day, Day, Day),
) -> Outcome<Vec<Want>> {
    let site = app.site;
    let mut ship_days: HashMap<Day, ShipDay> = setup::all::<ShipDay>(tx, site)
        .await?
        .into_iter()
        .map(|kept| (kept.fields.day, kept.fields))
        .collect();
    let rests = styles.values().map(|style| i64::from(style.rest_days));
    let ahead = last.plus(rests.max().unwrap_or(0) + MOST_PACKED_BEFORE);
    let coming = Coming::read(app, tx, today, ahead).await?;
    let mut orders = open_orders(tx, site, from, last).await?;
    orders.retain(|order| {
        let dispatch = order.fields.dispatch;
        !dispatch.is_some_and(|dispatch| coming.open.contains(&dispatch))
    });
    for (order, ship) in coming.orders {
        ship_days.entry(ship.day).or_insert(ship);
        orders.push(order);
    }
    let asking = Asking {
        record,
        styles,
        lots,
        products: by_id::<Product, ProductId>(tx, site).await?,
        ship_days,
        ready: ready(roasted)?,
        last,
    };
    let mut wants = asking.ordered(tx, site, &orders).await?;
    wants.sort_by(|a, b| (a.ship_day, &a.number, a.line).cmp(&(b.ship_day, &b.number, b.line)));
    wants.extend(asking.shelf(tx, site, (from, last)).await?);
    if let Some(hours) = &record.packing {
        asking.fit(hours, from, &mut wants);
    }
    // What may still be roasted after the last day is the next plan's.
    wants.retain(|want| want.window.to <= last || want.window.is_empty());
    Ok(wants)
}

impl Asking<'_> {
    /// The lines of orders.
    async fn ordered(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        orders: &[Kept<Order>],
    ) -> Outcome<Vec<Want>> {
        let progress = Progress::of(tx, site, orders).await?;
        let mut wants = Vec::new();
        for order in orders {
            let Some(ship) = self.ship_days.get(&order.fields.ship_day) else {
                continue;
            };
            for line in progress.lines(order) {
                let bags = line.bags.saturating_sub(line.packed_bags);
                let transit = order.fields.transit_days;
                wants.extend(
                    self.want(line.product, bags, ship, transit)?
                        .map(|want| Want {
                            order: order.id.into(),
                            number: order.fields.number.clone(),
                            customer: order.fields.customer.clone(),
                            line: line.line,
                            priority: order.fields.priority,
                            dispatch: order.fields.dispatch,
                            ..want
                        }),
                );
            }
        }
        Ok(wants)
    }

    /// What the shelf lacks, as if it left on the next ship day: the days of packing are the same.
    async fn shelf(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        (from, last): (Day, Day),
    ) -> Outcome<Vec<Want>> {
        let levels = setup::all::<ShelfLevel>(tx, site).await?;
        if levels.is_empty() {
            return Ok(Vec::new());
        }
        let there = shelf(&standing(tx, site).await?);
        let open = self.ship_days.values().filter(|ship| !ship.retired);
        let next = open
            .filter(|ship| ship.packing_day >= from)
            .min_by_key(|ship| ship.day);
        let whenever = ShipDay {
            day: last,
            packing_day: last,
            carrier_at: crate::day::TimeOfDay::from_minutes(24 * 60),
            note: None,
            retired: false,
        };
        let ship = next.unwrap_or(&whenever);
        let mut wants = Vec::new();
        for (level, line) in levels.into_iter().zip(1..) {
            let (id, level) = (level.id, level.fields);
            let filled = (level.product, level.grind);
            let bags = level
                .bags
                .saturating_sub(there.get(&filled).copied().unwrap_or(0));
            if level.retired {
                continue;
            }
            wants.extend(self.want(level.product, bags, ship, 0)?.map(|want| Want {
                order: id.into(),
                line,
                ..want
            }));
        }
        Ok(wants)
    }

    /// Bags of a product for a ship day, for the shelf unless said otherwise; none where there is nothing to want.
    fn want(
        &self,
        id: ProductId,
        bags: u32,
        ship: &ShipDay,
        transit_days: u16,
    ) -> Outcome<Option<Want>> {
        let Some(product) = self.products.get(&id).filter(|_| bags > 0) else {
            return Ok(None);
        };
        let Some(style) = self.styles.get(&product.style) else {
            return Ok(None);
        };
        let window = window(ship, transit_days, style);
        let shelf =
            || Name::new("Shelf").map_err(|e| crate::refusal::Refusal::conflict(e.to_string()));
        Ok(Some(Want {
            order: uuid::Uuid::nil().into(),
            number: shelf()?,
            customer: shelf()?,
            line: 0,
            product: id,
            bags,
            packable: bags,
            bag: product.bag_g.plus(self.record.overfill_g)?,
            parts: product
                .parts
                .iter()
                .map(|part| (part.coffee, part.share))
                .collect(),
            style: product.style,
            lots: lots_for(product, self.lots, window.to.min(self.last)),
            ship_day: ship.day,
            dispatch: None,
            window,
            priority: 0,
        }))
    }

    /// The first day on which coffee for a want may be packed: at once where it lies ready, else when what is roasted now has rested; a want
    /// for which nothing roasted now will do waits for nothing.
    fn coffee_from(&self, want: &Want, from: Day) -> Day {
        let covered = want.parts.iter().all(|(coffee, share)| {
            let needed = Mass::from_grams(grams(want.bags, want.bag, *share));
            let there = self.ready.get(&(*coffee, want.style)).copied();
            needed.is_ok_and(|needed| there.unwrap_or_default() >= needed)
        });
        let rest = self
            .styles
            .get(&want.style)
            .map_or(0, |style| i64::from(style.rest_days));
        let packing_day = want.window.to.plus(rest);
        if covered || from.plus(rest) > packing_day {
            from
        } else {
            from.plus(rest)
        }
    }

    /// Ends windows earlier where the bench must begin earlier, and says how many bags it can fill. Orders come before the shelf.
    fn fit(&self, hours: &PackingHours, from: Day, wants: &mut [Want]) {
        let mut jobs = Vec::new();
        for (n, want) in wants.iter().enumerate() {
            let ship = self.ship_days.get(&want.ship_day);
            // What is late already is packed as soon as it can be.
            if let Some(ship) =
                ship.filter(|ship| ship.packing_day >= from && !want.window.is_empty())
            {
                let job = Job {
                    from: self.coffee_from(want, from),
                    ship_day: ship.day,
                    packing_day: ship.packing_day,
                    carrier_at: ship.carrier_at,
                    bags: want.bags,
                    last: want.is_shelf(),
                    slack: want.window.to.since(want.window.from),
                };
                jobs.push((n, job));
            }
        }
        let asked: Vec<Job> = jobs.iter().map(|(_, job)| *job).collect();
        for ((n, job), packed) in jobs.iter().zip(packed(hours, &asked)) {
            let want = &mut wants[*n];
            want.packable = packed.bags;
            if let Some(begun) = packed.from {
                let earlier = job.packing_day.since(begun);
                want.window.to = want.window.to.plus(-earlier);
            }
        }
    }
}

/// Roasted coffee by coffee and style.
fn ready(roasted: &[Roasted]) -> Outcome<HashMap<Family, Mass>> {
    let mut ready: HashMap<Family, Mass> = HashMap::new();
    for roasted in roasted {
        let there = ready.entry((roasted.coffee, roasted.style)).or_default();
        *there = there.plus(roasted.mass)?;
    }
    Ok(ready)
}

/// The lots that a product takes: those it names, and where it is sold under claims those that carry them until coffee for it is roasted.
fn lots_for(product: &Product, lots: &BTreeMap<LotId, LotFacts>, until: Day) -> Option<Vec<LotId>> {
    if product.claims.is_empty() {
        return product.lots.clone();
    }
    let named = |id: &LotId| product.lots.as_ref().is_none_or(|lots| lots.contains(id));
    let fit = lots
        .iter()
        .filter(|(id, lot)| named(id) && lot.fields.lacks(&product.claims, until).is_empty());
    Some(fit.map(|(id, _)| *id).collect())
}

/// Orders that are written down and not called off.
async fn open_orders(
    tx: &mut dyn Read,
    site: SiteId,
    from: Day,
    last: Day,
) -> Outcome<Vec<Kept<Order>>> {
    let rows = tx
        .records_of_days(
            site,
            Order::KIND,
            from.plus(-LATE_DAYS),
            last.plus(AHEAD_DAYS),
        )
        .await?;
    let mut orders = Vec::new();
    for row in rows {
        let fields: Order = serde_json::from_str(&row.body).map_err(crate::book::damaged)?;
        if !fields.cancelled {
            orders.push(Kept {
                id: row.id,
                revision: row.revision,
                fields,
            });
        }
    }
    Ok(orders)
}
