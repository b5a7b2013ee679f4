//! Electronic mail: the whole story in plain text.

use super::{Reach, Words, cut, kind, number, text};
use crate::alarm::event::{AlarmEvent, Change, Priority};
use crate::clock::Now;

/// Longest subject, characters (RFC 5322, section 2.1.1: lines should not pass 78).
pub const LONGEST_SUBJECT: usize = 78;
/// Longest line of the body, characters.
pub const LONGEST_LINE: usize = 78;
/// Longest body, bytes.
pub const LONGEST_BODY: usize = 4096;

/// Subject: the same for all messages of one event but for the word of its state.
#[must_use]
pub fn subject(event: &AlarmEvent, words: &Words, now: Now) -> String {
    let state = match &event.change {
        Change::Raised | Change::Grew | Change::Reminder | Change::Unsuppressed => "",
        Change::Again { .. } => " again",
        Change::Worsened => " worse",
        Change::Acknowledged { .. } => " acknowledged",
        Change::Cleared => " cleared",
        Change::Confirmed { .. } => " fixed",
        Change::Shelved { .. } => " paused",
        Change::Covered { .. } => " covered",
        Change::OutOfService { .. } => " out of use",
    };
    let members = if event.members_total > 1 {
        format!(" ({}/{} jars)", event.members.len(), event.members_total)
    } else {
        String::new()
    };
    let since = words.time(event.since, now, event.clock_trusted);
    let write = |name: usize, station: usize| {
        let place = words.place(&event.asset, name);
        let station = cut(&words.station, station);
        let what = kind::name(event.kind);
        format!("[{:?}{state}] {what} {place}{members} since {since} - {station}", event.priority)
    };
    let tries = [(32, 40), (32, 12), (12, 12), (8, 6)].map(|(name, station)| write(name, station));
    let fits = |subject: &&String| subject.chars().count() <= LONGEST_SUBJECT;
    let found = tries.iter().find(fits).or(tries.last()).cloned().unwrap_or_default();
    cut(&found, LONGEST_SUBJECT)
}

/// Body: lines of at most [`LONGEST_LINE`] characters, at most [`LONGEST_BODY`] bytes.
#[must_use]
pub fn body(event: &AlarmEvent, words: &Words, reach: &Reach, now: Now) -> String {
    let mut paragraphs = vec![text::text(event, words, reach, now), String::new()];
    paragraphs.extend(facts(event, words, reach));
    paragraphs.extend(people(event, words, reach, now));
    let mut body = String::new();
    for line in paragraphs.iter().flat_map(|paragraph| wrap(paragraph)) {
        if body.len() + line.len() + 1 > LONGEST_BODY {
            break;
        }
        body.push_str(&line);
        body.push('\n');
    }
    body
}

fn facts(event: &AlarmEvent, words: &Words, reach: &Reach) -> Vec<String> {
    let mut lines = vec![
        format!("What: {:?} {}", event.priority, kind::name(event.kind)),
        format!("Where: {}, {}", words.place(&event.asset, 32), cut(&words.station, 60)),
        format!("Since: {} ({})", words.zone.rfc3339(event.since), text::minutes(event)),
    ];
    if !event.clock_trusted {
        lines.push("Clock: not trusted; times may be wrong".into());
    }
    if let Some(limit) = event.limit {
        let (value, limit) = (number(event.value), number(Some(limit)));
        lines.push(format!("Value: {value} {}, limit {limit}", cut(&event.unit, 12)));
    }
    lines.extend(reach.hour.as_deref().map(|hour| cut(hour, 300)));
    if event.unverified {
        lines.push("Value not verified since: the sensor went silent or bad".into());
    }
    if event.members_total > 1 {
        let shown: Vec<String> = event.members.iter().take(24).map(|m| cut(m, 32)).collect();
        let count = event.members.len();
        let rest = if count > 24 { format!(" and {} more", count - 24) } else { String::new() };
        lines.push(format!(
            "Jars: {count} of {}, worst first: {}{rest}",
            event.members_total,
            shown.join(", ")
        ));
    }
    // Whoever reads that it is over has nothing to do, and the water runs.
    let over = event.change == Change::Cleared;
    if let Some(eggs) = event.eggs_have.as_ref().filter(|_| !over) {
        lines.push(format!(
            "Eggs: jar {} ({}) has likely {:.0} min without flow, on the short side {:.0} min",
            cut(&eggs.jar, 32),
            cut(&eggs.stage, 20),
            eggs.minutes.max(0.0),
            eggs.minutes_short.max(0.0)
        ));
    }
    if !event.hint.is_empty() {
        lines.push(format!("Signs: {}", cut(&event.hint, 200)));
    }
    if let Change::OutOfService { reason, .. } = &event.change {
        lines.push(format!("Reason: {}", cut(reason, 200)));
    }
    if !over {
        let own = words.actions.get(&kind::key(event.kind)).map(String::as_str);
        lines.push(format!("What to do: {}", cut(own.unwrap_or(kind::action(event.kind)), 400)));
    }
    lines
}

fn people(event: &AlarmEvent, words: &Words, reach: &Reach, now: Now) -> Vec<String> {
    let mut lines = vec![String::new()];
    if !reach.told.is_empty() {
        let told: Vec<String> = reach.told.iter().take(20).map(|p| cut(&words.name(p), 20)).collect();
        lines.push(format!("Told so far: {}", told.join(", ")));
    }
    if let Some((by, at)) = &reach.acknowledged {
        let at = words.time(*at, now, event.clock_trusted);
        lines.push(format!("Acknowledged by {} at {at}", cut(&words.name(by), 20)));
    }
    if event.change != Change::Cleared {
        lines.push(format!("Answer by text: ACK {}", cut(&event.code.0, 8)));
    }
    if let Some(page) = &words.page {
        lines.push(format!("Page: {page}"));
    }
    if event.priority == Priority::P3 {
        lines.push("This can wait for working hours.".into());
    }
    lines
}

/// Breaks a paragraph at spaces; a word longer than a line is broken where it must.
fn wrap(paragraph: &str) -> Vec<String> {
    let mut lines = vec![String::new()];
    let mut room = LONGEST_LINE;
    for word in paragraph.split_whitespace() {
        let length = word.chars().count();
        if room < LONGEST_LINE && length < room {
            lines.last_mut().into_iter().for_each(|line| line.push(' '));
            room -= 1;
        } else if room < LONGEST_LINE {
            lines.push(String::new());
            room = LONGEST_LINE;
        }
        for c in word.chars() {
            if room == 0 {
                lines.push(String::new());
                room = LONGEST_LINE;
            }
            lines.last_mut().into_iter().for_each(|line| line.push(c));
            room -= 1;
        }
    }
    lines
}
