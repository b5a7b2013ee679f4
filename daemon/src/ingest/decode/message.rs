//! MQTT messages: topic filters with a `{sensor}` place, and payloads that are a plain number or
//! JSON with numbers picked by pointer (RFC 6901).

use super::{Decoded, json, number, text};
use crate::ingest::counters::Refusal;
use crate::reading::RawReading;
use serde_json::Value;

/// Longest payload looked at, in bytes. A sensor's message is some hundred at most.
pub const LONGEST_PAYLOAD: usize = 4096;
/// Longest topic looked at, in bytes.
pub const LONGEST_TOPIC: usize = 256;
/// The place in a filter or a name that stands for the sensor.
pub const CAPTURE: &str = "{sensor}";

/// Text that cannot be a topic filter.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotAFilter {
    /// Empty, too long, or with control characters.
    #[error("a topic filter has 1 to {LONGEST_TOPIC} printable bytes")]
    Length,
    /// `{sensor}`, `+` or `#` beside other characters in one level.
    #[error("in level \"{0}\": `{{sensor}}`, `+` and `#` must stand alone between two slashes")]
    Level(String),
    /// `#` before the end.
    #[error("`#` may only be the last level")]
    HashInside,
    /// `{sensor}` twice.
    #[error("`{{sensor}}` may stand once only")]
    TwoCaptures,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Level {
    Exactly(String),
    Capture,
    Any,
    Rest,
}

/// A topic filter of MQTT 3.1.1, in which one level can be `{sensor}`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TopicFilter {
    levels: Vec<Level>,
}

impl TopicFilter {
    /// Reads `shed/{sensor}/temp`, `shed/+/state` or `shed/#`.
    ///
    /// # Errors
    /// When the text is not a filter.
    pub fn parse(filter: &str) -> Result<Self, NotAFilter> {
        if filter.is_empty() || filter.len() > LONGEST_TOPIC || filter.chars().any(char::is_control) {
            return Err(NotAFilter::Length);
        }
        let levels = filter
            .split('/')
            .map(|level| match level {
                CAPTURE => Ok(Level::Capture),
                "+" => Ok(Level::Any),
                "#" => Ok(Level::Rest),
                other if other.contains(['+', '#', '{', '}']) => Err(NotAFilter::Level(other.to_owned())),
                other => Ok(Level::Exactly(other.to_owned())),
            })
            .collect::<Result<Vec<_>, _>>()?;
        if levels[..levels.len() - 1].contains(&Level::Rest) {
            return Err(NotAFilter::HashInside);
        }
        if levels.iter().filter(|level| **level == Level::Capture).count() > 1 {
            return Err(NotAFilter::TwoCaptures);
        }
        Ok(Self { levels })
    }

    /// As sent to the broker: the sensor's place becomes `+`, or the given text.
    #[must_use]
    pub fn subscription(&self, capture: Option<&str>) -> String {
        let levels: Vec<&str> = self
            .levels
            .iter()
            .map(|level| match level {
                Level::Exactly(text) => text.as_str(),
                Level::Capture => capture.unwrap_or("+"),
                Level::Any => "+",
                Level::Rest => "#",
            })
            .collect();
        levels.join("/")
    }

    /// True when one level is `{sensor}`.
    #[must_use]
    pub fn captures(&self) -> bool {
        self.levels.contains(&Level::Capture)
    }

    /// `None` when the topic does not match; otherwise the text in the sensor's place, empty when
    /// the filter has none. Topics beginning with `$` match no wildcard in the first level.
    #[must_use]
    pub fn captured<'t>(&self, topic: &'t str) -> Option<&'t str> {
        let mut found = "";
        let mut parts = topic.split('/');
        for (depth, level) in self.levels.iter().enumerate() {
            if *level == Level::Rest {
                let reserved = depth == 0 && topic.starts_with('$');
                return (!reserved).then_some(found);
            }
            let part = parts.next()?;
            let fits = match level {
                Level::Exactly(text) => text == part,
                Level::Capture | Level::Any => !(depth == 0 && part.starts_with('$')),
                Level::Rest => true,
            };
            if !fits {
                return None;
            }
            if *level == Level::Capture {
                found = part;
            }
        }
        parts.next().is_none().then_some(found)
    }
}

/// One number to be taken from a message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pick {
    /// Name of the sensor; `{sensor}` in it stands for the text captured from the topic.
    pub sensor: String,
    /// Where in the JSON payload it stands; `None` when the payload is the number.
    pub pointer: Option<String>,
}

/// What messages on some topics mean.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Topic {
    /// Which topics.
    pub filter: TopicFilter,
    /// What to take from them.
    pub picks: Vec<Pick>,
    /// Where in the JSON payload the time stands (RFC 3339), if the sender puts one there.
    pub at: Option<String>,
}

