//! What the roastery expects of its coffee: the learner behind the service.
//!
//! It follows the book after each commit and answers from memory. What it knows follows from the batches, lots and styles in the book
//! alone. It writes down now and then what it learned, so that a start reads only what came since. A request asks it and never waits
//! for it.

mod effect;
mod history;
mod outlook;
mod overview;
pub mod past;
mod questions;
mod siblings;
pub mod told;
mod written;

pub use effect::{RangeChange, ReviewEffect, ReviewText, Standing, effect};
pub use outlook::{BagsLeft, LotOutlook, SiblingOutlook, StyleOutlook, outlook};
pub use overview::{Known, NoticeView, Overview, notices, overview, picture};
pub use questions::{Questions, RangeCard};
pub use siblings::Apart;

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, PoisonError, RwLock};

use serde::Serialize;
use tokio::sync::{Notify, watch};

use crate::floor::batch::{Judgement, Verdict};
use crate::follow::{self, News};
use crate::fraction::Fraction;
use crate::ids::{LotId, RoasterId, SiteId, StyleId};
use crate::loss::{self, Learner, Prediction, Question, Settings};
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Lot, Site, Style};
use crate::store::{HeadRow, LogRow, Read, Store, StoreError};
use crate::threads::behind_the_floor;
use written::Followed;

/// The learner behind the service.
#[derive(Debug)]
pub struct Expect {
    learner: RwLock<Arc<Learner>>,
    followed: watch::Sender<Followed>,
    /// Told when somebody waits until it has followed.
    awaited: Notify,
    /// Facts known when it was last written down.
    written: AtomicUsize,
}

/// It is written down after so many new facts, and when the service stops.
const WRITE_EVERY: usize = 512;

/// Why nothing came of what was to be learned, or to be written down of it.
fn failed() -> StoreError {
    StoreError::Database("the learner failed".to_owned())
}

/// What the learner is asked about one reading, of one batch or several together.
#[derive(Debug, Clone)]
pub struct Asked {
    /// The lot.
    pub lot: LotId,
    /// The style.
    pub style: StyleId,
    /// The roaster.
    pub roaster: RoasterId,
    /// Green weighed in, batch by batch.
    pub charges: Vec<Mass>,
    /// Division of the scale for green.
    pub green_division: Mass,
    /// Division of the scale for roasted coffee.
    pub roasted_division: Mass,
    /// What came out, with samples drawn before.
    pub came_out: Mass,
}

/// The learner's settings, as the site's record has them.
async fn settings(tx: &mut dyn Read, site: SiteId) -> Result<Settings, StoreError> {
    let usual = Settings::default();
    let record = setup::find::<Site>(tx, site, site).await?;
    Ok(Settings {
        alpha: record.map_or(usual.alpha, |site| site.fields.false_flag_rate.value()),
        ..usual
    })
}

/// What would explain an odd weight.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Explanation {
    /// Its word.
    pub kind: &'static str,
    /// It in words.
    pub sentence: String,
    /// The green as it then was.
    pub right_green_g: Option<Mass>,
    /// What came out as it then was.
    pub right_roasted_g: Option<Mass>,
    /// Its probability among the causes considered.
    pub probability: Fraction,
}

/// An expected loss with its range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Range {
    /// Expected.
    pub mean: Fraction,
    /// Lower end.
    pub lo: Fraction,
    /// Upper end.
    pub hi: Fraction,
}

impl Range {
    /// The range of a prediction.
    #[must_use]
    pub fn of(prediction: &Prediction) -> Self {
        Self {
            mean: Fraction::nearest(prediction.mean_loss),
            lo: Fraction::nearest(prediction.lo),
            hi: Fraction::nearest(prediction.hi),
        }
    }
}

