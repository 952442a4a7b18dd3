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

fn minor_units<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<i64, D::Error> {
    let minor = i64::deserialize(deserializer)?;
    if (0..=9_007_199_254_740_991).contains(&minor) {
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
