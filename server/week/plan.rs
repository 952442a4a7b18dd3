//! Planning: facts in, a plan for people out; nothing is stored.

use std::collections::HashMap;

use serde::Deserialize;
use tokio::sync::Semaphore;

use super::answer::view;
use super::bags::Given;
use super::facts::{Facts, ORDER_WEIGHT};
use super::instance::{Family, asking, batch};
use super::pins::Pins;
use super::sure::{self, Sure};
use super::view::PlanView;
use super::{MOST_DAYS, Pin, USUAL_DAYS};
use crate::app::App;
use crate::day::Day;
use crate::planner::{self, Effort, Instance, Options, Plan};
use crate::refusal::{Outcome, Refusal};
use crate::store::StoreError;
use crate::threads::behind_the_floor;

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

/// A plan of some facts: what it was asked for first, and what it gives in whole bags in the end.
pub(super) struct Planned {
    /// Batches that are kept as they are, and those that no longer fit.
    pub pins: Pins,
    /// All that is wanted.
    pub first: Round,
    /// What ships in whole bags, where that is less.
    pub short: Option<Round>,
}

/// A plan with what it was asked for.
pub(super) struct Round {
    /// Bags asked for, by want.
    pub bags: Vec<u32>,
    /// What the planner was asked.
    pub instance: Instance,
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
pub async fn plan(app: &App, asked: Asked) -> Outcome<PlanView> {
    let facts = facts(app, &asked).await?;
    compute(&PLANNING, move || {
        let planned = Planned::of(&facts, &asked, Effort::Full)?;
        view(&facts, &planned)
    })
    .await
}

/// What a plan is made from, if what is asked for is in range.
pub(super) async fn facts(app: &App, asked: &Asked) -> Outcome<Facts> {
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
    // Read in a moment: a snapshot that was held while planning would keep others from reading.
    let mut tx = app.read().await?;
    Facts::read(app, &mut *tx, asked.from_day, i64::from(days)).await
}

/// Plans computed at once; whoever asks for more waits for a turn.
static PLANNING: Semaphore = Semaphore::const_new(2);

/// Computes on a thread of its own when it is its turn, so that requests go on meanwhile.
pub(super) async fn compute<T: Send + 'static>(
    turns: &Semaphore,
    work: impl FnOnce() -> Outcome<T> + Send + 'static,
) -> Outcome<T> {
    let failed = |e: &dyn std::fmt::Display| StoreError::Database(format!("planning failed: {e}"));
    let _turn = turns.acquire().await.map_err(|e| failed(&e))?;
    let computed = behind_the_floor(work).await;
    computed.unwrap_or_else(|| Err(failed(&"its thread ended").into()))
}

impl Planned {
    /// Plans, again with the batches it then has where it would not be sure enough, and once more for whole bags where something is short.
    pub(super) fn of(facts: &Facts, asked: &Asked, effort: Effort) -> Outcome<Self> {
        let pins = Pins::choose(facts, asked);
        let options = Options {
            short_allowance_g: i64::from(asked.short_allowance_g) * ORDER_WEIGHT,
            effort,
            ..Options::default()
        };
        let wanted = facts
            .wants
            .iter()
            .map(|want| {
                if want.window.is_empty() {
                    0
                } else {
                    want.packable
                }
            })
            .collect();
        let mut batches = HashMap::new();
        let mut first = Round::of(facts, &pins, wanted, &batches, &options)?;
        let unsure = sure::own_batches(facts, &first);
        if !unsure.is_empty() {
            batches = unsure;
            first = Round::of(facts, &pins, first.bags, &batches, &options)?;
        }
        let whole: Vec<u32> = facts
            .wants
            .iter()
            .enumerate()
            .map(|(n, want)| first.given.bags(n, want, first.bags[n]))
            .collect();
        let short = if whole == first.bags {
            None
        } else {
            Some(Round::of(facts, &pins, whole, &batches, &options)?)
        };
        Ok(Self { pins, first, short })
    }

    /// What is planned in the end.
    pub(super) fn last(&self) -> &Round {
        self.short.as_ref().unwrap_or(&self.first)
    }

    /// Bags of a want that do not ship.
    pub(super) fn missing(&self, facts: &Facts, n: usize) -> u32 {
        let (want, last) = (&facts.wants[n], self.last());
        want.bags - last.given.bags(n, want, last.bags[n])
    }
}

impl Round {
    fn of(
        facts: &Facts,
        pins: &Pins,
        bags: Vec<u32>,
        batches: &HashMap<Family, u32>,
        options: &Options<'_>,
    ) -> Outcome<Self> {
        let mut asking = asking(facts, &bags, &pins.kept, batches);
        asking.draft.pinned = pins.kept.iter().map(|pin| batch(facts, pin)).collect();
        let instance = Instance::new(asking.draft).map_err(|error| {
            let why = error.faults.first().map_or_else(String::new, |fault| {
                format!("{}: {}", fault.pointer, fault.message)
            });
            Refusal::conflict(format!("these days cannot be planned ({why})"))
        })?;
        let plan = planner::plan_with(&instance, options);
        let given = Given::of(&plan, &asking.items, &facts.wants, &bags);
        let sure = sure::sure(facts, &plan, &given);
        Ok(Self {
            bags,
            instance,
            plan,
            given,
            items: asking.items,
            sure,
        })
    }
}
