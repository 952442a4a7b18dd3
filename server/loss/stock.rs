//! How sure the book's stock of a lot is, and what a count that differs from it can be explained by.
//!
//! Each weighing carries its rounding and repeatability, new each time; a scale's adjustment error is common to all weighings on it, so it
//! cancels between receipts and draws on the same scale and adds up on different ones (GUM, JCGM 100:2008, 5.2).
//!
//! ```text
//!     u^2(book) = sum over weighings (d^2/12 + repeatability^2) + sum over scales (u_rel x net mass over the scale)^2
//! ```

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// How a mass is known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Basis {
    /// Read from a scale.
    Weighed {
        /// Id of the scale.
        scale: String,
        /// Division, grams.
        division_g: f64,
        /// Repeatability (sd), grams.
        repeatability_g: f64,
    },
    /// Taken at the nominal weight of its sacks.
    Nominal {
        /// The supplier's tolerance, all sacks together, grams: a rectangular half-width.
        tolerance_g: f64,
    },
}

impl Basis {
    fn variance(&self) -> f64 {
        match self {
            Self::Weighed {
                division_g,
                repeatability_g,
                ..
            } => division_g * division_g / 12.0 + repeatability_g * repeatability_g,
            Self::Nominal { tolerance_g } => tolerance_g * tolerance_g / 3.0,
        }
    }
}

/// A mass into the store (positive) or out of it (negative), grams.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Signed mass, grams.
    pub mass_g: f64,
    /// How it is known.
    pub basis: Basis,
}

/// Relative standard uncertainty of each scale's adjustment, by scale.
pub type Spans = BTreeMap<String, f64>;

/// A balance with its standard uncertainty, grams.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Balance {
    /// The sum.
    pub mass_g: f64,
    /// Standard uncertainty.
    pub u_g: f64,
    /// Its part that is new with each weighing.
    pub independent_g: f64,
    /// Its part that the weighings of a scale have in common.
    pub common_g: f64,
}

/// Balance of entries.
#[must_use]
pub fn balance(entries: &[Entry], spans: &Spans) -> Balance {
    let mut net: BTreeMap<&str, f64> = BTreeMap::new();
    for entry in entries {
        if let Basis::Weighed { scale, .. } = &entry.basis {
            *net.entry(scale).or_default() += entry.mass_g;
        }
    }
    let independent: f64 = entries.iter().map(|entry| entry.basis.variance()).sum();
    let common: f64 = net
        .iter()
        .map(|(&scale, mass)| spans.get(scale).copied().unwrap_or(0.0) * mass)
        .map(|u| u * u)
        .sum();
    Balance {
        mass_g: entries.iter().map(|entry| entry.mass_g).sum(),
        u_g: (independent + common).sqrt(),
        independent_g: independent.sqrt(),
        common_g: common.sqrt(),
    }
}

/// How green is packed: how fast it dries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Packing {
    /// Jute or paper that breathes.
    Jute,
    /// A plastic liner or hermetic bag.
    Liner,
    /// Vacuum.
    Vacuum,
}

impl Packing {
    /// Loss of mass per 30 days and its sd, fractions (common practice, no source; a pair of moisture readings says better).
    #[must_use]
    pub fn drying(self) -> (f64, f64) {
        match self {
            Self::Jute => (0.0010, 0.0010),
            Self::Liner => (0.0001, 0.0002),
            Self::Vacuum => (0.0, 0.0001),
        }
    }
}

/// Mass lost by drying, with its standard uncertainty, grams.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Drying {
    /// Expected loss of mass; negative when the coffee took water up.
    pub mass_g: f64,
    /// Standard uncertainty.
    pub u_g: f64,
}

/// Drying of green in a packing: masses (grams) with the days each lay in the store. The rate is the same all the time, so its doubt adds up.
#[must_use]
pub fn drying_by_packing(packing: Packing, lain: &[(f64, f64)]) -> Drying {
    let (rate, sd) = packing.drying();
    let months: f64 = lain.iter().map(|(mass_g, days)| mass_g * days / 30.0).sum();
    Drying {
        mass_g: rate * months,
        u_g: sd * months,
    }
}

/// Drying between two moisture readings (mass fraction, sd) of a mass at the first: with unchanged dry matter it becomes
/// m (1 - first)/(1 - second).
#[must_use]
pub fn drying_by_readings(mass_g: f64, first: (f64, f64), second: (f64, f64)) -> Drying {
    let dry = (1.0 - first.0) / (1.0 - second.0);
    let (by_first, by_second) = (
        first.1 / (1.0 - second.0),
        dry * second.1 / (1.0 - second.0),
    );
    Drying {
        mass_g: mass_g * (1.0 - dry),
        u_g: mass_g * libm::hypot(by_first, by_second),
    }
}

/// What a difference between book and count is made of, grams; the three parts sum to it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// Book less count.
    pub total_g: f64,
    /// Share that drying explains.
    pub drying_g: f64,
    /// Share that weighing explains.
    pub weighing_g: f64,
    /// The rest: beyond twice the standard uncertainty of the other two.
    pub unexplained_g: f64,
    /// Standard uncertainty of the difference from weighing alone.
    pub u_weighing_g: f64,
    /// Standard uncertainty with drying.
    pub u_g: f64,
}

impl Difference {
    /// Whether drying and weighing explain it all.
    #[must_use]
    pub fn explained(&self) -> bool {
        self.unexplained_g.abs() <= 0.0
    }
}

/// Compares a count with the book. The count is one more weighing: its scale may have weighed the receipts too.
#[must_use]
pub fn compare(entries: &[Entry], spans: &Spans, count: &Entry, drying: Drying) -> Difference {
    let against = Entry {
        mass_g: -count.mass_g,
        basis: count.basis.clone(),
    };
    let all: Vec<Entry> = entries.iter().cloned().chain([against]).collect();
    let difference = balance(&all, spans);
    let u = libm::hypot(difference.u_g, drying.u_g);
    let rest = difference.mass_g - drying.mass_g;
    let within = rest.clamp(-2.0 * u, 2.0 * u);
    let share = if u > 0.0 {
        (drying.u_g / u) * (drying.u_g / u)
    } else {
        0.0
    };
    Difference {
        total_g: difference.mass_g,
        drying_g: drying.mass_g + within * share,
        weighing_g: within * (1.0 - share),
        unexplained_g: rest - within,
        u_weighing_g: difference.u_g,
        u_g: u,
    }
}