impl Expect {
    /// Learns everything that a book holds: what was written down, and what came since; or all of it anew.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be read.
    pub async fn open(store: &dyn Store, site: SiteId) -> Result<Self, StoreError> {
        let mut tx = store.read().await?;
        let settings = settings(&mut *tx, site).await?;
        let head = tx.head(site).await?;
        let head = head.ok_or_else(|| StoreError::Damaged("the site has no log".to_owned()))?;
        let image = tx.learned(site).await?.unwrap_or_default();
        if let Some((followed, learner)) = written::read(&image, &settings) {
            let (facts, from) = (learner.history().facts().len(), followed.size);
            let learned = Self::of(learner, followed, facts);
            if learned.leads_to(&mut *tx, site, &head).await? {
                tracing::info!(facts, leaves = head.size - from, "the learner goes on");
                return Ok(learned);
            }
        }
        let mut learner = Learner::new(settings);
        learner.replay(history::read(&mut *tx, site).await?.into_iter().collect());
        let facts = learner.history().facts().len();
        tracing::info!(facts, "the learner begins anew");
        Ok(Self::of(learner, Followed::to(&head)?, 0))
    }

    fn of(learner: Learner, followed: Followed, written: usize) -> Self {
        Self {
            learner: RwLock::new(Arc::new(learner)),
            followed: watch::Sender::new(followed),
            awaited: Notify::new(),
            written: AtomicUsize::new(written),
        }
    }

    /// Follows a log to its head. Answers whether what was followed before is the beginning of this log.
    async fn leads_to(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        head: &HeadRow,
    ) -> Result<bool, StoreError> {
        while self.followed() < head.size {
            let leaves = tx.leaves(site, self.followed(), follow::PAGE).await?;
            if leaves.is_empty() {
                break;
            }
            self.follow(tx, site, &leaves, &News::of(&leaves)?).await?;
        }
        Ok(self.followed.borrow().is_at(head))
    }

