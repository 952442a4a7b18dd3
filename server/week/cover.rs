//! Whether the green covers a dispatch, and any coffees that are tried out in it.

use std::collections::{BTreeMap, BTreeSet};

use super::cover_view::{
    Arrival, BagsCover, CoffeeCover, CoverAsked, CoverView, LeftOutView, LotCover, OwnCover,
    StyleBags,
};
use super::facts::Facts;
use crate::app::App;
use crate::cost::{Amount, Landed};
use crate::day::Day;
use crate::demand::coverage::{Covered, Shared, Wanted, most_together};
use crate::demand::{List, Roll, cut_off, frozen, ship_day_of, window};
use crate::fraction::Fraction;
use crate::ids::{CoffeeId, DestinationId, DispatchId, StyleId, SubscriberId};
use crate::mass::Mass;
use crate::money::Money;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Dispatch, Kept, Offer, Part, Record, Site, Subscription, offer_faults};
use crate::store::Read;

/// At most so many days ahead.
const MOST_AHEAD: i64 = 400;
/// At most so many who are left out are named.
const MOST_NAMED: usize = 1_000;

/// What coverage is reckoned from.
pub(super) struct Basis {
    site: Site,
    pub(super) facts: Facts,
    roll: Roll,
    pub(super) dispatch: Dispatch,
    id: Option<DispatchId>,
    frozen: Option<List>,
    landed: Landed,
    /// When its coffee may be roasted: from the day that is fresh enough everywhere to the last that rests long enough.
    pub(super) roast: (Day, Day),
}

/// Answers whether a dispatch is covered.
///
/// # Errors
/// [`Refusal`] where what is asked about is not there.
pub async fn cover(app: &App, tx: &mut dyn Read, asked: &CoverAsked) -> Outcome<CoverView> {
    if asked
        .service
        .is_some_and(|service| !(500_000..=999_000).contains(&service.ppm()))
    {
        return Err(Refusal::field("/service", "a certainty from 0.5 to 0.999"));
    }
    let basis = Basis::read(app, tx, asked).await?;
    let service = asked.service.unwrap_or(basis.facts.service);
    let tried = asked.coffees.as_deref();
    Ok(basis.view(tried, service))
}

impl Basis {
    async fn read(app: &App, tx: &mut dyn Read, asked: &CoverAsked) -> Outcome<Self> {
        let (id, mut dispatch) = asked.dispatch(app, tx).await?;
        let frozen = match id {
            Some(id) => frozen(tx, app.site, id).await?.map(|(list, _)| list),
            None => None,
        };
        if let Some(counts) = &asked.counts {
            dispatch.counts.clone_from(counts);
        }
        asked.check(tx, app, &dispatch).await?;
        let site = app.site_record(tx).await?.fields;
        let roll = Roll::read(app, tx).await?;
        let today = site.zone.day(app.clock.now());
        let roast = roast_days(&roll, &dispatch);
        let days = (roast.1.since(today) + 1).clamp(1, MOST_AHEAD);
        let facts = Facts::read(app, tx, None, days).await?;
        Ok(Self {
            landed: Landed::read(tx, app.site, &site.currency, today).await?,
            site,
            facts,
            roll,
            dispatch,
            id,
            frozen,
            roast,
        })
    }

    fn subscription(&self) -> Option<&Subscription> {
        self.roll.subscriptions.get(&self.dispatch.subscription)
    }

    fn view(&self, tried: Option<&[Offer]>, service: Fraction) -> CoverView {
        let list = self.list(tried);
        let wanted = self.wanted(tried, &list);
        let reckoned = self.reckon(&wanted, service);
        let own = tried
            .filter(|tried| *tried != self.dispatch.coffees)
            .map(|_| {
                let list = self.list(None);
                let own = self.reckon(&self.wanted(None, &list), service);
                OwnCover {
                    covered: own.all(),
                    cost: self.cost(&own.by_coffee),
                    lots: self.lots(&own.by_coffee),
                }
            });
        let offers = tried.unwrap_or(&self.dispatch.coffees);
        let subscription = self.subscription();
        CoverView {
            ship_day: self.dispatch.ship_day,
            packing_day: subscription.map_or(self.dispatch.ship_day, |subscription| {
                subscription.ships.packing_day(self.dispatch.ship_day)
            }),
            cut_off: subscription.map_or(self.dispatch.ship_day, |subscription| {
                cut_off(subscription, &self.dispatch)
            }),
            frozen: self.frozen.is_some(),
            service,
            parcels: list.count(),
            bags: list.bags(),
            covered: reckoned.all(),
            coffees: offers
                .iter()
                .filter_map(|offer| self.coffee(offer, &list, &wanted, &reckoned))
                .collect(),
            lots: self.lots(&reckoned.by_coffee),
            cost: self.cost(&reckoned.by_coffee),
            roaster_minutes: self.minutes(&reckoned.by_coffee),
            open_minutes: self.open_minutes(),
            by_bags: by_bags(&list),
            arrivals: self.arrivals(&list),
            left_out_count: list.left_out.len(),
            left_out: self.left_out(&list),
            own,
        }
    }