impl Topic {
    /// The number of one sensor on each topic of the filter, as plain text.
    #[must_use]
    pub fn plain(filter: TopicFilter) -> Self {
        Self { filter, picks: vec![Pick { sensor: CAPTURE.to_owned(), pointer: None }], at: None }
    }

    fn decode(&self, captured: &str, payload: &str) -> Result<Decoded, Refusal> {
        let wants_json = self.at.is_some() || self.picks.iter().any(|pick| pick.pointer.is_some());
        let document: Option<Value> = match wants_json {
            true => Some(serde_json::from_str(payload).map_err(|_| Refusal::Malformed)?),
            false => None,
        };
        let at = match (&self.at, &document) {
            (Some(pointer), Some(document)) => match document.pointer(pointer) {
                None | Some(Value::Null) => None,
                Some(value) => Some(json::time(value)?),
            },
            _ => None,
        };
        let mut decoded = Decoded::default();
        for pick in &self.picks {
            let value = match (&pick.pointer, &document) {
                (Some(pointer), Some(document)) => {
                    document.pointer(pointer).ok_or(Refusal::NoValue).and_then(json::number)
                }
                _ => number(payload),
            };
            match value {
                Ok(value) => decoded.readings.push(RawReading {
                    name: pick.sensor.replace(CAPTURE, captured),
                    value,
                    at,
                    retained: false,
                }),
                Err(why) => decoded.refused.push(why),
            }
        }
        Ok(decoded)
    }
}

/// Decodes one message by every topic it matches: two numbers of one payload can be described as
/// two topics.
///
/// # Errors
/// Why the message as a whole cannot be used.
pub fn decode(topics: &[Topic], topic: &str, payload: &[u8]) -> Result<Decoded, Refusal> {
    if topic.len() > LONGEST_TOPIC || payload.len() > LONGEST_PAYLOAD {
        return Err(Refusal::Overlong);
    }
    let matching: Vec<_> =
        topics.iter().filter_map(|meaning| Some((meaning, meaning.filter.captured(topic)?))).collect();
    if matching.is_empty() {
        return Err(Refusal::UnknownTopic);
    }
    let text = payload_text(payload)?;
    let mut all = Decoded::default();
    for (meaning, captured) in matching {
        match meaning.decode(captured, text) {
            Ok(decoded) => {
                all.readings.extend(decoded.readings);
                all.refused.extend(decoded.refused);
            }
            Err(why) => all.refused.push(why),
        }
    }
    Ok(all)
}

