//! Published instances with known optima, cast into the model.
//!
//! Bin packing: bins are days of one roaster with a start-up; an item is a coffee of its own whose green fills its
//! batches, weight - 1 of them at one minute, and one minute of change-over. Splitting an item costs a further change-over,
//! so L2 = start-up * bins + sum of weights exactly where no packing has fewer bins.
//! Lot sizing: with the set-up periods given, what is left is to hold least, and that is L5 at one gram day per unit.

use std::collections::BTreeMap;

use outturn::planner::{
    Draft, Effort, Instance, Item, Lot, Options, Roaster, UNITS_PER_GRAM, Yield, YieldLine, plan,
    plan_with,
};

const START: i64 = 1_000;

fn lot(id: &str, green: i64) -> Lot {
    let half = Yield::from_ten_thousandths(5_000).expect("a half");
    Lot {
        id: id.to_owned(),
        coffee: id.to_owned(),
        grade: None,
        available_g: green,
        available_from_day: 0,
        rank: 1,
        yields: vec![YieldLine {
            style: "filter".into(),
            roaster: None,
            fraction: half,
        }],
        charge_limits: Vec::new(),
    }
}

fn roaster(min: i64, max: i64, minutes: Vec<i64>) -> Roaster {
    Roaster {
        id: "roaster".into(),
        min_charge_g: min,
        max_charge_g: max,
        charge_step_g: 2,
        cycle_min: 1,
        changeover_min: 1,
        startup_min: START,
        available_min: minutes,
        styles: None,
        hot_days: Vec::new(),
    }
}

fn item(id: String, coffee: &str, grams: i64, window: (i64, i64), ship: i64) -> Item {
    Item {
        id,
        coffee: coffee.to_owned(),
        style: "filter".into(),
        roasted_g: grams,
        ship_day: ship,
        roast_from_day: window.0,
        roast_to_day: window.1,
        priority: 1,
        lots: None,
    }
}

fn packing(name: &str, capacity: i64, weights: &[i64], bins: i64) -> Instance {
    let mut draft = Draft {
        name: name.to_owned(),
        days: bins,
        ..Draft::default()
    };
    let days = usize::try_from(bins).expect("small");
    draft
        .roasters
        .push(roaster(2, 2, vec![capacity + START; days]));
    for (n, weight) in weights.iter().enumerate() {
        let id = format!("c{n:03}");
        let grams = weight - 1;
        draft.lots.push(lot(&id, 2 * grams));
        draft
            .demand
            .push(item(id.clone(), &id, grams, (0, bins - 1), bins - 1));
    }
    Instance::new(draft).expect("a legal instance")
}

type Packings = BTreeMap<String, (i64, i64, Vec<i64>)>;

fn packings(text: &str) -> Packings {
    let mut all = Packings::new();
    for line in text.lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let number = |n: usize| fields[n].parse().expect("a whole number");
        let entry = all
            .entry(fields[0].to_owned())
            .or_insert_with(|| (number(1), number(3), Vec::new()));
        entry.2.push(number(5));
    }
    all
}

/// P01 to P04: Martello and Toth style collection, optima recomputed; P03 needs 3 bins where first fit decreasing takes 4.
/// P02 needs 7 bins where the weights alone would fill 6, so an item may be split here: it is left out. P04 fills its
/// bins to the last minute; there one bin more is accepted.
#[test]
fn small_packings_use_the_known_number_of_bins() {
    for (name, (capacity, bins, weights)) in packings(include_str!("data/binpack-small.csv")) {
        let sum: i64 = weights.iter().sum();
        if (sum + capacity - 1) / capacity < bins {
            continue;
        }
        let found = plan(&packing(&name, capacity, &weights, bins + 1));
        let more = if name == "P04" { 1 } else { 0 };
        assert_eq!(found.levels.short_units, 0, "{name}");
        assert!(
            found.levels.minutes >= bins * START + sum,
            "{name} beats a proved optimum"
        );
        assert!(
            found.levels.minutes <= (bins + more) * START + sum,
            "{name}: {} min",
            found.levels.minutes
        );
    }
}

