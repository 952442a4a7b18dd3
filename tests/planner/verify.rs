//! An independent verifier. It reads the JSON of an instance and of a plan, knows nothing of the planner's types, and
//! recomputes the five levels in whole numbers: once from the plan's own flows, once from the best flows, which it finds
//! by successive shortest paths (Bellman and Ford) instead of the planner's matroid argument.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

/// The levels: weighted shortage in 0.1 mg, minutes, stranded g, weighted green g, age in 0.1 mg days.
pub type Levels = [i128; 5];

fn whole(v: &Value, name: &str) -> i128 {
    i128::from(
        v[name]
            .as_i64()
            .unwrap_or_else(|| panic!("{name} of {v} is whole")),
    )
}

fn whole_or(v: &Value, name: &str, absent: i128) -> i128 {
    v[name].as_i64().map_or(absent, i128::from)
}

fn text<'a>(v: &'a Value, name: &str) -> &'a str {
    v[name]
        .as_str()
        .unwrap_or_else(|| panic!("{name} of {v} is a text"))
}

fn list(v: &Value, name: &str) -> Vec<Value> {
    v[name].as_array().cloned().unwrap_or_default()
}

/// A decimal number as whole ten-thousandths; its text must not have more than four decimals.
fn ten_thousandths(v: &Value) -> i128 {
    let text = v.to_string();
    let (units, decimals) = text.split_once('.').unwrap_or((&text, ""));
    assert!(decimals.len() <= 4, "{text} has at most four decimals");
    format!("{units}{decimals:0<4}")
        .parse()
        .expect("a decimal number")
}

fn by_id(instance: &Value, name: &str) -> BTreeMap<String, Value> {
    list(instance, name)
        .into_iter()
        .map(|v| (text(&v, "id").to_owned(), v))
        .collect()
}

fn may_roast(roaster: &Value, style: &str) -> bool {
    roaster["styles"]
        .as_array()
        .is_none_or(|s| s.iter().any(|x| x == style))
}

/// Ten-thousandths of yield of a lot on a roaster in a style.
pub fn yield_of(lot: &Value, roaster: &Value, style: &str) -> Option<i128> {
    let lines = list(lot, "yields");
    let matching = |own: bool| {
        lines.iter().find(|y| {
            y["style"] == style
                && if own {
                    y["roaster"] == roaster["id"]
                } else {
                    y["roaster"].is_null()
                }
        })
    };
    let line = matching(true).or_else(|| matching(false))?;
    may_roast(roaster, style).then(|| ten_thousandths(&line["yield"]))
}

/// The charge limits of a lot on a roaster.
fn limits(lot: &Value, roaster: &Value) -> (i128, i128) {
    let own = list(lot, "charge_limits")
        .into_iter()
        .find(|c| c["roaster"] == roaster["id"]);
    let from = own.as_ref().unwrap_or(roaster);
    (whole(from, "min_charge_g"), whole(from, "max_charge_g"))
}

fn accepts(item: &Value, lot: &Value, style: &str, day: i128) -> bool {
    item["coffee"] == lot["coffee"]
        && item["style"] == style
        && whole(item, "roast_from_day") <= day
        && day <= whole(item, "roast_to_day")
        && item["lots"]
            .as_array()
            .is_none_or(|l| l.contains(&lot["id"]))
}

/// What the batches of a plan make and take.
pub struct Made {
    pub minutes: i128,
    pub used: BTreeMap<String, i128>,
    pub output: BTreeMap<(i128, String, String), i128>,
}

