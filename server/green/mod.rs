//! Green coffee as it comes, moves, is counted and goes, apart from what is roasted.

mod blend;
mod count;
mod draw;
mod dry;
mod give_back;
pub mod lasts;
pub(crate) mod leave;
mod receive;
pub mod stock;
mod transfer;

pub use blend::{Blend, BlendPart};
pub use count::{Count, Counted, UsedUp};
pub use draw::{Drawn, Sample, Waste};
pub use dry::Drying;
pub use give_back::Return;
pub use receive::{Receipt, ReceiptLine};
pub use transfer::Transfer;

use serde::Serialize;

use crate::book::leaf::Posting;

/// The answer to a command that books one posting.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Posted {
    /// The posting.
    pub posting: PostingView,
}

/// A posting as it is answered.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PostingView {
    /// Its id.
    pub id: crate::ids::PostingId,
    /// Its place in the log.
    pub position: i64,
    /// What was done.
    pub kind: crate::book::leaf::Kind,
    /// The day it counts.
    pub day: crate::day::Day,
    /// When it happened.
    pub happened_at: crate::day::Instant,
    /// When the book learned it.
    pub recorded_at: crate::day::Instant,
    /// Whether it came after its day was closed.
    pub late: bool,
    /// Why.
    pub reason: Option<String>,
    /// The posting that it undoes.
    pub reverses: Option<crate::ids::PostingId>,
    /// What moved.
    pub movements: Vec<MovementView>,
}

/// A movement as it is answered.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct MovementView {
    /// Whose coffee.
    pub lot: crate::ids::LotId,
    /// Where it was.
    #[schema(value_type = Object)]
    pub from: crate::book::place::Place,
    /// Where it is now.
    #[schema(value_type = Object)]
    pub to: crate::book::place::Place,
    /// How much.
    pub mass_g: crate::mass::Mass,
}

impl From<&Posting> for PostingView {
    fn from(posting: &Posting) -> Self {
        let movement = |m: &crate::book::leaf::Movement| MovementView {
            lot: m.lot,
            from: m.from,
            to: m.to,
            mass_g: crate::mass::Mass::from_mg(m.mass_mg).unwrap_or_default(),
        };
        Self {
            id: posting.id,
            position: posting.head.position,
            kind: posting.kind,
            day: posting.day,
            happened_at: crate::day::Instant::from_ms(posting.happened_at),
            recorded_at: crate::day::Instant::from_ms(posting.head.recorded_at),
            late: posting.late,
            reason: posting.reason.clone(),
            reverses: posting.reverses,
            movements: posting.movements.iter().map(movement).collect(),
        }
    }
}

impl From<&Posting> for Posted {
    fn from(posting: &Posting) -> Self {
        Self {
            posting: posting.into(),
        }
    }
}
