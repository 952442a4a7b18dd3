//! What the planner answers: batches, flows, what stays short and why, the five levels with their bounds.

use super::instance::Batch;

/// The five levels of model section 4, each held before the next; the derived order is lexicographic.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Levels {
    /// L1 = sum over items of p * short, in units of 0.1 mg times weight.
    pub short_units: i64,
    /// L2 = minutes of all roasters, pinned batches included.
    pub minutes: i64,
    /// L3 = green stranded in rests too small to roast, grams.
    pub stranded_g: i64,
    /// L4 = sum over lots of w * green used, grams times weight.
    pub weighted_green_g: i64,
    /// L5 = sum over flows of mass * (ship day - roasting day), in units of 0.1 mg times days.
    pub age_units: i64,
}

impl Levels {
    /// The levels as a list, L1 first.
    #[must_use]
    pub fn list(&self) -> [i64; 5] {
        [
            self.short_units,
            self.minutes,
            self.stranded_g,
            self.weighted_green_g,
            self.age_units,
        ]
    }
}

/// What is known of one level: its value, a bound that no plan can go below, and so whether it is proved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LevelProof {
    /// The plan's value, in the unit of [`Levels`].
    pub value: i64,
    /// A lower bound given the values of the levels before, in the same unit; `value` where it is proved.
    pub bound: i64,
}

impl LevelProof {
    /// No plan can be better at this level (given the levels before it).
    #[must_use]
    pub fn proved(&self) -> bool {
        self.bound >= self.value
    }
}

/// Where roasted coffee comes from.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Source {
    /// All batches of a lot and style on a day.
    Batches {
        /// The roasting day.
        day: i64,
        /// The lot.
        lot: String,
        /// The style.
        style: String,
    },
    /// A roasted stock, by id.
    Stock(String),
}

/// Roasted coffee given from a source to an item.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Flow {
    /// Where it comes from.
    pub source: Source,
    /// The item that it serves.
    pub item: String,
    /// How much, in units of 0.1 mg.
    pub units: i64,
}

/// What keeps an item short.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// No stock, pinned batch or possible stream reaches it.
    NoStream,
    /// There is not enough green of the lots that would do.
    Green,
    /// There are not enough minutes on the days that would do.
    Minutes,
}

/// An item that the plan does not cover.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Short {
    /// The item.
    pub item: String,
    /// The missing mass, in units of 0.1 mg.
    pub units: i64,
    /// What keeps it short.
    pub reason: Reason,
}

/// What only one batch of a plan covers: without it, these minutes are saved and these items are short by more.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Cover {
    /// Roaster minutes that are saved without it.
    pub minutes: i64,
    /// What is missing without it, in the order of the instance.
    pub short: Vec<Missed>,
}

/// Mass that an item misses.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missed {
    /// The item.
    pub item: String,
    /// The mass, in units of 0.1 mg.
    pub units: i64,
}

/// How long to search.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Effort {
    /// Until a first good plan stands: for a board that is looked at while it changes.
    First,
    /// The usual search, which grows with the instance.
    #[default]
    Full,
    /// So many work units.
    Units(u64),
}

/// What a caller may ask for besides the instance.
#[derive(Clone, Copy, Default)]
pub struct Options<'a> {
    /// Weighted grams by which L1 may exceed what is reachable, if that saves minutes.
    pub short_allowance_g: i64,
    /// How long to search.
    pub effort: Effort,
    /// Asked now and then; `true` ends the search with the best plan so far. A safety stop, for the caller's own clock:
    /// the plan then says that it was stopped.
    pub stop: Option<&'a dyn Fn() -> bool>,
}

/// A plan for one instance.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plan {
    /// The batches: the pinned ones first, in the order of the instance, then the others by day, roaster, lot and style.
    pub batches: Vec<Batch>,
    /// How many of the batches are pinned.
    pub pinned: usize,
    /// Who gets what.
    pub flows: Vec<Flow>,
    /// The items that stay short, in the order of the instance.
    pub short: Vec<Short>,
    /// The value of each level.
    pub levels: Levels,
    /// Value and bound of each level, L1 first.
    pub proofs: [LevelProof; 5],
    /// Work units spent on it: evaluations of one family, a number that does not depend on any clock.
    pub effort: u64,
    /// The search was stopped from outside before its effort was spent.
    pub stopped: bool,
}
