//! What is asked of the planner: roasters, lots, demand, roasted stock and pinned batches.
//!
//! A [`Draft`] is plain data that anybody may fill in; an [`Instance`] is a draft that has passed every rule of
//! [`super::rules`], so that behind it no value can be wrong. Masses are whole grams, times whole minutes, days whole
//! numbers counted from 0, the first day of the plan.

use std::fmt;
use std::ops::Deref;

use serde::{Serialize, Serializer};

use super::{reader, rules};

/// The name that a file of this form carries in its field `format`.
pub const FORMAT: &str = "roast-plan-instance/1";

/// Roasted mass is counted in units of 0.1 mg, because a yield has four decimals and a charge is whole grams.
pub const UNITS_PER_GRAM: i64 = 10_000;

/// Roasted mass out per green mass in, in ten-thousandths: strictly between 0 and 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Yield(u16);

impl Yield {
    /// The yield of `n` ten-thousandths, if 0 < n < 10 000.
    #[must_use]
    pub fn from_ten_thousandths(n: i64) -> Option<Self> {
        let n = u16::try_from(n).ok()?;
        (0 < n && n < 10_000).then_some(Self(n))
    }

    /// Roasted units of 0.1 mg per gram of green.
    #[must_use]
    pub fn ten_thousandths(self) -> i64 {
        i64::from(self.0)
    }
}

impl Serialize for Yield {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(f64::from(self.0) / 10_000.0)
    }
}

/// A roaster: charge limits m..M and step s in grams; cycle tau, change-over kappa, start-up sigma in minutes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Roaster {
    /// Its name in the plan.
    pub id: String,
    /// Smallest green charge m, grams.
    pub min_charge_g: i64,
    /// Largest green charge M, grams.
    pub max_charge_g: i64,
    /// A charge is a multiple of this step s, grams.
    pub charge_step_g: i64,
    /// Minutes tau of one batch, charge to charge.
    pub cycle_min: i64,
    /// Minutes kappa, once for each lot and style that runs on a day.
    pub changeover_min: i64,
    /// Minutes sigma, once on each day on which the roaster runs at all.
    pub startup_min: i64,
    /// Minutes A per day of the plan; maintenance, holidays and shifts are in them.
    pub available_min: Vec<i64>,
    /// Styles that it may roast; `None`: every style.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub styles: Option<Vec<String>>,
    /// Days on which it is hot already, so that running costs no start-up.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub hot_days: Vec<i64>,
}

/// One yield of a lot: for a style, on every roaster or on one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct YieldLine {
    /// The style that is roasted.
    pub style: String,
    /// The only roaster for which the line holds; `None`: each roaster without a line of its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub roaster: Option<String>,
    /// Planning yield y.
    #[serde(rename = "yield")]
    pub fraction: Yield,
}

/// Charge limits that a lot has on one roaster, inside the roaster's own (density and bean size decide how full a drum may be).
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ChargeLimits {
    /// The roaster for which they hold.
    pub roaster: String,
    /// Smallest green charge, grams.
    pub min_charge_g: i64,
    /// Largest green charge, grams.
    pub max_charge_g: i64,
}

/// Green coffee of one delivery and size grade; two grades are two lots, so they never meet in a batch.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Lot {
    /// Its name in the plan.
    pub id: String,
    /// The coffee that it is.
    pub coffee: String,
    /// Size grade, for people.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub grade: Option<String>,
    /// Green G on hand less what is reserved, grams.
    pub available_g: i64,
    /// First day a on which it may be charged.
    pub available_from_day: i64,
    /// Order of use within the coffee: smaller first.
    pub rank: i64,
    /// Planning yields; a style that is not listed cannot be roasted.
    pub yields: Vec<YieldLine>,
    /// Charge limits of its own.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub charge_limits: Vec<ChargeLimits>,
}

