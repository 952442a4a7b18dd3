//! A JSON text as a tree that keeps what a reader must be able to refuse: fields given twice and numbers as written.

use std::fmt;

use serde::Deserialize;
use serde::de::{Deserializer, MapAccess, SeqAccess, Visitor};

/// A JSON value. Objects keep their fields in order, repeated ones too.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Json {
    /// `null`
    Null,
    /// `true` or `false`
    Bool(bool),
    /// A whole number that fits 64 bits.
    Whole(i64),
    /// Any other number, in its shortest decimal form.
    Number(String),
    /// A string.
    Text(String),
    /// An array.
    List(Vec<Json>),
    /// An object.
    Object(Vec<(String, Json)>),
}

impl Json {
    /// What the value is, for a sentence that refuses it.
    pub(super) fn describe(&self) -> String {
        match self {
            Json::Null => "null".into(),
            Json::Bool(b) => b.to_string(),
            Json::Whole(n) => n.to_string(),
            Json::Number(n) if n.len() > 40 => "a number of very many digits".into(),
            Json::Number(n) => n.clone(),
            Json::Text(t) if t.chars().count() > 40 => "a long text".into(),
            Json::Text(t) => format!("the text {t:?}"),
            Json::List(_) => "a list".into(),
            Json::Object(_) => "an object".into(),
        }
    }

    /// The whole number that it is, or a sentence that says why it is none.
    pub(super) fn whole(&self) -> Result<i64, String> {
        let why = match self {
            Json::Whole(n) => return Ok(*n),
            Json::Number(n) if !n.contains('.') => "is larger than any number here may be",
            _ => "is not a whole number: write digits without point or quotes",
        };
        Err(format!("{} {why}", self.describe()))
    }
}

impl<'de> Deserialize<'de> for Json {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(Tree)
    }
}

struct Tree;

impl<'de> Visitor<'de> for Tree {
    type Value = Json;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E>(self) -> Result<Json, E> {
        Ok(Json::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Json, E> {
        Ok(Json::Bool(value))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Json, E> {
        Ok(Json::Whole(value))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Json, E> {
        Ok(i64::try_from(value).map_or_else(|_| Json::Number(value.to_string()), Json::Whole))
    }

    fn visit_f64<E>(self, value: f64) -> Result<Json, E> {
        Ok(Json::Number(value.to_string()))
    }

    fn visit_str<E>(self, value: &str) -> Result<Json, E> {
        Ok(Json::Text(value.to_owned()))
    }

    fn visit_string<E>(self, value: String) -> Result<Json, E> {
        Ok(Json::Text(value))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Json, A::Error> {
        let mut list = Vec::new();
        while let Some(value) = seq.next_element()? {
            list.push(value);
        }
        Ok(Json::List(list))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Json, A::Error> {
        let mut fields = Vec::new();
        while let Some(field) = map.next_entry()? {
            fields.push(field);
        }
        Ok(Json::Object(fields))
    }
}
