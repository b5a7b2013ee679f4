//! The words of the page, in one place: names of things, times, lengths of time, amounts.
//!
//! Another language is another file like this one. No markup here.

use crate::alarm::event::{AlarmKind, Asset, Priority};
use crate::logbook::{Act, Agent, CountMethod, HatchPoint};
use crate::reading::Reason;
use crate::snapshot::JarState;
use chrono::Datelike;
use nightjar_calc::time::{Timestamp, Zone};

/// The language, as the page tells the browser.
pub const LANG: &str = "en";

pub mod about;
pub mod answering;
pub mod calculators;
pub mod cards;
pub mod columns;
pub mod days;
pub mod drawings;
pub mod entering;
pub mod entries;
pub mod first;
pub mod frame;
pub mod jar;
pub mod load;
pub mod logbook;
pub mod messages;
pub mod refusals;
pub mod script;
pub mod season;
pub mod sensors;
pub mod sign_in;
pub mod station;
pub mod today;
pub mod values;
pub mod week;

/// Stage of a jar.
pub fn jar_state(state: JarState) -> &'static str {
    match state {
        JarState::Empty => "empty",
        JarState::Green => "green",
        JarState::Eyed => "eyed",
        JarState::Hatching => "hatching",
        JarState::Hatched => "hatched out",
    }
}

/// A coming stage, by its key.
pub fn stage(key: &str) -> &'static str {
    match key {
        "eyed" => "eye-up",
        "hatch_start" => "first hatch",
        "hatch_peak" => "peak hatch",
        "hatch_end" => "end of hatch",
        _ => "stage",
    }
}

/// What to have ready for a stage.
pub fn what_to_have(stage: &str) -> Option<&'static str> {
    match stage {
        "eyed" => Some("Take an eye-up sample; look at the plan for treatments."),
        "hatch_start" => Some("Tank, screens and overflow ready."),
        "hatch_peak" => Some("Truck, people and the receiving water ready."),
        _ => None,
    }
}

/// What an alarm says is wrong.
pub fn alarm(kind: AlarmKind) -> &'static str {
    match kind {
        AlarmKind::NoFlowHeader | AlarmKind::NoFlow => "No flow",
        AlarmKind::LowFlow => "Flow low",
        AlarmKind::HighFlow => "Flow high",
        AlarmKind::TempVeryHigh => "Temperature very high",
        AlarmKind::TempVeryLow => "Temperature very low",
        AlarmKind::TempHigh => "Temperature high",
        AlarmKind::TempLow => "Temperature low",
        AlarmKind::TempRate => "Temperature changing fast",
        AlarmKind::Disagrees => "Probe disagrees with its header",
        AlarmKind::BlindHeader => "Monitor blind",
        AlarmKind::BlindFlow => "Flow meter silent",
        AlarmKind::BlindTemp => "Thermometer silent",
        AlarmKind::Stuck => "Reading stuck",
        AlarmKind::MainsLost => "Mains lost",
        AlarmKind::CannotSend => "A route cannot send",
        AlarmKind::CannotSendAtAll => "No message can leave",
        AlarmKind::ClockUntrusted => "Clock not trusted",
        AlarmKind::StorageFailing => "Storage failing",
        AlarmKind::Restarted => "Restarted too often",
        AlarmKind::RotaHole => "Nobody on call",
        AlarmKind::OutOfUseTooLong => "Out of use too long",
        AlarmKind::ConfigFallback => "Older configuration in use",
        AlarmKind::Drill => "Drill",
    }
}

/// The same in few letters, for a jar in the rack.
pub fn alarm_short(kind: AlarmKind) -> &'static str {
    match kind {
        AlarmKind::TempVeryHigh => "very warm",
        AlarmKind::TempVeryLow => "very cold",
        AlarmKind::TempHigh => "warm",
        AlarmKind::TempLow => "cold",
        AlarmKind::TempRate => "temp fast",
        AlarmKind::Disagrees => "probe off",
        AlarmKind::BlindHeader => "blind",
        AlarmKind::BlindFlow => "meter silent",
        AlarmKind::BlindTemp => "probe silent",
        AlarmKind::NoFlowHeader
        | AlarmKind::NoFlow
        | AlarmKind::LowFlow
        | AlarmKind::HighFlow
        | AlarmKind::Stuck
        | AlarmKind::MainsLost
        | AlarmKind::CannotSend
        | AlarmKind::CannotSendAtAll
        | AlarmKind::ClockUntrusted
        | AlarmKind::StorageFailing
        | AlarmKind::Restarted
        | AlarmKind::RotaHole
        | AlarmKind::OutOfUseTooLong
        | AlarmKind::ConfigFallback
        | AlarmKind::Drill => alarm(kind),
    }
}

