//! What the learner learns from: facts in the order in which they happened.
//!
//! Ids are opaque texts; masses are grams; moisture and loss are mass fractions; a minute counts from 1970-01-01T00:00 in
//! the local time of the site, a day likewise. Facts may arrive in any order: a fact with a known id replaces the earlier one.

use std::collections::HashMap;
use std::sync::Arc;

use rpds::{HashTrieMapSync, VectorSync};
use serde::{Deserialize, Serialize};

/// Minutes of a day.
pub(super) const DAY: i64 = 1440;

/// A lot of green coffee: one size grade of one delivery.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Lot {
    /// Id of the lot.
    pub id: String,
    /// Id of the delivery that its siblings share.
    pub delivery: String,
    /// Size grade, for people only.
    pub grade: String,
    /// Day of receipt, counted from 1970-01-01: the lot ages from it.
    pub received_day: i64,
}

/// A roast style with the loss its owner states for it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Style {
    /// Id of the style.
    pub id: String,
    /// Stated loss at the reference moisture, a fraction.
    pub nominal_loss: f64,
}

/// The readings of a batch, or of several batches of a run that were weighed out together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Weights {
    /// Green weighed in, one reading per batch covered, grams.
    pub charges_g: Vec<f64>,
    /// Roasted weighed out, all together, and the samples taken before weighing, grams.
    pub roasted_g: f64,
    /// Division of the scale that weighed the green, grams.
    pub division_in_g: f64,
    /// Division of the scale that weighed the roast, grams.
    pub division_out_g: f64,
}

impl Weights {
    /// Green weighed in, all together, grams.
    #[must_use]
    pub fn green_g(&self) -> f64 {
        self.charges_g.iter().sum()
    }

    /// Loss as a fraction: 1 - roasted/green.
    #[must_use]
    pub fn loss(&self) -> f64 {
        1.0 - self.roasted_g / self.green_g()
    }
}

/// What a person has said about a batch.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub enum Review {
    /// Nothing yet.
    #[default]
    None,
    /// It was so: learned, however odd.
    Sound,
    /// It was a mistake, and these are the right weights.
    Mistake {
        /// Right green readings, grams.
        charges_g: Vec<f64>,
        /// Right roasted reading with samples, grams.
        roasted_g: f64,
    },
    /// It was a batch of another lot.
    OtherLot(Arc<Lot>),
    /// Coffee was carried over from or to the neighbouring batch: not learned.
    CarriedOver,
    /// Set aside: not learned.
    SetAside,
}

/// A batch as weighed out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Batch {
    /// Id of the batch.
    pub id: String,
    /// Local minute of the weigh-out.
    pub minute: i64,
    /// Milliseconds of that minute that had passed.
    pub millisecond: u32,
    /// Lot as booked.
    pub lot: Arc<Lot>,
    /// Style.
    pub style: Arc<Style>,
    /// Id of the roaster with its scales.
    pub roaster: Arc<str>,
    /// Readings as booked.
    pub weights: Weights,
    /// False for reckoned weights, warm-up and purge batches, sample roasters in their own style: these are judged, never learned.
    pub teaches: bool,
    /// What a person has said.
    pub review: Review,
}

impl Batch {
    /// The lot after review.
    #[must_use]
    pub fn true_lot(&self) -> &Lot {
        if let Review::OtherLot(lot) = &self.review {
            lot
        } else {
            &self.lot
        }
    }

    /// Charges and roasted mass after review, grams.
    #[must_use]
    pub fn true_weights(&self) -> (&[f64], f64) {
        match &self.review {
            Review::Mistake {
                charges_g,
                roasted_g,
            } => (charges_g, *roasted_g),
            _ => (&self.weights.charges_g, self.weights.roasted_g),
        }
    }
}

/// Where a lasting shift is looked for.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Channel {
    /// A lot of green.
    Lot(String),
    /// A roaster with its scales.
    Roaster(String),
}

