//! What a trace's picture is drawn from. Where many batches or bags stand side by side, those of a month are drawn as one.

use std::collections::{BTreeMap, HashMap};

use super::{Stop, Trace};
use crate::book::place::label_of;
use crate::chart;
use crate::mass::Mass;

/// More stops than these at one kind of place are drawn by month.
const SIDE_BY_SIDE: usize = 12;

/// The picture of a trace.
#[must_use]
pub fn picture(trace: &Trace) -> chart::Trace {
    let mut counts: HashMap<&str, usize> = HashMap::new();
    for stop in &trace.stops {
        *counts.entry(stop.place.as_str()).or_default() += 1;
    }
    let mut numbers: BTreeMap<(u8, String, String), usize> = BTreeMap::new();
    let mut boxes: Vec<chart::TraceBox> = Vec::new();
    let mut of = Vec::with_capacity(trace.stops.len());
    for stop in &trace.stops {
        let many = counts[stop.place.as_str()] > SIDE_BY_SIDE;
        let drawn = if many {
            stop.day.month()
        } else {
            stop.key
                .map_or_else(|| stop.lot.to_string(), |key| key.to_string())
        };
        // A storeroom is one box for each lot, a packing of several lots is one.
        let lot = if stop.place == "store" {
            stop.lot.to_string()
        } else {
            String::new()
        };
        let next = boxes.len();
        let at = *numbers
            .entry((column(&stop.place), format!("{}{lot}", stop.place), drawn))
            .or_insert(next);
        if at == next {
            boxes.push(new_box(stop, many));
        } else {
            let place = &mut boxes[at];
            place.stops += 1;
            place.start |= stop.start;
            place.stands = place.stands.plus(stop.stands_g).unwrap_or(Mass::MAX);
        }
        of.push(at);
    }
    let mut ways: BTreeMap<(usize, usize), Mass> = BTreeMap::new();
    for leg in &trace.legs {
        let mass = ways.entry((of[leg.from], of[leg.to])).or_insert(Mass::ZERO);
        *mass = mass.plus(leg.mass_g).unwrap_or(Mass::MAX);
    }
    chart::Trace {
        name: trace.name.clone(),
        boxes,
        ways: ways
            .into_iter()
            .map(|((from, to), mass)| chart::TraceWay { from, to, mass })
            .collect(),
    }
}

fn new_box(stop: &Stop, many: bool) -> chart::TraceBox {
    let name = match stop.place.as_str() {
        _ if many => stop.day.month(),
        "store" => format!("{}, {}", stop.lot_name, stop.name),
        "sample" | "waste" | "air" | "variance" => stop.lot_name.to_string(),
        _ => stop.name.clone(),
    };
    chart::TraceBox {
        column: column(&stop.place),
        kind: label_of(&stop.place).to_owned(),
        name,
        stops: 1,
        start: stop.start,
        stands: stop.stands_g,
    }
}

/// The column of a place: coffee goes from left to right.
fn column(place: &str) -> u8 {
    match place {
        "supplier" => 0,
        "blended" => 2,
        "transit" | "batch" => 3,
        "roasted" => 4,
        "packed" => 5,
        "shipped" => 6,
        "sample" | "waste" | "air" | "variance" => 7,
        _ => 1,
    }
}
