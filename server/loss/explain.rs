//! What may have happened to an odd weight: every slip that could have led to the two readings, ranked by probability.
//!
//! A slip is undone in every possible way, and each way is weighed by
//!
//! ```text
//!     P(that charge, from the roaster's past charges) x N(log-yield as corrected; m, S) x division/reading
//!         x P(this slip among those that could happen to those digits)
//! ```
//!
//! summed over the ways; a crate of unknown weight or a remainder of unknown size is integrated over. All slips count as equally
//! frequent except where `Cause::weight` says otherwise. A wrong lot differs by about one noise sd and is mostly invisible by weight.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Grams of a pound (exactly 0.45359237 kg, international yard and pound agreement of 1959).
const POUND_G: f64 = 453.592_37;

/// What may have happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// Two neighbouring digits were swapped.
    Swapped,
    /// A digit was typed twice and the last one fell off.
    Doubled,
    /// The decimal point slipped one place.
    Decimal,
    /// A whole kilogram too much or too little.
    Kilogram,
    /// A whole pound too much or too little.
    Pound,
    /// The scale showed pounds, kilograms were noted.
    PoundsForKilograms,
    /// Weighed with its crate.
    Crate,
    /// Coffee was left behind in the roaster.
    LeftBehind,
    /// Coffee of the batch before came along.
    Found,
    /// The weights of two neighbouring batches were exchanged.
    Exchanged,
    /// The figure of the batch before, or of the green, was entered again.
    SameFigure,
    /// A sample was taken before weighing.
    Sample,
    /// A batch of another lot.
    OtherLot,
}

impl Cause {
    /// Every cause.
    pub const ALL: [Self; 13] = [
        Self::Swapped,
        Self::Doubled,
        Self::Decimal,
        Self::Kilogram,
        Self::Pound,
        Self::PoundsForKilograms,
        Self::Crate,
        Self::LeftBehind,
        Self::Found,
        Self::Exchanged,
        Self::SameFigure,
        Self::Sample,
        Self::OtherLot,
    ];

    /// The word for it in the learner's CSV.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Swapped => "swap",
            Self::Doubled => "double",
            Self::Decimal => "decimal",
            Self::Kilogram => "kilo",
            Self::Pound => "pound",
            Self::PoundsForKilograms => "unit_lb",
            Self::Crate => "tare",
            Self::LeftBehind => "hopper_low",
            Self::Found => "hopper_high",
            Self::Exchanged => "exchanged",
            Self::SameFigure => "same_figure",
            Self::Sample => "sample",
            Self::OtherLot => "wrong_lot",
        }
    }

    /// A few words for people.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Swapped => "two digits swapped",
            Self::Doubled => "a digit typed twice",
            Self::Decimal => "decimal point in the wrong place",
            Self::Kilogram => "a whole kilogram off",
            Self::Pound => "a whole pound off",
            Self::PoundsForKilograms => "pounds noted as kilograms",
            Self::Crate => "weighed with its crate",
            Self::LeftBehind => "coffee left behind in the roaster",
            Self::Found => "coffee of the batch before found in it",
            Self::Exchanged => "weights of neighbouring batches exchanged",
            Self::SameFigure => "the same figure entered twice",
            Self::Sample => "a sample taken before weighing",
            Self::OtherLot => "a batch of another lot",
        }
    }

    /// How frequent a slip is beside the others (judgement, no source).
    fn weight(self) -> f64 {
        match self {
            // Coffee lost is usually found by the next batch.
            Self::Found => 20.0,
            Self::Exchanged | Self::SameFigure | Self::Sample => 0.1,
            _ => 1.0,
        }
    }
}

/// One explanation of an odd weight.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Explanation {
    /// What happened.
    pub cause: Cause,
    /// Its probability among the causes considered.
    pub probability: f64,
    /// Green as it then was, grams, in the likeliest way.
    pub green_g: f64,
    /// Roasted as it then was, grams.
    pub roasted_g: f64,
}

/// A batch before the odd one on the same roaster.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Previous {
    pub green_g: f64,
    pub roasted_g: f64,
    /// Expected ln(roasted/green) and its sd.
    pub log_yield: f64,
    pub sd: f64,
    /// It lost more than expected.
    pub more: bool,
}

/// Charges of a roaster's sound batches, in whole grams, and its last batch.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Habits {
    charges: BTreeMap<i64, u32>,
    total: u32,
    pub previous: Option<Previous>,
}

/// Whole grams.
#[expect(
    clippy::cast_possible_truncation,
    clippy::as_conversions,
    reason = "readings are far below 2^53, and what is not is brought into range"
)]
fn grams(mass_g: f64) -> i64 {
    mass_g.round_ties_even() as i64
}

impl Habits {
    /// Remembers the charge of a sound batch.
    pub fn note(&mut self, green_g: f64) {
        *self.charges.entry(grams(green_g)).or_default() += 1;
        self.total += 1;
    }

