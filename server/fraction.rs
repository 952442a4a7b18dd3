//! Fractions of one: loss, yield, moisture, shares. Percent is for the screen.

use std::fmt;

use serde::de::{self, Deserialize, Deserializer, Visitor};
use serde::ser::{Serialize, Serializer};

/// A number between minus one and one, in whole millionths, so that it is stored and compared exactly.
///
/// Losses can be negative (more weighed out than in); what else must not be says so where it is checked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Fraction(i32);

impl Fraction {
    /// Nothing.
    pub const ZERO: Self = Self(0);
    /// The whole.
    pub const ONE: Self = Self(1_000_000);

    /// A fraction of `ppm` millionths, brought into the range from minus one to one.
    #[must_use]
    pub fn from_ppm(ppm: i64) -> Self {
        Self(i32::try_from(ppm.clamp(-1_000_000, 1_000_000)).unwrap_or(0))
    }

    /// The nearest fraction to `value`; not-a-number is zero.
    #[must_use]
    #[expect(
        clippy::cast_possible_truncation,
        clippy::as_conversions,
        reason = "clamped before; NaN becomes 0"
    )]
    pub fn nearest(value: f64) -> Self {
        Self((value.clamp(-1.0, 1.0) * 1e6).round() as i32)
    }

    /// Whole millionths.
    #[must_use]
    pub const fn ppm(self) -> i32 {
        self.0
    }

    /// As a float, for statistics.
    #[must_use]
    pub fn value(self) -> f64 {
        f64::from(self.0) / 1e6
    }

    /// `part / whole` to the nearest millionth, halves away from zero; none if the whole is nothing.
    #[must_use]
    pub fn of(part: crate::mass::Mass, whole: crate::mass::Mass) -> Option<Self> {
        let (part, whole) = (i128::from(part.mg()) * 1_000_000, i128::from(whole.mg()));
        if whole <= 0 {
            return None;
        }
        let half = if part < 0 { -whole / 2 } else { whole / 2 };
        i64::try_from((part + half) / whole)
            .ok()
            .map(Self::from_ppm)
    }
}

/// Loss of a batch: one minus what came out over what went in; none if nothing went in.
#[must_use]
pub fn loss(into: crate::mass::Mass, out: crate::mass::Mass) -> Option<Fraction> {
    into.minus(out)
        .ok()
        .and_then(|lost| Fraction::of(lost, into))
}

impl fmt::Display for Fraction {
    /// In percent with one decimal: `14.8 %`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} %", f64::from(self.0) / 1e4)
    }
}

impl Serialize for Fraction {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if self.0 % 1_000_000 == 0 {
            serializer.serialize_i32(self.0 / 1_000_000)
        } else {
            serializer.serialize_f64(self.value())
        }
    }
}

impl<'de> Deserialize<'de> for Fraction {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(OfOne)
    }
}

struct OfOne;

impl Visitor<'_> for OfOne {
    type Value = Fraction;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a fraction of one such as 0.148, with at most six decimals")
    }

    fn visit_i64<E: de::Error>(self, whole: i64) -> Result<Fraction, E> {
        if (-1..=1).contains(&whole) {
            Ok(Fraction::from_ppm(whole * 1_000_000))
        } else {
            Err(E::custom(
                "a fraction lies between 0 and 1: write 0.148 for 14.8 %",
            ))
        }
    }

    fn visit_u64<E: de::Error>(self, whole: u64) -> Result<Fraction, E> {
        self.visit_i64(i64::try_from(whole).unwrap_or(i64::MAX))
    }

    fn visit_f64<E: de::Error>(self, value: f64) -> Result<Fraction, E> {
        scaled(value, 1e6, 1.0)
            .map(Fraction::from_ppm)
            .map_err(|why| E::custom(why.sentence("a fraction", "of one (0.148 for 14.8 %)", 6)))
    }
}

/// Why a decimal cannot be held in whole parts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotExact {
    /// Not finite or too large.
    Range,
    /// More decimals than the parts have.
    TooFine,
}

impl NotExact {
    /// The reason in words.
    #[must_use]
    pub fn sentence(self, thing: &str, unit: &str, places: usize) -> String {
        match self {
            Self::Range => format!("{thing} this large cannot be: it is a number {unit}"),
            Self::TooFine => format!("{thing} is a number {unit} with at most {places} decimals"),
        }
    }
}

/// `value * scale` as a whole number, where the decimal as written has no more places than `scale` holds.
///
/// # Errors
/// [`NotExact`] when `value` is beyond `max` in size, not finite, or finer than one part.
#[expect(
    clippy::cast_possible_truncation,
    clippy::as_conversions,
    reason = "checked to be in range before"
)]
pub fn scaled(value: f64, scale: f64, max: f64) -> Result<i64, NotExact> {
    if !value.is_finite() || value.abs() > max {
        return Err(NotExact::Range);
    }
    let whole = (value * scale).round();
    // The nearest double to whole/scale is the value itself exactly when the text had no further decimals.
    if (whole / scale).to_bits() == value.to_bits() || (whole == 0.0 && value == 0.0) {
        Ok(whole as i64)
    } else {
        Err(NotExact::TooFine)
    }
}

impl utoipa::PartialSchema for Fraction {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::Number)
            .description(Some("A fraction of one, at most six decimals"))
            .multiple_of(Some(0.000_001))
            .minimum(Some(-1.0))
            .maximum(Some(1.0))
            .into()
    }
}

impl utoipa::ToSchema for Fraction {}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mass::Mass;

    #[test]
    fn fractions_in_json_are_exact() {
        for (text, ppm) in [
            ("0.148", 148_000),
            ("0", 0),
            ("1", 1_000_000),
            ("-0.00025", -250),
        ] {
            let fraction: Fraction = serde_json::from_str(text).unwrap();
            assert_eq!(fraction.ppm(), ppm);
            assert_eq!(serde_json::to_string(&fraction).unwrap(), text);
        }
        for text in ["14.8", "2", "0.0000001", "\"0.1\"", "1e308"] {
            assert!(serde_json::from_str::<Fraction>(text).is_err(), "{text}");
        }
    }

    #[test]
    fn loss_by_hand() {
        // 12 kg in, 10.2 kg out: 1.8 / 12 = 0.15.
        let (into, out) = (
            Mass::from_grams(12_000).unwrap(),
            Mass::from_grams(10_200).unwrap(),
        );
        assert_eq!(loss(into, out).unwrap().ppm(), 150_000);
        assert_eq!(loss(out, into).unwrap().ppm(), -176_471);
        assert_eq!(loss(Mass::ZERO, out), None);
    }
}
