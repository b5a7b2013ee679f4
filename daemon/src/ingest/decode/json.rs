//! JSON lines, `{"J07T":11.42,"J07F":3.2,"at":"2026-04-18T14:00:00Z"}`, and numbers picked out of
//! JSON payloads by pointer (RFC 6901).
//!
//! Size is bounded by the frame, depth by `serde_json` (128 levels). RFC 8259 knows no NaN and no
//! infinity, and a number too large for a double is refused by the parser: each is *malformed*.

use super::Decoded;
use crate::ingest::counters::Refusal;
use crate::reading::RawReading;
use nightjar_calc::time::Timestamp;
use serde::de::{Deserialize, Deserializer, MapAccess, Visitor};
use serde_json::Value;
use std::fmt;

/// Key of the time in a JSON line.
const AT: &str = "at";

/// Decodes one JSON line.
///
/// # Errors
/// When it is not a JSON object, names something twice or carries a time that cannot be read.
pub fn decode_line(line: &str) -> Result<Decoded, Refusal> {
    let Pairs(mut pairs) = serde_json::from_str(line).map_err(|_| Refusal::Malformed)?;
    let mut names: Vec<&str> = pairs.iter().map(|(name, _)| name.as_str()).collect();
    names.sort_unstable();
    if names.windows(2).any(|pair| pair[0] == pair[1]) {
        return Err(Refusal::DuplicateName);
    }
    let at = match pairs.iter().position(|(name, _)| name == AT) {
        Some(place) => Some(time(&pairs.remove(place).1)?),
        None => None,
    };
    let mut decoded = Decoded::default();
    for (name, value) in pairs {
        match number(&value) {
            Ok(value) => decoded.readings.push(RawReading { name, value, at, retained: false }),
            Err(why) => decoded.refused.push(why),
        }
    }
    Ok(decoded)
}

/// A JSON number as it is; a string is not a number.
pub(super) fn number(value: &Value) -> Result<f64, Refusal> {
    match value {
        Value::Number(number) => number.as_f64().ok_or(Refusal::NotANumber),
        Value::Null => Err(Refusal::NoValue),
        Value::Bool(_) | Value::String(_) | Value::Array(_) | Value::Object(_) => Err(Refusal::NotANumber),
    }
}

/// RFC 3339 text.
pub(super) fn time(value: &Value) -> Result<Timestamp, Refusal> {
    let text = value.as_str().ok_or(Refusal::BadTime)?;
    Timestamp::parse(text).map_err(|_| Refusal::BadTime)
}

/// The members of an object in their order, repeated names included.
struct Pairs(Vec<(String, Value)>);

impl<'de> Deserialize<'de> for Pairs {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Members;
        impl<'de> Visitor<'de> for Members {
            type Value = Pairs;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object of names and numbers")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Pairs, A::Error> {
                let mut pairs = Vec::new();
                while let Some(pair) = map.next_entry()? {
                    pairs.push(pair);
                }
                Ok(Pairs(pairs))
            }
        }
        deserializer.deserialize_map(Members)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_numbers_with_a_time() {
        let decoded = decode_line(r#"{"J07T":11.42,"J07F":3.2,"at":"2026-04-18T14:00:00Z"}"#).unwrap();
        let at = Timestamp::parse("2026-04-18T14:00:00Z").ok();
        assert_eq!(
            decoded.readings,
            [("J07T", 11.42), ("J07F", 3.2)].map(|(name, value)| RawReading {
                name: name.to_owned(),
                value,
                at,
                retained: false
            })
        );
        assert_eq!(decode_line(r#" {"A":-0.0} "#).unwrap().readings[0].at, None);
        assert_eq!(decode_line("{}").unwrap(), Decoded::default());
    }

    #[test]
    fn what_is_no_number_is_refused_and_the_rest_kept() {
        let decoded =
            decode_line(r#"{"A":1,"B":"2","C":null,"D":[1],"E":{"x":1},"F":true,"G":1e-400}"#).unwrap();
        assert_eq!(decoded.readings.len(), 2);
        use Refusal::{NoValue, NotANumber};
        assert_eq!(decoded.refused, [NotANumber, NoValue, NotANumber, NotANumber, NotANumber]);
    }

    #[test]
    fn hostile_lines_are_refused_whole() {
        let deep = format!("{{\"A\":{}1{}}}", "[".repeat(300), "]".repeat(300));
        for (line, why) in [
            ("", Refusal::Malformed),
            ("11.4", Refusal::Malformed),
            ("[1]", Refusal::Malformed),
            (r#"{"A":NaN}"#, Refusal::Malformed),
            (r#"{"A":Infinity}"#, Refusal::Malformed),
            (r#"{"A":1e999}"#, Refusal::Malformed),
            (r#"{"A":1}{"A":1}"#, Refusal::Malformed),
            (r#"{"A":1"#, Refusal::Malformed),
            (&deep, Refusal::Malformed),
            (r#"{"A":1,"A":2}"#, Refusal::DuplicateName),
            (r#"{"A":1,"at":"yesterday"}"#, Refusal::BadTime),
            (r#"{"A":1,"at":1776520800}"#, Refusal::BadTime),
        ] {
            assert_eq!(decode_line(line).unwrap_err(), why, "{line}");
        }
    }
}