/// Roasted coffee that is wanted: mass q by ship day h, roasted within the window e..f.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Item {
    /// Its name in the plan.
    pub id: String,
    /// The coffee wanted.
    pub coffee: String,
    /// The style wanted.
    pub style: String,
    /// Roasted mass q, grams.
    pub roasted_g: i64,
    /// Ship day h; may lie beyond the last day of the plan.
    pub ship_day: i64,
    /// First roasting day e that will do; may lie before day 0 (roasted stock).
    pub roast_from_day: i64,
    /// Last roasting day f that will do.
    pub roast_to_day: i64,
    /// Weight p of a missing gram, at least 1.
    pub priority: i64,
    /// The only lots that will do; `None`: every lot of the coffee.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lots: Option<Vec<String>>,
}

/// Roasted coffee on hand.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Stock {
    /// Its name in the plan.
    pub id: String,
    /// The lot that it was roasted from.
    pub lot: String,
    /// The style that it was roasted in.
    pub style: String,
    /// The day of its roasting; may be negative.
    pub roasted_day: i64,
    /// Roasted mass, grams.
    pub mass_g: i64,
}

/// A batch: one roaster, one day, one lot, one style, one charge.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Batch {
    /// The roaster.
    pub roaster: String,
    /// The day.
    pub day: i64,
    /// The lot.
    pub lot: String,
    /// The style.
    pub style: String,
    /// Green charge, grams.
    pub charge_g: i64,
}

/// The content of an instance before it is checked.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Draft {
    /// A name for people; it also seeds the search.
    pub name: String,
    /// Days of the plan D: roasting days are 0..D-1.
    pub days: i64,
    /// The roasters.
    pub roasters: Vec<Roaster>,
    /// The lots of green.
    pub lots: Vec<Lot>,
    /// What is wanted.
    pub demand: Vec<Item>,
    /// Roasted coffee on hand.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub roasted_stock: Vec<Stock>,
    /// Batches that are in every plan, unchanged.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub pinned: Vec<Batch>,
    /// Minutes that the people have per day over all roasters; `None`: no limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub crew_min: Option<Vec<i64>>,
}

/// A checked instance. It reads like a [`Draft`] and can no longer be changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Instance(Draft);

impl Instance {
    /// Checks a draft.
    ///
    /// # Errors
    /// Every rule that the draft breaks, each with the JSON Pointer of the field.
    pub fn new(draft: Draft) -> Result<Self, InstanceError> {
        let faults = rules::faults(&draft);
        if faults.is_empty() {
            Ok(Self(draft))
        } else {
            Err(InstanceError { faults })
        }
    }

    /// Reads and checks an instance in its JSON form. Every field is known by name and type; a field that the form does
    /// not have is refused. `expected` and `proof` at the top may hold notes of whoever made a test case and are not read.
    ///
    /// # Errors
    /// Every field that is missing, unknown, twice, of a wrong type or against a rule, each with its JSON Pointer.
    pub fn from_json(text: &str) -> Result<Self, InstanceError> {
        let draft = reader::draft(text).map_err(|faults| InstanceError { faults })?;
        Self::new(draft)
    }

    /// The content, to be changed and checked again.
    #[must_use]
    pub fn into_draft(self) -> Draft {
        self.0
    }
}

impl Deref for Instance {
    type Target = Draft;

    fn deref(&self) -> &Draft {
        &self.0
    }
}

impl Serialize for Instance {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Whole<'a> {
            format: &'static str,
            #[serde(flatten)]
            draft: &'a Draft,
        }
        Whole {
            format: FORMAT,
            draft: &self.0,
        }
        .serialize(serializer)
    }
}

/// One thing that is wrong with an instance.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// JSON Pointer (RFC 6901) of the field.
    pub pointer: String,
    /// What is wrong and what would be right.
    pub message: String,
}

/// All that is wrong with an instance; never empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InstanceError {
    /// The faults, in the order of the fields.
    pub faults: Vec<Fault>,
}

impl fmt::Display for InstanceError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (n, fault) in self.faults.iter().enumerate() {
            if n > 0 {
                writeln!(f)?;
            }
            let place = if fault.pointer.is_empty() {
                "the whole file"
            } else {
                &fault.pointer
            };
            write!(f, "{place}: {}", fault.message)?;
        }
        Ok(())
    }
}

impl std::error::Error for InstanceError {}