    /// Writes down what was learned if much of it is new.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn write_if_due(&self, store: &dyn Store, site: SiteId) -> Result<(), StoreError> {
        let known = self.learner().history().facts().len();
        if known.abs_diff(self.written.load(Ordering::Relaxed)) < WRITE_EVERY {
            return Ok(());
        }
        self.write(store, site).await
    }

    /// Writes down what was learned, so that the next start need not learn it again.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn write(&self, store: &dyn Store, site: SiteId) -> Result<(), StoreError> {
        // In this order: the learner may know more than the place says, which is then followed once more, but never less.
        let followed = self.followed.borrow().clone();
        let learner = self.learner();
        let known = learner.history().facts().len();
        let image = behind_the_floor(move || written::image(&followed, &learner));
        let image = image.await.ok_or_else(failed)?;
        let mut tx = store.write().await?;
        tx.put_learned(site, image).await?;
        tx.commit().await?;
        self.written.store(known, Ordering::Relaxed);
        Ok(())
    }

    /// How many leaves of the log it has followed.
    #[must_use]
    pub fn followed(&self) -> i64 {
        self.followed.borrow().size
    }

    /// Waits until it has followed the log up to this size.
    pub async fn caught_up(&self, size: i64) {
        let mut followed = self.followed.subscribe();
        self.awaited.notify_one();
        // The sender lives as long as this value, so waiting cannot fail.
        let _ = followed.wait_for(|followed| followed.size >= size).await;
    }

    /// Waits until somebody waits for it.
    pub async fn awaited(&self) {
        self.awaited.notified().await;
    }

    /// Takes in what the next leaves changed: their batches, or everything where more depends on them. `tx` is a snapshot that has them. Only
    /// one follows at a time: what it learns takes the place of what was known.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub async fn follow(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        leaves: &[LogRow],
        news: &News,
    ) -> Result<(), StoreError> {
        let learner = self.learner();
        let anew = news.everything
            || history::lots_come_or_go(tx, site, &learner, news).await?
            || history::lots_age_otherwise(tx, site, &learner, news).await?;
        drop(learner);
        if anew {
            let facts = history::read(tx, site).await?;
            let settings = settings(tx, site).await?;
            let known = self.learner();
            self.learn(move || {
                let mut learner = if *known.settings() == settings {
                    Learner::clone(&known)
                } else {
                    Learner::new(settings)
                };
                learner.replay(facts.into_iter().collect());
                learner
            })
            .await?;
        } else {
            let mut changes = Vec::new();
            for batch in &news.batches {
                changes.extend(history::of_batch(tx, site, *batch).await?);
            }
            let known = self.learner();
            if changes
                .iter()
                .any(|change| history::is_news(&known, change))
            {
                self.learn(move || {
                    let mut learner = Learner::clone(&known);
                    history::apply(&mut learner, changes);
                    learner
                })
                .await?;
            }
        }
        let mut followed = self.followed.borrow().clone();
        followed.go_on(leaves)?;
        self.followed.send_replace(followed);
        Ok(())
    }

    /// The learner as it is now.
    #[must_use]
    pub fn learner(&self) -> Arc<Learner> {
        Arc::clone(&self.learner.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// The learner and what is needed to ask it many questions, of one moment.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn questions(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
    ) -> Result<Questions, StoreError> {
        Questions::read(self.learner(), tx, site).await
    }

    /// Learns more, or all anew. It may take long: whoever asks meanwhile is answered by what was known.
    async fn learn(
        &self,
        learn: impl FnOnce() -> Learner + Send + 'static,
    ) -> Result<(), StoreError> {
        let learned = behind_the_floor(learn).await.ok_or_else(failed)?;
        let known = self.replace(Arc::new(learned));
        // A learner of years takes its time to go; nobody waits for that.
        behind_the_floor(move || drop(known))
            .await
            .ok_or_else(failed)
    }

    /// Puts another learner in place of the one that is there.
    fn replace(&self, learner: Arc<Learner>) -> Arc<Learner> {
        let mut held = self.learner.write().unwrap_or_else(PoisonError::into_inner);
        std::mem::replace(&mut *held, learner)
    }

    /// What is expected of a reading.
    ///
    /// # Errors
    /// [`Refusal`] when lot or style are not there.
    pub async fn predict(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        asked: &Asked,
    ) -> Outcome<Prediction> {
        let question = question(tx, site, asked).await?;
        Ok(self.learner().predict(&question))
    }

    /// Judges a reading.
    ///
    /// # Errors
    /// [`Refusal`] when lot or style are not there.
    pub async fn judge(&self, tx: &mut dyn Read, site: SiteId, asked: &Asked) -> Outcome<Verdict> {
        let prediction = self.predict(tx, site, asked).await?;
        let charged = Mass::sum(asked.charges.iter().copied())?;
        Ok(verdict(&prediction, charged, asked.came_out))
    }

    /// What would explain an odd reading, the likeliest first.
    ///
    /// # Errors
    /// [`Refusal`] when lot or style are not there.
    pub async fn explain(
        &self,
        tx: &mut dyn Read,
        site: SiteId,
        asked: &Asked,
    ) -> Outcome<Vec<Explanation>> {
        let question = question(tx, site, asked).await?;
        let found = self.learner().explain(&question, asked.came_out.grams());
        Ok(found.iter().map(Explanation::of).collect())
    }
}

impl Explanation {
    /// An explanation that the learner found.
    #[must_use]
    pub fn of(found: &loss::Explanation) -> Self {
        Self {
            kind: found.cause.word(),
            sentence: begun(found.cause.words()),
            right_green_g: nearest_gram(found.green_g),
            right_roasted_g: nearest_gram(found.roasted_g),
            probability: Fraction::nearest(found.probability),
        }
    }
}

/// Words as a sentence begins.
fn begun(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// A mass to the nearest gram; none where the float is none.
#[expect(
    clippy::cast_possible_truncation,
    clippy::as_conversions,
    reason = "checked to be finite and small"
)]
fn nearest_gram(grams: f64) -> Option<Mass> {
    (grams.is_finite() && grams.abs() < 1e9)
        .then(|| Mass::from_grams(grams.round() as i64).ok())
        .flatten()
}

