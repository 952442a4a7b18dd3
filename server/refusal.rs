//! Why something a person asked for is not done: the facts, and a sentence they can act on. `web/problem.rs` turns it into an answer.

use serde_json::{Map, Value};
use uuid::Uuid;

use crate::mass::{Mass, MassRange};
use crate::store::StoreError;

/// A field that is wrong, and what would be right.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, utoipa::ToSchema)]
pub struct FieldError {
    /// Where it stands in the body (JSON Pointer, RFC 6901).
    pub pointer: String,
    /// What would be right.
    pub detail: String,
}

/// A line of an imported table that is wrong, and what would be right.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, utoipa::ToSchema)]
pub struct LineError {
    /// Where the table stands in the body (JSON Pointer, RFC 6901).
    pub pointer: &'static str,
    /// The line of the text, from 1.
    pub line: u64,
    /// The column's name.
    pub column: String,
    /// What stands there.
    pub value: String,
    /// What would be right.
    pub detail: String,
}

/// What a further tap confirms.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize, utoipa::ToSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Confirm {
    /// More green than the book has.
    BeyondBook,
    /// The card has been withdrawn.
    CardWithdrawn,
    /// Another batch was weighed in on the card.
    CardUsed,
    /// Another batch is still in the drum.
    DrumBusy,
    /// The delivery is on hold.
    DeliveryOnHold,
    /// More than the roaster takes.
    OverRoaster,
    /// The card's lot may be sold under a claim that this lot lacks.
    ClaimDropped,
    /// Bags that hold less than their label allows.
    LightBags,
    /// More or less came from another site than it sent.
    OtherThanSent,
    /// Green comes from another site, and what it cost is not known there.
    CostUnknown,
    /// What was counted is far from what the book has there.
    FarFromBook,
    /// What is expected of a lot is far from what its packing holds.
    FarFromPacking,
    /// A lot is taken out of use while green of it, or cards, are there.
    GreenLeft,
    /// The order's ship day is over.
    DayOver,
    /// The order asks for fewer bags than are packed for it.
    FewerThanPacked,
    /// More bags than the order still lacks.
    BeyondOrder,
    /// Cards on the floor are taken back.
    TakesCardsBack,
}

/// What a person is asked about once, all of it at a time: each with its sentence and the figures behind it.
#[derive(Debug, Default)]
pub struct ToConfirm(Vec<(Confirm, String, Map<String, Value>)>);

impl ToConfirm {
    /// Adds one.
    pub fn add(
        &mut self,
        confirm: Confirm,
        sentence: impl Into<String>,
        facts: Map<String, Value>,
    ) {
        self.0.push((confirm, sentence.into(), facts));
    }

    /// Whether there is none, confirmed or not.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Asks what nobody has confirmed.
    ///
    /// # Errors
    /// [`Refusal::Confirm`] with all of it.
    pub fn ask(&self, confirms: impl Fn(Confirm) -> bool) -> Outcome<()> {
        let open = self.0.iter().filter(|(confirm, ..)| !confirms(*confirm));
        let (mut confirm, mut said, mut facts) = (Vec::new(), Vec::new(), Map::new());
        for (of, sentence, figures) in open.cloned() {
            confirm.push(of);
            said.push(sentence);
            facts.extend(figures);
        }
        if confirm.is_empty() {
            return Ok(());
        }
        Err(Refusal::Confirm {
            confirm,
            sentence: said.join("; "),
            facts,
        })
    }
}

/// Why something is not done. Nothing has changed.
#[derive(Debug, thiserror::Error)]
pub enum Refusal {
    /// Fields are wrong.
    #[error("{}", first_of(.0))]
    Invalid(Vec<FieldError>),
    /// Lines of an imported table are wrong.
    #[error("{} line(s) cannot be taken: nothing was imported", .0.len())]
    BadLines(Vec<LineError>),
    /// There is no such thing.
    #[error("there is no {0} {1}")]
    NotFound(&'static str, Uuid),
    /// It does not fit what is there, such as a step out of order.
    #[error("{sentence}")]
    Conflict {
        /// What does not fit, and what to do.
        sentence: String,
        /// The figures behind it.
        facts: Map<String, Value>,
    },
    /// It can be done, but a person must say so once more.
    #[error("{sentence}")]
    Confirm {
        /// What to send in `confirmed`.
        confirm: Vec<Confirm>,
        /// What is unusual.
        sentence: String,
        /// The figures behind it.
        facts: Map<String, Value>,
    },
    /// It has been changed by someone else since it was read.
    #[error(
        "this has been changed since you read it (revision {0} now): read it again, then change it"
    )]
    ChangedSince(i64),
    /// The id names another command already.
    #[error("this id has been used for something else: make a new one")]
    IdTaken,
    /// What was shown to be let in is not right.
    #[error("{0}")]
    NotKnown(&'static str),
    /// Whoever asks has not the right that this needs.
    #[error("{0}")]
    NotAllowed(&'static str),
    /// Too many wrong tries.
    #[error("too many wrong tries: wait {seconds} seconds, then try again")]
    Wait {
        /// How long to wait.
        seconds: i64,
    },
    /// More than is taken from this sender.
    #[error("{0}")]
    TooMuch(&'static str),
    /// Below the areas.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// What is wrong with the first of wrong fields, named in plain words: `/batches/0/charge_g` is the charge of the first of the batches.
fn first_of(errors: &[FieldError]) -> String {
    let Some(first) = errors.first() else {
        return "a field is wrong".to_owned();
    };
    let words = first.pointer.split('/').filter(|part| !part.is_empty());
    let words = words.map(|part| match part.parse::<usize>() {
        Ok(place) => (place + 1).to_string(),
        Err(_) => part.trim_end_matches("_g").replace('_', " "),
    });
    let field = words.collect::<Vec<_>>().join(" ");
    if field.is_empty() {
        first.detail.clone()
    } else {
        format!("{field}: {}", first.detail)
    }
}

/// What an area answers.
pub type Outcome<T> = Result<T, Refusal>;

impl Refusal {
    /// One wrong field.
    #[must_use]
    pub fn field(pointer: &str, detail: impl Into<String>) -> Self {
        Self::Invalid(vec![FieldError {
            pointer: pointer.to_owned(),
            detail: detail.into(),
        }])
    }

    /// More goes than the book has: asked about once.
    #[must_use]
    pub fn beyond_book(beyond: Mass, sentence: String) -> Self {
        let mut facts = Map::new();
        facts.insert("beyond_book_g".to_owned(), serde_json::json!(beyond));
        Self::Confirm {
            confirm: vec![Confirm::BeyondBook],
            sentence,
            facts,
        }
    }

    /// Something that does not fit, in one sentence.
    #[must_use]
    pub fn conflict(sentence: impl Into<String>) -> Self {
        Self::Conflict {
            sentence: sentence.into(),
            facts: Map::new(),
        }
    }
}

impl From<MassRange> for Refusal {
    fn from(error: MassRange) -> Self {
        Self::field("", error.to_string())
    }
}
