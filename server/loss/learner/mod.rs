//! The learner: a pure fold over a history.
//!
//! Facts are folded in their order. What sorts last is appended; anything else goes back to the last checkpoint before it and folds
//! again from there, so that the state never depends on the order of arrival. Decisions of the fold that reach back (a held batch
//! released, an effect opened at the batch where a shift began) are kept with the place at which they were taken.

mod events;
mod image;
mod names;
mod predict;
mod rebuild;
mod rules;

use std::sync::Arc;

use rpds::VectorSync;
use serde::{Deserialize, Serialize};

use self::names::AllNames;
pub(super) use self::rebuild::Changes;
use super::drift::{Notice, Watch};
use super::explain::{Explanation, Habits};
use super::filter::{Change, Filter, Row};
use super::fit::Fit;
use super::history::{Fact, History, Lot, Style};
use super::range::Verdict;
use super::settings::{Settings, Spreads};
use super::student::Quantiles;

/// Batches at the first refit of the spreads.
const FIRST_REFIT: usize = 4;

/// A batch to come.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Question {
    /// Its lot.
    pub lot: Lot,
    /// Its style.
    pub style: Style,
    /// Id of its roaster.
    pub roaster: String,
    /// Local minute of the weigh-out.
    pub minute: i64,
    /// Green of each batch weighed out together, grams: one for a single batch.
    pub charges_g: Vec<f64>,
    /// Division of the scale that weighs the green, grams.
    pub division_in_g: f64,
    /// Division of the scale that weighs the roast, grams.
    pub division_out_g: f64,
}

/// A batch as the learner judged it when it came, in the order of the history.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Judged {
    /// Place of the batch's fact in the history.
    pub fact: usize,
    /// Verdict on the weights after review.
    pub verdict: Verdict,
    /// Expected ln(roasted/green).
    pub log_yield: f64,
    /// Sd of the log-yield, without the scale of the tails.
    pub sd: f64,
    /// The batch is learned.
    pub learned: bool,
    /// A notice of the lot was raised at this batch.
    pub lot_notice: bool,
    /// A notice of the roaster was raised at this batch.
    pub roaster_notice: bool,
    /// Factor on the noise with which the batch is learned.
    dilution: f64,
    /// What may have happened if the batch was flagged, likeliest first.
    pub explanations: Vec<Explanation>,
}

/// A change of the state with the row before which it applies and the fact that brought it.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Planned {
    pub row: usize,
    fact: usize,
    /// Events apply before the row's effects are opened, decisions after.
    pub decision: bool,
    pub change: Change,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Reading {
    value: f64,
    sd: f64,
    minute: i64,
}

/// What a lot brought along and has seen.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
struct LotState {
    watch: Watch,
    reading: Option<Reading>,
    received: Option<i64>,
    delivery: Option<usize>,
    batches: u32,
}

/// What a roaster has seen.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
struct RoasterState {
    watch: Watch,
    habits: Habits,
}

/// All that the fold carries from fact to fact.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct State {
    filter: Filter,
    fit: Fit,
    /// Batches so far that could teach: what cannot, moves no refit.
    teaching: usize,
    next_refit: usize,
    lots: Vec<LotState>,
    roasters: Vec<RoasterState>,
    lots_seen: u32,
    style_batches: Vec<u32>,
    notices: Vec<Notice>,
    digest: u64,
}

/// A held batch that was learned after all.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
struct Released {
    /// The fact at which it was decided.
    fact: usize,
    row: usize,
    /// What the batch's dilution had been.
    dilution: f64,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
struct Checkpoint {
    facts: usize,
    rows: usize,
    names: [usize; 4],
    state: State,
}

/// Learns expected losses from a history of batches. See the module for the model.
///
/// A clone shares with it what neither changes, so that it costs next to nothing, however many batches it knows.
#[derive(Debug, Clone)]
pub struct Learner {
    settings: Settings,
    quantiles: Quantiles,
    history: History,
    names: AllNames,
    /// Facts folded so far.
    folded: usize,
    rows: VectorSync<Row>,
    judged: VectorSync<Judged>,
    planned: Vec<Planned>,
    released: Vec<Released>,
    state: State,
    checkpoints: VectorSync<Checkpoint>,
    /// States before a row under the present spreads and decisions, to rebuild from.
    snapshots: VectorSync<(usize, Filter)>,
}

fn entry<T: Default>(list: &mut Vec<T>, place: usize) -> &mut T {
    while list.len() <= place {
        list.push(T::default());
    }
    &mut list[place]
}

fn at<T: Clone>(list: &mut VectorSync<T>, place: usize) -> &mut T {
    let Some(item) = list.get_mut(place) else {
        unreachable!("places are those of rows that are there")
    };
    item
}

fn truncate<T: Clone>(list: &mut VectorSync<T>, length: usize) {
    while list.len() > length {
        list.drop_last_mut();
    }
}

fn count(n: u32) -> f64 {
    f64::from(n)
}

impl Learner {
    /// A learner that has seen nothing.
    #[must_use]
    pub fn new(settings: Settings) -> Self {
        let state = State {
            filter: Filter::new(&settings),
            fit: Fit::new(&settings),
            teaching: 0,
            next_refit: FIRST_REFIT,
            lots: Vec::new(),
            roasters: Vec::new(),
            lots_seen: 0,
            style_batches: Vec::new(),
            notices: Vec::new(),
            digest: 0xcbf2_9ce4_8422_2325,
        };
        Self {
            quantiles: Quantiles::new(settings.alpha),
            settings,
            history: History::new(),
            names: AllNames::default(),
            folded: 0,
            rows: VectorSync::new_sync(),
            judged: VectorSync::new_sync(),
            planned: Vec::new(),
            released: Vec::new(),
            checkpoints: VectorSync::from_iter([Checkpoint {
                facts: 0,
                rows: 0,
                names: [0; 4],
                state: state.clone(),
            }]),
            state,
            snapshots: VectorSync::new_sync(),
        }
    }

