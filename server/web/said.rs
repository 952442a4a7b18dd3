//! What a query says of a field: text, read as what the field holds. What it cannot be read as is told with what would be right.

use std::borrow::Cow;

use serde::de::value::{CowStrDeserializer, Error};
use serde::de::{self, Deserializer, IntoDeserializer, Visitor};
use serde::forward_to_deserialize_any;

/// The text of a field.
#[derive(Debug)]
pub struct Said<'a>(pub Cow<'a, str>);

impl Said<'_> {
    fn not(&self, right: &str) -> Error {
        let said: String = self.0.chars().take(50).collect();
        de::Error::custom(format_args!("{right}, not {said:?}"))
    }
}

impl IntoDeserializer<'_, Error> for Said<'_> {
    type Deserializer = Self;

    fn into_deserializer(self) -> Self {
        self
    }
}

macro_rules! numbers {
    ($($method:ident, $visit:ident: $right:literal;)*) => {$(
        fn $method<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Error> {
            match self.0.parse() {
                Ok(number) => visitor.$visit(number),
                Err(_) => Err(self.not($right)),
            }
        }
    )*};
}

impl<'de> Deserializer<'de> for Said<'_> {
    type Error = Error;

    numbers! {
        deserialize_bool, visit_bool: "true or false";
        deserialize_i64, visit_i64: "a whole number";
        deserialize_u16, visit_u16: "a whole number from 0 to 65535";
        deserialize_u32, visit_u32: "a whole number from 0 to 4294967295";
    }

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Error> {
        // No text of ours holds a NUL, and not every database could look for one.
        if self.0.contains('\0') {
            return Err(self.not("text without NUL"));
        }
        visitor.visit_str(&self.0).map_err(|error: Error| {
            // Ids are the one thing in a query whose form is not of our own making.
            if error.to_string().starts_with("UUID parsing failed") {
                self.not("an id is a UUID such as 0190b8a0-0000-7000-8000-000000000000")
            } else {
                error
            }
        })
    }

    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Error> {
        visitor.visit_some(self)
    }

    fn deserialize_newtype_struct<V: Visitor<'de>>(
        self,
        _name: &'static str,
        visitor: V,
    ) -> Result<V::Value, Error> {
        visitor.visit_newtype_struct(self)
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Error> {
        let said: CowStrDeserializer<'_, Error> = self.0.into_deserializer();
        said.deserialize_enum(name, variants, visitor)
    }

    forward_to_deserialize_any! {
        i8 i16 i32 i128 u8 u64 u128 f32 f64 char str string bytes byte_buf unit unit_struct seq tuple tuple_struct map struct identifier
        ignored_any
    }
}
