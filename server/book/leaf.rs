//! Leaves: what the log holds, in the form that never changes. Every other table of the book follows from them.
//!
//! A new release may add a field that is left out when it says nothing, or a new `kind`; it never changes what an old leaf says.

use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use super::place::Place;
use crate::day::Day;
use crate::ids::{CardId, LotId, PersonId, PostingId, ScaleId, SiteId};
use crate::mass::Unit;

/// The version of the leaf form that this release writes.
pub const VERSION: u32 = 1;

/// One entry of the log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "leaf", rename_all = "snake_case")]
pub enum Leaf {
    /// Coffee moved.
    Posting(Posting),
    /// Something else was said or changed.
    Entry(Entry),
    /// A period was closed, or opened again.
    Closing(Closing),
}

/// Where and when a leaf stands in the log, and who booked it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Head {
    /// Version of the form.
    pub v: u32,
    /// The site whose log this is.
    pub site: SiteId,
    /// Place in the log, from 0.
    pub position: i64,
    /// When the book learned it, Unix ms; never less than in the leaf before.
    pub recorded_at: i64,
    /// Who booked it.
    pub person: PersonId,
    /// On which device, if it has a name of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<Uuid>,
    /// Whether the device alone was proved, and it said who the person was.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub claimed: bool,
}

/// What a person did with coffee, as one whole.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Posting {
    /// Place in the log, person and device.
    #[serde(flatten)]
    pub head: Head,
    /// The id its sender gave it.
    pub id: PostingId,
    /// What was done.
    pub kind: Kind,
    /// When it happened, as the sender says, Unix ms.
    pub happened_at: i64,
    /// When it counts: `happened_at`, or the start of the first open day where its day is closed.
    pub effective_at: i64,
    /// The site's local date of `effective_at`.
    pub day: Day,
    /// Whether it came after its day was closed.
    pub late: bool,
    /// Why, in a person's words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// The card it carries out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub card: Option<CardId>,
    /// The posting that this one mirrors.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reverses: Option<PostingId>,
    /// What else was known or answered: verdict, steps of batches, confirmations.
    #[serde(default, skip_serializing_if = "Value::is_null")]
    pub facts: Value,
    /// SHA-256 of the command, hex.
    pub digest: String,
    /// What moved.
    pub movements: Vec<Movement>,
    /// How the masses are known.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub weighings: Vec<Weighing>,
}

/// Coffee of one lot going from one place to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Movement {
    /// Whose coffee.
    pub lot: LotId,
    /// Where it was.
    pub from: Place,
    /// Where it is now.
    pub to: Place,
    /// How much, in milligrams; more than nothing.
    pub mass_mg: i64,
}

/// How the mass of a movement is known.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Weighing {
    /// The movement of the posting it belongs to, from 0.
    pub movement: usize,
    /// Weighed, nominal or reckoned.
    pub basis: Basis,
    /// Where the figure came from.
    pub source: Source,
    /// The scale.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale: Option<ScaleId>,
    /// The unit it shows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<Unit>,
    /// Its division in milligrams.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub division_mg: Option<i64>,
    /// Net mass in milligrams: the sum of the readings where there are any.
    pub net_mg: i64,
    /// Each reading, as typed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub readings: Vec<Reading>,
}

/// One reading of a scale.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reading {
    /// The digits as typed or sent, in the scale's unit.
    pub gross: String,
    /// Gross mass in milligrams.
    pub gross_mg: i64,
    /// The container that stood on the scale.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub container: Option<String>,
    /// The container's mass in milligrams.
    pub tare_mg: i64,
    /// Gross less container, in milligrams.
    pub net_mg: i64,
}

macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $word:tt),* $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, utoipa::ToSchema)]
        pub enum $name {
            $($(#[$vdoc])* #[serde(rename = $word)] $variant,)*
        }

        impl $name {
            /// The word in leaves, tables and answers.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)* }
            }

            /// The value of a word.
            #[must_use]
            pub fn of_word(word: &str) -> Option<Self> {
                match word { $($word => Some(Self::$variant),)* _ => None }
            }
        }
    };
}
pub(crate) use words;

words! {
    /// How a mass is known.
    Basis {
        /// Read from a scale.
        Weighed = "weighed",
        /// So many sacks of so much.
        Nominal = "nominal",
        /// Missed, and filled in afterwards by reckoning: never learned from.
        Reckoned = "reckoned",
    }
}

