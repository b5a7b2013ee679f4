//! Texts about the station as a whole: the daily one, the hand-over, and the answers to `STATUS`, `WHO`
//! and `HIST`. Each is one part of at most [`LONGEST_TEXT`] septets.

use super::{LONGEST_TEXT, Words, cut, gsm, kind};
use crate::alarm::event::{AlarmEvent, Code};
use crate::clock::Now;
use crate::ids::PersonId;
use nightjar_calc::time::Timestamp;

/// How the station stands.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Standing {
    /// Channels with good data.
    pub channels_good: u32,
    /// Channels in use.
    pub channels: u32,
    /// Alarms that are on.
    pub alarms: u32,
    /// Alarms paused or out of use.
    pub silenced: u32,
    /// Heartbeats of the last day that the watcher took, and those there should have been.
    pub heartbeats: Option<(u32, u32)>,
    /// Strength of the modem's signal.
    pub dbm: Option<i16>,
    /// Whether mains are there; unknown without a sensor for it.
    pub mains: Option<bool>,
    /// Mail can only go to a carrier's gateway for somebody on call: no route that is proven.
    pub unproven: bool,
}

impl Standing {
    /// Whether there is nothing to see to.
    #[must_use]
    pub fn well(&self) -> bool {
        let beats = self.heartbeats.is_none_or(|(taken, due)| taken >= due);
        let sure = self.mains != Some(false) && !self.unproven;
        self.channels_good == self.channels && self.alarms == 0 && self.silenced == 0 && beats && sure
    }
}

/// The daily text: that it comes shows that the way is open, also when there is nothing to tell.
#[must_use]
pub fn daily(standing: &Standing, words: &Words, now: Now) -> String {
    let begin = if standing.well() { "OK" } else { "NOTE" };
    let at = words.time(now.utc, now, true);
    let mut parts = vec![
        format!("{begin} daily {at}: {}/{} channels good", standing.channels_good, standing.channels),
        format!("{} alarms", standing.alarms),
    ];
    if standing.silenced > 0 {
        parts.push(format!("{} paused or out of use", standing.silenced));
    }
    parts.extend(standing.heartbeats.map(|(taken, due)| format!("heartbeat {taken}/{due}")));
    parts.extend(standing.dbm.map(|dbm| format!("modem {dbm} dBm")));
    parts.extend(standing.mains.map(|on| if on { "power OK".into() } else { "NO MAINS".to_owned() }));
    if standing.unproven {
        parts.push("a gateway address is no sure route".into());
    }
    fit(&parts.join(", "), ". Reply STATUS")
}

/// To who comes on call: an answer proves number, phone and credit.
#[must_use]
pub fn hand_over(person: &PersonId, until: Timestamp, code: &Code, words: &Words, now: Now) -> String {
    let (name, station) = (cut(&words.name(person), 12), cut(&words.station, 30));
    let until = words.time(until, now, true);
    fit(
        &format!("TEST {name}: you are on call at {station} until {until}. Nothing is wrong"),
        &format!(". Reply ACK {} to show this reached you", cut(&code.0, 8)),
    )
}

/// Answer to `STATUS`: the open alarms, most urgent first, as many as fit.
#[must_use]
pub fn status(open: &[AlarmEvent], standing: &Standing, words: &Words, now: Now) -> String {
    let mut open: Vec<&AlarmEvent> = open.iter().collect();
    open.sort_by_key(|event| (event.priority, event.since));
    let at = words.time(now.utc, now, true);
    let begin =
        format!("{at}: {}/{} channels good, {} open", standing.channels_good, standing.channels, open.len());
    let mut text = gsm::plain(&begin);
    for (at, event) in open.iter().enumerate() {
        let what = kind::name(event.kind).to_uppercase();
        let place = words.place(&event.asset, 12);
        let line = gsm::plain(&format!("; {:?} {what} {place} {}", event.priority, cut(&event.code.0, 8)));
        let rest = format!("; {} more", open.len() - at);
        if text.chars().count() + line.chars().count() + rest.len() > LONGEST_TEXT {
            text.push_str(&rest);
            break;
        }
        text.push_str(&line);
    }
    fit(&text, "")
}

/// Answer to `WHO`.
#[must_use]
pub fn who(on_call: &[PersonId], hand_over: Option<Timestamp>, words: &Words, now: Now) -> String {
    let names: Vec<String> = on_call.iter().take(4).map(|person| cut(&words.name(person), 12)).collect();
    let names = if names.is_empty() { "nobody".to_owned() } else { names.join(", then ") };
    let next = hand_over.map(|at| format!(". Hand-over {}", words.time(at, now, true)));
    fit(&format!("On call now: {names}"), &next.unwrap_or_default())
}

/// Answer to `HIST`: what happened, the newest first, as much as fits.
#[must_use]
pub fn history(code: &Code, happened: &[(Timestamp, String)], words: &Words, now: Now) -> String {
    let mut text = gsm::plain(&format!("{}:", cut(&code.0, 8)));
    for (at, what) in happened.iter().rev() {
        let line = gsm::plain(&format!(" {} {};", words.time(*at, now, true), cut(what, 40)));
        if text.chars().count() + line.chars().count() > LONGEST_TEXT {
            break;
        }
        text.push_str(&line);
    }
    if happened.is_empty() {
        text.push_str(" nothing yet");
    }
    fit(text.trim_end_matches(';'), "")
}

/// Characters of one septet; the end stays whole.
fn fit(text: &str, tail: &str) -> String {
    let (text, tail) = (gsm::plain(text), gsm::plain(tail));
    let room = LONGEST_TEXT.saturating_sub(tail.chars().count());
    format!("{}{tail}", cut(&text, room))
}