/// Whether an alarm says that something cannot be seen.
pub fn is_blind(kind: AlarmKind) -> bool {
    kind == AlarmKind::BlindHeader || kind == AlarmKind::BlindFlow || kind == AlarmKind::BlindTemp
}

/// What an alarm is about.
pub fn asset(asset: &Asset) -> String {
    match asset {
        Asset::Site => "the site".into(),
        Asset::Supply => "water supply".into(),
        Asset::Pump(id) => format!("supply {id}"),
        Asset::Header(id) => format!("header {id}"),
        Asset::Jar(id) => format!("jar {id}"),
        Asset::Monitor => "the monitor".into(),
        Asset::Node(id) => format!("source {id}"),
        Asset::Sensor(id) => format!("sensor {id}"),
        Asset::Route(id) => format!("route {id}"),
    }
}

/// Urgency, short and long.
pub fn priority(priority: Priority) -> (&'static str, &'static str) {
    match priority {
        Priority::P1 => ("P1", "eggs at risk within the hour, or nobody can see them"),
        Priority::P2 => ("P2", "harm within hours"),
        Priority::P3 => ("P3", "fix in working hours"),
    }
}

/// Why a reading is not simply good; empty when it is.
pub fn reason(reason: Reason) -> &'static str {
    match reason {
        Reason::None => "",
        Reason::NotFinite => "not a number",
        Reason::Sentinel => "sensor sends its fault value",
        Reason::Range => "outside what it can be",
        Reason::Spike => "spike",
        Reason::Stuck => "stuck",
        Reason::OutOfWater => "probe looks out of the water",
        Reason::SiteVisit => "people at work",
        Reason::Disagrees => "disagrees with its neighbours",
        Reason::Stale => "old",
        Reason::FutureTime => "carries a future time",
        Reason::UntrustedClock => "clock was not trusted",
        Reason::Retained => "kept by the broker, age unknown",
        Reason::Device => "device reports a fault",
    }
}

/// A treatment agent.
pub fn agent(agent: Agent) -> (&'static str, &'static str) {
    match agent {
        Agent::Formalin => ("formalin", "µL/L"),
        Agent::HydrogenPeroxide => ("hydrogen peroxide", "mg/L"),
    }
}

/// How far hatching had come.
pub fn hatch_point(point: HatchPoint) -> &'static str {
    match point {
        HatchPoint::First => "first fry",
        HatchPoint::Peak => "most hatching",
        HatchPoint::Last => "last fry",
    }
}

/// How eggs were counted.
pub fn count_method(method: &CountMethod) -> String {
    match method {
        CountMethod::VonBayer { eggs, length_in } => {
            format!("von Bayer trough: {} eggs on {} in", plain(*eggs), plain(*length_in))
        }
        CountMethod::Volumetric { eggs, sample_ml } => {
            format!("volume: {} eggs in {} mL", plain(*eggs), plain(*sample_ml))
        }
        CountMethod::Gravimetric { eggs, sample_g } => {
            format!("weight: {} eggs in {} g", plain(*eggs), plain(*sample_g))
        }
        CountMethod::Displacement { eggs, displaced_ml } => {
            format!("displacement: {} eggs, {} mL", plain(*eggs), plain(*displaced_ml))
        }
        CountMethod::PerLitre { eggs_per_l } => format!("{} eggs to the litre", grouped(*eggs_per_l)),
    }
}