    /// Who gets what: once frozen, as it is frozen, unless coffees are tried out.
    fn list(&self, tried: Option<&[Offer]>) -> List {
        match (&self.frozen, tried) {
            (Some(list), None) => list.clone(),
            _ => self.roll.list(&self.dispatch, tried),
        }
    }

    /// Bags that are still to be roasted and packed, by coffee.
    fn wanted(&self, tried: Option<&[Offer]>, list: &List) -> BTreeMap<CoffeeId, Wanted> {
        let offers = tried.unwrap_or(&self.dispatch.coffees);
        let bag = self
            .subscription()
            .and_then(|subscription| subscription.bag_g.plus(self.site.overfill_g).ok())
            .unwrap_or(Mass::GRAM);
        let mut wanted: BTreeMap<CoffeeId, Wanted> = BTreeMap::new();
        for offer in offers {
            let entry = wanted.entry(offer.coffee).or_default();
            entry.bag_mg = bag.mg();
            // A coffee that nobody gets is still asked about: in the subscription's first style.
            if let Some(style) = self.subscription().and_then(|s| s.styles.first()) {
                entry.bags.entry(*style).or_default();
            }
        }
        let mut add = |coffee: CoffeeId, style: StyleId, bags: u64| {
            let entry = wanted.entry(coffee).or_default();
            entry.bag_mg = bag.mg();
            *entry.bags.entry(style).or_default() += bags;
        };
        if self.frozen.is_some() && tried.is_none() {
            for want in self
                .facts
                .wants
                .iter()
                .filter(|want| self.is_ours(want.dispatch))
            {
                // An order names a product: it is the coffee or blend of the dispatch that has its parts.
                let same = |offer: &&Offer| {
                    let parts = self.roll.blends.parts(offer.coffee);
                    let part = |part: &Part| want.parts.contains(&(part.coffee, part.share));
                    parts.len() == want.parts.len() && parts.iter().all(part)
                };
                if let Some(offer) = offers.iter().find(same) {
                    add(offer.coffee, want.style, u64::from(want.bags));
                }
            }
        } else {
            for parcel in &list.parcels {
                for line in parcel.lines.iter() {
                    let bags = u64::from(line.bags) * u64::from(parcel.parcels);
                    add(line.coffee, line.style, bags);
                }
            }
        }
        wanted
    }

    pub(super) fn is_ours(&self, dispatch: Option<DispatchId>) -> bool {
        self.id.is_some() && dispatch == self.id
    }

    /// Each coffee and blend for itself, with what the others of the dispatch need of the same coffees promised before it; each coffee
    /// with all that the dispatch needs of it; and the most bags of those that share green, together.
    fn reckon(&self, wanted: &BTreeMap<CoffeeId, Wanted>, service: Fraction) -> Reckoned {
        let needs = self.needs(wanted);
        let mut reckoned = Reckoned::default();
        for (coffee, of_offers) in &needs {
            for (offer, own) in of_offers {
                let others = of_offers.iter().filter(|(other, _)| *other != offer);
                let promised = grams_of(others.map(|(_, wanted)| wanted));
                let covered = self
                    .supply(*coffee, own, &promised)
                    .covered(own, service.value());
                if of_offers.len() == 1 {
                    reckoned.by_coffee.insert(*coffee, covered.clone());
                }
                reckoned.take_part(*offer, covered);
            }
            if of_offers.len() > 1 {
                let all = all_of(of_offers);
                let supply = self.supply(*coffee, &all, &BTreeMap::new());
                let covered = supply.covered(&all, service.value());
                reckoned.by_coffee.insert(*coffee, covered);
            }
        }
        for group in sharing(&needs) {
            let mut together = self.together(&needs, &group, service);
            together.retain(|offer, _| {
                let wanted = wanted.get(offer);
                wanted.is_some_and(|of| of.bags.values().any(|bags| *bags > 0))
            });
            reckoned.promise_together(together);
        }
        reckoned
    }