    /// Takes in one fact, wherever it sorts; one with a known id replaces the earlier one.
    pub fn append(&mut self, fact: Fact) {
        let place = self.history.put(fact);
        self.fold_from(place);
    }

    /// Takes a fact out.
    pub fn remove(&mut self, fact: &Fact) {
        if let Some(place) = self.history.take(fact) {
            self.fold_from(place);
        }
    }

    /// Learns a history, from the last checkpoint before the first difference to what is known.
    pub fn replay(&mut self, history: History) {
        let place = self.history.first_difference(&history);
        self.history = history;
        self.fold_from(place);
    }

    /// The learner as it would be with one fact more, for a look before it is saved.
    #[must_use]
    pub fn preview(&self, fact: Fact) -> Self {
        let mut other = self.clone();
        other.append(fact);
        other
    }

    /// The learner as it would be with further facts, each in its place.
    #[must_use]
    pub fn with(&self, facts: impl IntoIterator<Item = Fact>) -> Self {
        let mut other = self.clone();
        other.replay(self.history.with(facts));
        other
    }

    /// Settings in force.
    #[must_use]
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Facts known, in order.
    #[must_use]
    pub fn history(&self) -> &History {
        &self.history
    }

    /// Batches as judged when they came, in order.
    #[must_use]
    pub const fn judged(&self) -> &VectorSync<Judged> {
        &self.judged
    }

    /// Drift notices in the order in which they were raised.
    #[must_use]
    pub fn notices(&self) -> &[Notice] {
        &self.state.notices
    }

    /// Spreads in force.
    #[must_use]
    pub fn spreads(&self) -> &Spreads {
        &self.state.fit.spreads
    }

    /// Spreads that the batches folded so far support under the priors of given settings; the state stays as it is.
    #[must_use]
    pub fn estimate(&self, priors: &Settings) -> Spreads {
        self.fitted(Fit::new(priors), priors, 1e-9).spreads
    }

    /// Log likelihood of all batches under given spreads, with the settings' share of gross errors.
    #[must_use]
    pub fn log_likelihood(&self, spreads: &Spreads) -> f64 {
        Fit::log_likelihood(&self.settings, &self.rows_from(0), &self.planned, spreads)
    }

    fn fitted(&self, mut fit: Fit, priors: &Settings, enough: f64) -> Fit {
        let from = self.rows.len().saturating_sub(priors.window);
        fit.refit(
            priors,
            &self.rows_from(from),
            &self.planned,
            from,
            self.names.counts()[0],
            enough,
        );
        fit
    }

    /// The rows from a place on, beside one another: a fit goes over them some hundred times.
    fn rows_from(&self, from: usize) -> Vec<Row> {
        (from..self.rows.len())
            .map(|at| self.rows[at].clone())
            .collect()
    }

    /// Effects alive in the state.
    #[must_use]
    pub fn effects(&self) -> usize {
        self.state.filter.effects()
    }

    /// Smallest variance in the state: positive as long as the arithmetic holds.
    #[must_use]
    pub fn smallest_variance(&self) -> f64 {
        self.state.filter.smallest_variance()
    }

    /// Names the state: facts folded, and a digest of all innovations and spreads.
    #[must_use]
    pub fn state_key(&self) -> String {
        format!("{}-{:016x}", self.folded, self.state.digest)
    }

    /// Whether two learners are in the same state to the last bit.
    #[must_use]
    pub fn same_state(&self, other: &Self) -> bool {
        self.folded == other.folded
            && self.state.digest == other.state.digest
            && self.state.filter == other.state.filter
            && self.state.notices == other.state.notices
    }

    fn fold_from(&mut self, place: usize) {
        if place < self.folded {
            self.go_back(place);
        }
        while self.folded < self.history.facts().len() {
            let fact = Arc::clone(&self.history.facts()[self.folded]);
            match &*fact {
                Fact::Batch(batch) => self.fold_batch(batch),
                Fact::Event {
                    id, minute, what, ..
                } => self.fold_event(id, *minute, what),
            }
        }
    }

    fn go_back(&mut self, place: usize) {
        while self
            .checkpoints
            .last()
            .is_some_and(|checkpoint| checkpoint.facts > place)
        {
            self.checkpoints.drop_last_mut();
        }
        let Some(checkpoint) = self.checkpoints.last() else {
            unreachable!("the checkpoint before any fact is never dropped")
        };
        self.state = checkpoint.state.clone();
        self.folded = checkpoint.facts;
        self.names.truncate(checkpoint.names);
        truncate(&mut self.rows, checkpoint.rows);
        truncate(&mut self.judged, checkpoint.rows);
        self.planned
            .retain(|planned| planned.fact < checkpoint.facts);
        for undone in self
            .released
            .iter()
            .rev()
            .filter(|r| r.fact >= checkpoint.facts && r.row < checkpoint.rows)
        {
            let judged = at(&mut self.judged, undone.row);
            (judged.learned, judged.dilution) = (false, undone.dilution);
        }
        self.released.retain(|r| r.fact < checkpoint.facts);
        self.snapshots = VectorSync::new_sync();
    }

    fn keep_checkpoint(&mut self) {
        self.checkpoints.push_back_mut(Checkpoint {
            facts: self.folded,
            rows: self.rows.len(),
            names: self.names.counts(),
            state: self.state.clone(),
        });
    }

    fn digest(&mut self, value: u64) {
        for byte in value.to_le_bytes() {
            self.state.digest =
                (self.state.digest ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
        }
    }
}
