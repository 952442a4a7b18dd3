//! The fold as bytes, so that a start need not fold again what it folded before.
//!
//! An image bears no facts, only a digest of the facts up to each of its checkpoints. Whoever takes it up brings the facts as the book now
//! has them: the fold goes on from the last checkpoint before which all facts are the same, so that an image can be old, but never wrong.

use serde::Serialize;
use sha2::{Digest, Sha256};

use super::{AllNames, Checkpoint, Judged, Learner, Planned, Released, State};
use crate::loss::filter::Row;
use crate::loss::history::History;
use crate::loss::settings::Settings;

/// Number of the form of an image and of the arithmetic behind it. A change of either makes it one more, and old images are dropped.
const FORM: u32 = 1;

type Sum = [u8; 32];

/// How many facts stood before each checkpoint and before the state, with the digest of them.
type Marks = Vec<(usize, Sum)>;

/// The fold after its facts: names, rows, judged, planned, released, checkpoints, state.
type Fold = (
    AllNames,
    Vec<Row>,
    Vec<Judged>,
    Vec<Planned>,
    Vec<Released>,
    Vec<Checkpoint>,
    State,
);

fn bytes_of<T: Serialize>(value: &T, into: Vec<u8>) -> Vec<u8> {
    let Ok(bytes) = postcard::to_extend(value, into) else {
        unreachable!("plain values of known length can be written")
    };
    bytes
}

/// Digests of the facts before each place; the places ascend.
fn digests(history: &History, places: impl Iterator<Item = usize>) -> Vec<Sum> {
    let (mut sum, mut done, mut bytes) = (Sha256::new(), 0, Vec::new());
    let digest = |place: usize| {
        for fact in &history.facts()[done..place] {
            bytes.clear();
            bytes = bytes_of(&**fact, std::mem::take(&mut bytes));
            sum.update(&bytes);
        }
        done = place;
        sum.clone().finalize().into()
    };
    places.map(digest).collect()
}

impl Learner {
    /// What was folded, for [`Learner::resume`]: a digest of the rest, form, settings, marks, and the fold.
    #[must_use]
    pub fn image(&self) -> Vec<u8> {
        let places: Vec<usize> = self
            .checkpoints
            .iter()
            .map(|checkpoint| checkpoint.facts)
            .chain([self.folded])
            .collect();
        let sums = digests(&self.history, places.iter().copied());
        let marks: Marks = places.into_iter().zip(sums).collect();
        let body = bytes_of(&(FORM, &self.settings, marks), vec![0; size_of::<Sum>()]);
        let mut image = bytes_of(
            &(
                &self.names,
                &self.rows,
                &self.judged,
                &self.planned,
                &self.released,
                &self.checkpoints,
                &self.state,
            ),
            body,
        );
        let (sum, body) = image.split_at_mut(size_of::<Sum>());
        sum.copy_from_slice(&Sha256::digest(body));
        image
    }

    /// The learner of a history, folded on from an image of an earlier one, with the number of facts that needed no folding: to the last
    /// bit what folding all of them gives.
    ///
    /// # Errors
    /// The history, if the image is damaged, of another form, or of other settings.
    pub fn resume(
        image: &[u8],
        settings: &Settings,
        history: History,
    ) -> Result<(Self, usize), History> {
        let Some((marks, fold)) = read(image, settings) else {
            return Err(history);
        };
        let known = marks.partition_point(|(facts, _)| *facts <= history.facts().len());
        let sums = digests(&history, marks[..known].iter().map(|(facts, _)| *facts));
        let same = marks
            .iter()
            .zip(sums)
            .take_while(|((_, was), is)| was == is);
        let agreed = same.last().map_or(0, |((facts, _), _)| *facts);
        let (names, rows, judged, planned, released, checkpoints, state) = fold;
        let mut learner = Self {
            history,
            names,
            folded: marks.last().map_or(0, |(facts, _)| *facts),
            rows,
            judged,
            planned,
            released,
            checkpoints,
            state,
            ..Self::new(settings.clone())
        };
        learner.fold_from(agreed);
        Ok((learner, agreed))
    }
}

/// What a sound image of this form and these settings holds.
fn read(image: &[u8], settings: &Settings) -> Option<(Marks, Fold)> {
    let (sum, body) = image.split_at_checked(size_of::<Sum>())?;
    if sum != &Sha256::digest(body)[..] {
        return None;
    }
    let (form, rest) = postcard::take_from_bytes::<u32>(body).ok()?;
    if form != FORM {
        return None;
    }
    let (of, rest) = postcard::take_from_bytes::<Settings>(rest).ok()?;
    if of != *settings {
        return None;
    }
    postcard::from_bytes(rest).ok()
}
