//! The plan as JSON.

use serde::Serialize;

use super::grams;
use crate::planner::cover::covers;
use crate::planner::instance::{Batch, Instance};
use crate::planner::plan::{Cover, Missed, Plan, Reason, Source};

#[derive(Serialize)]
struct Whole<'a> {
    instance: &'a str,
    batches: &'a [Batch],
    pinned: usize,
    covers: Vec<CoverLine<'a>>,
    flows: Vec<FlowLine<'a>>,
    short: Vec<ShortLine<'a>>,
    levels: LevelLines,
    proofs: Vec<ProofLine>,
    effort: u64,
    stopped: bool,
}

#[derive(Serialize)]
#[serde(untagged)]
enum FlowLine<'a> {
    Batches {
        day: i64,
        lot: &'a str,
        style: &'a str,
        demand: &'a str,
        mass_g: f64,
    },
    Stock {
        stock: &'a str,
        demand: &'a str,
        mass_g: f64,
    },
}

/// What only the batch at the same place of the list covers.
#[derive(Serialize)]
struct CoverLine<'a> {
    minutes_saved_without: i64,
    short_without: Vec<MissedLine<'a>>,
}

#[derive(Serialize)]
struct MissedLine<'a> {
    demand: &'a str,
    mass_g: f64,
}

#[derive(Serialize)]
struct ShortLine<'a> {
    demand: &'a str,
    mass_g: f64,
    reason: &'static str,
}

#[derive(Serialize)]
#[expect(non_snake_case, reason = "the form's own field names")]
struct LevelLines {
    L1_weighted_short_g: f64,
    L2_roaster_min: i64,
    L3_stranded_g: i64,
    L4_rank_weighted_green_g: i64,
    L5_age_g_days: f64,
}

#[derive(Serialize)]
struct ProofLine {
    level: &'static str,
    value: f64,
    bound: f64,
    gap: f64,
    proved: bool,
}

/// The plan as one JSON object: batches and what only each of them covers, flows, short items with reasons, levels, and per
/// level bound, gap and whether it is proved.
///
/// # Panics
/// Never: the values are numbers and texts.
#[must_use]
pub fn json(instance: &Instance, plan: &Plan) -> String {
    let covers = covers(instance, plan);
    let whole = Whole {
        instance: &instance.name,
        batches: &plan.batches,
        pinned: plan.pinned,
        covers: covers.iter().map(cover_line).collect(),
        flows: plan.flows.iter().map(flow_line).collect(),
        short: plan
            .short
            .iter()
            .map(|s| ShortLine {
                demand: &s.item,
                mass_g: number(&grams(s.units)),
                reason: reason(s.reason),
            })
            .collect(),
        levels: LevelLines {
            L1_weighted_short_g: number(&grams(plan.levels.short_units)),
            L2_roaster_min: plan.levels.minutes,
            L3_stranded_g: plan.levels.stranded_g,
            L4_rank_weighted_green_g: plan.levels.weighted_green_g,
            L5_age_g_days: number(&grams(plan.levels.age_units)),
        },
        proofs: proofs(plan),
        effort: plan.effort,
        stopped: plan.stopped,
    };
    serde_json::to_string_pretty(&whole).expect("numbers and texts can be written")
}

fn cover_line(cover: &Cover) -> CoverLine<'_> {
    let missed = |m: &Missed| number(&grams(m.units));
    let lines = cover.short.iter().map(|m| MissedLine {
        demand: &m.item,
        mass_g: missed(m),
    });
    CoverLine {
        minutes_saved_without: cover.minutes,
        short_without: lines.collect(),
    }
}

fn flow_line(flow: &crate::planner::plan::Flow) -> FlowLine<'_> {
    let (demand, mass_g) = (flow.item.as_str(), number(&grams(flow.units)));
    match &flow.source {
        Source::Batches { day, lot, style } => FlowLine::Batches {
            day: *day,
            lot,
            style,
            demand,
            mass_g,
        },
        Source::Stock(stock) => FlowLine::Stock {
            stock,
            demand,
            mass_g,
        },
    }
}

fn reason(reason: Reason) -> &'static str {
    match reason {
        Reason::NoStream => "no stream reaches it",
        Reason::Green => "green",
        Reason::Minutes => "minutes",
    }
}

fn proofs(plan: &Plan) -> Vec<ProofLine> {
    let names = ["L1", "L2", "L3", "L4", "L5"];
    let in_units = [true, false, false, false, true];
    let mut lines = Vec::new();
    for ((name, proof), units) in names.into_iter().zip(&plan.proofs).zip(in_units) {
        let show = |n: i64| number(&if units { grams(n) } else { n.to_string() });
        let (value, bound) = (show(proof.value), show(proof.bound));
        let gap = if proof.proved() {
            0.0
        } else {
            (value - bound) / value
        };
        lines.push(ProofLine {
            level: name,
            value,
            bound,
            gap,
            proved: proof.proved(),
        });
    }
    lines
}

/// A decimal text as a number; at most 15 digits, so that nothing is lost.
fn number(text: &str) -> f64 {
    text.parse().unwrap_or(0.0)
}
