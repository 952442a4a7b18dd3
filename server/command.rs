//! Commands: what people tell the book has happened, under an id that the sender made.
//!
//! To add one: a struct by `command!` in the file of its area with its [`Command::perform`], and a line in the `command_routes!` of
//! `web/commands.rs`.

use async_trait::async_trait;
use serde::{Deserialize, Deserializer, Serialize};
use uuid::Uuid;

use crate::app::App;
use crate::book::Book;
use crate::day::Instant;
use crate::refusal::{Confirm, Outcome};

/// Something that happened, to be booked.
#[async_trait]
pub trait Command: Serialize + Send + Sync + Clone + 'static {
    /// Its name in addresses, such as `weigh-ins`.
    const NAME: &'static str;
    /// What it answers.
    type Answer: Serialize + Send;

    /// What every command says.
    fn common(&self) -> Common<'_>;

    /// Books it in this turn. When it refuses, nothing of the turn stays.
    ///
    /// # Errors
    /// [`crate::refusal::Refusal`] with what to do.
    async fn perform(&self, book: &mut Book, app: &App, id: Uuid) -> Outcome<Self::Answer>;
}

/// What every command says.
#[derive(Debug, Clone, Copy)]
pub struct Common<'a> {
    /// When it happened.
    pub happened_at: Instant,
    /// Why, in the sender's words.
    pub reason: Option<&'a crate::text::Note>,
    /// Whether it was kept on a tablet without a network.
    pub kept: bool,
    /// What the sender has confirmed.
    pub confirmed: &'a [Confirm],
}

impl Common<'_> {
    /// Whether the sender has confirmed this; what was kept on a tablet has happened and needs no confirming.
    #[must_use]
    pub fn confirms(&self, what: Confirm) -> bool {
        self.kept || self.confirmed.contains(&what)
    }

    /// The reason as the book keeps it.
    #[must_use]
    pub fn why(&self) -> Option<String> {
        self.reason.map(ToString::to_string)
    }
}

/// Accepts the versions of a command's form that this release knows.
///
/// # Errors
/// When the version is not 1.
pub fn version_1<'de, D: Deserializer<'de>>(deserializer: D) -> Result<u32, D::Error> {
    match u32::deserialize(deserializer)? {
        1 => Ok(1),
        other => Err(serde::de::Error::custom(format!(
            "this release knows version 1 of this command, not {other}: load the page again"
        ))),
    }
}

/// A command's struct: its own fields beside those that all have, with [`Command::common`] as a function of the same name.
macro_rules! command {
    ($(#[$doc:meta])* $name:ident { $($(#[$attribute:meta])* $field:ident: $type:ty),* $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize, utoipa::ToSchema)]
        #[serde(deny_unknown_fields)]
        pub struct $name {
            /// Version of this form: 1.
            #[serde(deserialize_with = "crate::command::version_1")]
            #[schema(minimum = 1, maximum = 1)]
            pub v: u32,
            /// When it happened; later than now is taken as now.
            pub happened_at: crate::day::Instant,
            /// Why.
            #[serde(default, skip_serializing_if = "Option::is_none")]
            pub reason: Option<crate::text::Note>,
            /// Whether it was kept on a tablet without a network.
            #[serde(default, skip_serializing_if = "std::ops::Not::not")]
            pub kept: bool,
            /// What the sender has confirmed after being asked.
            #[serde(default, skip_serializing_if = "Vec::is_empty")]
            pub confirmed: Vec<crate::refusal::Confirm>,
            $($(#[$attribute])* pub $field: $type,)*
        }

        impl $name {
            const fn said(&self) -> crate::command::Common<'_> {
                crate::command::Common { happened_at: self.happened_at, reason: self.reason.as_ref(), kept: self.kept, confirmed: self.confirmed.as_slice() }
            }
        }
    };
}
pub(crate) use command;