    /// The most bags of coffees and blends that share green, together.
    fn together(
        &self,
        needs: &BTreeMap<CoffeeId, BTreeMap<CoffeeId, Wanted>>,
        group: &BTreeSet<CoffeeId>,
        service: Fraction,
    ) -> BTreeMap<CoffeeId, u64> {
        let ours = needs
            .iter()
            .filter(|(_, of_offers)| of_offers.keys().any(|offer| group.contains(offer)));
        let coffees: Vec<Shared> = ours
            .map(|(coffee, of_offers)| Shared {
                supply: self.supply(*coffee, &all_of(of_offers), &BTreeMap::new()),
                needs: of_offers.clone(),
            })
            .collect();
        most_together(&coffees, service.value())
    }

    /// What each coffee or blend of the dispatch needs of each coffee.
    fn needs(
        &self,
        wanted: &BTreeMap<CoffeeId, Wanted>,
    ) -> BTreeMap<CoffeeId, BTreeMap<CoffeeId, Wanted>> {
        let mut needs: BTreeMap<CoffeeId, BTreeMap<CoffeeId, Wanted>> = BTreeMap::new();
        for (offer, wanted) in wanted {
            for part in self.roll.blends.parts(*offer).iter() {
                let exact = i128::from(wanted.bag_mg) * i128::from(part.share.ppm());
                let of_part = Wanted {
                    bags: wanted.bags.clone(),
                    bag_mg: i64::try_from((exact + 999_999) / 1_000_000).unwrap_or(i64::MAX),
                };
                needs
                    .entry(part.coffee)
                    .or_default()
                    .insert(*offer, of_part);
            }
        }
        needs
    }

    fn coffee(
        &self,
        offer: &Offer,
        list: &List,
        wanted: &BTreeMap<CoffeeId, Wanted>,
        reckoned: &Reckoned,
    ) -> Option<CoffeeCover> {
        let wanted = wanted.get(&offer.coffee)?;
        let covered = reckoned.offers.get(&offer.coffee)?;
        let reached = list.parcels.iter().filter(|parcel| {
            let mut lines = parcel.lines.iter();
            lines.any(|line| line.coffee == offer.coffee)
        });
        let styles = wanted.bags.iter().filter(|(_, bags)| **bags > 0);
        Some(CoffeeCover {
            coffee: offer.coffee,
            name: self.facts.coffees.get(&offer.coffee)?.clone(),
            bags: wanted.bags.values().sum(),
            styles: styles
                .filter_map(|(style, bags)| {
                    Some(StyleBags {
                        style: *style,
                        name: self.facts.styles.get(style)?.name.clone(),
                        bags: *bags,
                    })
                })
                .collect(),
            reached: reached.map(|parcel| u64::from(parcel.parcels)).sum(),
            covered: covered.all,
            certainty: Fraction::nearest(covered.certainty),
            most_bags: covered.most_bags,
            together: reckoned.shared.contains(&offer.coffee),
            batches: covered.roast.batches.iter().map(|some| some.count).sum(),
        })
    }

    fn lots(&self, reckoned: &BTreeMap<CoffeeId, Covered>) -> Vec<LotCover> {
        let mut lots = Vec::new();
        for (coffee, covered) in reckoned {
            let used = covered.roast.green();
            for (id, lot) in &self.facts.lots {
                let free = self.free(*id);
                if lot.fields.coffee != *coffee || !free.is_positive() {
                    continue;
                }
                let mass = |grams: i64| Mass::from_grams(grams).unwrap_or_default();
                let takes = mass(covered.green_g.get(id).copied().unwrap_or(0));
                let used = mass(used.get(id).copied().unwrap_or(0));
                lots.push(LotCover {
                    lot: *id,
                    name: lot.fields.name.clone(),
                    free_g: free,
                    others_g: used.minus(takes).unwrap_or_default(),
                    takes_g: takes,
                    left_g: free.minus(used).unwrap_or_default(),
                });
            }
        }
        lots
    }

    /// What the green costs at the door, by all bills that have come.
    fn cost(&self, reckoned: &BTreeMap<CoffeeId, Covered>) -> Option<Money> {
        let takes = reckoned.values().flat_map(|covered| &covered.green_g);
        let costs = takes.map(|(lot, grams)| self.landed.of(*lot, Mass::from_grams(*grams).ok()?));
        let sum: Amount = costs.sum::<Option<Amount>>()?;
        Some(Money {
            minor: sum.rounded().max(0),
            currency: self.site.currency.clone(),
        })
    }

