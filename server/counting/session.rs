//! A count as the steps that were booked, and what follows from them. Pure: no clock, no store.

use std::collections::HashMap;

use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::book::canonical;
use crate::book::leaf::{Leaf, Posting, Weighing, words};
use crate::book::place::Place;
use crate::day::Instant;
use crate::ids::{LotId, PersonId, PostingId, StoreroomId};
use crate::mass::{Mass, MassRange};
use crate::store::{CountRow, StoreError};

/// The kind of its journal entries.
pub const KIND: &str = "count";

words! {
    /// How far a count has come.
    CountState {
        /// People count.
        Open = "open",
        /// All is entered, and a second person looks at it.
        HandedIn = "handed_in",
        /// The differences are in the book.
        Booked = "booked",
        /// Nothing came of it.
        Dropped = "dropped",
    }
}

words! {
    /// What a count covers.
    Covers {
        /// Green in storerooms.
        Green = "green",
        /// Roasted coffee that is not yet in bags.
        Roasted = "roasted",
        /// Bags.
        Bags = "bags",
    }
}

impl Covers {
    /// The place where it stands.
    #[must_use]
    pub const fn place(self) -> &'static str {
        match self {
            Self::Green => "store",
            Self::Roasted => "roasted",
            Self::Bags => "packed",
        }
    }
}

/// How a count was begun.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Opened {
    /// The journal entry.
    pub by: Uuid,
    /// Who opened it.
    pub person: PersonId,
    /// The frozen moment: what stood there then is counted.
    pub at: Instant,
    /// The one storeroom whose green is counted; else all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub storeroom: Option<StoreroomId>,
    /// What is counted.
    pub covers: Vec<Covers>,
    /// Whether who counts does not see the book's figure first.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub blind: bool,
    /// Whether a second person must approve it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub second_person: bool,
}

/// How much of one lot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[schema(as = CountedLot)]
pub struct OfLot {
    /// The lot.
    pub lot: LotId,
    /// How much.
    pub mass_g: Mass,
}

/// What was counted at one place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entered {
    /// The journal entry.
    pub by: Uuid,
    /// Who counted.
    pub person: PersonId,
    /// When.
    pub at: Instant,
    /// Where it stands.
    pub place: Place,
    /// How much of which lot.
    pub masses: Vec<OfLot>,
    /// The weights in the order of counting: open sacks first, then whole ones.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub weighings: Vec<Weighing>,
    /// How many bags.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bags: Option<u32>,
}

/// What was booked for a lot at a place, and what the difference was put down to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Line {
    /// The lot.
    pub lot: LotId,
    /// Where it stood.
    pub place: Place,
    /// What the book had at the frozen moment.
    pub book_g: Mass,
    /// What was there.
    pub counted_g: Mass,
    /// Of the difference, what dried; positive when it is gone.
    pub drying_g: Mass,
    /// Of the difference, what weighing explains; positive when it is gone.
    pub weighing_g: Mass,
    /// Of the difference, what nothing explains; positive when it is gone.
    pub unexplained_g: Mass,
    /// Standard uncertainty of the difference.
    pub u_g: Mass,
}

/// One thing that was booked about a count.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "step", rename_all = "snake_case")]
pub enum Step {
    /// It was begun.
    Opened(Opened),
    /// A place was counted; again, if it had been counted before.
    Entered(Entered),
    /// All is entered.
    HandedIn {
        /// The journal entry.
        by: Uuid,
        /// Who handed it in.
        person: PersonId,
        /// When.
        at: Instant,
    },
    /// The second person wants it counted again.
    SentBack {
        /// The journal entry.
        by: Uuid,
        /// Who sent it back.
        person: PersonId,
        /// Why.
        reason: String,
    },
    /// The differences are in the book.
    Booked {
        /// The journal entry.
        by: Uuid,
        /// Who approved it.
        person: PersonId,
        /// When.
        at: Instant,
        /// The postings of the differences.
        postings: Vec<PostingId>,
        /// What was found at each place.
        lines: Vec<Line>,
    },
    /// A weight from before the frozen moment came late, and the differences were put right.
    Recounted {
        /// The posting that did.
        by: PostingId,
    },
    /// Nothing came of it.
    Dropped {
        /// The journal entry.
        by: Uuid,
        /// Who dropped it.
        person: PersonId,
        /// Why.
        reason: String,
    },
}

/// A count: its id and its steps in the order they were booked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Session {
    /// Its id.
    pub id: Uuid,
    /// Its steps.
    pub steps: Vec<Step>,
}

impl Session {
    /// The count of a row.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when its steps cannot be read.
    pub fn of_row(row: &CountRow) -> Result<Self, StoreError> {
        Ok(Self {
            id: row.id,
            steps: serde_json::from_str(&row.steps).map_err(crate::book::damaged)?,
        })
    }

