//! What a plan gives to each want, in whole bags: a shortage falls on whole bags and on the fewest lines, and a blend ships no more than its
//! scarcest coffee allows.

use std::collections::{BTreeMap, HashMap};

use super::facts::Want;
use crate::day::Day;
use crate::fraction::Fraction;
use crate::ids::{CoffeeId, LotId, StyleId};
use crate::mass::Mass;
use crate::planner::{Plan, Source, UNITS_PER_GRAM};

/// Roasted coffee from a source to a part of a want.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Gift {
    /// Where it comes from.
    pub source: Source,
    /// The want.
    pub want: usize,
    /// The part of it.
    pub part: usize,
    /// How much, in units of 0.1 mg.
    pub units: i64,
}

/// All that a plan gives.
#[derive(Debug, Default)]
pub struct Given(pub Vec<Gift>);

/// Wants that may trade what they are given: the same coffee for the same day and window, equally pressing.
type Equals<'a> = (CoffeeId, StyleId, Option<&'a [LotId]>, (Day, Day, Day), u16);

impl Given {
    /// What a plan gives; equal wants trade so that the fewest fall short.
    pub fn of(
        plan: &Plan,
        items: &HashMap<String, (usize, usize)>,
        wants: &[Want],
        bags: &[u32],
    ) -> Self {
        let mut given = Self(
            plan.flows
                .iter()
                .filter_map(|flow| {
                    let (want, part) = *items.get(&flow.item)?;
                    Some(Gift {
                        source: flow.source.clone(),
                        want,
                        part,
                        units: flow.units,
                    })
                })
                .collect(),
        );
        let mut equals: BTreeMap<Equals<'_>, Vec<usize>> = BTreeMap::new();
        for (n, want) in wants.iter().enumerate().filter(|(n, _)| bags[*n] > 0) {
            if let [(coffee, _)] = want.parts[..] {
                let days = (want.ship_day, want.window.from, want.window.to);
                let key = (
                    coffee,
                    want.style,
                    want.lots.as_deref(),
                    days,
                    want.priority,
                );
                equals.entry(key).or_default().push(n);
            }
        }
        for group in equals.values().filter(|group| group.len() > 1) {
            if group
                .iter()
                .any(|n| given.bags(*n, &wants[*n], bags[*n]) < bags[*n])
            {
                given.deal(group, wants, bags);
            }
        }
        given
    }

    /// Deals what a group of equal wants is given anew: the smallest first, in whole bags.
    fn deal(&mut self, group: &[usize], wants: &[Want], bags: &[u32]) {
        let (mut pool, rest): (Vec<Gift>, Vec<Gift>) = std::mem::take(&mut self.0)
            .into_iter()
            .partition(|gift| group.contains(&gift.want));
        self.0 = rest;
        pool.reverse();
        let mut order = group.to_vec();
        let need = |n: usize| {
            super::instance::grams(bags[n], wants[n].bag, Fraction::ONE) * UNITS_PER_GRAM
        };
        order.sort_by_key(|n| (need(*n), *n));
        for n in order {
            let there: i64 = pool.iter().map(|gift| gift.units).sum();
            let whole = whole_bags(there, wants[n].bag, Fraction::ONE).min(bags[n]);
            let takes = super::instance::grams(whole, wants[n].bag, Fraction::ONE) * UNITS_PER_GRAM;
            let mut left = takes.min(there);
            while left > 0
                && let Some(last) = pool.last_mut()
            {
                let units = left.min(last.units);
                self.0.push(Gift {
                    source: last.source.clone(),
                    want: n,
                    part: 0,
                    units,
                });
                left -= units;
                last.units -= units;
                if last.units == 0 {
                    pool.pop();
                }
            }
        }
    }

    /// Whole bags of a want that are given, at most so many.
    pub fn bags(&self, n: usize, want: &Want, most: u32) -> u32 {
        let parts = want.parts.iter().enumerate().map(|(part, (_, share))| {
            let gifts = self
                .0
                .iter()
                .filter(|gift| gift.want == n && gift.part == part);
            whole_bags(gifts.map(|gift| gift.units).sum(), want.bag, *share)
        });
        parts.min().unwrap_or(0).min(most)
    }
}

/// Whole bags that units of one share fill.
fn whole_bags(units: i64, bag: Mass, share: Fraction) -> u32 {
    let per_bag = i128::from(bag.mg()) * i128::from(share.ppm());
    if per_bag <= 0 {
        return 0;
    }
    u32::try_from(i128::from(units) * 100_000 / per_bag).unwrap_or(u32::MAX)
}