/// Checks every hard rule of the batches; broken ones are added to `bad`.
pub fn batches(instance: &Value, batches: &[Value], bad: &mut Vec<String>) -> Made {
    let (roasters, lots) = (by_id(instance, "roasters"), by_id(instance, "lots"));
    let mut made = Made {
        minutes: 0,
        used: BTreeMap::new(),
        output: BTreeMap::new(),
    };
    let mut days: BTreeMap<(String, i128), (i128, BTreeSet<(String, String)>)> = BTreeMap::new();
    for b in batches {
        let (roaster, lot) = (&roasters[text(b, "roaster")], &lots[text(b, "lot")]);
        let (day, charge, style) = (whole(b, "day"), whole(b, "charge_g"), text(b, "style"));
        let (low, high) = limits(lot, roaster);
        if !(0..whole(instance, "days")).contains(&day)
            || day < whole_or(lot, "available_from_day", 0)
        {
            bad.push(format!("{b}: day"));
        }
        if charge < low || charge > high || charge % whole(roaster, "charge_step_g") != 0 {
            bad.push(format!("{b}: charge"));
        }
        let Some(y) = yield_of(lot, roaster, style) else {
            bad.push(format!("{b}: no yield"));
            continue;
        };
        *made.used.entry(text(b, "lot").to_owned()).or_default() += charge;
        *made
            .output
            .entry((day, text(b, "lot").to_owned(), style.to_owned()))
            .or_default() += charge * y;
        let there = days
            .entry((text(b, "roaster").to_owned(), day))
            .or_default();
        there.0 += 1;
        there
            .1
            .insert((text(b, "lot").to_owned(), style.to_owned()));
    }
    minutes(instance, &roasters, &days, &mut made, bad);
    for (lot, grams) in &made.used {
        if *grams > whole(&lots[lot], "available_g") {
            bad.push(format!("{lot}: {grams} g charged"));
        }
    }
    pins_and_splits(instance, &roasters, batches, bad);
    made
}

type Days = BTreeMap<(String, i128), (i128, BTreeSet<(String, String)>)>;

fn minutes(
    instance: &Value,
    roasters: &BTreeMap<String, Value>,
    days: &Days,
    made: &mut Made,
    bad: &mut Vec<String>,
) {
    let mut crew: BTreeMap<i128, i128> = BTreeMap::new();
    for ((id, day), (count, streams)) in days {
        let r = &roasters[id];
        let hot = list(r, "hot_days")
            .iter()
            .any(|h| h.as_i64().map(i128::from) == Some(*day));
        let start = if hot {
            0
        } else {
            whole_or(r, "startup_min", 0)
        };
        let streams = i128::try_from(streams.len()).expect("small");
        let minutes =
            count * whole(r, "cycle_min") + streams * whole_or(r, "changeover_min", 0) + start;
        let index = usize::try_from(*day).expect("a day");
        if minutes > i128::from(r["available_min"][index].as_i64().expect("minutes")) {
            bad.push(format!("{id} day {day}: {minutes} min"));
        }
        made.minutes += minutes;
        *crew.entry(*day).or_default() += minutes;
    }
    for (day, minutes) in crew {
        let limit = instance["crew_min"]
            .get(usize::try_from(day).expect("a day"))
            .and_then(Value::as_i64);
        if limit.is_some_and(|l| minutes > i128::from(l)) {
            bad.push(format!("crew day {day}: {minutes} min"));
        }
    }
}

/// Pinned batches must all be there; the other charges of a stream differ by at most one step.
fn pins_and_splits(
    instance: &Value,
    roasters: &BTreeMap<String, Value>,
    batches: &[Value],
    bad: &mut Vec<String>,
) {
    let mut free: Vec<Value> = batches.to_vec();
    for pin in list(instance, "pinned") {
        match free.iter().position(|b| *b == pin) {
            Some(n) => drop(free.remove(n)),
            None => bad.push(format!("{pin}: pinned and missing")),
        }
    }
    let mut streams: BTreeMap<String, (String, Vec<i128>)> = BTreeMap::new();
    for b in &free {
        let key = format!("{}/{}/{}/{}", b["roaster"], b["day"], b["lot"], b["style"]);
        streams
            .entry(key)
            .or_insert_with(|| (text(b, "roaster").to_owned(), Vec::new()))
            .1
            .push(whole(b, "charge_g"));
    }
    for (key, (roaster, charges)) in streams {
        let spread = charges.iter().max().expect("one") - charges.iter().min().expect("one");
        if spread > whole(&roasters[&roaster], "charge_step_g") {
            bad.push(format!("{key}: uneven charges {charges:?}"));
        }
    }
}

/// A supply: day, lot, style, units of 0.1 mg.
type Supply = (i128, String, String, i128);

fn supplies(instance: &Value, made: &Made) -> Vec<Supply> {
    let mut all: Vec<Supply> = made
        .output
        .iter()
        .map(|((d, l, s), u)| (*d, l.clone(), s.clone(), *u))
        .collect();
    for s in list(instance, "roasted_stock") {
        let units = whole(&s, "mass_g") * 10_000;
        all.push((
            whole(&s, "roasted_day"),
            text(&s, "lot").to_owned(),
            text(&s, "style").to_owned(),
            units,
        ));
    }
    all
}

