//! Bean size by screen: the numbers of sieves with round holes, counted in 64ths of an inch (the screen sizes that ISO 4150 sieves by).

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

/// The screens of a lot, written as the trade does: `17/18` (stays on 17 or 18), `16` (one screen), `15+` (that one and all larger),
/// `PB` (peaberries, sorted out by slotted sieves) or `PB 12` (by that slotted sieve).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Screen {
    /// Round beans, by slotted sieves; the number of the sieve where it is known.
    Peaberry(Option<Sieve>),
    /// Stays on this sieve; on the next larger ones too, up to `to`.
    Between {
        /// The smallest sieve.
        from: Sieve,
        /// The largest sieve.
        to: Sieve,
    },
    /// Stays on this sieve or on any larger one.
    AtLeast(Sieve),
}

/// The number of a sieve: its hole is that many 64ths of an inch wide.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Sieve(u8);

/// A text that names no screens.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("write the screens as 17/18, 16, 15+ or PB, with numbers from 7 to 22")]
pub struct ScreenText;

impl Sieve {
    /// Width of the hole in millimetres: n / 64 inch, an inch being 25.4 mm.
    #[must_use]
    pub fn hole_mm(self) -> f64 {
        f64::from(self.0) * 25.4 / 64.0
    }
}

impl FromStr for Sieve {
    type Err = ScreenText;

    fn from_str(text: &str) -> Result<Self, ScreenText> {
        match text.trim().parse() {
            Ok(number @ 7..=22) => Ok(Self(number)),
            _ => Err(ScreenText),
        }
    }
}

impl Screen {
    /// The smallest hole that holds the beans back, in millimetres, where it is known.
    #[must_use]
    pub fn hole_mm(self) -> Option<f64> {
        match self {
            Self::Peaberry(sieve) => sieve.map(Sieve::hole_mm),
            Self::Between { from, .. } | Self::AtLeast(from) => Some(from.hole_mm()),
        }
    }
}

impl FromStr for Screen {
    type Err = ScreenText;

    fn from_str(text: &str) -> Result<Self, ScreenText> {
        let text = text.trim();
        if let Some(sieve) = text.strip_prefix("PB") {
            return match sieve.trim() {
                "" => Ok(Self::Peaberry(None)),
                number => Ok(Self::Peaberry(Some(number.parse()?))),
            };
        }
        if let Some(number) = text.strip_suffix('+') {
            return Ok(Self::AtLeast(number.parse()?));
        }
        let (from, to) = text.split_once('/').unwrap_or((text, text));
        let (from, to) = (from.parse()?, to.parse()?);
        if from > to {
            return Err(ScreenText);
        }
        Ok(Self::Between { from, to })
    }
}

impl fmt::Display for Screen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Peaberry(None) => f.write_str("PB"),
            Self::Peaberry(Some(sieve)) => write!(f, "PB {}", sieve.0),
            Self::Between { from, to } if from == to => write!(f, "{}", from.0),
            Self::Between { from, to } => write!(f, "{}/{}", from.0, to.0),
            Self::AtLeast(from) => write!(f, "{}+", from.0),
        }
    }
}

impl Serialize for Screen {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Screen {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
        text.parse().map_err(de::Error::custom)
    }
}

impl utoipa::PartialSchema for Screen {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .description(Some(
                "Screens such as `17/18`, `16`, `15+`, `PB` or `PB 12`: sieves with round holes of as many 64ths of an inch.",
            ))
            .pattern(Some(r"^(PB( \d{1,2})?|\d{1,2}(/\d{1,2}|\+)?)$"))
            .examples(["17/18", "15+"])
            .into()
    }
}

impl utoipa::ToSchema for Screen {}

#[cfg(test)]
mod tests {
    use super::*;

    /// Nominal hole sizes of ISO 4150:2011 (Green coffee or raw coffee: size analysis, manual and machine sieving), in millimetres: 18 and 16 as
    /// a trade page quotes them, the others from memory. The standard takes them from a series of sieves, so 64ths of an inch are near them and not equal.
    const ISO_4150: [(&str, f64); 9] = [
        ("20", 8.00),
        ("19", 7.50),
        ("18", 7.10),
        ("17", 6.70),
        ("16", 6.30),
        ("15", 6.00),
        ("14", 5.60),
        ("12", 4.75),
        ("10", 4.00),
    ];

    #[test]
    fn holes_are_those_of_iso_4150() {
        for (number, nominal) in ISO_4150 {
            let hole = number.parse::<Screen>().unwrap().hole_mm().unwrap();
            assert!(
                (hole - nominal).abs() <= 0.07,
                "{number}: {hole} for {nominal}"
            );
        }
    }

    #[test]
    fn screens_read_as_they_are_written() {
        for text in ["17/18", "16", "15+", "PB", "PB 12"] {
            let screen: Screen = text.parse().unwrap();
            assert_eq!(screen.to_string(), text);
        }
        assert_eq!("16/16".parse::<Screen>().unwrap().to_string(), "16");
        assert_eq!(" 14 / 16 ".parse::<Screen>().unwrap().to_string(), "14/16");
    }

    #[test]
    fn what_names_no_screens_is_refused() {
        for text in [
            "", "AA", "18/17", "6", "23", "17/", "+", "PB x", "-16", "17.5",
        ] {
            assert_eq!(text.parse::<Screen>(), Err(ScreenText), "{text}");
        }
    }
}
