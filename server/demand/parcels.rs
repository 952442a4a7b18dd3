//! Who gets what of a dispatch, and who is left out and why. Pure: it knows no store and no clock.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use uuid::Uuid;

use super::window;
use crate::day::{Day, Month};
use crate::ids::{CoffeeId, DestinationId, StyleId, SubscriberId};
use crate::ladder::Ladder;
use crate::setup::{
    Blends, Destination, Dispatch, Headcount, Offer, ParcelLine, ShipDay, Style, Subscriber,
    Subscription, Why,
};

/// A dispatch with all that decides who gets what.
pub struct Packing<'a> {
    /// When it leaves, and by when it is packed.
    pub ship: ShipDay,
    /// Its coffees, in order.
    pub coffees: &'a [Offer],
    /// All destinations.
    pub destinations: &'a HashMap<DestinationId, Destination>,
    /// All styles.
    pub styles: &'a HashMap<StyleId, Style>,
    /// What blends are mixed from.
    pub blends: &'a Blends,
    /// Bags of each coffee by number of bags.
    pub ladder: Ladder,
}

/// Who takes part: a subscriber, or so many without a list.
#[derive(Debug, Clone, Copy)]
pub struct Taker<'a> {
    /// Who, if it is somebody.
    pub subscriber: Option<SubscriberId>,
    /// How many of them.
    pub count: u32,
    /// Bags of each.
    pub bags: u16,
    /// In which styles.
    pub styles: &'a [StyleId],
    /// Where it goes.
    pub destination: DestinationId,
    /// Coffees not wanted.
    pub left_out: &'a [CoffeeId],
}

/// What is in a parcel.
pub type Lines = Arc<[ParcelLine]>;

/// A parcel, or so many that are alike.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parcel {
    /// Who gets it; nobody in particular where it comes from a count.
    pub subscriber: Option<SubscriberId>,
    /// Where it goes.
    pub destination: DestinationId,
    /// How many of them.
    pub parcels: u32,
    /// What is in each; parcels alike share it.
    pub lines: Lines,
    /// The lost parcel that it stands in for.
    pub replaces: Option<Uuid>,
}

/// Whether a subscriber takes part in a dispatch on a day.
///
/// # Errors
/// [`Why`] they do not.
pub fn takes_part(subscriber: &Subscriber, ship_day: Day) -> Result<Taker<'_>, Why> {
    if subscriber.start > ship_day {
        return Err(Why::NotStarted);
    }
    if subscriber.ended.is_some_and(|ended| ended < ship_day) {
        return Err(Why::Ended);
    }
    if subscriber
        .prepaid_until
        .is_some_and(|until| until < ship_day)
    {
        return Err(Why::PrepaidOver);
    }
    if subscriber.paused.contains(&Month::of(ship_day)) {
        return Err(Why::Paused);
    }
    Ok(Taker {
        subscriber: None,
        count: 1,
        bags: subscriber.bags,
        styles: &subscriber.styles,
        destination: subscriber.destination,
        left_out: &subscriber.left_out,
    })
}

impl<'a> Taker<'a> {
    /// So many subscribers without a list.
    #[must_use]
    pub fn of_count(count: &'a Headcount) -> Self {
        Self {
            subscriber: None,
            count: count.subscribers,
            bags: count.bags,
            styles: &count.styles,
            destination: count.destination,
            left_out: &[],
        }
    }
}

impl<'a> Packing<'a> {
    /// A dispatch of a subscription, trying out coffees in place of its own.
    #[must_use]
    pub fn new(
        subscription: &'a Subscription,
        ship_day: Day,
        coffees: &'a [Offer],
        destinations: &'a HashMap<DestinationId, Destination>,
        styles: &'a HashMap<StyleId, Style>,
        blends: &'a Blends,
    ) -> Self {
        let fits = |ladder: &&Ladder| ladder.coffees() == coffees.len();
        Self {
            ship: ship_day_of(subscription, ship_day),
            coffees,
            destinations,
            styles,
            blends,
            ladder: subscription
                .ladder
                .as_ref()
                .filter(fits)
                .cloned()
                .unwrap_or_else(|| Ladder::usual(coffees.len())),
        }
    }