words! {
    /// Where a figure came from.
    Source {
        /// A person typed it.
        Typed = "typed",
        /// A scale sent it.
        Scale = "scale",
        /// Counted sacks of a stated weight.
        Nominal = "nominal",
        /// Reckoned by a person or the program.
        Reckoned = "reckoned",
    }
}

words! {
    /// What a posting does.
    Kind {
        /// Green came in.
        Receive = "receive",
        /// Green went back.
        Return = "return",
        /// Green went to another storeroom.
        Transfer = "transfer",
        /// Green left for another site.
        Dispatch = "dispatch",
        /// Green arrived from another site.
        Arrive = "arrive",
        /// Green was weighed in for a batch.
        WeighIn = "weigh_in",
        /// A batch was weighed out.
        WeighOut = "weigh_out",
        /// A batch was thrown away.
        Scrap = "scrap",
        /// Coffee was drawn as a sample.
        Sample = "sample",
        /// Coffee was spilled, sorted out or swept up.
        Waste = "waste",
        /// Green dried in the store.
        Dry = "dry",
        /// A count found more or less than the book.
        Count = "count",
        /// A lot was used up, and its rest in the book taken off.
        UseUp = "use_up",
        /// A blend lot was made up from others.
        Blend = "blend",
        /// Roasted coffee went into bags.
        Pack = "pack",
        /// Bags went to a customer.
        Ship = "ship",
        /// Bags came back.
        TakeBack = "take_back",
        /// Bags on the shelf became an order's: the one kind that moves nothing.
        Allot = "allot",
        /// The bin of a run was weighed or found empty: its rest in the book was put right or thrown away.
        FinishRun = "finish_run",
        /// A posting was undone.
        Reverse = "reverse",
        /// A weight or lot was put right, and booked again.
        Correct = "correct",
    }
}

impl Kind {
    /// Whether a posting of this kind may move coffee so. A reversal mirrors and a correction rebooks any movement.
    #[must_use]
    pub const fn allows(self, from: Place, to: Place) -> bool {
        use Place::{
            Air, Batch, Blended, Packed, Roasted, Sample, Shipped, Store, Supplier, Transit,
            Variance, Waste,
        };
        /// Green beyond the book comes out of the count difference first, so that a store never falls below nothing.
        const fn makes_up(from: Place, to: Place) -> bool {
            matches!((from, to), (Variance, Store(_)))
        }
        match self {
            Self::Receive => matches!((from, to), (Supplier(_), Store(_))),
            Self::Return => makes_up(from, to) || matches!((from, to), (Store(_), Supplier(_))),
            Self::Transfer => makes_up(from, to) || matches!((from, to), (Store(_), Store(_))),
            Self::Dispatch => makes_up(from, to) || matches!((from, to), (Store(_), Transit(_))),
            // What is weighed in may be less than was sent.
            Self::Arrive => {
                makes_up(from, to)
                    || matches!((from, to), (Transit(_), Store(_)) | (Store(_), Variance))
            }
            Self::WeighIn => makes_up(from, to) || matches!((from, to), (Store(_), Batch(_))),
            // More out than in: the excess comes back from the air.
            Self::WeighOut => matches!((from, to), (Batch(_), Roasted(_) | Air) | (Air, Batch(_))),
            Self::Scrap => matches!((from, to), (Batch(_) | Roasted(_), Waste)),
            Self::Sample => {
                makes_up(from, to)
                    || matches!(
                        (from, to),
                        (Store(_) | Batch(_) | Roasted(_), Sample)
                            | (Variance, Batch(_) | Roasted(_))
                    )
            }
            Self::Waste => {
                makes_up(from, to)
                    || matches!(
                        (from, to),
                        (Store(_) | Roasted(_) | Packed(_), Waste) | (Variance, Roasted(_))
                    )
            }
            Self::Dry => makes_up(from, to) || matches!((from, to), (Store(_), Air)),
            Self::Count => matches!(
                (from, to),
                (Store(_) | Roasted(_) | Packed(_), Variance)
                    | (Variance, Store(_) | Roasted(_) | Packed(_))
            ),
            Self::UseUp => matches!((from, to), (Store(_), Variance)),
            Self::Blend => {
                makes_up(from, to)
                    || matches!((from, to), (Store(_), Blended(_)) | (Blended(_), Store(_)))
            }
            Self::Pack => matches!((from, to), (Roasted(_), Packed(_)) | (Variance, Roasted(_))),
            Self::Ship => matches!((from, to), (Packed(_), Shipped(_)) | (Variance, Packed(_))),
            Self::TakeBack => matches!((from, to), (Shipped(_), Packed(_) | Waste)),
            Self::FinishRun => matches!(
                (from, to),
                (Roasted(_), Variance | Waste) | (Variance, Roasted(_))
            ),
            Self::Allot => false,
            Self::Reverse | Self::Correct => true,
        }
    }
}

