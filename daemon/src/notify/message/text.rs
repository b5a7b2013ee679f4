//! Text messages.

use super::{Reach, Words, cut, gsm, kind, number};
use crate::alarm::event::{AlarmEvent, AlarmKind, Change};
use crate::clock::Now;

/// Longest text message, septets: 20 below one part (3GPP TS 23.040).
pub const LONGEST_TEXT: usize = 140;

/// How much is left out. Each level leaves out what the one before did and more.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Level {
    Everything,
    ShortName,
    ShorterName,
    NoHint,
    NoEggs,
    NoValue,
}

const LEVELS: [Level; 6] =
    [Level::Everything, Level::ShortName, Level::ShorterName, Level::NoHint, Level::NoEggs, Level::NoValue];

/// The text message for a change: GSM characters of one septet, at most [`LONGEST_TEXT`].
#[must_use]
pub fn text(event: &AlarmEvent, words: &Words, reach: &Reach, now: Now) -> String {
    let mut parts = (String::new(), String::new());
    for level in LEVELS {
        parts = build(event, words, reach, now, level);
        let whole = format!("{}{}", parts.0, parts.1);
        if gsm::septets(&whole).is_some_and(|n| n <= LONGEST_TEXT) {
            return whole;
        }
    }
    // Names of unusual length in every place: since when and how to answer stay whole.
    let tail = cut(&parts.1, 60);
    format!("{}{tail}", cut(&parts.0, LONGEST_TEXT - tail.chars().count()))
}

/// What and where, then since when and how to answer.
fn build(event: &AlarmEvent, words: &Words, reach: &Reach, now: Now, level: Level) -> (String, String) {
    let longest = match level {
        Level::Everything => 32,
        Level::ShortName => 16,
        Level::ShorterName | Level::NoHint | Level::NoEggs | Level::NoValue => 10,
    };
    let place = words.place(&event.asset, longest);
    let what = format!("{} {place}", kind::name(event.kind).to_uppercase());
    let code = cut(&event.code.0, 8);
    let time = |at| words.time(at, now, event.clock_trusted);
    let name = |person| cut(&words.name(person), 12);
    let (head, tail) = match &event.change {
        Change::Acknowledged { by, until } => (
            format!("ACK {code} by {} {}. Still {what}", name(by), time(event.at)),
            format!(". Next reminder {} unless cleared", time(*until)),
        ),
        Change::Cleared => {
            let lasted = minutes(event);
            let by = reach
                .acknowledged
                .as_ref()
                .map_or(String::new(), |(by, _)| format!(". Acked by {}", name(by)));
            (
                format!("CLEARED {:?} {what}", event.priority),
                format!(" at {} ({lasted}){by}. Code {code}", time(event.at)),
            )
        }
        Change::Confirmed { by } => {
            (format!("FIXED, says {}: {what}", name(by)), format!(". {}. Code {code}", time(event.at)))
        }
        Change::Shelved { by, until } => (
            format!("PAUSED by {}: {:?} {what}", name(by), event.priority),
            format!(". Until {}. Code {code}", time(*until)),
        ),
        Change::OutOfService { by, until, .. } => {
            (format!("OUT OF USE by {}: {what}", name(by)), format!(". Until {}. Code {code}", time(*until)))
        }
        Change::Covered { by } => {
            (format!("COVERED by {}: {what}", cut(by, 20)), format!(". {}. Code {code}", time(event.at)))
        }
        Change::Raised
        | Change::Again { .. }
        | Change::Worsened
        | Change::Grew
        | Change::Reminder
        | Change::Unsuppressed => (
            format!("{}{:?} {what}{}", prefix(event, reach), event.priority, details(event, level)),
            format!(" since {}. Reply ACK {code}", time(event.since)),
        ),
    };
    (gsm::plain(&head), gsm::plain(&tail))
}

fn prefix(event: &AlarmEvent, reach: &Reach) -> String {
    match (&event.change, reach.step) {
        (_, step @ 2..) => format!("ESCALATED (step {}): ", step.min(99)),
        (Change::Reminder, _) => "STILL ON: ".into(),
        (Change::Worsened, _) => "WORSE: ".into(),
        (Change::Again { times }, _) => format!("AGAIN ({}x): ", (*times).min(99)),
        (_, 1) => "REPEAT: ".into(),
        (_, _) => String::new(),
    }
}

/// Members, value against limit, what the eggs have, likely cause.
fn details(event: &AlarmEvent, level: Level) -> String {
    let mut details = String::new();
    if event.members_total > 1 {
        details.push_str(&format!(": {} of {} jars", event.members.len(), event.members_total));
    }
    if let Some(limit) = event.limit.filter(|_| level < Level::NoValue) {
        // The place of a value nobody can verify is taken by that word, not by the value.
        let value = if event.unverified { "unverified".into() } else { number(event.value) };
        let unit = cut(&event.unit, 6);
        details.push_str(&format!(", {value} {unit}, limit {}", number(Some(limit))));
    }
    if let Some(eggs) = event.eggs_have.as_ref().filter(|_| level < Level::NoEggs) {
        let (short, likely) = (eggs.minutes_short.max(0.0), eggs.minutes.max(0.0));
        // Water that still runs, however little, is not what these minutes are about.
        let stops = if event.kind == AlarmKind::LowFlow { "if it stops, " } else { "" };
        details.push_str(&format!(", {stops}eggs in {} have {short:.0}-{likely:.0} min", cut(&eggs.jar, 10)));
    }
    if !event.hint.is_empty() && level < Level::NoHint {
        details.push_str(&format!(", {}", event.hint));
    }
    details
}

/// How long it lasted.
pub(super) fn minutes(event: &AlarmEvent) -> String {
    let minutes = event.at.since(event.since).ms().max(0) / 60_000;
    if minutes < 120 { format!("{minutes} min") } else { format!("{} h", minutes / 60) }
}
