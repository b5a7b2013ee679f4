//! The words of the page, in one place: names of things, times, lengths of time, amounts.
//!
//! Another language is another file like this one. No markup here.

use crate::alarm::event::{AlarmKind, Asset, Priority};
use crate::logbook::{Act, Agent, CountMethod, HatchPoint};
use crate::reading::Reason;
use crate::snapshot::JarState;

/// The language, as the page tells the browser.
pub const LANG: &str = "en";

pub mod about;
pub mod answering;
pub mod calculators;
pub mod cards;
pub mod columns;
mod dates;
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
pub use dates::{
    ago, date, day, in_order, moment, near_day, range, short_date, spread, time, weekday, with_order,
};

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

    #[test]
    fn numbers_are_grouped_for_reading() {
        assert_eq!(grouped(1_234_567.4), "1\u{202f}234\u{202f}567");
        assert_eq!(grouped(999.6), "1\u{202f}000");
        assert_eq!(plain(1.50), "1.5");
        assert_eq!(plain(0.0), "0");
    }
}