/// Something that is not a movement: set-up data changed, a card released, a batch started, held, passed or reviewed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Place in the log, person and device.
    #[serde(flatten)]
    pub head: Head,
    /// The entry's own id.
    pub id: Uuid,
    /// What kind of thing it is about, such as `lot` or `batch`.
    pub kind: String,
    /// Which one.
    pub subject: Uuid,
    /// What was done to it.
    pub act: Act,
    /// When it happened, Unix ms.
    pub happened_at: i64,
    /// Why, in a person's words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// SHA-256 of the command, hex, where one command is one entry.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub digest: Option<String>,
    /// The first open day when it was booked, where it is about costs and a period was closed: what it changes counts from there on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub open_from: Option<Day>,
    /// What it was before; nothing where it is new.
    #[serde(default, skip_serializing_if = "Value::is_null")]
    pub before: Value,
    /// What it is now.
    #[serde(default, skip_serializing_if = "Value::is_null")]
    pub after: Value,
}

words! {
    /// What was done in a journal entry.
    Act {
        /// A record was made or changed.
        Put = "put",
        /// A batch went into the drum.
        Start = "start",
        /// A batch's start was taken back.
        Unstart = "unstart",
        /// A batch was put on hold.
        Hold = "hold",
        /// A batch was passed.
        Pass = "pass",
        /// A batch's loss was reviewed.
        Review = "review",
        /// A store was counted and agreed with the book.
        Agree = "agree",
        /// A roaster's scale was adjusted.
        ScaleAdjusted = "scale_adjusted",
        /// A roaster's profile or burner changed.
        ProfileChanged = "profile_changed",
        /// A drift notice was dealt with.
        NoticeClosed = "notice_closed",
        /// Batches roasted before the book began were taken over.
        Import = "import",
        /// What was taken over was taken back.
        Withdraw = "withdraw",
        /// A command kept on a tablet could not be booked, and waits for a person.
        Keep = "keep",
        /// A kept command was settled.
        Settle = "settle",
        /// A count was begun.
        CountOpened = "count_opened",
        /// A place was counted.
        CountEntered = "count_entered",
        /// A count was handed in.
        CountHandedIn = "count_handed_in",
        /// A count was sent back.
        CountSentBack = "count_sent_back",
        /// A count was booked.
        CountBooked = "count_booked",
        /// A count was dropped.
        CountDropped = "count_dropped",
        /// A finding was closed.
        FindingClosed = "finding_closed",
        /// The log was sealed up to a closing.
        Seal = "seal",
    }
}

/// A period closed, or opened again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Closing {
    /// Place in the log, person and device.
    #[serde(flatten)]
    pub head: Head,
    /// The closing's id.
    pub id: Uuid,
    /// The closing that this one opens again; none when it closes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reopens: Option<Uuid>,
    /// First day of the period; none for all before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from_day: Option<Day>,
    /// Last day of the period.
    pub to_day: Day,
    /// Why, in a person's words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// SHA-256 of the command, hex.
    pub digest: String,
    /// What stood where at the end of the last day.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub totals: Vec<Total>,
}

/// What of a lot stood at one kind of place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Total {
    /// Whose coffee.
    pub lot: LotId,
    /// The place's word.
    pub place: String,
    /// How much, in milligrams.
    pub mass_mg: i64,
}

impl Posting {
    /// What of it cannot be, whatever the book holds: it moves nothing, or what its kind does not move.
    #[must_use]
    pub fn fault(&self) -> Option<String> {
        if self.movements.is_empty() && !matches!(self.kind, Kind::Allot | Kind::Reverse) {
            return Some("a posting that moves nothing".to_owned());
        }
        let wrong = self
            .movements
            .iter()
            .find(|m| m.mass_mg <= 0 || m.from == m.to || !self.kind.allows(m.from, m.to))?;
        Some(format!(
            "a {} that moves {} mg from {} to {}",
            self.kind.word(),
            wrong.mass_mg,
            wrong.from.word(),
            wrong.to.word()
        ))
    }
}

impl Leaf {
    /// Place in the log, person and device.
    #[must_use]
    pub const fn head(&self) -> &Head {
        match self {
            Self::Posting(posting) => &posting.head,
            Self::Entry(entry) => &entry.head,
            Self::Closing(closing) => &closing.head,
        }
    }
}
