//! Thousands of tiny random instances against trying every plan: all five levels are equal.

use std::collections::BTreeMap;

use outturn::planner::{Effort, Instance, Options, plan, plan_with, report};
use proptest::prelude::*;
use proptest::sample::select;
use serde_json::{Value, json};

use crate::verify::{self, Levels, Made};

/// One possible use of a stream: roaster, day, lot and style, the batch count and the total charge.
struct Stream {
    key: (usize, usize, usize, &'static str),
    uses: Vec<(i128, i128)>,
}

/// The best levels of any plan, by trying them all. Masses of the instance must be steps of 1 kg.
fn best(instance: &Value) -> Levels {
    let streams = streams(instance);
    let mut tried = Tried {
        instance,
        streams: &streams,
        best: [i128::MAX; 5],
        cache: BTreeMap::new(),
    };
    let rooms: Vec<Vec<i128>> = instance["roasters"]
        .as_array()
        .expect("roasters")
        .iter()
        .map(|r| {
            r["available_min"]
                .as_array()
                .expect("minutes")
                .iter()
                .map(|m| i128::from(m.as_i64().expect("whole")))
                .collect()
        })
        .collect();
    let green = instance["lots"]
        .as_array()
        .expect("lots")
        .iter()
        .map(|l| number(l, "available_g"))
        .collect();
    tried.explore(0, &mut vec![(0, 0); streams.len()], &rooms, green);
    tried.best
}

fn number(v: &Value, name: &str) -> i128 {
    i128::from(v[name].as_i64().expect("whole"))
}

fn streams(instance: &Value) -> Vec<Stream> {
    let mut streams = Vec::new();
    for (r, roaster) in instance["roasters"]
        .as_array()
        .expect("list")
        .iter()
        .enumerate()
    {
        let (low, high) = (
            number(roaster, "min_charge_g"),
            number(roaster, "max_charge_g"),
        );
        for day in 0..usize::try_from(instance["days"].as_u64().expect("days")).expect("small") {
            for (l, lot) in instance["lots"]
                .as_array()
                .expect("list")
                .iter()
                .enumerate()
            {
                for style in ["filter", "dark"] {
                    if verify::yield_of(lot, roaster, style).is_none()
                        || number(lot, "available_from_day") > i128::try_from(day).expect("small")
                    {
                        continue;
                    }
                    let mut uses = vec![(0, 0)];
                    for n in 1..5 {
                        let charges = (1..=20).map(|k| k * 1_000).filter(|x| {
                            n * ((low + 999) / 1_000 * 1_000) <= *x
                                && *x <= n * (high / 1_000 * 1_000)
                        });
                        uses.extend(
                            charges
                                .filter(|x| *x <= number(lot, "available_g"))
                                .map(|x| (n, x)),
                        );
                    }
                    streams.push(Stream {
                        key: (r, day, l, style),
                        uses,
                    });
                }
            }
        }
    }
    streams
}

struct Tried<'a> {
    instance: &'a Value,
    streams: &'a [Stream],
    best: Levels,
    cache: BTreeMap<Vec<(i128, String, String, i128)>, Levels>,
}

