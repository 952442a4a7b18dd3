//! Mass in whole milligrams: the only form in which the book stores, adds and compares coffee.

use std::fmt;

use serde::de::{self, Deserialize, Deserializer, Visitor};
use serde::ser::{Serialize, Serializer};

/// A mass in whole milligrams, between minus and plus [`Mass::MAX`].
///
/// In JSON a mass is a number of grams with at most three decimals, read and written exactly: a double holds every such
/// number of up to fifteen digits, and the shortest text that reads back as it is the number as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Mass(i64);

/// A sum or product left the range of [`Mass`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the mass is beyond 1,000,000 t")]
pub struct MassRange;

/// Why a text is not a mass.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MassText {
    /// Not a plain decimal number.
    #[error("write a plain number such as 12.34")]
    NotANumber,
    /// More digits than a milligram can hold.
    #[error("a mass is whole milligrams: at most {0} decimals here")]
    TooFine(usize),
    /// Too large.
    #[error(transparent)]
    Range(#[from] MassRange),
}

impl Mass {
    /// No mass.
    pub const ZERO: Self = Self(0);
    /// The largest mass, one million tonnes: far beyond any roastery, and 15 digits of milligrams.
    pub const MAX: Self = Self(1_000_000_000_000_000);
    /// One gram.
    pub const GRAM: Self = Self(1_000);

    /// A mass of `mg` milligrams.
    ///
    /// # Errors
    /// [`MassRange`] beyond [`Mass::MAX`] in either direction.
    pub const fn from_mg(mg: i64) -> Result<Self, MassRange> {
        if mg > Self::MAX.0 || mg < -Self::MAX.0 {
            Err(MassRange)
        } else {
            Ok(Self(mg))
        }
    }

    /// A mass of `grams` whole grams.
    ///
    /// # Errors
    /// [`MassRange`] beyond [`Mass::MAX`].
    pub fn from_grams(grams: i64) -> Result<Self, MassRange> {
        grams
            .checked_mul(1_000)
            .ok_or(MassRange)
            .and_then(Self::from_mg)
    }

    /// The mass in milligrams.
    #[must_use]
    pub const fn mg(self) -> i64 {
        self.0
    }

    /// Whole grams, rounded down.
    #[must_use]
    pub const fn whole_grams(self) -> i64 {
        self.0.div_euclid(1_000)
    }

    /// The mass in grams, for statistics and pictures; exact to the last digit a double has.
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        clippy::as_conversions,
        reason = "15 digits fit a double exactly"
    )]
    pub fn grams(self) -> f64 {
        self.0 as f64 / 1_000.0
    }

    /// Sum.
    ///
    /// # Errors
    /// [`MassRange`] beyond [`Mass::MAX`].
    pub fn plus(self, other: Self) -> Result<Self, MassRange> {
        self.0
            .checked_add(other.0)
            .ok_or(MassRange)
            .and_then(Self::from_mg)
    }

    /// Difference, which may be negative.
    ///
    /// # Errors
    /// [`MassRange`] beyond [`Mass::MAX`].
    pub fn minus(self, other: Self) -> Result<Self, MassRange> {
        self.0
            .checked_sub(other.0)
            .ok_or(MassRange)
            .and_then(Self::from_mg)
    }

    /// `n` times the mass.
    ///
    /// # Errors
    /// [`MassRange`] beyond [`Mass::MAX`].
    pub fn times(self, n: i64) -> Result<Self, MassRange> {
        self.0
            .checked_mul(n)
            .ok_or(MassRange)
            .and_then(Self::from_mg)
    }

    /// The sum of many masses.
    ///
    /// # Errors
    /// [`MassRange`] beyond [`Mass::MAX`].
    pub fn sum(masses: impl IntoIterator<Item = Self>) -> Result<Self, MassRange> {
        masses.into_iter().try_fold(Self::ZERO, Self::plus)
    }

    /// Whether anything is there: more than nothing.
    #[must_use]
    pub const fn is_positive(self) -> bool {
        self.0 > 0
    }

    /// Splits the mass in proportion to `weights`, to the milligram: shares are rounded down, and what is left goes a milligram
    /// each to the largest remainders, earlier ones first. Weights of zero in all give everything to the first.
    #[must_use]
    pub fn split(self, weights: &[Self]) -> Vec<Self> {
        let total: i128 = weights.iter().map(|w| i128::from(w.0)).sum();
        if total <= 0 {
            return weights
                .iter()
                .enumerate()
                .map(|(i, _)| if i == 0 { self } else { Self::ZERO })
                .collect();
        }
        let exact: Vec<i128> = weights
            .iter()
            .map(|w| i128::from(self.0) * i128::from(w.0))
            .collect();
        let mut shares: Vec<i64> = exact
            .iter()
            .map(|e| i64::try_from(e.div_euclid(total)).unwrap_or(0))
            .collect();
        let left = self.0 - shares.iter().sum::<i64>();
        let mut by_remainder: Vec<usize> = (0..weights.len()).collect();
        by_remainder.sort_by_key(|&i| std::cmp::Reverse(exact[i].rem_euclid(total)));
        for &i in by_remainder.iter().take(usize::try_from(left).unwrap_or(0)) {
            shares[i] += 1;
        }
        shares.into_iter().map(Self).collect()
    }
}