    fn minutes(&self, reckoned: &BTreeMap<CoffeeId, Covered>) -> u64 {
        let batches = reckoned.values().flat_map(|covered| &covered.roast.batches);
        batches
            .map(|some| {
                let roaster = self.roaster(some.lot, some.style);
                let cycle = roaster.map_or(0, |(roaster, _)| roaster.fields.cycle_min);
                u64::from(cycle) * u64::from(some.count)
            })
            .sum()
    }

    fn open_minutes(&self) -> u64 {
        let days = self.roast.0..=self.roast.1;
        let shifts = self
            .facts
            .roasters
            .iter()
            .flat_map(|roaster| &roaster.shifts);
        let shifts = shifts.filter(|shift| days.contains(&shift.day));
        shifts.map(|shift| u64::from(shift.minutes)).sum()
    }

    fn arrivals(&self, list: &List) -> Vec<Arrival> {
        let mut parcels: BTreeMap<DestinationId, u64> = BTreeMap::new();
        let mut styles: BTreeMap<DestinationId, BTreeSet<StyleId>> = BTreeMap::new();
        for parcel in &list.parcels {
            *parcels.entry(parcel.destination).or_default() += u64::from(parcel.parcels);
            let of = styles.entry(parcel.destination).or_default();
            of.extend(parcel.lines.iter().map(|line| line.style));
        }
        let Some(subscription) = self.subscription() else {
            return Vec::new();
        };
        let ship = ship_day_of(subscription, self.dispatch.ship_day);
        let mut arrivals: Vec<Arrival> = parcels
            .into_iter()
            .filter_map(|(id, parcels)| {
                let to = self.roll.destinations.get(&id)?;
                let day = ship.day.plus(i64::from(to.transit_days));
                let windows = styles.get(&id)?.iter().filter_map(|style| {
                    let style = self.roll.styles.get(style)?;
                    Some(window(&ship, to.transit_days, style))
                });
                let (last, first): (Vec<Day>, Vec<Day>) =
                    windows.map(|window| (window.to, window.from)).unzip();
                Some(Arrival {
                    destination: id,
                    name: to.name.clone(),
                    parcels,
                    day,
                    youngest_days: day.since(*last.iter().max()?),
                    oldest_days: day.since(*first.iter().min()?),
                })
            })
            .collect();
        arrivals.sort_by(|a, b| a.name.cmp(&b.name));
        arrivals
    }

    fn left_out(&self, list: &List) -> Vec<LeftOutView> {
        let find = |id: SubscriberId| {
            let subscribers = &self.roll.subscribers;
            let at = subscribers
                .binary_search_by_key(&id.0, |kept| kept.id)
                .ok()?;
            Some(&subscribers[at].fields)
        };
        list.left_out
            .iter()
            .take(MOST_NAMED)
            .filter_map(|out| {
                let subscriber = find(out.subscriber)?;
                Some(LeftOutView {
                    subscriber: out.subscriber,
                    number: subscriber.number.clone(),
                    name: subscriber.name.clone(),
                    why: out.why,
                    words: out.why.words(),
                })
            })
            .collect()
    }
}

impl CoverAsked {
    /// The dispatch that is asked about, with its id if it is set up.
    async fn dispatch(
        &self,
        app: &App,
        tx: &mut dyn Read,
    ) -> Outcome<(Option<DispatchId>, Dispatch)> {
        if let Some(id) = self.dispatch {
            let kept: Kept<Dispatch> = setup::named(tx, app.site, "/dispatch", id).await?;
            return Ok((Some(id), kept.fields));
        }
        let need = |field: &str| {
            Refusal::field(
                field,
                "name a dispatch, or the subscription, ship day and coffees",
            )
        };
        let dispatch = Dispatch {
            subscription: self.subscription.ok_or_else(|| need("/subscription"))?,
            ship_day: self.ship_day.ok_or_else(|| need("/ship_day"))?,
            coffees: self.coffees.clone().ok_or_else(|| need("/coffees"))?,
            counts: Vec::new(),
            note: None,
            cancelled: false,
        };
        Ok((None, dispatch))
    }

    async fn check(&self, tx: &mut dyn Read, app: &App, dispatch: &Dispatch) -> Outcome<()> {
        setup::named::<Subscription>(tx, app.site, "/subscription", dispatch.subscription).await?;
        let mut faults = dispatch.faults();
        for (i, offer) in self.coffees.iter().flatten().enumerate() {
            let at = format!("/coffees/{i}/coffee");
            setup::named::<setup::Coffee>(tx, app.site, &at, offer.coffee).await?;
        }
        faults.extend(self.coffees.iter().flat_map(|tried| offer_faults(tried)));
        if faults.is_empty() {
            Ok(())
        } else {
            Err(Refusal::Invalid(faults))
        }
    }
}

