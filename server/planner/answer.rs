//! Turns a finished [`State`] into the [`Plan`] that is handed out: even charges, flows, and what stays short and why.

use std::collections::BTreeMap;

use super::flows::Desk;
use super::instance::Batch;
use super::plan::{Flow, LevelProof, Levels, Plan, Reason, Short, Source};
use super::problem::{Problem, Supply, Want, merged};
use super::state::{Run, State, gather};

/// The plan of a state, with a bound for each level.
pub(super) fn plan(state: &State, bounds: Levels, stopped: bool) -> Plan {
    let problem = state.problem;
    let pinned = &problem.instance.pinned;
    let mut batches = free_batches(state);
    batches.sort_by(|a, b| {
        (a.day, &a.roaster, &a.lot, &a.style, -a.charge_g).cmp(&(
            b.day,
            &b.roaster,
            &b.lot,
            &b.style,
            -b.charge_g,
        ))
    });
    let mut served = BTreeMap::new();
    let mut flows = Vec::new();
    for f in 0..problem.families.len() {
        family_flows(state, f, &mut flows, &mut served);
    }
    let values = state.levels.list();
    let bounds = bounds.list();
    let mut n = 0;
    Plan {
        pinned: pinned.len(),
        batches: pinned.iter().cloned().chain(batches).collect(),
        flows,
        short: short(state, &served),
        levels: state.levels,
        proofs: values.map(|value| {
            n += 1;
            LevelProof {
                value,
                bound: bounds[n - 1].min(value),
            }
        }),
        effort: state.effort,
        stopped,
    }
}

/// The even split of each run: charges differ by at most one step, larger first (model section 3).
fn free_batches(state: &State) -> Vec<Batch> {
    let problem = state.problem;
    let mut batches = Vec::new();
    for (plan, family) in state.families.iter().zip(&problem.families) {
        for run in &plan.runs {
            let (way, slot) = (&family.ways[run.way], &problem.slots[run.slot]);
            let (each, more) = (
                run.charge / way.step / run.batches,
                run.charge / way.step % run.batches,
            );
            for n in 0..run.batches {
                batches.push(Batch {
                    roaster: problem.roasters[way.roaster].id.clone(),
                    day: problem.day[slot.day],
                    lot: problem.lots[way.lot].lot.id.clone(),
                    style: family.style.to_owned(),
                    charge_g: way.step * (each + i64::from(n < more)),
                });
            }
        }
    }
    batches
}

fn family_flows(state: &State, f: usize, flows: &mut Vec<Flow>, served: &mut BTreeMap<usize, i64>) {
    let problem = state.problem;
    let family = &problem.families[f];
    let mut supplies = Vec::new();
    gather(problem, f, &state.families[f].runs, &mut supplies);
    let supplies = merged(&supplies);
    let mut desk = Desk::default();
    let flow = desk.assign(family, &supplies);
    let items = family.items.len();
    for (s, supply) in supplies.iter().enumerate() {
        let mut stocks = StockShares::of(problem, f, supply, &state.families[f].runs);
        for (j, want) in family.items.iter().enumerate() {
            *served.entry(want.item).or_default() += flow[s * items + j];
            stocks.share(
                flow[s * items + j],
                &problem.instance.demand[want.item].id,
                flows,
            );
        }
    }
}

/// The named sources that one supply (a day and a lot) is made of, with what each has left.
struct StockShares {
    sources: Vec<(Source, i64)>,
}

impl StockShares {
    fn of(problem: &Problem, f: usize, supply: &Supply, runs: &[Run]) -> Self {
        let family = &problem.families[f];
        let lot = problem.coffees[family.coffee].lots[supply.place];
        let id = &problem.lots[lot].lot.id;
        let mut sources: Vec<(Source, i64)> = Vec::new();
        let mut stock_units = 0;
        for s in &problem.instance.roasted_stock {
            if s.lot == *id && s.style == family.style && s.roasted_day == supply.day {
                let units = s.mass_g * super::instance::UNITS_PER_GRAM;
                stock_units += units;
                sources.push((Source::Stock(s.id.clone()), units));
            }
        }
        let day = supply.day;
        let roasted = supply.units - stock_units;
        debug_assert!(roasted >= 0 && (day >= 0 || runs.is_empty() || roasted == 0));
        sources.push((
            Source::Batches {
                day,
                lot: id.clone(),
                style: family.style.to_owned(),
            },
            roasted,
        ));
        Self { sources }
    }

    fn share(&mut self, mut units: i64, item: &str, flows: &mut Vec<Flow>) {
        for (source, left) in &mut self.sources {
            let given = units.min(*left);
            if given > 0 {
                *left -= given;
                units -= given;
                flows.push(Flow {
                    source: source.clone(),
                    item: item.to_owned(),
                    units: given,
                });
            }
        }
    }
}

fn short(state: &State, served: &BTreeMap<usize, i64>) -> Vec<Short> {
    let problem = state.problem;
    let mut missing: BTreeMap<usize, (i64, Reason)> = BTreeMap::new();
    for item in &problem.hopeless {
        let units = problem.instance.demand[*item].roasted_g * super::instance::UNITS_PER_GRAM;
        missing.insert(*item, (units, Reason::NoStream));
    }
    for (f, family) in problem.families.iter().enumerate() {
        for want in &family.items {
            let units = want.units - served.get(&want.item).copied().unwrap_or(0);
            if units > 0 {
                missing.insert(want.item, (units, reason(state, f, want)));
            }
        }
    }
    missing
        .into_iter()
        .map(|(item, (units, reason))| Short {
            item: problem.instance.demand[item].id.clone(),
            units,
            reason,
        })
        .collect()
}

/// Green, unless some lot that would do still has enough for a batch on a day that would do: then it is the minutes.
fn reason(state: &State, f: usize, want: &Want) -> Reason {
    let problem = state.problem;
    let more = problem.families[f].ways.iter().any(|way| {
        want.lots[way.place]
            && state.green[way.lot] >= way.least
            && problem.plan_days(want).any(|d| d >= way.from)
    });
    if more { Reason::Minutes } else { Reason::Green }
}