/// The verdict on a mass that went in and one that came out.
#[must_use]
pub fn verdict(prediction: &Prediction, charged: Mass, came_out: Mass) -> Verdict {
    let judged = prediction.judge(charged.grams(), came_out.grams());
    let judgement = judgement_of(judged.outcome);
    let (lo, hi, found) = (
        Fraction::nearest(judged.lo),
        Fraction::nearest(judged.hi),
        Fraction::nearest(judged.loss),
    );
    Verdict {
        judgement,
        loss: found,
        mean: Fraction::nearest(judged.mean),
        sd: Fraction::nearest(judged.sd),
        lo,
        hi,
        alpha: Fraction::nearest(judged.alpha),
        state_key: prediction.state_key.clone(),
        sentence: if judgement == Judgement::Ok {
            sentence(judgement, found, lo, hi)
        } else {
            format!("{} On hold.", sentence(judgement, found, lo, hi))
        },
    }
}

const fn judgement_of(outcome: loss::Outcome) -> Judgement {
    match outcome {
        loss::Outcome::Ok => Judgement::Ok,
        loss::Outcome::More => Judgement::More,
        loss::Outcome::Less => Judgement::Less,
        loss::Outcome::Impossible => Judgement::Impossible,
    }
}

/// A loss beside its range in words.
fn sentence(judgement: Judgement, loss: Fraction, lo: Fraction, hi: Fraction) -> String {
    let range = format!("Loss {loss}. Expected {:.1} to {hi}.", lo.value() * 100.0);
    match judgement {
        Judgement::Ok => format!("{range} As expected."),
        Judgement::More => format!("{range} More loss than expected."),
        Judgement::Less => format!("{range} Less loss than expected."),
        Judgement::Impossible => {
            format!("{range} No roast loses this: read the scales again.")
        }
    }
}

async fn question(tx: &mut dyn Read, site: SiteId, asked: &Asked) -> Outcome<Question> {
    let lot = setup::need::<Lot>(tx, site, asked.lot).await?;
    let style = setup::need::<Style>(tx, site, asked.style).await?;
    let zone = setup::site(tx, site).await?.fields.zone;
    let received = history::received_days(tx, site, Some(asked.lot)).await?;
    let head = tx
        .head(site)
        .await?
        .ok_or(Refusal::NotFound("site", site.0))?;
    Ok(Question {
        lot: history::lot(&lot, received.get(&asked.lot).copied()),
        style: history::style(&style),
        roaster: asked.roaster.to_string(),
        minute: zone.local_minute(head.recorded_at),
        charges_g: asked.charges.iter().map(|mass| mass.grams()).collect(),
        division_in_g: asked.green_division.grams(),
        division_out_g: asked.roasted_division.grams(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(serde::Deserialize)]
    struct Case {
        mean_log_yield: f64,
        variance: f64,
        quantile: f64,
        spread: f64,
        green_division_g: f64,
        roasted_division_g: f64,
        green_g: Mass,
        roasted_g: Mass,
        lo: f64,
        hi: f64,
        judgement: Judgement,
    }

    /// The same fixtures as the floor page's: `tests/reference/verdicts.py` works them out with 40 digits.
    #[test]
    fn verdicts_are_those_of_the_fixtures() {
        let cases: Vec<Case> =
            serde_json::from_str(include_str!("../../tests/fixtures/verdicts.json")).unwrap();
        for case in cases {
            let prediction = Prediction {
                mean_loss: 0.15,
                sd_loss: 0.005,
                lo: 0.13,
                hi: 0.17,
                alpha: 0.0027,
                log_yield: case.mean_log_yield,
                variance: case.variance,
                shared_variance: 0.0,
                noise_sd: case.variance.sqrt(),
                reach: case.quantile * case.spread,
                scale: case.spread,
                df: 1e9,
                moisture_offset: 0.0,
                readings: 1,
                division_in_g: case.green_division_g,
                division_out_g: case.roasted_division_g,
                possible_loss: [0.04, 0.30],
                state_key: String::new(),
            };
            let judged = verdict(&prediction, case.green_g, case.roasted_g);
            assert_eq!(judged.judgement, case.judgement);
            assert_eq!(judged.lo, Fraction::nearest(case.lo));
            assert_eq!(judged.hi, Fraction::nearest(case.hi));
        }
    }
}