    /// What a taker gets in each parcel.
    ///
    /// The ladder gives bags of each coffee in order; the bags of a mixed taker alternate between the two styles through the parcel, so that
    /// each coffee is split as evenly as can be and the odd bag is in the first style. A blend is left out where a coffee in it is.
    ///
    /// # Errors
    /// [`Why`] they get nothing.
    pub fn lines(&self, taker: &Taker<'_>) -> Result<Vec<ParcelLine>, Why> {
        let destination = self
            .destinations
            .get(&taker.destination)
            .ok_or(Why::DestinationClosed)?;
        if destination.closed.is_some() {
            return Err(Why::DestinationClosed);
        }
        let fresh = |style: &StyleId| {
            let style = self.styles.get(style);
            style.is_some_and(|style| {
                !window(&self.ship, destination.transit_days, style).is_empty()
            })
        };
        if !taker.styles.iter().all(fresh) {
            return Err(Why::TooFar);
        }
        let open: Vec<bool> = self
            .coffees
            .iter()
            .map(|offer| {
                offer.from_bags.is_none_or(|from| taker.bags >= from)
                    && !self.blends.any_in(taker.left_out, offer.coffee)
                    && !self.blends.any_in(&destination.excluded, offer.coffee)
            })
            .collect();
        let dealt = self.ladder.deal(taker.bags, &open).ok_or(Why::NoCoffee)?;
        Ok(self.styled(&dealt, taker.styles))
    }

    fn styled(&self, dealt: &[u32], styles: &[StyleId]) -> Vec<ParcelLine> {
        let mut lines = Vec::with_capacity(dealt.len());
        let mut turn = 0;
        for (offer, bags) in self.coffees.iter().zip(dealt) {
            let mut of_style = [0_u32; 2];
            for _ in 0..*bags {
                of_style[turn % styles.len().clamp(1, 2)] += 1;
                turn += 1;
            }
            for (style, bags) in styles.iter().zip(of_style) {
                if bags > 0 {
                    lines.push(ParcelLine {
                        coffee: offer.coffee,
                        style: *style,
                        bags,
                    });
                }
            }
        }
        lines
    }

    /// The parcel of a taker.
    ///
    /// # Errors
    /// [`Why`] there is none.
    pub fn parcel(&self, taker: &Taker<'_>) -> Result<Parcel, Why> {
        Ok(Parcel {
            subscriber: taker.subscriber,
            destination: taker.destination,
            parcels: taker.count,
            lines: self.lines(taker)?.into(),
            replaces: None,
        })
    }
}

/// A ship day as a subscription has it.
#[must_use]
pub fn ship_day_of(subscription: &Subscription, day: Day) -> ShipDay {
    ShipDay {
        day,
        packing_day: subscription.ships.packing_day(day),
        carrier_at: subscription.ships.carrier_at,
        note: None,
        retired: false,
    }
}

/// The last day on which changes still reach a dispatch.
#[must_use]
pub fn cut_off(subscription: &Subscription, dispatch: &Dispatch) -> Day {
    dispatch
        .ship_day
        .plus(-i64::from(subscription.cut_off_before))
}