/// JSON may hold line ends between its members; a plain number is trimmed.
fn payload_text(payload: &[u8]) -> Result<&str, Refusal> {
    let trimmed = payload.trim_ascii();
    if trimmed.is_empty() {
        return Err(Refusal::NoValue);
    }
    if trimmed.starts_with(b"{") || trimmed.starts_with(b"[") {
        return std::str::from_utf8(trimmed).map_err(|_| Refusal::NotText);
    }
    text(trimmed)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn filter(text: &str) -> TopicFilter {
        TopicFilter::parse(text).unwrap()
    }

    #[test]
    fn filters_match_as_the_standard_says() {
        // MQTT 3.1.1, section 4.7: the examples of 4.7.1.2, 4.7.1.3 and 4.7.2.
        for (text, topic, expected) in [
            ("sport/tennis/player1/#", "sport/tennis/player1", true),
            ("sport/tennis/player1/#", "sport/tennis/player1/ranking", true),
            ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true),
            ("sport/#", "sport", true),
            ("#", "anything/at/all", true),
            ("sport/tennis/+", "sport/tennis/player1", true),
            ("sport/tennis/+", "sport/tennis/player1/ranking", false),
            ("sport/+", "sport", false),
            ("sport/+", "sport/", true),
            ("+/+", "/finance", true),
            ("/+", "/finance", true),
            ("+", "/finance", false),
            ("#", "$SYS/broker", false),
            ("+/monitor/Clients", "$SYS/monitor/Clients", false),
            ("$SYS/#", "$SYS/monitor/Clients", true),
        ] {
            assert_eq!(filter(text).captured(topic).is_some(), expected, "{text} {topic}");
        }
    }

    #[test]
    fn the_sensor_is_captured_from_its_level() {
        let shed = filter("shed/{sensor}/temp");
        assert_eq!(shed.captured("shed/J07T/temp"), Some("J07T"));
        assert_eq!(shed.captured("shed/J07T/flow"), None);
        assert_eq!(shed.captured("shed/J07T/temp/x"), None);
        assert_eq!(shed.subscription(None), "shed/+/temp");
        assert_eq!(shed.subscription(Some("J07T")), "shed/J07T/temp");
        assert_eq!(filter("{sensor}").captured("$SYS"), None);
    }

    #[test]
    fn bad_filters_say_what_is_wrong() {
        assert_eq!(TopicFilter::parse(""), Err(NotAFilter::Length));
        assert_eq!(TopicFilter::parse("a/#/b"), Err(NotAFilter::HashInside));
        assert_eq!(TopicFilter::parse("{sensor}/{sensor}"), Err(NotAFilter::TwoCaptures));
        for level in ["sport+", "J{sensor}", "{jar}", "a#"] {
            let text = format!("a/{level}/b");
            assert_eq!(TopicFilter::parse(&text), Err(NotAFilter::Level(level.to_owned())));
        }
    }

    fn node() -> Vec<Topic> {
        let pick = |sensor: &str, pointer: &str| Pick {
            sensor: sensor.to_owned(),
            pointer: Some(pointer.to_owned()),
        };
        vec![
            Topic::plain(filter("shed/{sensor}/plain")),
            Topic {
                filter: filter("shed/{sensor}/state"),
                picks: vec![pick("{sensor}T", "/water/0/temp"), pick("{sensor}F", "/flow~1l")],
                at: Some("/at".to_owned()),
            },
        ]
    }

    #[test]
    fn plain_numbers_and_pointers() {
        let decoded = decode(&node(), "shed/J07T/plain", b" 11.42\n").unwrap();
        assert_eq!((decoded.readings[0].name.as_str(), decoded.readings[0].value), ("J07T", 11.42));
        let payload = br#"{"water":[{"temp":11.4}],"flow/l":3.2,"at":"2026-04-18T14:00:00Z"}"#;
        let decoded = decode(&node(), "shed/J07/state", payload).unwrap();
        let found: Vec<_> =
            decoded.readings.iter().map(|r| (r.name.as_str(), r.value, r.at.is_some())).collect();
        assert_eq!(found, [("J07T", 11.4, true), ("J07F", 3.2, true)]);
        let decoded = decode(&node(), "shed/J07/state", br#"{"water":[{}],"flow/l":"3,2"}"#).unwrap();
        assert_eq!(decoded.refused, [Refusal::NoValue, Refusal::NotANumber]);
    }

    #[test]
    fn two_topics_can_describe_two_numbers_of_one_payload() {
        let of = |sensor: &str, pointer: &str| Topic {
            filter: filter("node/7"),
            picks: vec![Pick { sensor: sensor.to_owned(), pointer: Some(pointer.to_owned()) }],
            at: None,
        };
        let decoded = decode(&[of("J07T", "/t"), of("J07F", "/f")], "node/7", br#"{"t":9.5,"f":3}"#).unwrap();
        let found: Vec<_> = decoded.readings.iter().map(|r| (r.name.as_str(), r.value)).collect();
        assert_eq!(found, [("J07T", 9.5), ("J07F", 3.0)]);
    }

    #[test]
    fn hostile_payloads_are_refused_with_a_reason() {
        let deep = format!("{}1{}", "[".repeat(2000), "]".repeat(2000));
        let long = "9".repeat(LONGEST_PAYLOAD + 1);
        for (topic, payload, why) in [
            ("shed/J/plain", &b""[..], Refusal::NoValue),
            ("shed/J/plain", b"11,4", Refusal::NotANumber),
            ("shed/J/plain", b"ON", Refusal::NotANumber),
            ("shed/J/plain", b"{\"a\":1}", Refusal::NotANumber),
            ("shed/J/plain", b"\xff\xfe1", Refusal::NotText),
            ("shed/J/plain", b"1\x002", Refusal::NotText),
            ("shed/J/plain", long.as_bytes(), Refusal::Overlong),
            ("shed/J/state", b"NaN", Refusal::Malformed),
            ("shed/J/state", b"{\"water\":[{\"temp\":Infinity}]}", Refusal::Malformed),
            ("shed/J/state", b"{\"water\":[{\"temp\":1e999}]}", Refusal::Malformed),
            ("shed/J/state", b"{\"at\":\"soon\"}", Refusal::BadTime),
            ("shed/J/state", deep.as_bytes(), Refusal::Malformed),
            ("$SYS/broker/version", b"1", Refusal::UnknownTopic),
        ] {
            let refused = match decode(&node(), topic, payload) {
                Ok(decoded) => decoded.refused[0],
                Err(why) => why,
            };
            assert_eq!(refused, why, "{topic} {}", crate::ingest::counters::escaped(payload));
        }
        let topic = format!("shed/{}/plain", "x".repeat(65_000));
        assert_eq!(decode(&node(), &topic, b"1"), Err(Refusal::Overlong));
    }
}