/// Whole bags that cannot be filled when units of one share are missing.
pub fn bags_missing(units: i64, bag: Mass, share: Fraction) -> u32 {
    let per_bag = i128::from(bag.mg()) * i128::from(share.ppm());
    if per_bag <= 0 {
        return 0;
    }
    let bags = (i128::from(units) * 100_000 + per_bag - 1) / per_bag;
    u32::try_from(bags).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::demand::Window;
    use crate::text::Name;

    fn want(bag_g: i64, bags: u32, parts: &[i64]) -> Want {
        let day: Day = "2026-12-02".parse().unwrap();
        let id = uuid::Uuid::from_u128;
        Want {
            order: id(1).into(),
            number: Name::new("T1").unwrap(),
            customer: Name::new("Blue Door").unwrap(),
            line: 1,
            product: id(2).into(),
            bags,
            packable: bags,
            bag: Mass::from_grams(bag_g).unwrap(),
            parts: parts
                .iter()
                .zip(3..)
                .map(|(ppm, n)| (id(n).into(), Fraction::from_ppm(*ppm)))
                .collect(),
            style: id(9).into(),
            lots: None,
            ship_day: day,
            dispatch: None,
            window: Window {
                from: day.plus(-20),
                to: day.plus(-2),
            },
            priority: 1,
        }
    }

    fn gift(want: usize, part: usize, units: i64) -> Gift {
        Gift {
            source: Source::Stock("s".to_owned()),
            want,
            part,
            units,
        }
    }

    #[test]
    fn a_blend_ships_what_its_scarcest_coffee_allows() {
        let blend = want(1_000, 10, &[600_000, 400_000]);
        // 6 kg for ten bags, and 3.1 kg of the other: seven bags of 400 g each.
        let given = Given(vec![
            gift(0, 0, 6_000 * UNITS_PER_GRAM),
            gift(0, 1, 3_100 * UNITS_PER_GRAM),
        ]);
        assert_eq!(given.bags(0, &blend, 10), 7);
    }

    #[test]
    fn whole_masses_fill_all_bags() {
        // A third of a bag is no whole number of grams: asked for up, it fills every bag.
        for bags in 1..200 {
            let units = super::super::instance::grams(
                bags,
                Mass::from_grams(250).unwrap(),
                Fraction::from_ppm(333_333),
            ) * UNITS_PER_GRAM;
            assert_eq!(
                whole_bags(
                    units,
                    Mass::from_grams(250).unwrap(),
                    Fraction::from_ppm(333_333)
                ),
                bags
            );
        }
    }

    proptest! {
        /// Dealing makes nothing, gives nobody more than asked, and leaves no more lines short than before.
        #[test]
        fn dealing_promises_no_more_than_there_is(lines in prop::collection::vec((50i64..2_000, 1u32..40, 0.0..1.0f64), 2..8)) {
            let wants: Vec<Want> = lines.iter().map(|(bag, bags, _)| want(*bag, *bags, &[1_000_000])).collect();
            let bags: Vec<u32> = lines.iter().map(|(_, bags, _)| *bags).collect();
            let needs = |n: usize| super::super::instance::grams(bags[n], wants[n].bag, Fraction::ONE) * UNITS_PER_GRAM;
            let gifts: Vec<Gift> = lines.iter().enumerate().map(|(n, (_, _, part))| {
                let thousandths = i64::from(Fraction::nearest(*part).ppm()) / 1_000;
                gift(n, 0, needs(n) / 1_000 * thousandths)
            }).collect();
            let before: i64 = gifts.iter().map(|gift| gift.units).sum();
            let group: Vec<usize> = (0..wants.len()).collect();
            let mut given = Given(gifts);
            let full = |given: &Given| group.iter().filter(|n| given.bags(**n, &wants[**n], bags[**n]) == bags[**n]).count();
            let full_before = full(&given);
            given.deal(&group, &wants, &bags);
            let after: i64 = given.0.iter().map(|gift| gift.units).sum();
            prop_assert!(after <= before);
            for n in &group {
                let got: i64 = given.0.iter().filter(|gift| gift.want == *n).map(|gift| gift.units).sum();
                prop_assert!(got <= needs(*n));
            }
            prop_assert!(full(&given) >= full_before);
        }
    }
}
