//! The one text form in which leaves and commands are hashed: RFC 8785 (JSON Canonicalization Scheme).
//!
//! Numbers in it are whole (below 2^53) or decimals of at most six places and fifteen digits, which the scheme prints alike everywhere.

use serde::Serialize;
use sha2::{Digest, Sha256};

use super::merkle::Hash;

/// The canonical text of a value.
///
/// # Panics
/// Never for the types of this program, which all have string keys and finite numbers.
#[must_use]
pub fn text<T: Serialize>(value: &T) -> String {
    #[expect(
        clippy::expect_used,
        reason = "a value of our own types always serialises"
    )]
    serde_json_canonicalizer::to_string(value).expect("own types serialise")
}

/// SHA-256 of the canonical text.
#[must_use]
pub fn digest<T: Serialize>(value: &T) -> Hash {
    Sha256::digest(text(value).as_bytes()).into()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8785, section 3.2.2: the sample of serialising literals, strings and numbers, and its canonical form.
    #[test]
    fn the_sample_of_rfc_8785() {
        let input = r#"{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
            "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/", "literals": [null, true, false]}"#;
        let value: serde_json::Value = serde_json::from_str(input).unwrap();
        let expected = "{\"literals\":[null,true,false],\"numbers\":[333333333.3333333,1e+30,4.5,0.002,1e-27],\
            \"string\":\"\u{20ac}$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"}";
        assert_eq!(text(&value), expected);
    }

    /// RFC 8785, section 3.2.3: keys sort by their UTF-16 code units.
    #[test]
    fn keys_sort_as_utf_16() {
        let input = r#"{"\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh", "1": "One",
            "\ud83d\ude00": "Emoji: Grinning Face", "\u0080": "Control", "\u00f6": "Latin Small Letter O With Diaeresis"}"#;
        let value: serde_json::Value = serde_json::from_str(input).unwrap();
        let text = text(&value);
        let order = [
            "Carriage Return",
            "One",
            "Control",
            "Latin Small",
            "Euro Sign",
            "Emoji",
            "Hebrew",
        ]
        .map(|name| text.find(name).unwrap());
        assert!(order.is_sorted(), "{text}");
    }
}
