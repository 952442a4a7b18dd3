//! Coverage as it is asked for and answered.

use serde::{Deserialize, Serialize};

use crate::day::Day;
use crate::fraction::Fraction;
use crate::ids::{
    CoffeeId, DestinationId, DispatchId, LotId, StyleId, SubscriberId, SubscriptionId,
};
use crate::mass::Mass;
use crate::money::Money;
use crate::setup::{Headcount, Offer, Why};
use crate::text::Name;

/// Which dispatch is asked about, and what is tried out in it.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CoverAsked {
    /// A dispatch that is set up; left out: one that is not yet, of a subscription on a day.
    #[serde(default)]
    pub dispatch: Option<DispatchId>,
    /// The subscription of one that is not set up.
    #[serde(default)]
    pub subscription: Option<SubscriptionId>,
    /// The ship day of one that is not set up.
    #[serde(default)]
    pub ship_day: Option<Day>,
    /// Coffees to try out, in order; left out: its own.
    #[serde(default)]
    #[schema(max_items = 12)]
    pub coffees: Option<Vec<Offer>>,
    /// Subscribers beside the list to try out; left out: its own.
    #[serde(default)]
    #[schema(max_items = 500)]
    pub counts: Option<Vec<Headcount>>,
    /// How certain it must be; left out: as certain as the site promises.
    #[serde(default)]
    #[schema(minimum = 0.5, maximum = 0.999)]
    pub service: Option<Fraction>,
}

/// Whether a dispatch is covered.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct CoverView {
    /// When it leaves the house.
    pub ship_day: Day,
    /// When it is packed.
    pub packing_day: Day,
    /// The last day on which changes reach it.
    pub cut_off: Day,
    /// Whether its list is frozen.
    pub frozen: bool,
    /// How certain it is to be covered.
    pub service: Fraction,
    /// How many parcels.
    pub parcels: u64,
    /// How many bags are in them.
    pub bags: u64,
    /// Whether the green covers all of it.
    pub covered: bool,
    /// Each coffee.
    pub coffees: Vec<CoffeeCover>,
    /// Green of its coffees, by lot.
    pub lots: Vec<LotCover>,
    /// What its green costs, as landed; nothing where a lot that it takes has no cost in the site's currency.
    pub cost: Option<Money>,
    /// Minutes that batches of its coffees take, with what others are promised of them.
    pub roaster_minutes: u64,
    /// Minutes that the roasters are open for it.
    pub open_minutes: u64,
    /// How many take how many bags.
    pub by_bags: Vec<BagsCover>,
    /// Coffee on arrival, by destination.
    pub arrivals: Vec<Arrival>,
    /// How many subscribers are left out.
    pub left_out_count: usize,
    /// Who is left out and why, at most 1000.
    pub left_out: Vec<LeftOutView>,
    /// The dispatch with its own coffees, where others were tried out.
    pub own: Option<OwnCover>,
}

/// The dispatch as it stands, beside what was tried out.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct OwnCover {
    /// Whether the green covers all of it.
    pub covered: bool,
    /// What its green costs, as landed.
    pub cost: Option<Money>,
    /// Green by lot.
    pub lots: Vec<LotCover>,
}

/// A coffee of a dispatch.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct CoffeeCover {
    /// The coffee.
    pub coffee: CoffeeId,
    /// Its name.
    pub name: Name,
    /// How many bags are wanted.
    pub bags: u64,
    /// In which styles.
    pub styles: Vec<StyleBags>,
    /// How many parcels it is in.
    pub reached: u64,
    /// Whether the green covers them.
    pub covered: bool,
    /// How surely it does.
    pub certainty: Fraction,
    /// The most bags that can be promised.
    pub most_bags: u64,
    /// Whether it shares green with others of the dispatch: the most of each then hold together, all raised or lowered alike.
    pub together: bool,
    /// Batches of it, with what others are promised.
    pub batches: u32,
}

/// Bags in a style.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct StyleBags {
    /// The style.
    pub style: StyleId,
    /// Its name.
    pub name: Name,
    /// How many.
    pub bags: u64,
}

/// Green of a lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct LotCover {
    /// The lot.
    pub lot: LotId,
    /// Its name.
    pub name: Name,
    /// What is free of it for this dispatch and those before it.
    pub free_g: Mass,
    /// What those before it take of it. Free, less this, less what this dispatch takes, is what is left.
    pub others_g: Mass,
    /// What this dispatch takes beside them.
    pub takes_g: Mass,
    /// What is left.
    pub left_g: Mass,
}

/// How many take how many bags.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct BagsCover {
    /// Bags of a parcel.
    pub bags: u32,
    /// How many parcels.
    pub parcels: u64,
}

/// Coffee on its arrival.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Arrival {
    /// Where.
    pub destination: DestinationId,
    /// Its name.
    pub name: Name,
    /// How many parcels.
    pub parcels: u64,
    /// When it arrives.
    pub day: Day,
    /// The days since roasting on which it arrives, at least.
    pub youngest_days: i64,
    /// And at most.
    pub oldest_days: i64,
}

/// Somebody who is left out.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct LeftOutView {
    /// Who.
    pub subscriber: SubscriberId,
    /// Their number.
    pub number: Name,
    /// Their name.
    pub name: Name,
    /// Why.
    pub why: Why,
    /// Why, in words.
    pub words: &'static str,
}
