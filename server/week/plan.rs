//! Planning: facts in, a plan for people out; nothing is stored.

use std::collections::HashMap;

use serde::Deserialize;

use super::answer::view;
use super::bags::Given;
use super::facts::Facts;
use super::instance::{Family, asking, batch};
use super::pins::Pins;
use super::sure::{self, Sure};
use super::view::PlanView;
use super::{MOST_DAYS, Pin, USUAL_DAYS};
use crate::app::App;
use crate::day::Day;
use crate::planner::{self, Instance, Options, Plan};
use crate::refusal::{Outcome, Refusal};
use crate::store::{Read, StoreError};

/// What plan is wanted.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    /// Its first day; today unless said, and never before.
    #[serde(default)]
    pub from_day: Option<Day>,
    /// How many days; 7 unless said.
    #[serde(default)]
    #[schema(minimum = 1, maximum = 31)]
    pub days: Option<u16>,
    /// Batches to keep as they are. One that names a card stands for it; the released cards of these days that none names are kept too.
    #[serde(default)]
    #[schema(max_items = 500)]
    pub pinned: Vec<Pin>,
    /// Keeps no released card that `pinned` does not name.
    #[serde(default)]
    pub freely: bool,
    /// Weighted grams that may be missing for the sake of fewer minutes.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 100_000_000)]
    pub short_allowance_g: u32,
}

/// A plan with what it was asked for.
pub(super) struct Round {
    /// Bags asked for, by want.
    pub bags: Vec<u32>,
    /// The plan.
    pub plan: Plan,
    /// What it gives.
    pub given: Given,
    /// Which part of which want each item stands for.
    pub items: HashMap<String, (usize, usize)>,
    /// How sure it is.
    pub sure: Vec<Sure>,
}

/// Plans the days that are asked for, from what the book has now.
///
/// # Errors
/// [`Refusal::Invalid`] for days out of range, [`Refusal::Store`] when the database fails.
pub async fn plan(app: &App, tx: &mut dyn Read, asked: Asked) -> Outcome<PlanView> {
    let days = asked.days.unwrap_or(USUAL_DAYS);
    if !(1..=MOST_DAYS).contains(&days) {
        return Err(Refusal::field(
            "/days",
            format!("plan from 1 to {MOST_DAYS} days"),
        ));
    }
    if asked.pinned.len() > 500 || asked.short_allowance_g > 100_000_000 {
        return Err(Refusal::field(
            "/pinned",
            "at most 500 batches, and an allowance of at most 100 t",
        ));
    }
    let facts = Facts::read(app, tx, asked.from_day, i64::from(days)).await?;
    let task = tokio::task::spawn_blocking(move || compute(&facts, &asked));
    task.await
        .unwrap_or_else(|e| Err(StoreError::Database(format!("planning failed: {e}")).into()))
}

/// Plans, again with the batches it then has where it would not be sure enough, and once more for whole bags where something is short.
fn compute(facts: &Facts, asked: &Asked) -> Outcome<PlanView> {
    let pins = Pins::choose(facts, asked);
    let wanted: Vec<u32> = facts
        .wants
        .iter()
        .map(|want| if want.window.is_empty() { 0 } else { want.bags })
        .collect();
    let allowance = i64::from(asked.short_allowance_g);
    let mut batches = HashMap::new();
    let mut first = Round::of(facts, &pins, wanted, &batches, allowance)?;
    let unsure = sure::own_batches(facts, &first);
    if !unsure.is_empty() {
        batches = unsure;
        first = Round::of(facts, &pins, first.bags, &batches, allowance)?;
    }
    let whole: Vec<u32> = facts
        .wants
        .iter()
        .enumerate()
        .map(|(n, want)| first.given.bags(n, want, first.bags[n]))
        .collect();
    if whole == first.bags {
        return view(facts, &pins, &first, &first);
    }
    let last = Round::of(facts, &pins, whole, &batches, allowance)?;
    view(facts, &pins, &first, &last)
}

impl Round {
    fn of(
        facts: &Facts,
        pins: &Pins,
        bags: Vec<u32>,
        batches: &HashMap<Family, u32>,
        allowance: i64,
    ) -> Outcome<Self> {
        let mut asking = asking(facts, &bags, &pins.kept, batches);
        asking.draft.pinned = pins.kept.iter().map(|pin| batch(facts, pin)).collect();
        let instance = Instance::new(asking.draft).map_err(|error| {
            let why = error.faults.first().map_or_else(String::new, |fault| {
                format!("{}: {}", fault.pointer, fault.message)
            });
            Refusal::conflict(format!("these days cannot be planned ({why})"))
        })?;
        let options = Options {
            short_allowance_g: allowance,
            ..Options::default()
        };
        let plan = planner::plan_with(&instance, &options);
        let given = Given::of(&plan, &asking.items, &facts.wants, &bags);
        let sure = sure::sure(facts, &plan, &given);
        Ok(Self {
            bags,
            plan,
            given,
            items: asking.items,
            sure,
        })
    }
}
