//! A batch's life as the steps that were booked, and what follows from them. Pure: no clock, no store.

use std::collections::{BTreeSet, HashMap};

use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::book::canonical;
use crate::book::leaf::{Act, Leaf, words};
use crate::day::{Day, Instant};
use crate::fraction::{Fraction, loss};
use crate::ids::{BatchId, CardId, LotId, PostingId, RoasterId, StoreroomId, StyleId};
use crate::mass::Mass;
use crate::store::{BatchRow, StoreError};

words! {
    /// How far a batch has come.
    State {
        /// Green stands ready.
        WeighedIn = "weighed_in",
        /// In the drum or the cooling tray.
        InDrum = "in_drum",
        /// Roasted and weighed.
        WeighedOut = "weighed_out",
        /// Thrown away.
        Scrapped = "scrapped",
        /// Its weigh-in was undone.
        Undone = "undone",
    }
}

words! {
    /// What a review found.
    Finding {
        /// The weights are right: learn from them.
        WasSo = "was_so",
        /// Do not learn from it.
        SetAside = "set_aside",
        /// Coffee was carried over from or to the neighbouring batch.
        CarriedOver = "carried_over",
    }
}

words! {
    /// How a loss stands to what was expected.
    Judgement {
        /// In the range.
        Ok = "ok",
        /// More loss than expected.
        More = "more",
        /// Less loss than expected.
        Less = "less",
        /// No roast loses so much or so little.
        Impossible = "impossible",
    }
}

/// What was expected of a batch and what was found: recorded, and never changed by what is learned afterwards.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Verdict {
    /// How the loss stands to the range.
    pub judgement: Judgement,
    /// The loss found.
    pub loss: Fraction,
    /// The loss expected.
    pub mean: Fraction,
    /// Standard deviation of what was expected.
    pub sd: Fraction,
    /// Lower end of the range.
    pub lo: Fraction,
    /// Upper end of the range.
    pub hi: Fraction,
    /// Probability of a sound batch outside the range.
    pub alpha: Fraction,
    /// The state of the learner that expected so.
    pub state_key: String,
    /// The verdict in words.
    pub sentence: String,
}

/// One thing that was booked about a batch.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "step", rename_all = "snake_case")]
pub enum Step {
    /// Green was weighed in; a further one adds to the charge.
    WeighedIn(WeighedIn),
    /// It went into the drum.
    Started {
        /// The journal entry.
        by: Uuid,
        /// When.
        at: Instant,
    },
    /// A sample was drawn: of green or hot coffee before weighing out, or of the roasted.
    Sampled {
        /// The posting.
        by: PostingId,
        /// How much.
        mass_g: Mass,
        /// Whether before the weigh-out, so that it counts as come out.
        before: bool,
    },
    /// Roasted coffee was weighed.
    WeighedOut(WeighedOut),
    /// Roasted coffee was sorted out or spilled.
    Wasted {
        /// The posting.
        by: PostingId,
        /// How much.
        mass_g: Mass,
    },
    /// All of it was thrown away.
    Scrapped {
        /// The posting.
        by: PostingId,
        /// When.
        at: Instant,
    },
    /// It was put on hold.
    Held {
        /// The journal entry.
        by: Uuid,
        /// Why.
        reason: String,
    },
    /// It was passed.
    Passed {
        /// The journal entry.
        by: Uuid,
        /// Why.
        reason: String,
    },
    /// Its loss was reviewed.
    Reviewed {
        /// The journal entry.
        by: Uuid,
        /// What was found.
        finding: Finding,
        /// Why.
        reason: String,
    },
    /// A weight or its lot was put right.
    Corrected {
        /// The posting.
        by: PostingId,
        /// The right green mass.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        green_g: Option<Mass>,
        /// The right roasted mass.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        roasted_g: Option<Mass>,
        /// The right lot.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lot: Option<LotId>,
        /// Why.
        reason: String,
    },
}

/// Green weighed in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct WeighedIn {
    /// The posting.
    pub by: PostingId,
    /// The lot.
    pub lot: LotId,
    /// The style it is meant for.
    pub style: StyleId,
    /// The roaster it is meant for.
    pub roaster: RoasterId,
    /// The card it carries out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub card: Option<CardId>,
    /// Where the green stood.
    pub storeroom: StoreroomId,
    /// How much.
    pub mass_g: Mass,
    /// When.
    pub at: Instant,
    /// The site's day then.
    pub day: Day,
    /// The scale's division; nothing where it was not weighed.
    pub division_g: Mass,
    /// Whether the mass was reckoned.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub reckoned: bool,
}

