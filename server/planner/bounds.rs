//! Lower bounds on the levels (model section 7), each found without a solver and valid given the values that a plan has
//! reached at the levels before.
//!
//! What a plan leaves short beyond the hopeless items, weighted S, may be missing anywhere: a set of items whose lightest
//! weight is p can be short of S / p at most, and every need below is less by that.

use super::build::ceil_div;
use super::plan::Levels;
use super::problem::{Family, Problem, Want, Way};

/// Longer plans get the bound of their whole length only: intervals grow with the square of the days.
const MOST_INTERVAL_DAYS: usize = 60;
/// Sets of batches tried one by one in a covering; beyond it the fractional bound serves.
const MOST_COVERINGS: i64 = 3_000;

/// Bounds on the five levels.
pub(super) fn levels(problem: &Problem, reached: &Levels) -> Levels {
    let short_units = shortage(problem);
    let extra = reached.short_units - problem.hopeless_units;
    Levels {
        short_units,
        minutes: minutes(problem, extra),
        stranded_g: stranded(problem),
        weighted_green_g: weighted_green(problem, extra),
        age_units: age(problem, extra),
    }
}

/// L1: what nothing can reach, and per coffee what its green cannot make at the best yields, least weighty first.
pub(super) fn shortage(problem: &Problem) -> i64 {
    let green: i64 = (0..problem.coffees.len())
        .map(|c| green_shortage(problem, c))
        .sum();
    problem.hopeless_units + green
}

fn families<'a>(problem: &'a Problem, coffee: usize) -> impl Iterator<Item = &'a Family<'a>> {
    let families = &problem.coffees[coffee].families;
    families.iter().map(|f| &problem.families[*f])
}

/// Units that the items of a coffee want.
pub(super) fn wanted(problem: &Problem, coffee: usize) -> i64 {
    let items = families(problem, coffee).flat_map(|f| &f.items);
    items.map(|w| w.units).sum()
}

/// Units that the green of a coffee makes at the best yields.
pub(super) fn green_made(problem: &Problem, coffee: usize) -> i64 {
    let best = |lot: &usize| {
        let ways = families(problem, coffee).flat_map(|f| &f.ways);
        let of_lot = ways.filter(|w| w.lot == *lot);
        problem.lots[*lot].green * of_lot.map(|w| w.rate).max().unwrap_or(0)
    };
    problem.coffees[coffee].lots.iter().map(best).sum()
}

fn green_shortage(problem: &Problem, coffee: usize) -> i64 {
    let mut items: Vec<&Want> = families(problem, coffee).flat_map(|f| &f.items).collect();
    items.sort_by_key(|w| w.priority);
    let supplies = families(problem, coffee).flat_map(|f| &f.fixed);
    let fixed: i64 = supplies.map(|s| s.units).sum();
    let mut missing = wanted(problem, coffee) - green_made(problem, coffee) - fixed;
    let mut weighted = 0;
    for want in items {
        let part = missing.clamp(0, want.units);
        weighted += part * want.priority;
        missing -= part;
    }
    weighted
}

/// Days a..=b and the minutes that batches and change-overs of one family need there at least.
struct Interval {
    first: usize,
    last: usize,
    minutes: i64,
}

/// L2: pinned minutes, per family the heaviest set of disjoint intervals, and the start-ups that all of it needs.
fn minutes(problem: &Problem, extra: i64) -> i64 {
    let families: Vec<Vec<Interval>> = problem
        .families
        .iter()
        .map(|f| intervals(problem, f, extra))
        .collect();
    let end = problem.days - 1;
    let batches: i64 = families.iter().map(|i| heaviest(i, 0, end)).sum();
    problem.pinned_minutes + batches + heaviest(&starts(problem, &families), 0, end)
}

/// The heaviest set of disjoint intervals inside first..=last.
fn heaviest(intervals: &[Interval], first: usize, last: usize) -> i64 {
    let mut best = vec![0; last + 2 - first];
    for day in first..=last {
        let at = day - first;
        let ending = intervals
            .iter()
            .filter(|i| i.last == day && i.first >= first);
        best[at + 1] = ending
            .map(|i| i.minutes + best[i.first - first])
            .fold(best[at], i64::max);
    }
    best[last + 1 - first]
}

