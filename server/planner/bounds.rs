//! Lower bounds on the levels (model section 7), each valid by itself and found without a solver.

use super::plan::Levels;
use super::problem::{Problem, Want};

/// Bounds on the five levels for the instance, given nothing but the levels that a plan has reached before each.
pub(super) fn levels(problem: &Problem, reached: &Levels) -> Levels {
    let short_units = shortage(problem);
    if short_units < reached.short_units {
        return Levels {
            short_units,
            minutes: problem.pinned_minutes,
            ..Levels::default()
        };
    }
    Levels {
        short_units,
        minutes: problem.pinned_minutes,
        ..Levels::default()
    }
}

/// L1: what nothing can reach, and per coffee what its green cannot make at the best yields, least weighty first.
fn shortage(problem: &Problem) -> i64 {
    let green: i64 = (0..problem.coffees.len())
        .map(|c| green_shortage(problem, c))
        .sum();
    problem.hopeless_units + green
}

fn green_shortage(problem: &Problem, coffee: usize) -> i64 {
    let families = || {
        problem.coffees[coffee]
            .families
            .iter()
            .map(|f| &problem.families[*f])
    };
    let mut items: Vec<&Want> = families().flat_map(|f| &f.items).collect();
    items.sort_by_key(|w| w.priority);
    let best = |lot: &usize| {
        families()
            .flat_map(|f| &f.ways)
            .filter(|w| w.lot == *lot)
            .map(|w| w.rate)
            .max()
            .unwrap_or(0)
    };
    let made: i64 = problem.coffees[coffee]
        .lots
        .iter()
        .map(|l| problem.lots[*l].green * best(l))
        .sum();
    let fixed: i64 = families().flat_map(|f| &f.fixed).map(|s| s.units).sum();
    let mut missing = items.iter().map(|w| w.units).sum::<i64>() - made - fixed;
    let mut weighted = 0;
    for want in items {
        let part = missing.clamp(0, want.units);
        weighted += part * want.priority;
        missing -= part;
    }
    weighted
}