/// Something that happened besides batches.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Happening {
    /// The moisture of a lot was measured: mass fraction and standard uncertainty of the meter.
    Moisture {
        /// Id of the lot.
        lot: String,
        /// Reading, mass fraction.
        reading: f64,
        /// Standard uncertainty, mass fraction.
        sd: f64,
    },
    /// A scale of the roaster was adjusted.
    ScaleAdjusted {
        /// Id of the roaster.
        roaster: String,
    },
    /// Profile or burner of the roaster changed from here on.
    RoasterChanged {
        /// Id of the roaster.
        roaster: String,
    },
    /// A person dealt with a drift notice.
    NoticeClosed {
        /// Where it stood.
        channel: Channel,
        /// True: it did change, learn it anew since the batch named; false: leave what was learned.
        changed: bool,
    },
    /// A lot's stock is used up and none of its batches is open.
    LotLeft {
        /// Id of the lot.
        lot: String,
        /// No sibling of its delivery is left either. (A sibling still to be roasted learns from what the lot taught of the delivery.)
        with_delivery: bool,
    },
}

/// One fact of the history.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Fact {
    /// A batch was weighed out.
    Batch(Batch),
    /// Something else happened.
    Event {
        /// Id of the event.
        id: String,
        /// Local minute.
        minute: i64,
        /// Milliseconds of that minute that had passed.
        millisecond: u32,
        /// What it was.
        what: Happening,
    },
}

/// When a fact happened, as far as its order goes: the minute; what stands before, among or after the others of the minute; the
/// millisecond; events before batches.
type Time = (i64, u8, u32, bool);

/// Place of a fact in the order: time, id.
pub(super) type Key<'a> = (Time, &'a str);

impl Fact {
    /// Id of the fact.
    #[must_use]
    pub fn id(&self) -> &str {
        match self {
            Self::Batch(batch) => &batch.id,
            Self::Event { id, .. } => id,
        }
    }

    /// Readings of moisture hold for all batches of their minute; a lot leaves, and a notice is closed, after them. Whether a scale was
    /// adjusted before a batch was weighed or after it, the millisecond tells.
    pub(super) fn key(&self) -> Key<'_> {
        match self {
            Self::Batch(batch) => ((batch.minute, 1, batch.millisecond, true), &batch.id),
            Self::Event {
                id,
                minute,
                millisecond,
                what,
            } => {
                let stands = match what {
                    Happening::Moisture { .. } => 0,
                    Happening::ScaleAdjusted { .. } | Happening::RoasterChanged { .. } => 1,
                    Happening::LotLeft { .. } | Happening::NoticeClosed { .. } => 2,
                };
                ((*minute, stands, *millisecond, false), id)
            }
        }
    }
}

/// Facts in order. A clone shares with it what neither changes: there are many, and most are of all that a roastery ever roasted.
#[derive(Debug, Clone, Default)]
pub struct History {
    facts: VectorSync<Arc<Fact>>,
    /// When each batch and each event was, by its id.
    batches: Times,
    events: Times,
    shared: Shared,
}

type Times = HashTrieMapSync<Box<str>, Time>;

/// What many batches have in common, by id, as the last of them had it: there once for all of them.
#[derive(Debug, Clone, Default)]
struct Shared {
    lots: HashTrieMapSync<Box<str>, Arc<Lot>>,
    styles: HashTrieMapSync<Box<str>, Arc<Style>>,
    roasters: HashTrieMapSync<Box<str>, Arc<str>>,
}

impl Shared {
    /// The fact with what is there already in place of what is the same.
    fn in_common(&mut self, mut fact: Fact) -> Arc<Fact> {
        if let Fact::Batch(batch) = &mut fact {
            share(&mut self.lots, &mut batch.lot, |lot| &lot.id);
            share(&mut self.styles, &mut batch.style, |style| &style.id);
            share(&mut self.roasters, &mut batch.roaster, |roaster| roaster);
        }
        Arc::new(fact)
    }
}

fn share<T: PartialEq + ?Sized>(
    known: &mut HashTrieMapSync<Box<str>, Arc<T>>,
    value: &mut Arc<T>,
    id: impl Fn(&T) -> &str,
) {
    match known.get(id(value)).filter(|there| *there == value) {
        Some(there) => *value = Arc::clone(there),
        None => known.insert_mut(id(value).into(), Arc::clone(value)),
    }
}

impl History {
    /// An empty history.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// All facts, in order.
    #[must_use]
    pub const fn facts(&self) -> &VectorSync<Arc<Fact>> {
        &self.facts
    }

    /// A batch, or an event, by its id.
    #[must_use]
    pub fn find(&self, batch: bool, id: &str) -> Option<&Fact> {
        let times = if batch { &self.batches } else { &self.events };
        let time = *times.get(id)?;
        let fact = self.facts.get(self.place((time, id)))?;
        Some(fact)
    }