impl fmt::Display for Mass {
    /// Grams below a kilogram, kilograms from there on, without needless digits: `850 g`, `12.34 kg`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (per, unit, places) = if self.0.abs() < 1_000_000 {
            (1_000, "g", 3)
        } else {
            (1_000_000, "kg", 6)
        };
        let (whole, rest) = (self.0.abs() / per, self.0.abs() % per);
        let sign = if self.0 < 0 { "-" } else { "" };
        let digits = format!("{rest:0places$}");
        let digits = digits.trim_end_matches('0');
        let point = if digits.is_empty() { "" } else { "." };
        write!(f, "{sign}{whole}{point}{digits} {unit}")
    }
}

impl Serialize for Mass {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if self.0 % 1_000 == 0 {
            serializer.serialize_i64(self.0 / 1_000)
        } else {
            serializer.serialize_f64(self.grams())
        }
    }
}

impl<'de> Deserialize<'de> for Mass {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(Grams)
    }
}

struct Grams;

impl Visitor<'_> for Grams {
    type Value = Mass;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a mass in grams, with at most three decimals")
    }

    fn visit_i64<E: de::Error>(self, grams: i64) -> Result<Mass, E> {
        Mass::from_grams(grams).map_err(E::custom)
    }

    fn visit_u64<E: de::Error>(self, grams: u64) -> Result<Mass, E> {
        i64::try_from(grams)
            .map_err(|_| E::custom(MassRange))
            .and_then(|g| self.visit_i64(g))
    }

    fn visit_f64<E: de::Error>(self, grams: f64) -> Result<Mass, E> {
        crate::fraction::scaled(grams, 1_000.0, Mass::MAX.grams())
            .map_err(|why| E::custom(why.sentence("a mass", "grams", 3)))
            .map(Mass)
    }
}

/// The unit a scale shows.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize, utoipa::ToSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum Unit {
    /// Grams.
    G,
    /// Kilograms.
    Kg,
    /// Avoirdupois pounds of exactly 0.45359237 kg (International Yard and Pound Agreement, 1959).
    Lb,
}

impl Unit {
    /// Hundredths of a milligram in one unit: whole for all three.
    const fn mg100(self) -> i128 {
        match self {
            Self::G => 100_000,
            Self::Kg => 100_000_000,
            Self::Lb => 45_359_237,
        }
    }

    /// Reads digits as a scale shows them (`12.34`, also `12,34` or `-0.2`) into a mass, to the nearest milligram, halves to even.
    ///
    /// # Errors
    /// [`MassText`] when the text is no number of at most nine whole digits and six decimals.
    pub fn read(self, text: &str) -> Result<Mass, MassText> {
        let text = text.trim();
        let (sign, digits) = text.strip_prefix('-').map_or((1, text), |rest| (-1, rest));
        let digits = digits.replace(',', ".");
        let (whole, decimals) = digits.split_once('.').unwrap_or((&digits, ""));
        let plain = |part: &str| part.bytes().all(|b| b.is_ascii_digit());
        if !plain(whole) || !plain(decimals) || (whole.is_empty() && decimals.is_empty()) {
            return Err(MassText::NotANumber);
        }
        if decimals.len() > 6 {
            return Err(MassText::TooFine(6));
        }
        if whole.len() > 9 {
            return Err(MassRange.into());
        }
        let millionths: i128 = format!("{whole}{decimals:0<6}")
            .parse()
            .map_err(|_| MassText::NotANumber)?;
        let mg = half_to_even(millionths * self.mg100(), 100_000_000);
        Ok(Mass::from_mg(
            sign * i64::try_from(mg).map_err(|_| MassRange)?,
        )?)
    }

