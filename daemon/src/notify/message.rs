//! The words of messages. Pure: the same event, people and time give the same text.
//!
//! A text message is one part and at most 140 septets, so that carriers may add a prefix to it.
//! What, where, since when and how to answer are never left out.

mod digest;
pub mod kind;
mod mail;
mod notice;
mod station;
mod text;
mod webhook;

pub use digest::{News, digest, digest_text};
pub use mail::{LONGEST_BODY, LONGEST_LINE, LONGEST_SUBJECT, body, subject};
pub use notice::{cap_text, flood_text};
pub use station::{Standing, daily, hand_over, history, status, who};
pub use text::{LONGEST_TEXT, text};
pub use webhook::webhook;

use super::gsm;
use crate::alarm::event::Asset;
use crate::clock::Now;
use crate::ids::PersonId;
use nightjar_calc::time::{Timestamp, Zone};
use std::collections::BTreeMap;

/// Any text in characters that every phone shows.
#[must_use]
pub fn plain(text: &str) -> String {
    gsm::plain(text)
}

/// What is the same for all messages of a station.
#[derive(Clone, Debug)]
pub struct Words {
    /// Local time.
    pub zone: Zone,
    /// Name of the station.
    pub station: String,
    /// What the crew calls its pump or intake.
    pub supply: String,
    /// Names people are called by.
    pub names: BTreeMap<PersonId, String>,
    /// Own words for what to do, by kind of alarm.
    pub actions: BTreeMap<String, String>,
    /// Address of the page.
    pub page: Option<String>,
}

/// How far the ladder has come.
#[derive(Clone, Debug, Default)]
pub struct Reach {
    /// Step of the ladder, from 0.
    pub step: u32,
    /// Who has been told, in order of names.
    pub told: Vec<PersonId>,
    /// Who acknowledged, and when.
    pub acknowledged: Option<(PersonId, Timestamp)>,
    /// How the last hour was, in one line.
    pub hour: Option<String>,
}

impl Words {
    /// What somebody is called, cut to so many characters.
    #[must_use]
    pub fn name_of(&self, person: &PersonId, longest: usize) -> String {
        cut(&self.name(person), longest)
    }

    /// What the station is called, cut to so many characters.
    #[must_use]
    pub fn station_name(&self, longest: usize) -> String {
        cut(&self.station, longest)
    }

    fn name(&self, person: &PersonId) -> String {
        self.names.get(person).cloned().unwrap_or_else(|| person.to_string())
    }

    /// Local time of day, with the date when it is not today's. `time?` when the clock cannot be
    /// trusted: no time is better than a wrong one.
    fn time(&self, at: Timestamp, now: Now, trusted: bool) -> String {
        if !trusted || !now.trusted {
            return "time?".into();
        }
        let (at, now) = (self.zone.local(at), self.zone.local(now.utc));
        let format = if at.date() == now.date() { "%H:%M" } else { "%d %b %H:%M" };
        at.format(format).to_string()
    }

    /// Kind and name of what an alarm is about; the name cut to `longest` characters.
    fn place(&self, asset: &Asset, longest: usize) -> String {
        let named = |kind: &str, name: &str| match name.trim() {
            // A supply named "supply" is not called the supply supply.
            plain if plain.is_empty() || plain.eq_ignore_ascii_case(kind) => kind.to_owned(),
            name => format!("{kind} {}", cut(name, longest)),
        };
        match asset {
            Asset::Site => "site".into(),
            Asset::Supply => named("supply", &self.supply),
            Asset::Pump(name) => named("supply", name),
            Asset::Header(name) => named("header", name),
            Asset::Jar(name) => named("jar", name),
            Asset::Monitor => "monitor".into(),
            Asset::Node(name) => named("source", name),
            Asset::Sensor(name) => named("sensor", name),
            Asset::Route(name) => named("route", name),
        }
    }
}

/// The first characters of a text; a full stop at the end shows that something is missing.
fn cut(text: &str, longest: usize) -> String {
    if text.chars().count() <= longest {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(longest.saturating_sub(1)).collect();
    short.push('.');
    short
}

/// A number as people read it; `no reading` when there is none.
fn number(value: Option<f64>) -> String {
    match value {
        Some(v) if !v.is_finite() => "no reading".into(),
        Some(v) if v.abs() >= 100_000.0 => "over range".into(),
        Some(v) if v.abs() >= 100.0 => format!("{v:.0}"),
        Some(v) if v.abs() < 1.0 => format!("{v:.2}"),
        Some(v) => format!("{v:.1}"),
        None => "no reading".into(),
    }
}

#[cfg(test)]
mod tests;
