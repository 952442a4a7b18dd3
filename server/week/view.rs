//! A plan as it is answered.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{Feed, Pin};
use crate::book::leaf::words;
use crate::day::{Day, TimeOfDay};
use crate::floor::view::Named;
use crate::fraction::Fraction;
use crate::ids::{CardId, OrderId, ProductId};
use crate::mass::Mass;
use crate::text::Name;

words! {
    /// What keeps a line short.
    ShortReason {
        /// Not enough green.
        Green = "green",
        /// Not enough roaster time.
        Minutes = "minutes",
        /// No roasting day will do any more.
        Window = "window",
        /// No lot that will do.
        NoLot = "no_lot",
        /// More bags than the packing bench can fill in time.
        Packing = "packing",
    }
}

/// A plan.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PlanView {
    /// How many leaves the log had when it was made: what its release says that it knows of.
    pub log_size: i64,
    /// Its first day.
    pub from_day: Day,
    /// How many days it covers.
    pub days: u16,
    /// The roasters with their time.
    pub roasters: Vec<PlanRoaster>,
    /// The batches, in order of day, roaster and start.
    pub batches: Vec<PlanBatch>,
    /// The orders it sees to; those to come are not written down yet.
    pub orders: Vec<PlanOrder>,
    /// What ships short.
    pub short: Vec<ShortLine>,
    /// What the shelf of the shop will still lack; nobody waits for it.
    pub shelf_short: Vec<ShelfShort>,
    /// Roasted coffee that no order line takes, as expected.
    pub surplus_g: Mass,
    /// The same by coffee and style; those without surplus are left out.
    pub surplus: Vec<SurplusLine>,
    /// The time of the people over all roasters, day by day; null where the site sets no limit.
    pub crew: Option<Vec<CrewDay>>,
    /// Pins that no longer fit.
    pub dropped_pins: Vec<DroppedPin>,
    /// Green to take from the stores.
    pub pull: Vec<PullLine>,
    /// How sure it is that what is roasted covers what is promised.
    pub certainty: Vec<Certainty>,
    /// What the plan comes to, level by level.
    pub levels: LevelValues,
    /// Below what no plan for this comes.
    pub bounds: LevelValues,
    /// Which levels no plan betters.
    pub proved: [bool; 5],
}

/// A roaster in a plan.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PlanRoaster {
    /// Its id.
    pub id: Uuid,
    /// Its name.
    pub name: Name,
    /// Its days.
    pub days: Vec<PlanDay>,
}

/// A roaster's day in a plan.
#[derive(Debug, Clone, Copy, Serialize, utoipa::ToSchema)]
pub struct PlanDay {
    /// The day.
    pub day: Day,
    /// When work begins; null where closed or over.
    pub opens: Option<TimeOfDay>,
    /// Minutes there are.
    pub available_min: u32,
    /// Minutes the plan takes, heating up and change-overs included.
    pub used_min: u32,
}

/// The people's time on a day of a plan.
#[derive(Debug, Clone, Copy, Serialize, utoipa::ToSchema)]
pub struct CrewDay {
    /// The day.
    pub day: Day,
    /// Minutes that they have for roasting, from now on where the day has begun.
    pub available_min: u32,
    /// Minutes that the plan takes of all roasters together.
    pub used_min: u32,
}

/// Roasted coffee beyond what is promised, as expected.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct SurplusLine {
    /// The coffee.
    pub coffee: Named,
    /// The style.
    pub style: Named,
    /// How much.
    pub mass_g: Mass,
}

/// A batch of a plan.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PlanBatch {
    /// The card that stands for it already.
    pub card: Option<CardId>,
    /// Whether it was kept as it is.
    pub pinned: bool,
    /// The roaster.
    pub roaster: Named,
    /// The day.
    pub day: Day,
    /// When it goes into the drum.
    pub start: TimeOfDay,
    /// How long it takes.
    pub minutes: u32,
    /// The lot.
    pub lot: Named,
    /// Its coffee.
    pub coffee: Named,
    /// Its size grade.
    pub grade: Name,
    /// The style.
    pub style: Named,
    /// Green charge.
    pub charge_g: Mass,
    /// Roasted coffee expected.
    pub expected_g: Mass,
    /// Lower end of its range.
    pub lo_g: Mass,
    /// Upper end of its range.
    pub hi_g: Mass,
    /// What it is for.
    pub feeds: Vec<Feed>,
    /// What would be without it.
    pub without: Without,
}

/// What would be without one batch, all others kept on their days, the charges of its coffee made as large as they may be. It is reckoned
/// with safe yields, as the plan is.
#[derive(Debug, Clone, Default, Serialize, utoipa::ToSchema)]
pub struct Without {
    /// Roaster minutes saved: the batch, its change-over and heating up where nothing else needs them.
    pub saved_min: u32,
    /// What only this batch covers, by order line; empty: everything ships without it as well.
    pub short: Vec<WithoutLine>,
}

/// A part of an order line that only one batch covers.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct WithoutLine {
    /// The order.
    pub order: OrderId,
    /// Who wants it.
    pub customer: Name,
    /// The line.
    pub line: u16,
    /// The product.
    pub product: ProductId,
    /// Whole bags that could not be filled.
    pub bags: u32,
    /// Roasted coffee that would be missing.
    pub mass_g: Mass,
}

/// Bags that the shelf of the shop will still lack.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ShelfShort {
    /// The product.
    pub product: ProductId,
    /// How many.
    pub bags: u32,
}

/// An order that a plan sees to.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, utoipa::ToSchema)]
pub struct PlanOrder {
    /// When it leaves the house.
    pub ship_day: Day,
    /// Its number.
    pub number: Name,
    /// Its id.
    pub id: OrderId,
    /// Who wants it.
    pub customer: Name,
}

/// A line that ships short.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ShortLine {
    /// The order.
    pub order: OrderId,
    /// Who wants it.
    pub customer: Name,
    /// The line.
    pub line: u16,
    /// The product.
    pub product: ProductId,
    /// Bags that are missing.
    pub bags: u32,
    /// Roasted coffee that is missing.
    pub mass_g: Mass,
    /// What keeps it short.
    pub reason: ShortReason,
    /// Why, in a sentence.
    pub sentence: String,
}

/// A pin that no longer fits.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct DroppedPin {
    /// The pin.
    #[serde(flatten)]
    pub pin: Pin,
    /// Why it was dropped.
    pub sentence: String,
}

/// Green to take from a store for a day.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PullLine {
    /// The day.
    pub day: Day,
    /// The lot.
    pub lot: Named,
    /// Where it stands.
    pub storeroom: Named,
    /// How much.
    pub mass_g: Mass,
}

/// How sure it is that a coffee covers what is promised up to a ship day.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Certainty {
    /// The coffee.
    pub coffee: Named,
    /// The style.
    pub style: Named,
    /// The ship day.
    pub ship_day: Day,
    /// The probability.
    pub probability: Fraction,
}

/// The five levels of a plan, each held before the next; null where nothing is known.
#[derive(Debug, Clone, Copy, Serialize, utoipa::ToSchema)]
pub struct LevelValues {
    /// Missing coffee, each gram weighted by its order's priority.
    pub short_weighted_g: Option<Mass>,
    /// Minutes of all roasters.
    pub roaster_min: Option<u64>,
    /// Green left in rests too small to roast.
    pub stranded_g: Option<Mass>,
    /// Green used, younger lots weighted more.
    pub rank_weighted_g: Option<Mass>,
    /// Grams times days between roasting and shipping.
    pub age_g_days: Option<Mass>,
}