    /// Puts a fact in its place, replacing one of the same id. Returns the first place that changed.
    pub fn put(&mut self, fact: Fact) -> usize {
        let there = self.times_of(&fact).get(fact.id()).copied();
        if there == Some(fact.key().0) {
            let place = self.place(fact.key());
            let fact = self.shared.in_common(fact);
            self.facts.set_mut(place, fact);
            return place;
        }
        let old = self.take(&fact);
        let new = self.place(fact.key());
        let time = fact.key().0;
        self.times_of(&fact).insert_mut(fact.id().into(), time);
        let after = self.cut(new);
        let fact = self.shared.in_common(fact);
        self.facts.push_back_mut(fact);
        self.go_on(after);
        old.map_or(new, |old| old.min(new))
    }

    /// The history with further facts, each in its place; of facts with one id the last stays.
    #[must_use]
    pub fn with(&self, facts: impl IntoIterator<Item = Fact>) -> Self {
        let mut all: Vec<_> = self.facts.iter().cloned().collect();
        let mut shared = self.shared.clone();
        all.extend(facts.into_iter().map(|fact| shared.in_common(fact)));
        let name = |fact: &Fact| (matches!(fact, Fact::Batch(_)), fact.id().to_owned());
        let mut last = HashMap::with_capacity(all.len());
        for fact in all.iter().rev() {
            last.entry(name(fact)).or_insert_with(|| Arc::as_ptr(fact));
        }
        all.retain(|fact| last.get(&name(fact)) == Some(&Arc::as_ptr(fact)));
        all.sort_by(|a, b| a.key().cmp(&b.key()));
        let mut history = Self {
            shared,
            ..Self::default()
        };
        for fact in &all {
            let time = fact.key().0;
            history.times_of(fact).insert_mut(fact.id().into(), time);
        }
        history.facts = all.into_iter().collect();
        history
    }

    /// Takes a fact out (a batch undone), as it is known by its id. Returns the place it had.
    pub fn take(&mut self, fact: &Fact) -> Option<usize> {
        let times = self.times_of(fact);
        let time = *times.get(fact.id())?;
        times.remove_mut(fact.id());
        let place = self.place((time, fact.id()));
        let mut after = self.cut(place);
        after.pop();
        self.go_on(after);
        Some(place)
    }

    /// Takes off all facts from a place on: the last first.
    fn cut(&mut self, place: usize) -> Vec<Arc<Fact>> {
        let mut after = Vec::with_capacity(self.facts.len() - place);
        while self.facts.len() > place {
            after.extend(self.facts.last().cloned());
            self.facts.drop_last_mut();
        }
        after
    }

    /// Puts facts back that were taken off.
    fn go_on(&mut self, after: Vec<Arc<Fact>>) {
        for fact in after.into_iter().rev() {
            self.facts.push_back_mut(fact);
        }
    }

    fn times_of(&mut self, fact: &Fact) -> &mut Times {
        match fact {
            Fact::Batch(_) => &mut self.batches,
            Fact::Event { .. } => &mut self.events,
        }
    }

    /// First place at which two histories differ.
    #[must_use]
    pub fn first_difference(&self, other: &Self) -> usize {
        let same = |(a, b): (&Arc<Fact>, &Arc<Fact>)| Arc::ptr_eq(a, b) || a == b;
        self.facts
            .iter()
            .zip(other.facts.iter())
            .take_while(|&pair| same(pair))
            .count()
    }

    fn place(&self, key: Key<'_>) -> usize {
        let (mut from, mut to) = (0, self.facts.len());
        if self.facts.last().is_some_and(|last| last.key() < key) {
            from = to;
        }
        while from < to {
            let middle = usize::midpoint(from, to);
            if self.facts[middle].key() < key {
                from = middle + 1;
            } else {
                to = middle;
            }
        }
        from
    }
}

impl FromIterator<Fact> for History {
    fn from_iter<T: IntoIterator<Item = Fact>>(facts: T) -> Self {
        Self::new().with(facts)
    }
}

/// Days from one minute to a later one; none to an earlier one, so that a lot roasted before its receipt was booked does not age.
pub(super) fn days(from: i64, to: i64) -> f64 {
    f64::from(i32::try_from(to.saturating_sub(from).max(0)).unwrap_or(i32::MAX)) / 1440.0
}