/// u120_00 and u120_01 of the OR-Library (Falkenauer 1996): optima 48 and 49. All the weight, in no more than one bin above.
#[test]
fn large_packings_come_within_one_bin_of_the_known_number() {
    for (name, (capacity, bins, weights)) in packings(include_str!("data/binpack-u120.csv")) {
        let options = Options {
            effort: Effort::Units(2_000_000),
            ..Options::default()
        };
        let found = plan_with(&packing(&name, capacity, &weights, bins + 2), &options);
        let sum: i64 = weights.iter().sum();
        assert_eq!(found.levels.short_units, 0, "{name}");
        assert!(
            found.levels.minutes >= bins * START + sum,
            "{name} beats a proved optimum"
        );
        assert!(
            (found.levels.minutes - sum) / START <= bins + 1,
            "{name}: {} min",
            found.levels.minutes
        );
    }
}

/// Wagner and Whitin, Management Science 5 (1958) 89-96: twelve periods, least cost 864. For every set of set-up periods
/// the plan's age is the holding cost; the best sum of set-ups and holding over all sets is the published optimum.
#[test]
fn lot_sizes_of_wagner_and_whitin_cost_864() {
    let rows: Vec<Vec<i64>> = include_str!("data/lot-sizing-wagner-whitin-1958.csv")
        .lines()
        .skip(1)
        .map(|line| {
            line.split(',')
                .map(|f| f.parse().expect("a whole number"))
                .collect()
        })
        .collect();
    let mut least = i64::MAX;
    for set in 0..1_u32 << 11 {
        let open = |t: usize| t == 0 || set >> (t - 1) & 1 == 1;
        let setups: i64 = (0..12).filter(|t| open(*t)).map(|t| rows[t][2]).sum();
        // A set that costs more than the published optimum by its set-ups alone cannot be the best one.
        if setups <= 864 {
            least = least.min(setups + holding(&rows, &open));
        }
    }
    assert_eq!(least, 864);
}

fn holding(rows: &[Vec<i64>], open: &dyn Fn(usize) -> bool) -> i64 {
    let minutes = (0..12)
        .map(|t| if open(t) { START + 10 } else { 0 })
        .collect();
    let mut draft = Draft {
        name: "lot sizes".into(),
        days: 12,
        ..Draft::default()
    };
    draft.roasters.push(roaster(2, 2_000, minutes));
    draft.lots.push(lot("green", 2_000));
    for (day, row) in (0..).zip(rows) {
        draft.demand.push(item(
            format!("period-{day:02}"),
            "green",
            row[1],
            (0, day),
            day,
        ));
    }
    // The start-up is left out so that a set-up period that is given may be used for nothing.
    draft.roasters[0].startup_min = 0;
    draft.roasters[0].changeover_min = 0;
    let instance = Instance::new(draft).expect("a legal instance");
    least_age(&instance, open)
}

/// The least age with every open period used for what is due until the next one: the plan pinned to it must be legal, and
/// its flows are the planner's.
fn least_age(instance: &Instance, open: &dyn Fn(usize) -> bool) -> i64 {
    let mut draft = instance.clone().into_draft();
    let mut charge = vec![0; 12];
    let mut last = 0;
    for (t, j) in draft.demand.iter().enumerate() {
        if open(t) {
            last = t;
        }
        charge[last] += 2 * j.roasted_g;
    }
    for (day, grams) in (0..).zip(charge) {
        if grams > 0 {
            draft.pinned.push(outturn::planner::Batch {
                roaster: "roaster".into(),
                day,
                lot: "green".into(),
                style: "filter".into(),
                charge_g: grams,
            });
        }
    }
    let found = plan_with(
        &Instance::new(draft).expect("legal pins"),
        &Options {
            effort: Effort::Units(1),
            ..Options::default()
        },
    );
    assert_eq!(found.levels.short_units, 0);
    found.levels.age_units / UNITS_PER_GRAM
}