/// Key of an act in its JSON form, and its name on the page.
pub fn act(act: &Act) -> (&'static str, &'static str) {
    match act {
        Act::Take(_) => ("take", "Take"),
        Act::Lot(_) => ("lot", "Lot"),
        Act::Load(_) => ("load", "Load a jar"),
        Act::Move(_) => ("move", "Move"),
        Act::Split(_) => ("split", "Split"),
        Act::Pool(_) => ("pool", "Pool"),
        Act::Empty(_) => ("empty", "Empty a jar"),
        Act::FlowSetPoint(_) => ("flow_set_point", "Flow set-point"),
        Act::HandReading(_) => ("hand_reading", "Hand reading"),
        Act::Siphon(_) => ("siphon", "Siphon"),
        Act::Treatment(_) => ("treatment", "Treatment"),
        Act::TreatmentPlan(_) => ("treatment_plan", "Treatment plan"),
        Act::FertilizationSample(_) => ("fertilization_sample", "Fertilization sample"),
        Act::EyeUpSample(_) => ("eye_up_sample", "Eye-up sample"),
        Act::HatchSeen(_) => ("hatch_seen", "Hatch seen"),
        Act::FryCount(_) => ("fry_count", "Fry count"),
        Act::Held(_) => ("held", "Fry held"),
        Act::Stocked(_) => ("stocked", "Stocked"),
        Act::Mortality(_) => ("mortality", "Mortality"),
        Act::Note(_) => ("note", "Note"),
        Act::Calibration(_) => ("calibration", "Calibration"),
        Act::ProbeMove(_) => ("probe_move", "Probe swapped or moved"),
        Act::Void(_) => ("void", "Taken back"),
    }
}

tokio::task_local! {
    /// Whether the month stands before the day, as the person who asks likes it.
    static MONTH_FIRST: bool;
}

/// Runs one request with dates in the order its person likes.
pub async fn with_order<F: Future>(month_first: bool, work: F) -> F::Output {
    MONTH_FIRST.scope(month_first, work).await
}

/// The same for work that does not wait.
pub fn in_order<T>(month_first: bool, work: impl FnOnce() -> T) -> T {
    MONTH_FIRST.sync_scope(month_first, work)
}

/// The day before the month, or after it, by the order of the request.
fn dated(date: chrono::NaiveDate, day_first: &str, month_first: &str) -> String {
    let swapped = MONTH_FIRST.try_with(|first| *first).unwrap_or(false);
    date.format(if swapped { month_first } else { day_first }).to_string()
}

/// "25 Apr", for charts.
pub fn short_date(date: chrono::NaiveDate) -> String {
    dated(date, "%-d %b", "%b %-d")
}

/// "today", "yesterday", "tomorrow" or the day with its date; the year when it is another one.
pub fn day(zone: Zone, now: Timestamp, at: Timestamp) -> String {
    let (day, today) = (zone.day_of(at), zone.day_of(now));
    match day.days_since(today) {
        0 => "today".into(),
        -1 => "yesterday".into(),
        1 => "tomorrow".into(),
        _ if day.year() == today.year() => dated(day.date(), "%a %-d %b", "%a %b %-d"),
        _ => dated(day.date(), "%a %-d %b %Y", "%a %b %-d, %Y"),
    }
}

/// Between which days something comes, when that is more than one day.
pub fn spread(zone: Zone, between: Option<(Timestamp, Timestamp)>) -> Option<String> {
    let (from, to) = between.filter(|(from, to)| zone.day_of(*from) != zone.day_of(*to))?;
    Some(range(zone, from, to))
}

/// A day within the next weeks in few letters: "today", "Sun 29"; farther away the date.
pub fn near_day(zone: Zone, now: Timestamp, at: Timestamp) -> String {
    let day = zone.day_of(at);
    match day.days_since(zone.day_of(now)) {
        -1..=1 => self::day(zone, now, at),
        2..=20 => day.date().format("%a %-d").to_string(),
        _ => short_date(day.date()),
    }
}

/// Day and date, never "today": for tables and charts.
pub fn date(zone: Zone, at: Timestamp) -> String {
    dated(zone.day_of(at).date(), "%a %-d %b", "%a %b %-d")
}

/// Local time, 24 hours.
pub fn time(zone: Zone, at: Timestamp) -> String {
    zone.local(at).format("%H:%M").to_string()
}

