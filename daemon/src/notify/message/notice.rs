//! Texts about the texts themselves: a flood that is summed up, and the limit of a day.

use super::{LONGEST_TEXT, Words, cut, gsm, kind};
use crate::alarm::event::AlarmEvent;
use crate::clock::Now;

/// What goes out in a flood in place of a text for each alarm.
#[must_use]
pub fn flood_text(announced: u32, worst: Option<&AlarmEvent>, words: &Words) -> String {
    let head =
        format!("NOTE {} alarms in 10 min: texts now grouped, max 1 per 10 min.", announced.min(9_999));
    let worst = worst.map_or(String::new(), |event| {
        let place = words.place(&event.asset, 16);
        format!(" Worst: {:?} {} {place}.", event.priority, kind::name(event.kind).to_uppercase())
    });
    let whole = gsm::plain(&format!("{head}{worst} Reply STATUS"));
    if gsm::septets(&whole).is_some_and(|n| n <= LONGEST_TEXT) { whole } else { gsm::plain(&head) }
}

/// The last text of a day: what it was to say, and that no more will come.
#[must_use]
pub fn cap_text(event: &AlarmEvent, words: &Words, now: Now) -> String {
    let what = format!("{:?} {}", event.priority, kind::name(event.kind).to_uppercase());
    let since = words.time(event.since, now, event.clock_trusted);
    let code = cut(&event.code.0, 8);
    let tail = gsm::plain(&format!(
        " since {since}. Text limit of the day reached: NO MORE TEXTS. Use page or mail. Code {code}"
    ));
    // A name can grow as it is written in the alphabet: it is cut after that and not before.
    let head = gsm::plain(&format!("{what} {}", words.place(&event.asset, 16)));
    format!("{}{tail}", cut(&head, LONGEST_TEXT.saturating_sub(tail.chars().count())))
}
