//! The learner as bytes, so that a start need not learn again what was learned before: its facts, and what was folded of them.
//!
//! An image is taken up by no other program than the one that wrote it, to the last line of its source. So a new release learns once anew,
//! and nobody has to tell whether it reads a fact, or reckons with it, otherwise than the one before.

use postcard::ser_flavors::Size;
use rpds::VectorSync;
use serde::Serialize;
use sha2::{Digest, Sha256};

use super::{AllNames, Checkpoint, Judged, Learner, Planned, Released, State};
use crate::loss::filter::Row;
use crate::loss::history::Fact;
use crate::loss::settings::Settings;

/// Names the source of this program (`build.rs`).
const SOURCE: &str = env!("OUTTURN_SOURCE");

type Sum = [u8; 32];

/// Facts in their order, and the fold after them: names, facts folded, rows, judged, planned, released, checkpoints, state.
type Learned = (
    Vec<Fact>,
    AllNames,
    usize,
    VectorSync<Row>,
    VectorSync<Judged>,
    Vec<Planned>,
    Vec<Released>,
    VectorSync<Checkpoint>,
    State,
);

/// Writes a value behind what is there. How long it is, is reckoned first: an image is of megabytes, and one that grows is there twice.
fn write<T: Serialize>(value: &T, mut bytes: Vec<u8>) -> postcard::Result<Vec<u8>> {
    bytes.reserve_exact(postcard::serialize_with_flavor(value, Size::default())?);
    postcard::to_extend(value, bytes)
}

impl Learner {
    /// What [`Learner::of_image`] takes up, behind what is there already: a digest of the rest, the source, the settings, and what was learned.
    #[must_use]
    pub fn image(&self, mut before: Vec<u8>) -> Vec<u8> {
        let start = before.len();
        before.resize(start + size_of::<Sum>(), 0);
        let learned = (
            self.history.facts(),
            &self.names,
            self.folded,
            &self.rows,
            &self.judged,
            &self.planned,
            &self.released,
            &self.checkpoints,
            &self.state,
        );
        let Ok(mut image) = write(&((SOURCE, &self.settings), learned), before) else {
            unreachable!("plain values of known length can be written")
        };
        let (sum, body) = image[start..].split_at_mut(size_of::<Sum>());
        sum.copy_from_slice(&Sha256::digest(body));
        image
    }

    /// The learner that an image is of, to the last bit; none if it is damaged, of another program, or of other settings.
    #[must_use]
    pub fn of_image(image: &[u8], settings: &Settings) -> Option<Self> {
        let (sum, body) = image.split_at_checked(size_of::<Sum>())?;
        if sum != &Sha256::digest(body)[..] {
            return None;
        }
        let ((source, of), rest) = postcard::take_from_bytes::<(&str, Settings)>(body).ok()?;
        if source != SOURCE || of != *settings {
            return None;
        }
        let learned: Learned = postcard::from_bytes(rest).ok()?;
        let (facts, names, folded, rows, judged, planned, released, checkpoints, state) = learned;
        Some(Self {
            history: facts.into_iter().collect(),
            names,
            folded,
            rows,
            judged,
            planned,
            released,
            checkpoints,
            state,
            ..Self::new(of)
        })
    }
}