/// Date and time on one line, for paper: "28 Apr 17:38".
pub fn moment(zone: Zone, at: Timestamp) -> String {
    format!("{} {}", short_date(zone.day_of(at).date()), time(zone, at)).replace(' ', "\u{a0}")
}

/// How long ago, or how far ahead. The script on the page counts on in the same words.
pub fn ago(now: Timestamp, at: Timestamp) -> String {
    let seconds = now.since(at).ms() / 1000;
    let (length, ahead) = (seconds.unsigned_abs(), seconds < 0);
    let words = match length {
        0..45 => return if ahead { script::SOON.into() } else { script::NOW.into() },
        45..5_400 => script::MINUTES.replace("{N}", &((length + 30) / 60).to_string()),
        5_400..172_800 => script::HOURS.replace("{N}", &((length + 1_800) / 3_600).to_string()),
        _ => script::DAYS.replace("{N}", &((length + 43_200) / 86_400).to_string()),
    };
    if ahead { script::AHEAD } else { script::AGO }.replace("{LENGTH}", &words)
}

/// A day range: "Sat 25 to Tue 28 Apr".
pub fn range(zone: Zone, from: Timestamp, to: Timestamp) -> String {
    let (a, b) = (zone.day_of(from).date(), zone.day_of(to).date());
    if a == b {
        dated(a, "%a %-d %b", "%a %b %-d")
    } else if a.month() == b.month() && a.year() == b.year() {
        format!("{} to {}", dated(a, "%a %-d", "%a %b %-d"), dated(b, "%a %-d %b", "%a %-d"))
    } else {
        format!("{} to {}", dated(a, "%a %-d %b", "%a %b %-d"), dated(b, "%a %-d %b", "%a %b %-d"))
    }
}

/// A number without needless zeros.
pub fn plain(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A whole number with thin gaps between thousands.
pub fn grouped(value: f64) -> String {
    let digits = format!("{:.0}", value.abs());
    let mut text = String::with_capacity(digits.len() * 2);
    if value <= -0.5 {
        text.push('−');
    }
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i) % 3 == 0 {
            text.push('\u{202f}');
        }
        text.push(digit);
    }
    text
}

/// "1 jar", "2 jars".
pub fn count(n: usize, one: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        Timestamp::parse(text).unwrap()
    }

    #[test]
    fn a_time_says_its_day_and_its_distance() {
        let zone = Zone::named("America/Chicago").unwrap();
        let now = at("2026-04-25T07:10:00-05:00");
        for (then, day_word, distance) in [
            ("2026-04-25T07:09:40-05:00", "today", "just now"),
            ("2026-04-25T02:14:00-05:00", "today", "5 h ago"),
            ("2026-04-24T23:50:00-05:00", "yesterday", "7 h ago"),
            ("2026-04-18T14:00:00-05:00", "Sat 18 Apr", "7 days ago"),
            ("2026-04-26T09:00:00-05:00", "tomorrow", "in 26 h"),
            ("2025-12-31T09:00:00-06:00", "Wed 31 Dec 2025", "115 days ago"),
        ] {
            assert_eq!(day(zone, now, at(then)), day_word);
            assert_eq!(ago(now, at(then)), distance);
        }
    }

    #[test]
    fn the_month_stands_first_for_those_who_like_it() {
        let zone = Zone::named("America/Chicago").unwrap();
        let (a, b) = (at("2026-04-25T12:00:00-05:00"), at("2026-04-28T12:00:00-05:00"));
        let words = || (date(zone, a), range(zone, a, b));
        assert_eq!(words(), ("Sat 25 Apr".into(), "Sat 25 to Tue 28 Apr".into()));
        assert_eq!(in_order(true, words), ("Sat Apr 25".into(), "Sat Apr 25 to Tue 28".into()));
    }

    #[test]
    fn numbers_are_grouped_for_reading() {
        assert_eq!(grouped(1_234_567.4), "1\u{202f}234\u{202f}567");
        assert_eq!(grouped(999.6), "1\u{202f}000");
        assert_eq!(plain(1.50), "1.5");
        assert_eq!(plain(0.0), "0");
    }
}