/// What is reckoned of a dispatch.
#[derive(Default)]
struct Reckoned {
    /// Its coffees and blends.
    offers: BTreeMap<CoffeeId, Covered>,
    /// The coffees in them, each with all that the dispatch needs of it.
    by_coffee: BTreeMap<CoffeeId, Covered>,
    /// Coffees and blends whose most bags hold together with those of others.
    shared: BTreeSet<CoffeeId>,
}

impl Reckoned {
    /// Whether all of it is covered.
    fn all(&self) -> bool {
        let mut all = self.offers.values().chain(self.by_coffee.values());
        all.all(|covered| covered.all)
    }

    /// The most bags of coffees and blends that share green. Of what nobody gets yet, as many as there are after the others.
    fn promise_together(&mut self, together: BTreeMap<CoffeeId, u64>) {
        for (offer, most_bags) in together {
            if let Some(covered) = self.offers.get_mut(&offer) {
                self.shared.insert(offer);
                covered.most_bags = most_bags;
            }
        }
    }

    /// A part of a blend decides with the others: it is covered no further and no more surely than the scarcest of them.
    fn take_part(&mut self, offer: CoffeeId, part: Covered) {
        let Some(whole) = self.offers.get_mut(&offer) else {
            self.offers.insert(offer, part);
            return;
        };
        whole.all &= part.all;
        whole.certainty = whole.certainty.min(part.certainty);
        whole.most_bags = whole.most_bags.min(part.most_bags);
        whole.roast.batches.extend(part.roast.batches);
        whole.roast.short.extend(part.roast.short);
        whole.green_g.extend(part.green_g);
    }
}

/// All that is needed of a coffee, in bags of one gram: coffees and blends differ in how much of it is in a bag.
fn all_of(of_offers: &BTreeMap<CoffeeId, Wanted>) -> Wanted {
    let grams = grams_of(of_offers.values()).into_iter();
    Wanted {
        bags: grams
            .map(|(style, grams)| (style, u64::try_from(grams).unwrap_or(0)))
            .collect(),
        bag_mg: Mass::GRAM.mg(),
    }
}

/// Coffees and blends of a dispatch that share green, group by group; what shares none is in no group.
fn sharing(needs: &BTreeMap<CoffeeId, BTreeMap<CoffeeId, Wanted>>) -> Vec<BTreeSet<CoffeeId>> {
    let mut groups: Vec<BTreeSet<CoffeeId>> = Vec::new();
    for of_offers in needs.values() {
        let mut group: BTreeSet<CoffeeId> = of_offers.keys().copied().collect();
        // What shares with one of them joins them.
        groups.retain(|other| {
            let apart = group.is_disjoint(other);
            if !apart {
                group.extend(other);
            }
            apart
        });
        groups.push(group);
    }
    groups.retain(|group| group.len() > 1);
    groups
}

/// Grams of some demands together, by style.
fn grams_of<'a>(wanted: impl Iterator<Item = &'a Wanted>) -> BTreeMap<StyleId, i64> {
    let mut sum: BTreeMap<StyleId, i64> = BTreeMap::new();
    for wanted in wanted {
        for (style, bags) in &wanted.bags {
            *sum.entry(*style).or_default() += wanted.grams(*bags);
        }
    }
    sum
}

/// The days on which coffee of a dispatch may be roasted, over all its styles, for the shortest way.
fn roast_days(roll: &Roll, dispatch: &Dispatch) -> (Day, Day) {
    let Some(subscription) = roll.subscriptions.get(&dispatch.subscription) else {
        return (dispatch.ship_day, dispatch.ship_day);
    };
    let ship = ship_day_of(subscription, dispatch.ship_day);
    let styles = subscription.styles.iter();
    let windows = styles.filter_map(|style| Some(window(&ship, 0, roll.styles.get(style)?)));
    let (first, last): (Vec<Day>, Vec<Day>) =
        windows.map(|window| (window.from, window.to)).unzip();
    let first = first.into_iter().min().unwrap_or(ship.day);
    (first, last.into_iter().max().unwrap_or(ship.day))
}

fn by_bags(list: &List) -> Vec<BagsCover> {
    let mut counts: BTreeMap<u32, u64> = BTreeMap::new();
    for parcel in &list.parcels {
        let bags = parcel.lines.iter().map(|line| line.bags).sum();
        *counts.entry(bags).or_default() += u64::from(parcel.parcels);
    }
    counts
        .into_iter()
        .map(|(bags, parcels)| BagsCover { bags, parcels })
        .collect()
}
