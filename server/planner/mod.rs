//! From demand and stock to roast batches: how many batches of which lot and style on which roaster and day, and how large,
//! so that demand ships fresh, in the least roasting time, leaving no useless rests and using old green first.
//!
//! Pure: no files, no network, no clock. The same instance always gets the same plan; effort is counted in work, not time.
//!
//! An [`Instance`] says what is asked; [`plan()`] answers with a [`Plan`]; [`report`] writes it as JSON, table or picture.
//! The plan minimises five levels, each held before the next: weighted shortage, roaster minutes, stranded green,
//! green weighted by rank, age at shipping ([`Levels`]).

mod allowance;
mod answer;
mod bounds;
mod build;
mod cover;
mod exact;
mod flows;
mod instance;
mod json;
mod plan;
mod polish;
mod problem;
mod random;
mod reader;
pub mod report;
mod rules;
mod search;
mod shake;
mod state;

pub use cover::covers;
pub use instance::{
    Batch, ChargeLimits, Draft, FORMAT, Fault, Instance, InstanceError, Item, Lot, Roaster, Stock,
    UNITS_PER_GRAM, Yield, YieldLine,
};
pub use plan::{
    Cover, Effort, Flow, LevelProof, Levels, Missed, Options, Plan, Reason, Short, Source,
};

/// The plan of an instance, by the usual search.
#[must_use]
pub fn plan(instance: &Instance) -> Plan {
    plan_with(instance, &Options::default())
}

/// The plan of an instance, with an allowance, another effort or a stop.
#[must_use]
pub fn plan_with(instance: &Instance, options: &Options) -> Plan {
    let problem = problem::Problem::new(instance);
    let mut found = search::best(&problem, options);
    if options.short_allowance_g > 0 {
        let allowance = options.short_allowance_g.saturating_mul(UNITS_PER_GRAM);
        let limit = found.state.levels.short_units.saturating_add(allowance);
        allowance::spend(&mut found.state, limit);
    }
    let bounds = if found.exhausted && options.short_allowance_g <= 0 {
        found.state.levels
    } else {
        bounds::levels(&problem, &found.state.levels)
    };
    answer::plan(&found.state, bounds, found.stopped)
}