/// Roasted coffee weighed out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct WeighedOut {
    /// The posting.
    pub by: PostingId,
    /// How much of the reading belongs to this batch.
    pub mass_g: Mass,
    /// All batches that the reading covers, this one too, in order of their ids.
    pub covers: Vec<BatchId>,
    /// When.
    pub at: Instant,
    /// The site's day then.
    pub day: Day,
    /// The site's wall-clock minute since 1970 then: the order in which the learner takes batches.
    pub minute: i64,
    /// The scale's division; nothing where it was not weighed.
    pub division_g: Mass,
    /// Whether the mass was reckoned.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub reckoned: bool,
    /// What was expected and found.
    pub verdict: Verdict,
}

impl Step {
    /// The posting or journal entry that booked it.
    #[must_use]
    pub const fn by(&self) -> Uuid {
        match self {
            Self::WeighedIn(WeighedIn { by, .. })
            | Self::Sampled { by, .. }
            | Self::WeighedOut(WeighedOut { by, .. })
            | Self::Wasted { by, .. }
            | Self::Scrapped { by, .. }
            | Self::Corrected { by, .. } => by.0,
            Self::Started { by, .. }
            | Self::Held { by, .. }
            | Self::Passed { by, .. }
            | Self::Reviewed { by, .. } => *by,
        }
    }
}

/// A batch: its id and its steps in the order they were booked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Batch {
    /// Its id.
    pub id: BatchId,
    /// Its steps.
    pub steps: Vec<Step>,
}

impl Batch {
    /// A batch to which nothing has happened.
    #[must_use]
    pub const fn new(id: BatchId) -> Self {
        Self {
            id,
            steps: Vec::new(),
        }
    }

    /// The batch of a row.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when its steps cannot be read.
    pub fn of_row(row: &BatchRow) -> Result<Self, StoreError> {
        Ok(Self {
            id: row.id,
            steps: serde_json::from_str(&row.steps).map_err(crate::book::damaged)?,
        })
    }

    /// The row of the batch, with the columns that follow from its steps. `before` is the row it had, whose columns stay when all is undone.
    #[must_use]
    pub fn row(&self, before: Option<&BatchRow>) -> Option<BatchRow> {
        let steps = canonical::text(&self.steps);
        let Some(first) = self.weighed_in() else {
            return before.map(|row| BatchRow {
                state: State::Undone.word().to_owned(),
                held: false,
                out_minute: None,
                steps,
                ..row.clone()
            });
        };
        let out = self.weighed_out();
        Some(BatchRow {
            id: self.id,
            lot: self.lot().unwrap_or(first.lot),
            style: first.style.0,
            roaster: first.roaster.0,
            card: first.card,
            state: self.state().word().to_owned(),
            held: self.hold().is_some(),
            day: out.map_or(first.day, |out| out.day),
            out_minute: out.map(|out| out.minute),
            steps,
        })
    }

    /// How far it has come.
    #[must_use]
    pub fn state(&self) -> State {
        let mut state = State::Undone;
        for step in &self.steps {
            state = match step {
                Step::WeighedIn(_) if state == State::Undone => State::WeighedIn,
                Step::Started { .. } => State::InDrum,
                Step::WeighedOut(_) => State::WeighedOut,
                Step::Scrapped { .. } => State::Scrapped,
                _ => state,
            };
        }
        state
    }

    /// Its first weigh-in, which says lot, style, roaster and card.
    #[must_use]
    pub fn weighed_in(&self) -> Option<&WeighedIn> {
        self.steps.iter().find_map(|step| {
            if let Step::WeighedIn(weighed) = step {
                Some(weighed)
            } else {
                None
            }
        })
    }

    /// Its weigh-out.
    #[must_use]
    pub fn weighed_out(&self) -> Option<&WeighedOut> {
        self.steps.iter().find_map(|step| {
            if let Step::WeighedOut(weighed) = step {
                Some(weighed)
            } else {
                None
            }
        })
    }

    /// When it went into the drum.
    #[must_use]
    pub fn started_at(&self) -> Option<Instant> {
        self.steps.iter().rev().find_map(|step| {
            if let Step::Started { at, .. } = step {
                Some(*at)
            } else {
                None
            }
        })
    }

    /// Its lot, as put right.
    #[must_use]
    pub fn lot(&self) -> Option<LotId> {
        let corrected = self.steps.iter().rev().find_map(|step| {
            if let Step::Corrected { lot, .. } = step {
                *lot
            } else {
                None
            }
        });
        corrected.or_else(|| self.weighed_in().map(|weighed| weighed.lot))
    }

    /// The green charged, as put right.
    #[must_use]
    pub fn charged(&self) -> Mass {
        let mut charged = Mass::ZERO;
        for step in &self.steps {
            match step {
                Step::WeighedIn(weighed) => {
                    charged = charged.plus(weighed.mass_g).unwrap_or(Mass::MAX);
                }
                Step::Corrected {
                    green_g: Some(green),
                    ..
                } => charged = *green,
                _ => {}
            }
        }
        charged
    }

