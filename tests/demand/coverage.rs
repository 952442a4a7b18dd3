//! What coverage promises, the planner can roast.

use std::collections::BTreeMap;

use outturn::day::Day;
use outturn::demand::Window;
use outturn::demand::coverage::{
    Charges, Green, Made, Promise, Roasting, Shared, Supply, Wanted, keep, most_together,
};
use outturn::ids::{CoffeeId, LotId, StyleId};
use outturn::loss::Outlook;
use outturn::planner::{self, Draft, Instance, Item, Lot, Roaster, Yield, YieldLine};
use proptest::prelude::*;
use uuid::Uuid;

fn style(n: u128) -> StyleId {
    StyleId(Uuid::from_u128(n))
}

fn lot(n: u128) -> LotId {
    LotId(Uuid::from_u128(n))
}

/// Lots of one coffee (free grams, loss in thousandths), in two styles on one roaster.
fn supply(lots: &[(i64, u32)], charges: Charges, noise_sd: f64, shared_variance: f64) -> Supply {
    let green = |(n, (free_g, loss)): (usize, &(i64, u32))| Green {
        lot: lot(n as u128 + 1),
        free_g: *free_g,
        roastings: [11, 12]
            .map(|of| Roasting {
                style: style(of),
                charges,
                outlook: Outlook {
                    log_yield: (1.0 - f64::from(*loss + u32::try_from(of).unwrap()) / 1_000.0).ln(),
                    shared_variance,
                    noise_sd,
                },
            })
            .to_vec(),
    };
    Supply {
        lots: lots.iter().enumerate().map(green).collect(),
        roasted: BTreeMap::new(),
        promised: BTreeMap::new(),
    }
}

fn wanted(filter: u64, espresso: u64) -> Wanted {
    Wanted {
        bags: BTreeMap::from([(style(11), filter), (style(12), espresso)]),
        bag_mg: 250_000,
    }
}

/// The most days that each find a window of their own.
fn matched(days: &[Day], windows: &[Window]) -> i64 {
    fn find(
        day: usize,
        days: &[Day],
        windows: &[Window],
        of: &mut [Option<usize>],
        seen: &mut [bool],
    ) -> bool {
        for n in 0..windows.len() {
            if !windows[n].contains(days[day]) || std::mem::replace(&mut seen[n], true) {
                continue;
            }
            if of[n].is_none_or(|other| find(other, days, windows, of, seen)) {
                of[n] = Some(day);
                return true;
            }
        }
        false
    }
    let mut of = vec![None; windows.len()];
    let found = (0..days.len()).filter(|day| {
        find(
            *day,
            days,
            windows,
            &mut of,
            &mut vec![false; windows.len()],
        )
    });
    i64::try_from(found.count()).unwrap()
}

/// The same as a planner's instance: yields as coverage reckons them, time enough.
fn instance(supply: &Supply, charges: Charges, wanted: &Wanted, service: f64) -> Draft {
    let roast = supply.roast(wanted, service);
    let ten_thousandths = |value: f64| (value * 1e4).round() as i64;
    let lots = supply.lots.iter().map(|green| {
        let yields = green.roastings.iter().map(|roasting| {
            let known = roast
                .batches
                .iter()
                .find(|some| some.lot == green.lot && some.style == roasting.style);
            let fraction = known.map_or_else(
                || roasting.outlook.safe_yield(service, 1),
                |some| some.safe_yield,
            );
            YieldLine {
                style: roasting.style.to_string(),
                roaster: None,
                fraction: Yield::from_ten_thousandths(ten_thousandths(fraction)).unwrap(),
            }
        });
        Lot {
            id: green.lot.to_string(),
            coffee: "coffee".to_owned(),
            grade: None,
            available_g: green.free_g,
            available_from_day: 0,
            rank: 1,
            yields: yields.collect(),
            charge_limits: Vec::new(),
        }
    });
    let demand = wanted
        .bags
        .iter()
        .filter(|(_, bags)| **bags > 0)
        .map(|(style, bags)| Item {
            id: style.to_string(),
            coffee: "coffee".to_owned(),
            style: style.to_string(),
            roasted_g: wanted.grams(*bags),
            ship_day: 5,
            roast_from_day: 0,
            roast_to_day: 3,
            priority: 1,
            lots: None,
        });
    Draft {
        name: "promised".to_owned(),
        days: 6,
        roasters: vec![Roaster {
            id: "drum".to_owned(),
            min_charge_g: charges.min_g,
            max_charge_g: charges.max_g,
            charge_step_g: charges.step_g,
            cycle_min: 1,
            changeover_min: 0,
            startup_min: 0,
            available_min: vec![600; 6],
            styles: None,
            hot_days: Vec::new(),
        }],
        lots: lots.collect(),
        demand: demand.collect(),
        ..Draft::default()
    }
}

