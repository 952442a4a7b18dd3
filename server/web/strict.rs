//! Objects where objects are meant: serde also reads a struct from a bare list of its fields' values, which no form of ours says.

use std::fmt;

use serde::de::{
    self, DeserializeSeed, Deserializer, EnumAccess, MapAccess, SeqAccess, Unexpected,
    VariantAccess, Visitor,
};

/// A deserializer, visitor, seed or access below which structs are read from objects alone.
pub struct Strict<T>(pub T);

/// A visitor of a struct.
struct ObjectOnly<V>(V);

macro_rules! forward {
    ($($method:ident($($argument:ident: $type:ty),*)),* $(,)?) => {$(
        fn $method<V: Visitor<'de>>(self, $($argument: $type,)* visitor: V) -> Result<V::Value, D::Error> {
            self.0.$method($($argument,)* Strict(visitor))
        }
    )*};
}

impl<'de, D: Deserializer<'de>> Deserializer<'de> for Strict<D> {
    type Error = D::Error;

    forward! {
        deserialize_any(), deserialize_bool(), deserialize_i8(), deserialize_i16(), deserialize_i32(), deserialize_i64(), deserialize_i128(),
        deserialize_u8(), deserialize_u16(), deserialize_u32(), deserialize_u64(), deserialize_u128(), deserialize_f32(), deserialize_f64(),
        deserialize_char(), deserialize_str(), deserialize_string(), deserialize_bytes(), deserialize_byte_buf(), deserialize_option(),
        deserialize_unit(), deserialize_unit_struct(name: &'static str), deserialize_newtype_struct(name: &'static str), deserialize_seq(),
        deserialize_tuple(length: usize), deserialize_tuple_struct(name: &'static str, length: usize), deserialize_map(),
        deserialize_enum(name: &'static str, variants: &'static [&'static str]), deserialize_identifier(), deserialize_ignored_any(),
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        name: &'static str,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, D::Error> {
        self.0.deserialize_struct(name, fields, ObjectOnly(visitor))
    }

    fn is_human_readable(&self) -> bool {
        self.0.is_human_readable()
    }
}

macro_rules! pass {
    ($($method:ident: $type:ty),* $(,)?) => {$(
        fn $method<E: de::Error>(self, value: $type) -> Result<V::Value, E> {
            self.0.$method(value)
        }
    )*};
}

impl<'de, V: Visitor<'de>> Visitor<'de> for Strict<V> {
    type Value = V::Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.expecting(f)
    }

    pass! {
        visit_bool: bool, visit_i64: i64, visit_i128: i128, visit_u64: u64, visit_u128: u128, visit_f64: f64, visit_str: &str,
        visit_borrowed_str: &'de str, visit_string: String, visit_bytes: &[u8], visit_borrowed_bytes: &'de [u8], visit_byte_buf: Vec<u8>,
    }

    fn visit_none<E: de::Error>(self) -> Result<V::Value, E> {
        self.0.visit_none()
    }

    fn visit_unit<E: de::Error>(self) -> Result<V::Value, E> {
        self.0.visit_unit()
    }

    fn visit_some<D: Deserializer<'de>>(self, deserializer: D) -> Result<V::Value, D::Error> {
        self.0.visit_some(Strict(deserializer))
    }

    fn visit_newtype_struct<D: Deserializer<'de>>(
        self,
        deserializer: D,
    ) -> Result<V::Value, D::Error> {
        self.0.visit_newtype_struct(Strict(deserializer))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, access: A) -> Result<V::Value, A::Error> {
        self.0.visit_seq(Strict(access))
    }

    fn visit_map<A: MapAccess<'de>>(self, access: A) -> Result<V::Value, A::Error> {
        self.0.visit_map(Strict(access))
    }

    fn visit_enum<A: EnumAccess<'de>>(self, access: A) -> Result<V::Value, A::Error> {
        self.0.visit_enum(Strict(access))
    }
}

impl<'de, V: Visitor<'de>> Visitor<'de> for ObjectOnly<V> {
    type Value = V::Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an object")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, _access: A) -> Result<V::Value, A::Error> {
        Err(de::Error::invalid_type(Unexpected::Seq, &self))
    }

    fn visit_map<A: MapAccess<'de>>(self, access: A) -> Result<V::Value, A::Error> {
        self.0.visit_map(Strict(access))
    }
}

impl<'de, S: DeserializeSeed<'de>> DeserializeSeed<'de> for Strict<S> {
    type Value = S::Value;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<S::Value, D::Error> {
        self.0.deserialize(Strict(deserializer))
    }
}

impl<'de, A: SeqAccess<'de>> SeqAccess<'de> for Strict<A> {
    type Error = A::Error;

    fn next_element_seed<S: DeserializeSeed<'de>>(
        &mut self,
        seed: S,
    ) -> Result<Option<S::Value>, A::Error> {
        self.0.next_element_seed(Strict(seed))
    }
}

impl<'de, A: MapAccess<'de>> MapAccess<'de> for Strict<A> {
    type Error = A::Error;

    fn next_key_seed<S: DeserializeSeed<'de>>(
        &mut self,
        seed: S,
    ) -> Result<Option<S::Value>, A::Error> {
        self.0.next_key_seed(Strict(seed))
    }

    fn next_value_seed<S: DeserializeSeed<'de>>(&mut self, seed: S) -> Result<S::Value, A::Error> {
        self.0.next_value_seed(Strict(seed))
    }
}

impl<'de, A: EnumAccess<'de>> EnumAccess<'de> for Strict<A> {
    type Error = A::Error;
    type Variant = Strict<A::Variant>;

    fn variant_seed<S: DeserializeSeed<'de>>(
        self,
        seed: S,
    ) -> Result<(S::Value, Self::Variant), A::Error> {
        let (value, variant) = self.0.variant_seed(Strict(seed))?;
        Ok((value, Strict(variant)))
    }
}

impl<'de, A: VariantAccess<'de>> VariantAccess<'de> for Strict<A> {
    type Error = A::Error;

    fn unit_variant(self) -> Result<(), A::Error> {
        self.0.unit_variant()
    }

    fn newtype_variant_seed<S: DeserializeSeed<'de>>(self, seed: S) -> Result<S::Value, A::Error> {
        self.0.newtype_variant_seed(Strict(seed))
    }

    fn tuple_variant<V: Visitor<'de>>(
        self,
        length: usize,
        visitor: V,
    ) -> Result<V::Value, A::Error> {
        self.0.tuple_variant(length, Strict(visitor))
    }

    fn struct_variant<V: Visitor<'de>>(
        self,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, A::Error> {
        self.0.struct_variant(fields, ObjectOnly(visitor))
    }
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use super::*;

    #[derive(Debug, PartialEq, Deserialize)]
    struct Pair {
        a: u8,
        #[serde(default)]
        b: Vec<Single>,
    }

    #[derive(Debug, PartialEq, Deserialize)]
    struct Single {
        c: Option<u8>,
    }

    fn read(text: &str) -> Result<Pair, serde_json::Error> {
        Pair::deserialize(Strict(&mut serde_json::Deserializer::from_str(text)))
    }

    #[test]
    fn a_list_is_no_object() {
        let expected = Pair {
            a: 1,
            b: vec![Single { c: Some(2) }],
        };
        assert_eq!(read(r#"{"a": 1, "b": [{"c": 2}]}"#).unwrap(), expected);
        for text in ["[1]", r#"[1, [{"c": 2}]]"#, r#"{"a": 1, "b": [[2]]}"#] {
            assert!(
                read(text).unwrap_err().to_string().contains("an object"),
                "{text}"
            );
        }
    }
}