    fn probability(&self, green_g: f64) -> f64 {
        let seen = self.charges.get(&grams(green_g)).copied().unwrap_or(0);
        (f64::from(seen) + 0.02) / (f64::from(self.total) + 1.0)
    }
}

/// The odd batch: readings, divisions, and what was expected of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Odd {
    pub green_g: f64,
    pub roasted_g: f64,
    pub division_in_g: f64,
    pub division_out_g: f64,
    /// Expected ln(roasted/green) and its sd.
    pub log_yield: f64,
    pub sd: f64,
}

/// Collects the ways of each cause.
struct Ranking<'a> {
    odd: &'a Odd,
    habits: &'a Habits,
    /// Sum, largest single way, and its readings, by cause.
    causes: BTreeMap<Cause, (f64, f64, [f64; 2])>,
}

impl Ranking<'_> {
    /// Probability of the readings with a green mass and a roasted mass as they then were.
    fn mass(&self, green_g: f64, roasted_g: f64, extra_sd: f64) -> f64 {
        if roasted_g <= 0.0 || green_g <= 0.0 {
            return 0.0;
        }
        let sd = libm::hypot(self.odd.sd, extra_sd);
        let z = (libm::log(roasted_g / green_g) - self.odd.log_yield) / sd;
        let reading = self.odd.division_out_g.max(1e-3) / roasted_g;
        self.habits.probability(green_g) * libm::exp(-0.5 * z * z) / sd * reading
    }

    fn add(&mut self, cause: Cause, probability: f64, green_g: f64, roasted_g: f64) {
        let probability = probability * cause.weight();
        let entry = self
            .causes
            .entry(cause)
            .or_insert((0.0, -1.0, [green_g, roasted_g]));
        entry.0 += probability;
        if probability > entry.1 {
            (entry.1, entry.2) = (probability, [green_g, roasted_g]);
        }
    }

    /// Slips of the fingers; 6 of 10 hit the roasted side (judgement, no source).
    fn typing(&mut self) {
        let odd = self.odd;
        for (cause, was, p) in slips(odd.roasted_g, odd.division_out_g) {
            self.add(
                cause,
                0.6 * p * self.mass(odd.green_g, was, 0.0),
                odd.green_g,
                was,
            );
        }
        for (cause, was, p) in slips(odd.green_g, odd.division_in_g) {
            self.add(
                cause,
                0.4 * p * self.mass(was, odd.roasted_g, 0.0),
                was,
                odd.roasted_g,
            );
        }
    }

    /// Integrates over a share in `from..=to`, the same probability everywhere.
    fn spread(&mut self, cause: Cause, from: f64, to: f64, roasted: impl Fn(f64) -> f64) {
        const STEPS: u32 = 60;
        for i in 0..=STEPS {
            let share = from + (to - from) * f64::from(i) / f64::from(STEPS);
            let was = roasted(share);
            let p = self.mass(self.odd.green_g, was, 0.0) / f64::from(STEPS + 1);
            self.add(cause, p, self.odd.green_g, was);
        }
    }

    fn around_the_roaster(&mut self) {
        let odd = *self.odd;
        self.spread(Cause::Crate, 0.04, 0.09, |share| {
            odd.roasted_g - share * odd.green_g
        });
        self.spread(Cause::LeftBehind, 0.02, 0.12, |share| {
            odd.roasted_g / (1.0 - share)
        });
        self.spread(Cause::Sample, 100.0, 350.0, |sample_g| {
            odd.roasted_g + sample_g
        });
        self.add(
            Cause::OtherLot,
            self.mass(odd.green_g, odd.roasted_g, 0.008),
            odd.green_g,
            odd.roasted_g,
        );
    }

    fn beside_the_previous(&mut self, previous: &Previous) {
        let odd = *self.odd;
        if previous.more {
            let left = previous.green_g * libm::exp(previous.log_yield) - previous.roasted_g;
            let doubt = previous.sd * previous.green_g / odd.roasted_g;
            let was = odd.roasted_g - left;
            self.add(
                Cause::Found,
                self.mass(odd.green_g, was, doubt),
                odd.green_g,
                was,
            );
        }
        let fit = |roasted_g: f64| {
            let z = (libm::log(roasted_g / previous.green_g) - previous.log_yield) / previous.sd;
            libm::exp(-0.5 * z * z)
        };
        // As read, the neighbour is usually sound; exchanged, it must be sound with the other weight.
        let neighbour = fit(odd.roasted_g) / fit(previous.roasted_g).max(1e-6);
        self.add(
            Cause::Exchanged,
            self.mass(odd.green_g, previous.roasted_g, 0.0) * neighbour,
            odd.green_g,
            previous.roasted_g,
        );
        if grams(previous.roasted_g) == grams(odd.roasted_g) {
            self.same_figure();
        }
    }

    /// The figure says nothing of the true weight.
    fn same_figure(&mut self) {
        let expected = self.odd.green_g * libm::exp(self.odd.log_yield);
        self.add(
            Cause::SameFigure,
            self.habits.probability(self.odd.green_g),
            self.odd.green_g,
            expected,
        );
    }
}