/// L3 and L4 from the green used.
fn green_levels(instance: &Value, used: &BTreeMap<String, i128>) -> (i128, i128) {
    let roasters = list(instance, "roasters");
    let lots = list(instance, "lots");
    let (mut stranded, mut weighted) = (0, 0);
    for lot in &lots {
        let used = used.get(text(lot, "id")).copied().unwrap_or(0);
        let left = whole(lot, "available_g") - used;
        let styles: Vec<Value> = list(lot, "yields")
            .iter()
            .map(|y| y["style"].clone())
            .collect();
        let able: Vec<&Value> = roasters
            .iter()
            .filter(|r| {
                styles
                    .iter()
                    .any(|s| yield_of(lot, r, s.as_str().expect("text")).is_some())
            })
            .collect();
        let least = |r: &Value| {
            let step = whole(r, "charge_step_g");
            (limits(lot, r).0 + step - 1) / step * step
        };
        let tail = able.iter().map(|r| least(r)).min().unwrap_or(0);
        let dust = able
            .iter()
            .map(|r| whole(r, "charge_step_g"))
            .min()
            .unwrap_or(1)
            - 1;
        if dust < left && left < tail {
            stranded += left;
        }
        let ranks: BTreeSet<i64> = lots
            .iter()
            .filter(|l| l["coffee"] == lot["coffee"])
            .map(|l| l["rank"].as_i64().expect("rank"))
            .collect();
        let older = ranks.range(..lot["rank"].as_i64().expect("rank")).count();
        weighted += (20 + i128::try_from(older).expect("small")) * used;
    }
    (stranded, weighted)
}

/// The levels of batches with the best flows.
pub fn best_levels(instance: &Value, made: &Made) -> Levels {
    let items = list(instance, "demand");
    let lots = by_id(instance, "lots");
    let supplies = supplies(instance, made);
    let (short, age) = best_flows(&items, &lots, &supplies);
    let (stranded, weighted) = green_levels(instance, &made.used);
    [short, made.minutes, stranded, weighted, age]
}

/// Least weighted shortage, then least age, by repeated cheapest augmenting paths: an arc costs its age less a price per
/// unit of priority that is larger than any sum of ages along a path.
fn best_flows(
    items: &[Value],
    lots: &BTreeMap<String, Value>,
    supplies: &[Supply],
) -> (i128, i128) {
    const PRICE: i128 = 1_000_000_000;
    let (m, n) = (supplies.len(), items.len());
    let mut rest: Vec<i128> = supplies.iter().map(|s| s.3).collect();
    let mut open: Vec<i128> = items
        .iter()
        .map(|j| whole(j, "roasted_g") * 10_000)
        .collect();
    let mut flow = vec![vec![0_i128; n]; m];
    let linked = |s: usize, j: usize| {
        accepts(
            &items[j],
            &lots[&supplies[s].1],
            &supplies[s].2,
            supplies[s].0,
        )
    };
    let cost = |s: usize, j: usize| {
        whole(&items[j], "ship_day") - supplies[s].0 - PRICE * whole(&items[j], "priority")
    };
    loop {
        let mut to_supply: Vec<Option<i128>> = rest.iter().map(|r| (*r > 0).then_some(0)).collect();
        let mut to_item: Vec<Option<i128>> = vec![None; n];
        let (mut from_item, mut from_supply) = (vec![None; m], vec![0; n]);
        for _ in 0..=m + n {
            for s in 0..m {
                for j in 0..n {
                    if let Some(c) = to_supply[s]
                        && linked(s, j)
                        && to_item[j].is_none_or(|o| c + cost(s, j) < o)
                    {
                        (to_item[j], from_supply[j]) = (Some(c + cost(s, j)), s);
                    }
                    if let Some(c) = to_item[j]
                        && flow[s][j] > 0
                        && to_supply[s].is_none_or(|o| c - cost(s, j) < o)
                    {
                        (to_supply[s], from_item[s]) = (Some(c - cost(s, j)), Some(j));
                    }
                }
            }
        }
        let Some(end) = (0..n)
            .filter(|j| open[*j] > 0 && to_item[*j].is_some())
            .min_by_key(|j| to_item[*j])
        else {
            break;
        };
        if to_item[end].is_some_and(|c| c >= 0) {
            break;
        }
        let (mut units, mut j, mut path) = (open[end], end, Vec::new());
        loop {
            let s = from_supply[j];
            path.push((s, j, 1));
            let Some(back) = from_item[s] else {
                units = units.min(rest[s]);
                rest[s] -= 0;
                break;
            };
            units = units.min(flow[s][back]);
            path.push((s, back, -1));
            j = back;
        }
        let first = path[path.len() - 1].0;
        for (s, j, sign) in path {
            flow[s][j] += sign * units;
        }
        rest[first] -= units;
        open[end] -= units;
    }
    let short = items
        .iter()
        .zip(&open)
        .map(|(j, o)| whole(j, "priority") * o)
        .sum();
    let age = (0..m)
        .flat_map(|s| (0..n).map(move |j| (s, j)))
        .map(|(s, j)| flow[s][j] * (whole(&items[j], "ship_day") - supplies[s].0))
        .sum();
    (short, age)
}