    /// The roasted coffee weighed out, as put right; none before it was.
    #[must_use]
    pub fn roasted(&self) -> Option<Mass> {
        let out = self.weighed_out()?;
        let corrected = self.steps.iter().rev().find_map(|step| {
            if let Step::Corrected { roasted_g, .. } = step {
                *roasted_g
            } else {
                None
            }
        });
        Some(corrected.unwrap_or(out.mass_g))
    }

    /// Samples drawn before the weigh-out: they count as come out.
    #[must_use]
    pub fn sampled_before(&self) -> Mass {
        self.steps
            .iter()
            .filter_map(|step| {
                if let Step::Sampled {
                    mass_g,
                    before: true,
                    ..
                } = step
                {
                    Some(*mass_g)
                } else {
                    None
                }
            })
            .fold(Mass::ZERO, |sum, mass| sum.plus(mass).unwrap_or(Mass::MAX))
    }

    /// What came out: the roasted and the samples drawn before it was weighed.
    #[must_use]
    pub fn came_out(&self) -> Option<Mass> {
        self.roasted()
            .and_then(|roasted| roasted.plus(self.sampled_before()).ok())
    }

    /// Its loss, as put right.
    #[must_use]
    pub fn loss(&self) -> Option<Fraction> {
        loss(self.charged(), self.came_out()?)
    }

    /// Why it is on hold, if it is.
    #[must_use]
    pub fn hold(&self) -> Option<&str> {
        let mut hold = None;
        for step in &self.steps {
            hold = match step {
                Step::WeighedOut(out) if out.verdict.judgement != Judgement::Ok => {
                    Some(out.verdict.sentence.as_str())
                }
                Step::Held { reason, .. } => Some(reason.as_str()),
                Step::Passed { .. } | Step::Scrapped { .. } => None,
                _ => hold,
            };
        }
        hold
    }

    /// What the last review found, and why.
    #[must_use]
    pub fn review(&self) -> Option<(Finding, &str)> {
        self.steps.iter().rev().find_map(|step| {
            if let Step::Reviewed {
                finding, reason, ..
            } = step
            {
                Some((*finding, reason.as_str()))
            } else {
                None
            }
        })
    }

    /// Whether a weight was put right.
    #[must_use]
    pub fn is_corrected(&self) -> bool {
        self.steps
            .iter()
            .any(|step| matches!(step, Step::Corrected { .. }))
    }

    /// Whether one of its weights was reckoned, so that nothing can be learned from it.
    #[must_use]
    pub fn is_reckoned(&self) -> bool {
        self.steps.iter().any(|step| match step {
            Step::WeighedIn(weighed) => weighed.reckoned,
            Step::WeighedOut(weighed) => weighed.reckoned,
            _ => false,
        })
    }

    /// The last instant that its steps claim; the next is not before it.
    #[must_use]
    pub fn last_at(&self) -> Option<Instant> {
        self.steps
            .iter()
            .filter_map(|step| match step {
                Step::WeighedIn(WeighedIn { at, .. })
                | Step::WeighedOut(WeighedOut { at, .. })
                | Step::Started { at, .. }
                | Step::Scrapped { at, .. } => Some(*at),
                _ => None,
            })
            .max()
    }
}

/// The batches whose steps a leaf changes.
#[must_use]
pub fn changed(leaf: &Leaf) -> BTreeSet<Uuid> {
    let id = |value: &Value| serde_json::from_value::<Uuid>(value.clone()).ok();
    match leaf {
        Leaf::Posting(posting) => {
            let listed = |name: &str| posting.facts[name].as_array().into_iter().flatten();
            let stepped = listed("steps").filter_map(|step| id(&step["batch"]));
            stepped.chain(listed("undone").filter_map(id)).collect()
        }
        Leaf::Entry(entry) if entry.kind == "batch" => BTreeSet::from([entry.subject]),
        Leaf::Entry(_) | Leaf::Closing(_) => BTreeSet::new(),
    }
}

/// Adds what a leaf says of batches to their steps: the one rule by which steps follow from the log.
pub fn follow(steps: &mut HashMap<Uuid, Vec<Value>>, leaf: &Leaf) {
    match leaf {
        Leaf::Posting(posting) => {
            for step in posting.facts["steps"].as_array().into_iter().flatten() {
                let mut step = step.clone();
                let batch = step
                    .as_object_mut()
                    .and_then(|fields| fields.remove("batch"));
                if let Some(batch) = batch.and_then(|id| serde_json::from_value(id).ok()) {
                    steps.entry(batch).or_default().push(step);
                }
            }
            for batch in posting.facts["undone"].as_array().into_iter().flatten() {
                if let Ok(batch) = serde_json::from_value::<Uuid>(batch.clone()) {
                    steps.entry(batch).or_default().pop();
                }
            }
        }
        Leaf::Entry(entry) if entry.kind == "batch" => {
            let steps = steps.entry(entry.subject).or_default();
            if entry.act == Act::Unstart {
                steps.pop();
            } else {
                steps.push(entry.after.clone());
            }
        }
        Leaf::Entry(_) | Leaf::Closing(_) => {}
    }
}
