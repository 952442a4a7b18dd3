//! The week: from what the book holds to a planner's instance and back to a plan for people; its cards on the floor.
//!
//! [`plan()`] reads the `facts`, asks the planner and answers a [`PlanView`]; nothing is stored. A [`Release`] makes cards of a plan, and a
//! [`Withdrawal`] takes cards back. [`advice()`] plans again with one thing changed at a time. `instance` and `answer` are pure: they know
//! no store and no clock.

mod advice;
mod answer;
mod bags;
mod cards;
mod cover;
mod cover_supply;
mod cover_view;
mod day;
mod facts;
mod instance;
mod pins;
mod plan;
mod release;
mod sure;
mod view;
mod wants;
mod why;
mod withdraw;

pub use advice::{Advice, Difference, LineAdvice, WayKind, WayOut, advice};
pub use cards::{Card, CardState, CardView, Feed, ReleasedPlan, cards, of_days};
pub use cover::cover;
pub use cover_view::{
    Arrival, BagsCover, CoffeeCover, CoverAsked, CoverView, LeftOutView, LotCover, OwnCover,
    StyleBags,
};
pub use plan::{Asked, plan};
pub use release::{Release, Released, ReleasedBatch};
pub use view::{
    Certainty, CrewDay, DroppedPin, LevelValues, PlanBatch, PlanDay, PlanOrder, PlanRoaster,
    PlanView, PullLine, ShelfShort, ShortLine, ShortReason, SurplusLine, Without, WithoutLine,
};
pub use withdraw::{Withdrawal, Withdrawn};

use serde::{Deserialize, Serialize};

use crate::day::Day;
use crate::ids::{CardId, LotId, RoasterId, StyleId};
use crate::mass::Mass;

/// The most days of a plan.
pub const MOST_DAYS: u16 = 31;
/// The days of a plan where nobody says.
pub const USUAL_DAYS: u16 = 7;

/// A batch that a plan must hold as it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Pin {
    /// The card that stands for it, if it is released.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub card: Option<CardId>,
    /// The roaster.
    pub roaster: RoasterId,
    /// The day.
    pub day: Day,
    /// The lot.
    pub lot: LotId,
    /// The style.
    pub style: StyleId,
    /// Green charge.
    pub charge_g: Mass,
}