/// Bags of each coffee and style, by destination.
#[must_use]
pub fn totals(parcels: &[Parcel]) -> BTreeMap<DestinationId, BTreeMap<(CoffeeId, StyleId), u64>> {
    // Thousands of parcels share a few contents: those are counted first.
    let mut alike: HashMap<(DestinationId, &[ParcelLine]), u64> = HashMap::new();
    for parcel in parcels {
        let of = (parcel.destination, &*parcel.lines);
        *alike.entry(of).or_default() += u64::from(parcel.parcels);
    }
    let mut totals: BTreeMap<_, BTreeMap<_, u64>> = BTreeMap::new();
    for ((destination, lines), parcels) in alike {
        let to = totals.entry(destination).or_default();
        for line in lines {
            *to.entry((line.coffee, line.style)).or_default() += u64::from(line.bags) * parcels;
        }
    }
    totals
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fraction::Fraction;
    use crate::setup::Part;
    use proptest::prelude::*;
    use serde_json::json;

    fn id<I: From<Uuid>>(n: u128) -> I {
        I::from(Uuid::from_u128(n))
    }

    struct Offered {
        subscription: Subscription,
        destinations: HashMap<DestinationId, Destination>,
        styles: HashMap<StyleId, Style>,
        blends: Blends,
        coffees: Vec<Offer>,
    }

    /// Coffees 1 to 3 in styles 11 (filter) and 12 (espresso); destinations 21 (at home), 22 (excludes coffee 2), 23 (closed), 24 (far).
    fn offered() -> Offered {
        let subscription = json!({
            "name": "Monthly", "ships": {"rule": {"every": "nth_weekday", "weekday": 2, "nth": 2}, "packed_before": 1, "carrier_at": "15:00"},
            "cut_off_before": 7, "styles": [id::<StyleId>(11), id::<StyleId>(12)], "bag_g": 250, "priority": 1,
        });
        let style = |name: &str| {
            serde_json::from_value(json!({"name": name, "nominal_loss": 0.15, "rest_days": 2, "fresh_days": 28, "shade": 1})).unwrap()
        };
        let destination = |name: &str, days: u16, more: serde_json::Value| {
            let mut fields = json!({"name": name, "transit_days": days});
            fields
                .as_object_mut()
                .unwrap()
                .extend(more.as_object().unwrap().clone());
            serde_json::from_value(fields).unwrap()
        };
        Offered {
            subscription: serde_json::from_value(subscription).unwrap(),
            destinations: HashMap::from([
                (id(21), destination("Home", 1, json!({}))),
                (
                    id(22),
                    destination("Island", 5, json!({"excluded": [id::<CoffeeId>(2)]})),
                ),
                (id(23), destination("Shut", 5, json!({"closed": "strike"}))),
                (id(24), destination("Far", 27, json!({}))),
            ]),
            styles: HashMap::from([(id(11), style("Filter")), (id(12), style("Espresso"))]),
            blends: Blends::default(),
            coffees: (1..=3)
                .map(|n| Offer {
                    coffee: id(n),
                    from_bags: None,
                })
                .collect(),
        }
    }

    impl Offered {
        fn packing(&self) -> Packing<'_> {
            Packing::new(
                &self.subscription,
                "2026-12-08".parse().unwrap(),
                &self.coffees,
                &self.destinations,
                &self.styles,
                &self.blends,
            )
        }
    }

    fn taker<'a>(
        bags: u16,
        styles: &'a [StyleId],
        to: u128,
        left_out: &'a [CoffeeId],
    ) -> Taker<'a> {
        Taker {
            subscriber: None,
            count: 1,
            bags,
            styles,
            destination: id(to),
            left_out,
        }
    }

    fn short(lines: &[ParcelLine]) -> Vec<(u128, u128, u32)> {
        lines
            .iter()
            .map(|line| (line.coffee.0.as_u128(), line.style.0.as_u128(), line.bags))
            .collect()
    }

    #[test]
    fn mixed_is_half_and_half_with_the_odd_bag_in_the_first() {
        let offered = offered();
        let packing = offered.packing();
        let both: [StyleId; 2] = [id(11), id(12)];
        let lines = packing.lines(&taker(5, &both, 21, &[])).unwrap();
        // Five bags are 2, 2, 1.
        assert_eq!(
            short(&lines),
            [(1, 11, 1), (1, 12, 1), (2, 11, 1), (2, 12, 1), (3, 11, 1)]
        );
        let lines = packing.lines(&taker(3, &both, 21, &[])).unwrap();
        assert_eq!(short(&lines), [(1, 11, 1), (2, 12, 1), (3, 11, 1)]);
    }

    #[test]
    fn who_is_left_out_and_why() {
        let offered = offered();
        let packing = offered.packing();
        let filter: [StyleId; 1] = [id(11)];
        let why = |to, left_out: &[CoffeeId]| {
            packing
                .lines(&taker(2, &filter, to, left_out))
                .map(|lines| short(&lines))
        };
        assert_eq!(why(22, &[]), Ok(vec![(1, 11, 1), (3, 11, 1)]), "customs");
        assert_eq!(why(23, &[]), Err(Why::DestinationClosed));
        // Two days' rest, packed the day before: 27 days on the way make it 30 days old.
        assert_eq!(why(24, &[]), Err(Why::TooFar));
        assert_eq!(why(22, &[id(1), id(3)]), Err(Why::NoCoffee));
        assert_eq!(why(21, &[id(1)]), Ok(vec![(2, 11, 1), (3, 11, 1)]));
    }

    /// Customs that keep a coffee out keep out a blend that holds it, and so does somebody who does not want it.
    #[test]
    fn a_blend_is_left_out_with_a_coffee_in_it() {
        let mut offered = offered();
        let half = |n| Part {
            coffee: id(n),
            share: Fraction::from_ppm(500_000),
        };
        offered.blends = [(id(3), vec![half(2), half(4)])].into_iter().collect();
        let packing = offered.packing();
        let filter: [StyleId; 1] = [id(11)];
        let gets = |to, left_out: &[CoffeeId]| {
            let lines = packing.lines(&taker(3, &filter, to, left_out));
            lines.map(|lines| short(&lines))
        };
        assert_eq!(gets(21, &[]), Ok(vec![(1, 11, 1), (2, 11, 1), (3, 11, 1)]));
        assert_eq!(gets(22, &[]), Ok(vec![(1, 11, 3)]));
        assert_eq!(gets(21, &[id(4)]), Ok(vec![(1, 11, 2), (2, 11, 1)]));
        assert_eq!(gets(21, &[id(3)]), Ok(vec![(1, 11, 2), (2, 11, 1)]));
    }

    #[test]
    fn a_scarce_coffee_goes_to_large_parcels_only() {
        let mut offered = offered();
        offered.coffees[0].from_bags = Some(3);
        let packing = offered.packing();
        let filter: [StyleId; 1] = [id(11)];
        let lines = |bags| short(&packing.lines(&taker(bags, &filter, 21, &[])).unwrap());
        assert_eq!(lines(1), [(2, 11, 1)]);
        assert_eq!(lines(2), [(2, 11, 1), (3, 11, 1)]);
        assert_eq!(lines(3), [(1, 11, 1), (2, 11, 1), (3, 11, 1)]);
    }

    #[test]
    fn who_takes_part_on_a_day() {
        let subscriber = |more: serde_json::Value| -> Subscriber {
            let mut fields = json!({
                "number": "S1", "name": "A", "subscription": Uuid::from_u128(1), "bags": 1, "styles": [Uuid::from_u128(11)],
                "destination": Uuid::from_u128(21), "start": "2026-06-01",
            });
            fields
                .as_object_mut()
                .unwrap()
                .extend(more.as_object().unwrap().clone());
            serde_json::from_value(fields).unwrap()
        };
        let why = |more, day: &str| takes_part(&subscriber(more), day.parse().unwrap()).err();
        assert_eq!(why(json!({}), "2026-06-01"), None);
        assert_eq!(why(json!({}), "2026-05-31"), Some(Why::NotStarted));
        let gift = json!({"prepaid_until": "2026-12-08"});
        assert_eq!(why(gift.clone(), "2026-12-08"), None);
        assert_eq!(why(gift, "2027-01-12"), Some(Why::PrepaidOver));
        let paused = json!({"paused": ["2026-12"]});
        assert_eq!(why(paused.clone(), "2026-12-08"), Some(Why::Paused));
        assert_eq!(why(paused, "2027-01-12"), None);
        assert_eq!(
            why(json!({"ended": "2026-12-07"}), "2026-12-08"),
            Some(Why::Ended)
        );
    }

    proptest! {
        /// Whoever gets a parcel gets all their bags, none of a coffee they may not have, and half of them in each style.
        #[test]
        fn a_parcel_holds_all_bags(
            bags in 1_u16..200, mixed in proptest::bool::ANY, to in 21_u128..=24, out in proptest::collection::vec(1_u128..=3, 0..3),
            scarce in proptest::option::of(1_u16..6),
        ) {
            let mut offered = offered();
            offered.coffees[1].from_bags = scarce;
            let both: [StyleId; 2] = [id(11), id(12)];
            let left_out: Vec<CoffeeId> = out.into_iter().map(id).collect();
            let styles = if mixed { &both[..] } else { &both[1..] };
            if let Ok(lines) = offered.packing().lines(&taker(bags, styles, to, &left_out)) {
                prop_assert_eq!(lines.iter().map(|line| line.bags).sum::<u32>(), u32::from(bags));
                prop_assert!(lines.iter().all(|line| !left_out.contains(&line.coffee)));
                prop_assert!(to != 22 || lines.iter().all(|line| line.coffee != id(2)));
                if mixed {
                    let first: u32 = lines.iter().filter(|line| line.style == both[0]).map(|line| line.bags).sum();
                    prop_assert_eq!(first, u32::from(bags).div_ceil(2));
                }
            }
        }
    }
}
