//! Text that people type: one normal form, no control characters, a bounded length.

use std::fmt;

use serde::{Deserialize, Deserializer, Serialize, de};
use unicode_normalization::UnicodeNormalization;

/// One line of at least one and at most `MAX` characters, trimmed, in Unicode normal form C, without control characters.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(transparent)]
pub struct Line<const MAX: usize>(String);

/// A name: of a coffee, a lot, a person.
pub type Name = Line<120>;
/// A remark or reason.
pub type Note = Line<1_000>;

/// Why a text is refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LineText {
    /// Nothing but blanks.
    #[error("must not be empty")]
    Empty,
    /// Too long.
    #[error("must have at most {0} characters")]
    TooLong(usize),
    /// A control character, such as a line break or NUL.
    #[error("must be one line without control characters")]
    Control,
}

impl<const MAX: usize> Line<MAX> {
    /// Brings a text into this form.
    ///
    /// # Errors
    /// [`LineText`] when it cannot be.
    pub fn new(text: &str) -> Result<Self, LineText> {
        let text: String = text.trim().nfc().collect();
        if text.is_empty() {
            return Err(LineText::Empty);
        }
        if text.chars().count() > MAX {
            return Err(LineText::TooLong(MAX));
        }
        if text
            .chars()
            .any(|c| c.is_control() || matches!(c, '\u{2028}' | '\u{2029}'))
        {
            return Err(LineText::Control);
        }
        Ok(Self(text))
    }

    /// The text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl<const MAX: usize> fmt::Display for Line<MAX> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl<'de, const MAX: usize> Deserialize<'de> for Line<MAX> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
        Self::new(&text).map_err(de::Error::custom)
    }
}

impl<const MAX: usize> utoipa::PartialSchema for Line<MAX> {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .min_length(Some(1))
            .max_length(Some(MAX))
            .into()
    }
}

impl<const MAX: usize> utoipa::ToSchema for Line<MAX> {
    fn name() -> std::borrow::Cow<'static, str> {
        // Lines of different lengths are different forms.
        format!("Line{MAX}").into()
    }
}

/// Words as a sentence that stands alone: it begins with a capital and ends with a full stop, unless it ends with a mark of its own.
#[must_use]
pub fn sentence(words: &str) -> String {
    let words = words.trim_end();
    let mut letters = words.chars();
    let Some(first) = letters.next() else {
        return String::new();
    };
    let mut sentence: String = first.to_uppercase().chain(letters).collect();
    if !sentence.ends_with(['.', '!', '?', ':']) {
        sentence.push('.');
    }
    sentence
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sentence_begins_and_ends_as_one() {
        for (words, whole) in [
            ("weigh it out first", "Weigh it out first."),
            ("Weigh it out first.", "Weigh it out first."),
            ("is it light?", "Is it light?"),
            ("\u{e9}milie has it ", "\u{c9}milie has it."),
            ("", ""),
        ] {
            assert_eq!(sentence(words), whole);
        }
    }

    #[test]
    fn text_has_one_form() {
        assert_eq!(Name::new("  Cafe\u{301} ").unwrap().as_str(), "Caf\u{e9}");
        assert_eq!(Name::new(" \t"), Err(LineText::Empty));
        assert_eq!(Name::new("a\0b"), Err(LineText::Control));
        assert_eq!(Name::new("a\nb"), Err(LineText::Control));
        assert_eq!(Name::new(&"x".repeat(121)), Err(LineText::TooLong(120)));
    }
}