impl Tried<'_> {
    fn explore(
        &mut self,
        n: usize,
        chosen: &mut Vec<(i128, i128)>,
        rooms: &[Vec<i128>],
        green: Vec<i128>,
    ) {
        if n == self.streams.len() {
            self.weigh(chosen);
            return;
        }
        let (r, day, l, _) = self.streams[n].key;
        let roaster = &self.instance["roasters"][r];
        for (batches, charge) in &self.streams[n].uses {
            let mut rooms = rooms.to_vec();
            let mut green = green.clone();
            green[l] -= charge;
            if *batches > 0 {
                let started = (0..n).any(|m| {
                    chosen[m].0 > 0 && self.streams[m].key.0 == r && self.streams[m].key.1 == day
                });
                let start = if started {
                    0
                } else {
                    number(roaster, "startup_min")
                };
                rooms[r][day] -= batches * number(roaster, "cycle_min")
                    + number(roaster, "changeover_min")
                    + start;
            }
            if green[l] < 0 || rooms[r][day] < 0 {
                continue;
            }
            chosen[n] = (*batches, *charge);
            self.explore(n + 1, chosen, &rooms, green);
        }
        chosen[n] = (0, 0);
    }

    fn weigh(&mut self, chosen: &[(i128, i128)]) {
        let mut made = Made {
            minutes: 0,
            used: BTreeMap::new(),
            output: BTreeMap::new(),
        };
        let mut started = std::collections::BTreeSet::new();
        for (stream, (batches, charge)) in self.streams.iter().zip(chosen).filter(|(_, c)| c.0 > 0)
        {
            let (r, day, l, style) = stream.key;
            let (roaster, lot) = (&self.instance["roasters"][r], &self.instance["lots"][l]);
            made.minutes +=
                batches * number(roaster, "cycle_min") + number(roaster, "changeover_min");
            if started.insert((r, day)) {
                made.minutes += number(roaster, "startup_min");
            }
            let id = lot["id"].as_str().expect("id").to_owned();
            *made.used.entry(id.clone()).or_default() += charge;
            let y = verify::yield_of(lot, roaster, style).expect("a yield");
            *made
                .output
                .entry((i128::try_from(day).expect("small"), id, style.to_owned()))
                .or_default() += charge * y;
        }
        let key: Vec<_> = made
            .output
            .iter()
            .map(|((d, l, s), u)| (*d, l.clone(), s.clone(), *u))
            .collect();
        let minutes = made.minutes;
        let instance = self.instance;
        let mut levels = *self
            .cache
            .entry(key)
            .or_insert_with(|| verify::best_levels(instance, &made));
        levels[1] = minutes;
        // Two roasters with other yields can make the same output from other green.
        if levels[..2] <= self.best[..2] {
            self.best = self.best.min(verify::best_levels(instance, &made));
        }
    }
}

fn roaster() -> impl Strategy<Value = Value> {
    (select(vec![1_800, 2_000]), select(vec![4_000, 4_500]), select(vec![0, 5]), select(vec![0, 20])).prop_map(|(min, max, change, start)| {
        json!({"min_charge_g": min, "max_charge_g": max, "charge_step_g": 1000, "cycle_min": 15, "changeover_min": change, "startup_min": start})
    })
}

fn lot(two_styles: bool) -> impl Strategy<Value = Value> {
    (
        select(vec![3_500, 5_000, 7_000, 9_300]),
        select(vec![0, 0, 0, 1]),
        select(vec![0.8, 0.85, 0.8333]),
        select(vec![0.76, 0.8125]),
    )
        .prop_map(move |(green, from, filter, dark)| {
            let mut yields = vec![json!({"style": "filter", "yield": filter})];
            if two_styles {
                yields.push(json!({"style": "dark", "yield": dark}));
            }
            json!({"available_g": green, "available_from_day": from, "yields": yields})
        })
}

fn item(two_styles: bool) -> impl Strategy<Value = Value> {
    let masses = select(vec![1_500, 2_400, 3_333, 5_000]);
    (masses, select(vec![0_i64, 1, 1, 2]), 0..3_i64, 0..3_i64, 1..4_i64, any::<bool>(), 0..4_u8).prop_map(
        move |(mass, ship, back, wide, priority, dark, only)| {
            let first = ship - back;
            let mut item = json!({"style": if dark && two_styles { "dark" } else { "filter" }, "roasted_g": mass, "ship_day": ship,
                "roast_from_day": first, "roast_to_day": (first + wide).min(ship), "priority": priority});
            if only == 0 {
                item["lots"] = json!(["lot-0"]);
            }
            item
        },
    )
}

