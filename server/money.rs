//! Money in whole minor units with its currency.

use serde::{Deserialize, Serialize};

/// An amount of money.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Money {
    /// Whole minor units (cents), below 2^53.
    #[serde(deserialize_with = "minor_units")]
    #[schema(minimum = 0, maximum = 9_007_199_254_740_991i64)]
    pub minor: i64,
    /// The currency's three letters (ISO 4217).
    #[serde(deserialize_with = "currency")]
    #[schema(pattern = "^[A-Z]{3}$")]
    pub currency: String,
}

/// The largest amount, in minor units: what a number in JSON holds exactly.
pub const MOST: i64 = 9_007_199_254_740_991;

fn minor_units<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<i64, D::Error> {
    let minor = i64::deserialize(deserializer)?;
    if (0..=MOST).contains(&minor) {
        Ok(minor)
    } else {
        Err(serde::de::Error::custom(
            "an amount is whole minor units, nothing or more",
        ))
    }
}

fn currency<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<String, D::Error> {
    let text = String::deserialize(deserializer)?;
    let letters = text.len() == 3 && text.bytes().all(|b| b.is_ascii_uppercase());
    if letters {
        Ok(text)
    } else {
        Err(serde::de::Error::custom(
            "name the currency by its three letters, such as EUR (ISO 4217)",
        ))
    }
}

/// How many digits a currency's minor unit has after the point (ISO 4217, list one; two unless said there).
#[must_use]
pub fn minor_digits(currency: &str) -> u32 {
    match currency {
        "BIF" | "CLP" | "DJF" | "GNF" | "ISK" | "JPY" | "KMF" | "KRW" | "PYG" | "RWF" | "UGX"
        | "UYI" | "VND" | "VUV" | "XAF" | "XOF" | "XPF" => 0,
        "BHD" | "IQD" | "JOD" | "KWD" | "LYD" | "OMR" | "TND" => 3,
        "CLF" | "UYW" => 4,
        _ => 2,
    }
}

/// Units of one currency that one unit of another is worth, to nine decimals.
///
/// In JSON it is a text such as `"0.9231"`: a rate has more digits than a number there holds exactly.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, utoipa::ToSchema)]
#[schema(value_type = String, pattern = "^[0-9]{1,6}(\\.[0-9]{1,9})?$", example = "0.9231")]
pub struct Rate(u64);

const BILLION: u64 = 1_000_000_000;

impl Rate {
    /// What an amount is worth in another currency, in its minor units, halves to the even one; none beyond what an amount can be.
    #[must_use]
    pub fn convert(self, minor: i64, from: &str, to: &str) -> Option<i64> {
        let (up, down) = (minor_digits(to), minor_digits(from));
        let exact = i128::from(minor)
            .checked_mul(i128::from(self.0))?
            .checked_mul(10_i128.checked_pow(up)?)?;
        let whole = i128::from(BILLION).checked_mul(10_i128.checked_pow(down)?)?;
        i64::try_from(half_even(exact, whole)).ok()
    }
}

/// `part / whole`, for a whole of more than nothing, to the nearest whole number; halves to the even one.
#[must_use]
pub fn half_even(part: i128, whole: i128) -> i128 {
    let (down, rest) = (part.div_euclid(whole), part.rem_euclid(whole));
    match (rest * 2).cmp(&whole) {
        std::cmp::Ordering::Less => down,
        std::cmp::Ordering::Greater => down + 1,
        std::cmp::Ordering::Equal => down + down.rem_euclid(2),
    }
}

impl std::str::FromStr for Rate {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        const WRONG: &str = "write a rate as a plain number in quotes, such as \"0.9231\": more than 0, below a million, at most nine decimals";
        let (whole, decimals) = text.split_once('.').unwrap_or((text, "0"));
        let digits = |text: &str, most: usize| {
            (1..=most).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit())
        };
        if !digits(whole, 6) || !digits(decimals, 9) {
            return Err(WRONG);
        }
        let parse = |text: &str| text.parse::<u64>().map_err(|_| WRONG);
        let billionths = parse(whole)? * BILLION + parse(&format!("{decimals:0<9}"))?;
        if billionths == 0 {
            return Err(WRONG);
        }
        Ok(Self(billionths))
    }
}

impl std::fmt::Display for Rate {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let text = format!("{}.{:09}", self.0 / BILLION, self.0 % BILLION);
        f.write_str(text.trim_end_matches('0').trim_end_matches('.'))
    }
}

impl Serialize for Rate {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Rate {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?
            .parse()
            .map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rate_reads_back_as_written() {
        for text in ["0.9231", "1", "25950.5", "0.000036812", "999999.999999999"] {
            assert_eq!(text.parse::<Rate>().unwrap().to_string(), text);
        }
        for text in [
            "",
            "0",
            "0.0",
            "-1",
            "1e3",
            "1,5",
            ".5",
            "1.",
            "1000000",
            "0.0000000001",
        ] {
            assert!(text.parse::<Rate>().is_err(), "{text}");
        }
    }

    /// Worked by hand; the digits after the point are those of ISO 4217.
    #[test]
    fn amounts_change_currency() {
        let rate = |text: &str| text.parse::<Rate>().unwrap();
        assert_eq!(rate("0.9231").convert(100_000, "USD", "EUR"), Some(92_310));
        // 12,500,000 dong at 0.000036812 euro are 460.15 euro.
        assert_eq!(
            rate("0.000036812").convert(12_500_000, "VND", "EUR"),
            Some(46_015)
        );
        // 10.00 euro at 161.25 yen are 1612.5: the even one.
        assert_eq!(rate("161.25").convert(1_000, "EUR", "JPY"), Some(1_612));
        assert_eq!(rate("3.25").convert(1_000, "KWD", "EUR"), Some(325));
        assert_eq!(rate("999999").convert(i64::MAX, "EUR", "EUR"), None);
        assert_eq!(
            [
                half_even(5, 2),
                half_even(7, 2),
                half_even(-5, 2),
                half_even(-1, 3)
            ],
            [2, 4, -2, 0]
        );
    }
}