/// For every interval of days the least minutes of batches that what must be roasted within it needs.
fn intervals(problem: &Problem, family: &Family, extra: i64) -> Vec<Interval> {
    let windows: Vec<(usize, usize, &Want)> = family
        .items
        .iter()
        .map(|w| (problem.plan_days(w), w))
        .filter(|(d, _)| !d.is_empty())
        .map(|(d, w)| (d.start, d.end - 1, w))
        .collect();
    let mut firsts: Vec<usize> = windows.iter().map(|w| w.0).collect();
    let mut lasts: Vec<usize> = windows.iter().map(|w| w.1).collect();
    firsts.sort_unstable();
    firsts.dedup();
    lasts.sort_unstable();
    lasts.dedup();
    let mut found = Vec::new();
    for first in &firsts {
        for last in lasts.iter().filter(|l| *l >= first) {
            let inside: Vec<&Want> = windows
                .iter()
                .filter(|w| w.0 >= *first && w.1 <= *last)
                .map(|w| w.2)
                .collect();
            let minutes = interval_minutes(problem, family, &inside, extra);
            if minutes > 0 {
                found.push(Interval {
                    first: *first,
                    last: *last,
                    minutes,
                });
            }
        }
    }
    found
}

fn interval_minutes(problem: &Problem, family: &Family, inside: &[&Want], extra: i64) -> i64 {
    let Some(lightest) = inside.iter().map(|w| w.priority).min() else {
        return 0;
    };
    // Stock and pinned output might serve any of the intervals: taken off each of them.
    let fixed: i64 = family.fixed.iter().map(|s| s.units).sum();
    let need = inside.iter().map(|w| w.units).sum::<i64>() - fixed - extra / lightest;
    let ways: Vec<&Way> = family
        .ways
        .iter()
        .filter(|way| inside.iter().any(|w| problem.way_reaches(way, w)))
        .collect();
    if need <= 0 || ways.is_empty() {
        return 0;
    }
    let full = |w: &Way| {
        (
            w.most.min(problem.lots[w.lot].green / w.step * w.step) * w.rate,
            w.cycle,
        )
    };
    let batches: Vec<(i64, i64)> = ways.iter().map(|w| full(w)).collect();
    let change = if family.paid.is_empty() {
        ways.iter().map(|w| w.change).min().unwrap_or(0)
    } else {
        0
    };
    cover(need, &batches) + change * lots_needed(problem, &ways, need)
}

/// Least minutes of a set of full batches (units, minutes) that reach the need: an unbounded covering knapsack.
fn cover(need: i64, batches: &[(i64, i64)]) -> i64 {
    let worse = |a: &(i64, i64), b: &(i64, i64)| a != b && b.0 >= a.0 && b.1 <= a.1;
    let mut kinds: Vec<(i64, i64)> = batches
        .iter()
        .filter(|a| !batches.iter().any(|b| worse(a, b)))
        .copied()
        .collect();
    kinds.sort_unstable_by_key(|k| std::cmp::Reverse(*k));
    kinds.dedup();
    let tries = kinds
        .iter()
        .skip(1)
        .fold(1_i64, |t, k| t.saturating_mul(ceil_div(need, k.0) + 1));
    if tries > MOST_COVERINGS {
        let per_unit = |k: &(i64, i64)| i128::from(need) * i128::from(k.1) / i128::from(k.0);
        return kinds
            .iter()
            .map(per_unit)
            .min()
            .and_then(|m| i64::try_from(m).ok())
            .unwrap_or(0);
    }
    covered(need, &kinds)
}

fn covered(need: i64, kinds: &[(i64, i64)]) -> i64 {
    match kinds {
        _ if need <= 0 => 0,
        [] => i64::MAX / 4,
        [(units, minutes)] => ceil_div(need, *units) * minutes,
        [rest @ .., (units, minutes)] => (0..=ceil_div(need, *units))
            .map(|n| n * minutes + covered(need - n * units, rest))
            .min()
            .unwrap_or(0),
    }
}