#[test]
fn a_lot_by_hand() {
    // 24 kg in drums of 12 kg at a yield of exp(-0.16) and no doubt at all: 0.8521 of 24 kg are 20,450 g, 81 bags of 250 g.
    let charges = Charges {
        min_g: 4_000,
        max_g: 12_000,
        step_g: 100,
    };
    let mut supply = supply(&[(24_000, 0)], charges, 0.0, 0.0);
    for roasting in &mut supply.lots[0].roastings {
        roasting.outlook.log_yield = -0.16;
    }
    assert_eq!(supply.most_bags(&wanted(1, 0), 0.95), 81);
    let covered = supply.covered(&wanted(81, 0), 0.95);
    assert!(covered.all && covered.certainty > 0.99);
    assert!(!supply.covered(&wanted(82, 0), 0.95).all);
    // Forty bags promised to others leave 41: their 10 kg and our 10.25 kg are roasted in the same two drums.
    supply.promised.insert(style(11), 40 * 250);
    assert_eq!(supply.most_bags(&wanted(1, 0), 0.95), 41);
}

#[test]
fn doubt_lowers_what_can_be_promised() {
    let charges = Charges {
        min_g: 1_000,
        max_g: 10_000,
        step_g: 10,
    };
    let supply = supply(&[(100_000, 150)], charges, 0.01, 0.0001);
    let most: Vec<u64> = [0.5, 0.9, 0.95, 0.99]
        .map(|service| supply.most_bags(&wanted(1, 0), service))
        .to_vec();
    assert!(most.windows(2).all(|two| two[1] < two[0]), "{most:?}");
    // One in twenty: z = 1.6449, sd of the log of ten batches sqrt(0.0001 + 0.0001/10) = 0.010488; 100 kg at 0.839 exp(-0.017252).
    let exact = 100_000.0 * 0.839 * (-1.644_853_6_f64 * 0.000_11_f64.sqrt()).exp() / 250.0;
    let found = most[2] as f64;
    assert!(found <= exact && found > exact - 2.0, "{found} {exact}");
}

