//! A replayed log as a table to read on a terminal: one line per lot and style, then what stood out.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::csv::LoggedBatch;
use super::learner::Learner;
use super::range::Outcome;
use super::uncertainty::Running;

/// Text table of a replayed log.
#[must_use]
pub fn text_table(batches: &[LoggedBatch], learner: &Learner) -> String {
    let mut out = String::new();
    lots(&mut out, batches, learner);
    odd_batches(&mut out, batches, learner);
    notices(&mut out, batches, learner);
    out
}

fn lots(out: &mut String, batches: &[LoggedBatch], learner: &Learner) {
    let mut groups: BTreeMap<(&str, &str), (Running, usize, [f64; 2])> = BTreeMap::new();
    for (logged, judged) in batches.iter().zip(learner.judged()) {
        let key = (logged.batch.lot.id.as_str(), logged.batch.style.id.as_str());
        let group = groups.entry(key).or_default();
        if judged.learned {
            group.0.push(judged.verdict.loss);
        }
        group.1 += usize::from(judged.verdict.outcome != Outcome::Ok);
        group.2 = [judged.verdict.lo, judged.verdict.hi];
    }
    let _ = writeln!(
        out,
        "{:<24} {:<12} {:>7} {:>7} {:>6} {:>16} {:>7}",
        "lot", "style", "learned", "loss %", "sd", "last range %", "flagged"
    );
    for ((lot, style), (losses, flagged, [lo, hi])) in groups {
        let sd = losses
            .sd()
            .map_or(String::new(), |sd| format!("{:.2}", 100.0 * sd));
        let mean = if losses.count() > 0 {
            format!("{:.2}", 100.0 * losses.mean())
        } else {
            String::new()
        };
        let range = format!("{:.1} to {:.1}", 100.0 * lo, 100.0 * hi);
        let _ = writeln!(
            out,
            "{lot:<24} {style:<12} {:>7} {mean:>7} {sd:>6} {range:>16} {flagged:>7}",
            losses.count()
        );
    }
}

fn odd_batches(out: &mut String, batches: &[LoggedBatch], learner: &Learner) {
    let _ = writeln!(out, "\nflagged batches");
    for (logged, judged) in batches.iter().zip(learner.judged()) {
        let v = &judged.verdict;
        if v.outcome == Outcome::Ok {
            continue;
        }
        let why = judged.explanations.first().map_or(String::new(), |e| {
            format!(
                "; likeliest: {} ({:.0} %)",
                e.cause.words(),
                100.0 * e.probability
            )
        });
        let b = &logged.batch;
        let _ = writeln!(
            out,
            "{} {} {}: {} loss, {:.2} % where {:.2} to {:.2} was expected{why}",
            b.id,
            b.lot.id,
            b.style.id,
            v.outcome.word(),
            100.0 * v.loss,
            100.0 * v.lo,
            100.0 * v.hi
        );
    }
}

fn notices(out: &mut String, batches: &[LoggedBatch], learner: &Learner) {
    let _ = writeln!(out, "\ndrift notices");
    for notice in learner.notices() {
        let id = |place: usize| {
            batches
                .get(place)
                .map_or("", |logged| logged.batch.id.as_str())
        };
        let (kind, name) = match &notice.channel {
            super::Channel::Lot(name) => ("lot", name),
            super::Channel::Roaster(name) => ("roaster", name),
        };
        let _ = writeln!(
            out,
            "{kind} {name}: {:+.2} points of loss since batch {}, noticed at {}",
            100.0 * notice.loss_change,
            id(notice.since_place),
            id(notice.raised_place)
        );
    }
}
