//! The plan as a table for a terminal.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::{gap, grams, kilograms, kilograms_of};
use crate::planner::cover::covers;
use crate::planner::instance::{Batch, Instance};
use crate::planner::plan::{Cover, Plan, Reason};

/// The plan as readable text: runs per day and roaster, what one batch less of each would cost and save, what stays short
/// and why, the five levels.
#[must_use]
pub fn table(instance: &Instance, plan: &Plan) -> String {
    let mut out = String::new();
    runs(&mut out, instance, plan);
    short(&mut out, plan);
    levels(&mut out, plan);
    out
}

/// Charges of the batches that share day, roaster, lot and style.
pub(super) fn by_run(batches: &[Batch]) -> BTreeMap<(i64, &str, &str, &str), Vec<i64>> {
    let mut runs: BTreeMap<(i64, &str, &str, &str), Vec<i64>> = BTreeMap::new();
    for b in batches {
        runs.entry((b.day, &b.roaster, &b.lot, &b.style))
            .or_default()
            .push(b.charge_g);
    }
    runs
}

/// What the last batch of each run alone covers.
fn one_less<'a>(
    instance: &Instance,
    plan: &'a Plan,
) -> BTreeMap<(i64, &'a str, &'a str, &'a str), Cover> {
    let covers = covers(instance, plan);
    let key = |b: &'a Batch| (b.day, &*b.roaster, &*b.lot, &*b.style);
    plan.batches.iter().map(key).zip(covers).collect()
}

fn runs(out: &mut String, instance: &Instance, plan: &Plan) {
    let pinned = by_run(&plan.batches[..plan.pinned]);
    let less = one_less(instance, plan);
    let mut rows = vec![
        [
            "day",
            "roaster",
            "lot",
            "coffee",
            "style",
            "batches",
            "charges kg",
            "one less: short kg",
            "min saved",
            "",
        ]
        .map(str::to_owned),
    ];
    for (key, charges) in by_run(&plan.batches) {
        let (day, roaster, lot, style) = key;
        let coffee = instance
            .lots
            .iter()
            .find(|l| l.id == lot)
            .map_or("", |l| &l.coffee);
        let mark = pinned
            .get(&key)
            .map_or(String::new(), |p| format!("{} pinned", p.len()));
        let charges: Vec<String> = charges.iter().map(|g| kilograms(*g)).collect();
        rows.push([
            day.to_string(),
            roaster.to_owned(),
            lot.to_owned(),
            coffee.to_owned(),
            style.to_owned(),
            charges.len().to_string(),
            charges.join(" "),
            kilograms_of(less[&key].short.iter().map(|m| m.units).sum()),
            less[&key].minutes.to_string(),
            mark,
        ]);
    }
    aligned(out, &rows);
}

fn aligned<const N: usize>(out: &mut String, rows: &[[String; N]]) {
    let width = |column: usize| {
        rows.iter()
            .map(|r| r[column].chars().count())
            .max()
            .unwrap_or(0)
    };
    let widths: Vec<usize> = (0..N).map(width).collect();
    for row in rows {
        let cells: Vec<String> = row
            .iter()
            .zip(&widths)
            .map(|(cell, w)| format!("{cell:<w$}"))
            .collect();
        let _ = writeln!(out, "{}", cells.join("  ").trim_end());
    }
}

fn short(out: &mut String, plan: &Plan) {
    if plan.short.is_empty() {
        let _ = writeln!(out, "\nNothing is short.");
        return;
    }
    let _ = writeln!(out);
    let mut rows = vec![["short", "kg", "because"].map(str::to_owned)];
    for s in &plan.short {
        rows.push([
            s.item.clone(),
            kilograms_of(s.units),
            because(s.reason).to_owned(),
        ]);
    }
    aligned(out, &rows);
}

fn because(reason: Reason) -> &'static str {
    match reason {
        Reason::NoStream => "no stock and no possible batch reaches it",
        Reason::Green => "the green of its lots is used up",
        Reason::Minutes => "the minutes of its days are used up",
    }
}

fn levels(out: &mut String, plan: &Plan) {
    let names = [
        "short, weighted g",
        "roaster min",
        "stranded g",
        "green g by rank",
        "age g days",
    ];
    let in_units = [true, false, false, false, true];
    let mut rows = vec![["level", "value", "bound", "gap"].map(str::to_owned)];
    for ((name, proof), units) in names.into_iter().zip(&plan.proofs).zip(in_units) {
        let show = |n: i64| if units { grams(n) } else { n.to_string() };
        let gap = if proof.proved() {
            "proved".to_owned()
        } else {
            gap(proof.value, proof.bound)
        };
        rows.push([name.to_owned(), show(proof.value), show(proof.bound), gap]);
    }
    let _ = writeln!(out);
    aligned(out, &rows);
    if plan.stopped {
        let _ = writeln!(out, "The search was stopped before its effort was spent.");
    }
}
