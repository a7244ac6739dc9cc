//! JSON as it is accepted from outside: one value, no duplicate members, no NUL, numbers kept as written.

use std::fmt;

use serde::de::{self, DeserializeSeed, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

/// Why a body is no acceptable JSON.
#[derive(Debug, thiserror::Error)]
#[error("{detail}")]
pub struct JsonError {
    /// What is wrong and where, fit to be shown to the sender.
    pub detail: String,
}

/// Parses one JSON value, refusing what parsers are known to disagree on.
///
/// Nesting beyond 128 levels, a member named twice, NUL in a text and anything after the value are errors.
pub fn parse(bytes: &[u8]) -> Result<Value, JsonError> {
    let error = |e: serde_json::Error| JsonError { detail: e.to_string() };
    let mut de = serde_json::Deserializer::from_slice(bytes);
    let value = Strict.deserialize(&mut de).map_err(error)?;
    de.end().map_err(error)?;
    Ok(value)
}

struct Strict;

impl<'de> DeserializeSeed<'de> for Strict {
    type Value = Value;
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Value, D::Error> {
        d.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Strict {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }
    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }
    fn visit_bool<E>(self, b: bool) -> Result<Value, E> {
        Ok(Value::Bool(b))
    }
    fn visit_i64<E>(self, n: i64) -> Result<Value, E> {
        Ok(Value::Number(n.into()))
    }
    fn visit_u64<E>(self, n: u64) -> Result<Value, E> {
        Ok(Value::Number(n.into()))
    }
    fn visit_f64<E: de::Error>(self, n: f64) -> Result<Value, E> {
        Number::from_f64(n).map(Value::Number).ok_or_else(|| E::custom("number out of range"))
    }
    fn visit_str<E: de::Error>(self, s: &str) -> Result<Value, E> {
        text(s).map(|()| Value::String(s.to_owned()))
    }
    fn visit_string<E: de::Error>(self, s: String) -> Result<Value, E> {
        text(&s).map(|()| Value::String(s))
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Value, A::Error> {
        let mut items = Vec::new();
        while let Some(item) = seq.next_element_seed(Strict)? {
            items.push(item);
        }
        Ok(Value::Array(items))
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Value, A::Error> {
        let mut members = Map::new();
        while let Some(name) = map.next_key::<String>()? {
            // serde_json hands a number over as a map with this one reserved key when it keeps digits as text.
            if name == "$serde_json::private::Number" {
                return map.next_value_seed(Digits)?.parse().map(Value::Number).map_err(de::Error::custom);
            }
            text(&name)?;
            if members.contains_key(&name) {
                return Err(de::Error::custom(format_args!("member {name:?} appears twice")));
            }
            members.insert(name, map.next_value_seed(Strict)?);
        }
        Ok(Value::Object(members))
    }
}

/// The digits of a number. serde_json hands them over as an owned text; a text of the sender's, under the reserved name,
/// comes borrowed from the body, and is refused.
struct Digits;

impl<'de> DeserializeSeed<'de> for Digits {
    type Value = String;
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<String, D::Error> {
        d.deserialize_any(self)
    }
}

impl Visitor<'_> for Digits {
    type Value = String;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the digits of a number")
    }
    fn visit_str<E: de::Error>(self, _: &str) -> Result<String, E> {
        Err(E::custom("a member has a reserved name"))
    }
    fn visit_string<E>(self, digits: String) -> Result<String, E> {
        Ok(digits)
    }
}

fn text<E: de::Error>(s: &str) -> Result<(), E> {
    if s.contains('\0') { Err(E::custom("text holds U+0000")) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn accepts_and_refuses() {
        let deep = "[".repeat(100_000);
        let cases: &[(&str, bool)] = &[
            (r#"{"a":1,"b":[true,null,"x"]}"#, true),
            (r#"{"a":1,"a":2}"#, false),
            (r#"{"a":{"b":1,"b":1}}"#, false),
            ("\"a\\u0000b\"", false),
            ("{} x", false),
            ("NaN", false),
            ("", false),
            (&deep, false),
        ];
        for (text, good) in cases {
            let found = parse(text.as_bytes());
            assert_eq!(found.is_ok(), *good, "{:.40}: {found:?}", text);
        }
    }

    #[test]
    fn keeps_digits() {
        assert_eq!(parse(b"[231.30000000000000001]").unwrap().to_string(), "[231.30000000000000001]");
    }

    #[test]
    fn a_forged_number_member_is_not_special() {
        let escaped = r#"{"\u0024serde_json::private::Number":"5\u0030.5"}"#;
        for forged in [
            r#"{"$serde_json::private::Number":"50.5"}"#,
            escaped,
            r#"{"$serde_json::private::Number":50.5}"#,
        ] {
            assert!(parse(forged.as_bytes()).is_err(), "{forged}");
        }
        assert_eq!(parse(b"[50.5, -3, 12]").unwrap().to_string(), "[50.5,-3,12]");
    }
}