/// 24.1 kg are two full charges of 12 kg, or three that are surer together: what two cannot promise, three can.
#[test]
fn a_batch_more_can_be_surer_than_a_fuller_one() {
    let charges = Charges {
        min_g: 4_000,
        max_g: 12_000,
        step_g: 100,
    };
    let supply = supply(&[(24_100, 150)], charges, 0.01, 0.0001);
    let most = |service| supply.most_bags(&wanted(1, 0), service);
    let service = 0.713_883_827_305_649_5;
    assert!(most(service) >= most(service + 0.01));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// The most bags that coverage promises, the planner roasts without falling short, at the same safe yields.
    #[test]
    fn promises_can_be_roasted(
        lots in proptest::collection::vec((0_i64..60_000, 120_u32..220), 1..4), min in 2_i64..5, more in 2_i64..10, step in 1_i64..=10,
        filter in 0_u64..5, espresso in 0_u64..5, noise in 0.0_f64..0.02, service in 0.6_f64..0.99,
    ) {
        prop_assume!(filter + espresso > 0);
        let charges = Charges { min_g: min * 1_000, max_g: (min + more) * 1_000, step_g: step * 100 };
        let supply = supply(&lots, charges, noise, noise * noise);
        let most = supply.most_bags(&wanted(filter, espresso), service);
        let split = |bags: u64| {
            let espresso = bags * espresso / (filter + espresso);
            wanted(bags - espresso, espresso)
        };
        // The same split as coverage reckons: the first style takes what cannot be shared out evenly.
        let bags = split(most);
        prop_assert!(most == 0 || supply.covered(&bags, service).all);
        if most > 0 {
            let draft = instance(&supply, charges, &bags, service);
            let plan = planner::plan(&Instance::new(draft).unwrap());
            prop_assert!(plan.short.is_empty(), "{} bags: {:?}", most, plan.short);
        }
    }

    /// The most bags of a coffee and of a blend of it with another that are promised together, the planner roasts together; where both are
    /// covered as they are wanted neither is lowered, where not neither is raised.
    #[test]
    fn promises_together_can_be_roasted(
        one in proptest::collection::vec((0_i64..60_000, 120_u32..220), 1..3), two in proptest::collection::vec((0_i64..60_000, 120_u32..220), 1..3),
        alone in 1_u64..150, blended in 1_u64..150, espresso in 0_u64..50, share in 1_i64..10, noise in 0.0_f64..0.02, service in 0.6_f64..0.99,
    ) {
        let charges = Charges { min_g: 4_000, max_g: 12_000, step_g: 100 };
        let [coffee, blend] = [1, 2].map(|n| CoffeeId(Uuid::from_u128(n)));
        let part = |tenths: i64| Wanted { bag_mg: 25_000 * tenths, ..wanted(blended, espresso) };
        let supplies = [&one, &two].map(|lots| supply(lots, charges, noise, noise * noise));
        let needs = [
            BTreeMap::from([(coffee, wanted(alone, 0)), (blend, part(share))]),
            BTreeMap::from([(blend, part(10 - share))]),
        ];
        let coffees: Vec<Shared> = supplies.into_iter().zip(needs).map(|(supply, needs)| Shared { supply, needs }).collect();
        let most = most_together(&coffees, service);
        let as_many = |of: &Wanted, bags: u64| {
            let total: u64 = of.bags.values().sum();
            let espresso = bags * of.bags.get(&style(12)).copied().unwrap_or(0) / total;
            Wanted { bag_mg: of.bag_mg, ..wanted(bags - espresso, espresso) }
        };
        // All that is needed of a coffee, in bags of a gram.
        let all_of = |of: &Shared, bags: &dyn Fn(CoffeeId, &Wanted) -> Wanted| {
            let mut sum = Wanted { bag_mg: 1_000, ..wanted(0, 0) };
            for (id, wanted) in &of.needs {
                let wanted = bags(*id, wanted);
                for (style, bags) in &wanted.bags {
                    *sum.bags.get_mut(style).unwrap() += u64::try_from(wanted.grams(*bags)).unwrap();
                }
            }
            sum
        };
        let as_wanted = coffees.iter().all(|of| of.supply.covered(&all_of(of, &|_, wanted| wanted.clone()), service).all);
        for (id, wanted) in [(coffee, alone), (blend, blended + espresso)] {
            prop_assert!(if as_wanted { most[&id] >= wanted } else { most[&id] <= wanted }, "{most:?} of {wanted}");
        }
        for of in &coffees {
            let all = all_of(of, &|id, wanted| as_many(wanted, most[&id]));
            prop_assert!(most.values().all(|bags| *bags == 0) || of.supply.covered(&all, service).all);
            let plan = planner::plan(&Instance::new(instance(&of.supply, charges, &all, service)).unwrap());
            prop_assert!(plan.short.is_empty(), "{most:?}: {:?}", plan.short);
        }
    }

    /// Coffee keeps as many grams of promises as any way of sharing it out could: a largest matching of single grams (augmenting paths).
    #[test]
    fn no_other_way_keeps_more(
        made in proptest::collection::vec((0_i64..8, 1_i64..4), 1..5), promised in proptest::collection::vec((0_i64..8, 0_i64..5, 1_i64..4), 1..5),
    ) {
        let day = |n: i64| "2026-11-25".parse::<Day>().unwrap().plus(n);
        let lot = LotId(Uuid::from_u128(1));
        let made: Vec<Made> = made.iter().map(|(on, grams)| Made { lot, style: style(11), day: day(*on), grams: *grams }).collect();
        let promises: Vec<Promise> = promised.iter().map(|(from, long, grams)| Promise {
            style: style(11), grams: *grams, window: Window { from: day(*from), to: day(from + long) }, lots: None,
        }).collect();
        let mut left = promises.clone();
        keep(&mut left, made.clone());
        let sum = |of: &[Promise]| of.iter().map(|promise| promise.grams).sum::<i64>();
        let grams: Vec<Day> = made.iter().flat_map(|made| (0..made.grams).map(|_| made.day)).collect();
        let wants: Vec<Window> = promises.iter().flat_map(|promise| (0..promise.grams).map(|_| promise.window)).collect();
        prop_assert_eq!(sum(&promises) - sum(&left), matched(&grams, &wants));
        prop_assert!(left.iter().all(|promise| promise.grams >= 0));
    }

    /// What a dispatch takes of a lot is some of what is roasted of it, never less than nothing, whatever others are promised.
    #[test]
    fn what_is_taken_is_part_of_what_is_roasted(
        lots in proptest::collection::vec((0_i64..60_000, 120_u32..220), 1..4), promised in 0_i64..40_000, bags in 0_u64..200, service in 0.6_f64..0.98,
    ) {
        let charges = Charges { min_g: 4_000, max_g: 12_000, step_g: 100 };
        let mut supply = supply(&lots, charges, 0.01, 0.0001);
        supply.promised = BTreeMap::from([(style(12), promised)]);
        let covered = supply.covered(&wanted(bags, 0), service);
        let roasted = covered.roast.green();
        for (lot, takes) in &covered.green_g {
            prop_assert!(*takes > 0 && *takes <= roasted[lot], "{takes} of {roasted:?}");
        }
    }

    /// More green, or less certainty, never covers less.
    #[test]
    fn more_green_covers_no_less(free in 4_000_i64..80_000, more in 0_i64..40_000, bags in 1_u64..300, service in 0.6_f64..0.98) {
        let charges = Charges { min_g: 4_000, max_g: 12_000, step_g: 100 };
        let [less, more] = [free, free + more].map(|free| supply(&[(free, 150)], charges, 0.01, 0.0001));
        let bags = wanted(bags, 0);
        prop_assert!(!less.covered(&bags, service).all || more.covered(&bags, service).all);
        prop_assert!(less.most_bags(&bags, service) <= more.most_bags(&bags, service));
        prop_assert!(less.most_bags(&bags, service) >= less.most_bags(&bags, service + 0.01));
        prop_assert!((less.certainty(&bags) >= service) == less.covered(&bags, service).all || (less.certainty(&bags) - service).abs() < 0.002);
    }
}