/// Explanations of an odd batch, likeliest first.
pub(super) fn rank(odd: &Odd, habits: &Habits) -> Vec<Explanation> {
    let mut ranking = Ranking {
        odd,
        habits,
        causes: BTreeMap::new(),
    };
    ranking.typing();
    ranking.around_the_roaster();
    if let Some(previous) = &habits.previous {
        ranking.beside_the_previous(previous);
    }
    if grams(odd.green_g) == grams(odd.roasted_g) {
        ranking.same_figure();
    }
    let total: f64 = ranking.causes.values().map(|way| way.0).sum();
    if total <= 0.0 {
        return Vec::new();
    }
    let mut found: Vec<Explanation> = ranking
        .causes
        .iter()
        .filter(|(_, way)| way.0 > 1e-6 * total)
        .map(|(&cause, way)| Explanation {
            cause,
            probability: way.0 / total,
            green_g: way.2[0],
            roasted_g: way.2[1],
        })
        .collect();
    found.sort_by(|a, b| {
        b.probability
            .total_cmp(&a.probability)
            .then(a.cause.cmp(&b.cause))
    });
    found
}

/// Every slip of typing or unit that would turn a true reading into this one: (cause, true reading, probability of the slip).
fn slips(reading_g: f64, division_g: f64) -> Vec<(Cause, f64, f64)> {
    let round = |mass_g: f64| {
        if division_g > 0.0 {
            (mass_g / division_g).round() * division_g
        } else {
            mass_g
        }
    };
    let mut found = digit_slips(reading_g, division_g);
    for (cause, was, p) in [
        (Cause::Decimal, reading_g / 10.0, 0.5),
        (Cause::Decimal, reading_g * 10.0, 0.5),
        (Cause::Kilogram, reading_g - 1000.0, 0.5),
        (Cause::Kilogram, reading_g + 1000.0, 0.5),
        (Cause::Pound, round(reading_g - POUND_G), 0.5),
        (Cause::Pound, round(reading_g + POUND_G), 0.5),
        (
            Cause::PoundsForKilograms,
            round(reading_g * POUND_G / 1000.0),
            1.0,
        ),
    ] {
        if was > 0.0 {
            found.push((cause, was, p));
        }
    }
    found
}

/// Digits as typed: the last one of a coarse scale is always 0 and is not typed wrong.
fn digit_slips(reading_g: f64, division_g: f64) -> Vec<(Cause, f64, f64)> {
    let unit = if division_g >= 10.0 { 10.0 } else { 1.0 };
    let whole = (reading_g / unit).floor();
    let low = reading_g - whole * unit;
    let digits: Vec<u32> = format!("{whole:.0}")
        .chars()
        .filter_map(|c| c.to_digit(10))
        .collect();
    let value =
        |digits: &[u32]| digits.iter().fold(0.0, |sum, &d| sum * 10.0 + f64::from(d)) * unit + low;
    let mut found: Vec<(Cause, f64, f64)> = swapped(&digits)
        .iter()
        .map(|(was, p)| (Cause::Swapped, value(was), *p))
        .collect();
    for j in 1..digits.len() {
        if digits[j - 1] == digits[j] {
            // One of the pair was too many, and what stood last fell off.
            let mut was = [&digits[..j], &digits[j + 1..], &[0]].concat();
            for last in 0..10 {
                *was.last_mut().unwrap_or(&mut 0) = last;
                found.push((Cause::Doubled, value(&was), share(digits.len())));
            }
        }
    }
    found.retain(|&(_, was, _)| was > 0.0);
    found
}

fn share(n: usize) -> f64 {
    1.0 / f64::from(u32::try_from(n.max(1)).unwrap_or(u32::MAX))
}

/// Digits that become these when two neighbours are swapped, each with the share of that pair among those that could have been.
/// A 0 swapped to the front has vanished: 150 may have been 1050.
fn swapped(digits: &[u32]) -> Vec<(Vec<u32>, f64)> {
    let fronted = [&[0], digits].concat();
    let mut found = Vec::new();
    for j in 0..digits.len() {
        let mut was = fronted.clone();
        was.swap(j, j + 1);
        let was = was[usize::from(j > 0)..].to_vec();
        if was[0] != 0 && fronted[j] != fronted[j + 1] {
            let pairs = was.windows(2).filter(|pair| pair[0] != pair[1]).count();
            found.push((was, share(pairs)));
        }
    }
    found
}
