//! Invented roasteries of any size, as the service would ask for them: windows from ship days, safe yields by roaster, stock, pins, a hot drum,
//! charge limits of lots, goods that name their lots.

use outturn::planner::{Batch, ChargeLimits, Draft, Item, Lot, Roaster, Stock, Yield, YieldLine};

/// How large a roastery is.
#[derive(Clone, Copy)]
pub struct Size {
    /// Days of the plan.
    pub days: i64,
    /// Roasters.
    pub roasters: i64,
    /// Coffees, each in one or two styles.
    pub coffees: i64,
}

/// Styles with their loss in ten-thousandths: light to dark, usual magnitudes.
const STYLES: [(&str, i64); 3] = [("light", 1_350), ("medium", 1_500), ("dark", 1_750)];
/// Smallest and largest charge, step (grams), cycle, change-over and start-up (minutes) of the kinds of drums.
const DRUMS: [(i64, i64, i64, i64, i64, i64); 3] = [
    (2_000, 6_000, 100, 14, 5, 25),
    (5_000, 15_000, 250, 16, 6, 40),
    (9_900, 30_100, 500, 17, 6, 45),
];

/// A plain seeded stream of numbers (Knuth's multiplier, MMIX).
struct Chance(u64);

impl Chance {
    /// A whole number from `least` to `most`.
    fn whole(&mut self, least: i64, most: i64) -> i64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let span = u64::try_from(most - least + 1).expect("least is not above most");
        least + i64::try_from((self.0 >> 33) % span).expect("it fits")
    }

    fn one_in(&mut self, n: i64) -> bool {
        self.whole(1, n) == 1
    }
}

/// A roastery of a size; the same seed gives the same one.
pub fn roastery(size: Size, seed: u64) -> Draft {
    let mut chance = Chance(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    let mut draft = Draft {
        name: format!("roastery of {} coffees, {seed}", size.coffees),
        days: size.days,
        ..Draft::default()
    };
    for n in 0..size.roasters {
        draft.roasters.push(roaster(&mut chance, n, size.days));
    }
    for n in 0..size.coffees {
        coffee(&mut chance, &mut draft, n);
    }
    if chance.one_in(3) {
        let minutes = 420 * size.roasters * 2 / 3;
        draft.crew_min = Some((0..size.days).map(|_| minutes).collect());
    }
    pin(&mut chance, &mut draft);
    draft
}

fn roaster(chance: &mut Chance, n: i64, days: i64) -> Roaster {
    let drum = DRUMS[usize::try_from(n).expect("few") % DRUMS.len()];
    let closed = chance.whole(0, 3 * days);
    let open = |day: i64| if day == closed { 0 } else { 420 };
    Roaster {
        id: format!("drum {n}"),
        min_charge_g: drum.0,
        max_charge_g: drum.1,
        charge_step_g: drum.2,
        cycle_min: drum.3,
        changeover_min: drum.4,
        startup_min: drum.5,
        available_min: (0..days).map(open).collect(),
        styles: chance
            .one_in(4)
            .then(|| vec!["light".to_owned(), "medium".to_owned()]),
        hot_days: if chance.one_in(3) {
            vec![0]
        } else {
            Vec::new()
        },
    }
}

/// A coffee with its lots, what is wanted of it, and some of it roasted already.
fn coffee(chance: &mut Chance, draft: &mut Draft, n: i64) {
    let name = format!("coffee {n}");
    let first = chance.whole(0, 2);
    let styles: Vec<usize> = (0..chance.whole(1, 2))
        .map(|k| usize::try_from((first + k) % 3).expect("small"))
        .collect();
    let wanted: i64 = styles
        .iter()
        .map(|style| wants(chance, draft, &name, STYLES[*style].0))
        .sum();
    let lots = chance.whole(1, 3);
    for l in 0..lots {
        let share = wanted * chance.whole(8, 45) / 10 / lots;
        let lot = lot(chance, draft, (&name, l), share, &styles);
        draft.lots.push(lot);
    }
    if chance.one_in(5) {
        draft.roasted_stock.push(Stock {
            id: format!("{name} on hand"),
            lot: format!("{name} lot 0"),
            style: STYLES[styles[0]].0.to_owned(),
            roasted_day: -chance.whole(1, 3),
            mass_g: chance.whole(1, 20) * 250,
        });
    }
}

/// Items of a family; answers how many grams they want.
fn wants(chance: &mut Chance, draft: &mut Draft, coffee: &str, style: &str) -> i64 {
    let mut wanted = 0;
    for ship_day in (1..=draft.days).filter(|day| day % 2 == 1 || *day == draft.days) {
        if chance.one_in(4) {
            continue;
        }
        let roasted_g = chance.whole(2, 60) * 257;
        let to = ship_day - chance.whole(0, 1);
        draft.demand.push(Item {
            id: format!("{coffee} {style} {ship_day}"),
            coffee: coffee.to_owned(),
            style: style.to_owned(),
            roasted_g,
            ship_day,
            roast_from_day: to - chance.whole(1, 5),
            roast_to_day: to,
            priority: chance.whole(1, 4),
            lots: chance.one_in(12).then(|| vec![format!("{coffee} lot 0")]),
        });
        wanted += roasted_g;
    }
    wanted
}

fn lot(
    chance: &mut Chance,
    draft: &Draft,
    (coffee, n): (&str, i64),
    available_g: i64,
    styles: &[usize],
) -> Lot {
    let own = chance.whole(-80, 80);
    let mut yields = Vec::new();
    for style in styles {
        let (name, loss) = STYLES[*style];
        for roaster in &draft.roasters {
            let made = 10_000 - loss + own - chance.whole(0, 30);
            yields.push(YieldLine {
                style: name.to_owned(),
                roaster: Some(roaster.id.clone()),
                fraction: Yield::from_ten_thousandths(made).expect("between 0 and 1"),
            });
        }
    }
    let limited = &draft.roasters[0];
    let limits = ChargeLimits {
        roaster: limited.id.clone(),
        min_charge_g: limited.min_charge_g + 130,
        max_charge_g: limited.max_charge_g * 9 / 10,
    };
    Lot {
        id: format!("{coffee} lot {n}"),
        coffee: coffee.to_owned(),
        grade: None,
        available_g,
        available_from_day: if chance.one_in(6) { 1 } else { 0 },
        rank: n + 1,
        yields,
        charge_limits: if chance.one_in(8) {
            vec![limits]
        } else {
            Vec::new()
        },
    }
}

/// Pins the smallest batch of the first lot that can be charged on an open day.
fn pin(chance: &mut Chance, draft: &mut Draft) {
    let day = chance.whole(1, draft.days - 1);
    let Some(roaster) = draft.roasters.last() else {
        return;
    };
    let step = roaster.charge_step_g;
    let charge_g = (roaster.min_charge_g + step - 1) / step * step;
    let may = |style: &str| {
        let styles = roaster.styles.as_ref();
        styles.is_none_or(|styles| styles.iter().any(|s| s == style))
    };
    let open = roaster.available_min[usize::try_from(day).expect("a day")] > 0;
    let lot = draft.lots.iter().find(|lot| {
        lot.available_g >= charge_g && lot.charge_limits.is_empty() && may(&lot.yields[0].style)
    });
    if let Some(lot) = lot.filter(|_| open) {
        draft.pinned.push(Batch {
            roaster: roaster.id.clone(),
            day,
            lot: lot.id.clone(),
            style: lot.yields[0].style.clone(),
            charge_g,
        });
    }
}