    /// The unit's name as written after a number.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::G => "g",
            Self::Kg => "kg",
            Self::Lb => "lb",
        }
    }
}

/// `n / d` for `n >= 0`, rounded to the nearest whole number, halves to even.
const fn half_to_even(n: i128, d: i128) -> i128 {
    let (q, r) = (n / d, n % d);
    if 2 * r > d || (2 * r == d && q % 2 == 1) {
        q + 1
    } else {
        q
    }
}

impl utoipa::PartialSchema for Mass {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::Number)
            .description(Some("Grams, at most three decimals"))
            .multiple_of(Some(0.001))
            .minimum(Some(-Mass::MAX.grams()))
            .maximum(Some(Mass::MAX.grams()))
            .into()
    }
}

impl utoipa::ToSchema for Mass {}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn grams_in_json_are_exact() {
        for (text, mg) in [
            ("0", 0),
            ("12.34", 12_340),
            ("0.001", 1),
            ("999999999.999", 999_999_999_999),
            ("-3.5", -3_500),
        ] {
            let mass: Mass = serde_json::from_str(text).unwrap();
            assert_eq!(mass.mg(), mg);
            assert_eq!(serde_json::to_string(&mass).unwrap(), text);
        }
    }

    #[test]
    fn what_is_no_mass_is_refused_in_words() {
        for text in [
            "1e308", "-1e308", "0.0001", "\"12\"", "null", "true", "[]", "1e16",
        ] {
            assert!(serde_json::from_str::<Mass>(text).is_err(), "{text}");
        }
    }

    #[test]
    fn units_of_scales() {
        // One pound is 453.59237 g (1959 agreement): 453592.37 mg.
        assert_eq!(Unit::Lb.read("1").unwrap().mg(), 453_592);
        assert_eq!(Unit::Lb.read("100").unwrap().mg(), 45_359_237);
        assert_eq!(Unit::Kg.read("12,34").unwrap().mg(), 12_340_000);
        assert_eq!(Unit::G.read("850.5").unwrap().mg(), 850_500);
        assert_eq!(
            Unit::G.read("0.0005").unwrap().mg(),
            0,
            "half a milligram goes to the even neighbour"
        );
        for text in [
            "",
            ".",
            "1e3",
            "1.2.3",
            "+1",
            "NaN",
            "1 2",
            "0.0000001",
            "1234567890",
        ] {
            assert!(Unit::Kg.read(text).is_err(), "{text}");
        }
    }

    #[test]
    fn display_is_short() {
        assert_eq!(Mass::from_mg(12_340_000).unwrap().to_string(), "12.34 kg");
        assert_eq!(Mass::from_mg(-850_500).unwrap().to_string(), "-850.5 g");
        assert_eq!(Mass::ZERO.to_string(), "0 g");
    }

    proptest! {
        #[test]
        fn json_round_trips(mg in -1_000_000_000_000_000i64..=1_000_000_000_000_000) {
            let mass = Mass::from_mg(mg).unwrap();
            let text = serde_json::to_string(&mass).unwrap();
            prop_assert_eq!(serde_json::from_str::<Mass>(&text).unwrap(), mass);
        }

        #[test]
        fn splitting_loses_nothing(mg in 0i64..1_000_000_000, weights in prop::collection::vec(0i64..1_000_000_000, 1..9)) {
            let weights: Vec<Mass> = weights.into_iter().map(|w| Mass::from_mg(w).unwrap()).collect();
            let whole = Mass::from_mg(mg).unwrap();
            prop_assert_eq!(Mass::sum(whole.split(&weights)).unwrap(), whole);
        }
    }
}