/// How many lots it takes at least to hold the need.
fn lots_needed(problem: &Problem, ways: &[&Way], need: i64) -> i64 {
    let mut held: Vec<(usize, i64)> = Vec::new();
    for way in ways {
        let units = problem.lots[way.lot].green * way.rate;
        match held.iter_mut().find(|(lot, _)| *lot == way.lot) {
            Some((_, most)) => *most = units.max(*most),
            None => held.push((way.lot, units)),
        }
    }
    held.sort_unstable_by_key(|(_, units)| -units);
    let (mut lots, mut sum) = (0, 0);
    for (_, units) in held {
        if sum >= need {
            break;
        }
        sum += units;
        lots += 1;
    }
    lots.max(1)
}

/// For every interval of days the start-ups that the batches inside it need at least: roaster-days that do not run anyway
/// taken by size, each at the cheapest start-up left.
fn starts(problem: &Problem, families: &[Vec<Interval>]) -> Vec<Interval> {
    let days = problem.days;
    let mut found = Vec::new();
    for first in 0..days {
        for last in first..days {
            if days > MOST_INTERVAL_DAYS && (first, last) != (0, days - 1) {
                continue;
            }
            let work: i64 = families.iter().map(|i| heaviest(i, first, last)).sum();
            let minutes = start_minutes(problem, first, last, work);
            if minutes > 0 {
                found.push(Interval {
                    first,
                    last,
                    minutes,
                });
            }
        }
    }
    found
}

fn start_minutes(problem: &Problem, first: usize, last: usize, mut work: i64) -> i64 {
    let (mut rooms, mut costs) = (Vec::new(), Vec::new());
    for slot in problem
        .slots
        .iter()
        .filter(|s| first <= s.day && s.day <= last)
    {
        if slot.pinned_batches > 0 {
            work -= slot.room - slot.pinned_minutes;
        } else if slot.room > slot.startup {
            rooms.push(slot.room - slot.startup);
            costs.push(slot.startup);
        }
    }
    rooms.sort_unstable_by_key(|r| -r);
    costs.sort_unstable();
    let mut minutes = 0;
    for (room, cost) in rooms.into_iter().zip(costs) {
        if work <= 0 {
            break;
        }
        work -= room;
        minutes += cost;
    }
    minutes
}

/// L3: lots with a rest too small already that no stream can reach.
fn stranded(problem: &Problem) -> i64 {
    let reached = |l: usize| {
        let ways = problem.families.iter().flat_map(|f| &f.ways);
        ways.filter(|w| w.lot == l)
            .any(|w| problem.lots[l].green >= w.least)
    };
    let rests = problem
        .lots
        .iter()
        .enumerate()
        .map(|(l, bin)| (l, bin.stranded(bin.green)));
    rests
        .filter(|(l, rest)| *rest > 0 && !reached(*l))
        .map(|(_, rest)| rest)
        .sum()
}

/// L4: what each family needs beyond its stock, at the lightest weight per unit of any of its lots; never less than pinned.
fn weighted_green(problem: &Problem, extra: i64) -> i64 {
    let pinned: i64 = problem
        .lots
        .iter()
        .map(|l| l.weight * (l.lot.available_g - l.green))
        .sum();
    let mut extra = extra;
    let mut sum = 0;
    for family in &problem.families {
        let Some(lightest) = family.items.iter().map(|w| w.priority).min() else {
            continue;
        };
        let fixed: i64 = family.fixed.iter().map(|s| s.units).sum();
        let wanted = family.items.iter().map(|w| w.units).sum::<i64>() - fixed;
        let may_miss = (extra / lightest).min(wanted.max(0));
        extra -= may_miss;
        let grams = |w: &Way| {
            i128::from(wanted - may_miss) * i128::from(problem.lots[w.lot].weight)
                / i128::from(w.rate)
        };
        let least = family.ways.iter().map(grams).min().unwrap_or(0);
        sum += i64::try_from(least.max(0)).unwrap_or(0);
    }
    pinned + sum
}

/// L5: every unit at the age of the last day of its window, less what may stay short at the greatest age.
fn age(problem: &Problem, extra: i64) -> i64 {
    let last = problem.day[problem.days - 1];
    let items = || problem.families.iter().flat_map(|f| &f.items);
    let age = |w: &Want| w.ship - w.to.min(last);
    let oldest = items().map(age).max().unwrap_or(0);
    (items().map(|w| w.units * age(w)).sum::<i64>() - extra.saturating_mul(oldest)).max(0)
}