/// One roaster on two days or two roasters on one day; one or two coffees; one or two styles.
fn instance() -> impl Strategy<Value = Value> {
    (any::<bool>(), any::<bool>(), 0..4_u8).prop_flat_map(|(two_roasters, two_coffees, styles)| {
        let two_styles = styles == 0 && !two_roasters;
        let roasters = prop::collection::vec(roaster(), if two_roasters { 2 } else { 1 });
        let lots = prop::collection::vec(lot(two_styles), if two_styles { 1 } else { 2 });
        let items = prop::collection::vec((item(two_styles), any::<bool>()), 2..4);
        let minutes = prop::collection::vec(select(vec![40, 60, 90]), 4);
        (roasters, lots, items, minutes, 0..3_u8).prop_map(
            move |(roasters, lots, items, minutes, stock)| {
                assemble(
                    two_roasters,
                    two_coffees,
                    roasters,
                    lots,
                    items,
                    &minutes,
                    stock == 0,
                )
            },
        )
    })
}

fn assemble(
    two_roasters: bool,
    two_coffees: bool,
    mut roasters: Vec<Value>,
    mut lots: Vec<Value>,
    items: Vec<(Value, bool)>,
    minutes: &[i64],
    stock: bool,
) -> Value {
    let days = if two_roasters { 1 } else { 2 };
    for (n, r) in roasters.iter_mut().enumerate() {
        r["id"] = json!(format!("roaster-{n}"));
        r["available_min"] = json!(minutes[2 * n..2 * n + days]);
    }
    for (n, l) in lots.iter_mut().enumerate() {
        l["id"] = json!(format!("lot-{n}"));
        l["rank"] = json!(n);
        l["coffee"] = json!(if two_coffees && n == 1 {
            "coffee-1"
        } else {
            "coffee-0"
        });
    }
    let mut demand = Vec::new();
    for (n, (mut j, second)) in items.into_iter().enumerate() {
        let named = j["lots"].is_array();
        j["id"] = json!(format!("item-{n}"));
        j["coffee"] = json!(if two_coffees && second && !named {
            "coffee-1"
        } else {
            "coffee-0"
        });
        demand.push(j);
    }
    let mut whole = json!({"format": "roast-plan-instance/1", "name": "tiny", "days": days, "roasters": roasters, "lots": lots, "demand": demand});
    if stock {
        whole["roasted_stock"] = json!([{"id": "stock-0", "lot": "lot-0", "style": "filter", "roasted_day": -1, "mass_g": 700}]);
    }
    whole
}

proptest! {
    #![proptest_config(ProptestConfig { cases: crate::exhaustive::cases(), failure_persistence: None, max_shrink_iters: 0, ..ProptestConfig::default() })]

    #[test]
    fn every_level_is_that_of_the_best_of_all_plans(instance in instance()) {
        let read = Instance::from_json(&instance.to_string()).expect("a legal instance");
        let found = plan(&read);
        let answer: Value = serde_json::from_str(&report::json(&read, &found)).expect("JSON");
        let levels = verify::plan(&instance, &answer);
        let least = best(&instance);
        prop_assert_eq!(levels, least, "{}", instance);
        // The search alone may end above the best plan, never below it or with a bound that the best plan refutes.
        let searched = plan_with(&read, &Options { effort: Effort::Units(20_000), ..Options::default() });
        prop_assert!(searched.levels >= found.levels);
        for answer in [&found, &searched] {
            let values = answer.levels.list().map(i128::from);
            for (n, proof) in answer.proofs.iter().enumerate().filter(|(n, _)| values[..*n] == least[..*n]) {
                prop_assert!(i128::from(proof.bound) <= least[n], "bound of level {}: {}", n + 1, instance);
            }
        }
    }
}

/// 2 000 instances, or as many as `OUTTURN_CASES` says.
pub fn cases() -> u32 {
    std::env::var("OUTTURN_CASES")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(2_000)
}