/// The levels of a plan by its own flows, which must keep every rule.
pub fn own_levels(instance: &Value, plan: &Value, made: &Made, bad: &mut Vec<String>) -> Levels {
    let items = by_id(instance, "demand");
    let lots = by_id(instance, "lots");
    let stocks = by_id(instance, "roasted_stock");
    let mut left: BTreeMap<String, i128> = BTreeMap::new();
    for ((day, lot, style), units) in &made.output {
        left.insert(format!("{day}/{lot}/{style}"), *units);
    }
    for (id, s) in &stocks {
        left.insert(id.clone(), whole(s, "mass_g") * 10_000);
    }
    let mut open: BTreeMap<&str, i128> = items
        .iter()
        .map(|(id, j)| (id.as_str(), whole(j, "roasted_g") * 10_000))
        .collect();
    let mut age = 0;
    for f in list(plan, "flows") {
        let (item, units) = (&items[text(&f, "demand")], ten_thousandths(&f["mass_g"]));
        let stock = f["stock"].as_str().map(|id| &stocks[id]);
        let (day, source) = match stock {
            Some(s) => (whole(s, "roasted_day"), text(s, "id").to_owned()),
            None => (
                whole(&f, "day"),
                format!(
                    "{}/{}/{}",
                    whole(&f, "day"),
                    text(&f, "lot"),
                    text(&f, "style")
                ),
            ),
        };
        let from = stock.unwrap_or(&f);
        if units < 0 || !accepts(item, &lots[text(from, "lot")], text(from, "style"), day) {
            bad.push(format!("{f}: not for this item"));
        }
        *left.entry(source).or_default() -= units;
        *open.get_mut(text(&f, "demand")).expect("known") -= units;
        age += units * (whole(item, "ship_day") - day);
    }
    if left.values().chain(open.values()).any(|u| *u < 0) {
        bad.push("more flows than there is, or than is wanted".into());
    }
    let short = open
        .iter()
        .map(|(id, units)| whole(&items[*id], "priority") * units)
        .sum();
    let (stranded, weighted) = green_levels(instance, &made.used);
    [short, made.minutes, stranded, weighted, age]
}

/// Checks a plan through and gives its levels.
///
/// # Panics
/// If a rule is broken, the flows are not the best, or the plan says other levels than it has.
pub fn plan(instance: &Value, plan: &Value) -> Levels {
    let mut bad = Vec::new();
    let made = batches(instance, &list(plan, "batches"), &mut bad);
    let own = own_levels(instance, plan, &made, &mut bad);
    assert!(bad.is_empty(), "{}: {bad:?}", instance["name"]);
    assert_eq!(
        own,
        best_levels(instance, &made),
        "{}: the flows are the best ones",
        instance["name"]
    );
    let said = &plan["levels"];
    let stated = [
        ten_thousandths(&said["L1_weighted_short_g"]),
        whole(said, "L2_roaster_min"),
        whole(said, "L3_stranded_g"),
        whole(said, "L4_rank_weighted_green_g"),
        ten_thousandths(&said["L5_age_g_days"]),
    ];
    assert_eq!(
        own, stated,
        "{}: the plan says the levels that it has",
        instance["name"]
    );
    for (n, proof) in list(plan, "proofs").iter().enumerate() {
        assert!(
            proof["bound"].as_f64() <= proof["value"].as_f64(),
            "{}: bound of level {}",
            instance["name"],
            n + 1
        );
    }
    own
}