    /// The count of steps as the log has them; none where they are no count.
    #[must_use]
    pub fn of_steps(id: Uuid, steps: &[Value]) -> Option<Self> {
        let steps = steps.iter().cloned().map(serde_json::from_value);
        Some(Self {
            id,
            steps: steps.collect::<Result<_, _>>().ok()?,
        })
    }

    /// The row, with the columns that follow from its steps; none before it was opened.
    #[must_use]
    pub fn row(&self) -> Option<CountRow> {
        Some(CountRow {
            id: self.id,
            state: self.state().word().to_owned(),
            frozen_at: self.opened()?.at,
            steps: canonical::text(&self.steps),
        })
    }

    /// How it was begun.
    #[must_use]
    pub fn opened(&self) -> Option<&Opened> {
        self.steps.iter().find_map(|step| match step {
            Step::Opened(opened) => Some(opened),
            _ => None,
        })
    }

    /// How far it has come.
    #[must_use]
    pub fn state(&self) -> CountState {
        let mut state = CountState::Open;
        for step in &self.steps {
            state = match step {
                Step::HandedIn { .. } => CountState::HandedIn,
                Step::SentBack { .. } => CountState::Open,
                Step::Booked { .. } => CountState::Booked,
                Step::Dropped { .. } => CountState::Dropped,
                Step::Opened(_) | Step::Entered(_) | Step::Recounted { .. } => state,
            };
        }
        state
    }

    /// Who handed it in last.
    #[must_use]
    pub fn handed_in_by(&self) -> Option<PersonId> {
        self.steps.iter().rev().find_map(|step| match step {
            Step::HandedIn { person, .. } => Some(*person),
            _ => None,
        })
    }

    /// What stands on the sheet: the last word on each place.
    #[must_use]
    pub fn entered(&self) -> Vec<&Entered> {
        let mut sheet: Vec<&Entered> = Vec::new();
        for step in &self.steps {
            let Step::Entered(entered) = step else {
                continue;
            };
            match sheet.iter().position(|before| before.replaces(entered)) {
                Some(i) => sheet[i] = entered,
                None => sheet.push(entered),
            }
        }
        sheet
    }

    /// The lines that were booked.
    #[must_use]
    pub fn booked(&self) -> &[Line] {
        let booked = self.steps.iter().find_map(|step| match step {
            Step::Booked { lines, .. } => Some(lines.as_slice()),
            _ => None,
        });
        booked.unwrap_or_default()
    }

    /// The postings that brought the book to what was counted.
    #[must_use]
    pub fn postings(&self) -> Vec<PostingId> {
        let of = |step: &Step| match step {
            Step::Booked { postings, .. } => postings.clone(),
            Step::Recounted { by } => vec![*by],
            _ => Vec::new(),
        };
        self.steps.iter().flat_map(of).collect()
    }
}

impl Entered {
    /// How much in all.
    ///
    /// # Errors
    /// [`MassRange`] beyond [`Mass::MAX`].
    pub fn mass(&self) -> Result<Mass, MassRange> {
        Mass::sum(self.masses.iter().map(|of| of.mass_g))
    }

    /// Whether both are about the same coffee: one lot in a storeroom, or whatever is in a batch or a packing.
    fn replaces(&self, later: &Self) -> bool {
        let lots = |entered: &Self| entered.masses.iter().map(|of| of.lot).collect::<Vec<_>>();
        self.place == later.place
            && (!matches!(self.place, Place::Store(_)) || lots(self) == lots(later))
    }
}

/// The count whose steps a leaf changes, if it changes any.
#[must_use]
pub fn changed(leaf: &Leaf) -> Option<Uuid> {
    match leaf {
        Leaf::Entry(entry) => (entry.kind == KIND).then_some(entry.subject),
        Leaf::Posting(posting) => serde_json::from_value(posting.facts["recounts"].clone()).ok(),
        Leaf::Closing(_) => None,
    }
}

/// Adds what a leaf says of counts to their steps: the one rule by which steps follow from the log.
pub fn follow(steps: &mut HashMap<Uuid, Vec<Value>>, leaf: &Leaf) {
    match leaf {
        Leaf::Entry(entry) if entry.kind == KIND => steps
            .entry(entry.subject)
            .or_default()
            .push(entry.after.clone()),
        Leaf::Posting(posting) => {
            let recounted = serde_json::from_value::<Uuid>(posting.facts["recounts"].clone());
            if let Ok(session) = recounted {
                let step = serde_json::to_value(Step::Recounted { by: posting.id });
                steps
                    .entry(session)
                    .or_default()
                    .push(step.unwrap_or_default());
            }
        }
        Leaf::Entry(_) | Leaf::Closing(_) => {}
    }
}

/// Whether a posting is a count's: it stands as long as the count does.
#[must_use]
pub fn is_of(posting: &Posting) -> bool {
    !posting.facts["count"].is_null() || !posting.facts["recounts"].is_null()
}
