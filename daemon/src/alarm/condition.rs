//! When something asks for a person, how soon, how urgently, and what that person should do.
//!
//! The twenty alarms of the default list with their delays, priorities and written actions; the
//! limits of a jar by stage and set-point; and the verdicts drawn from measures. Limits on flow
//! are shares of the jar's own set-point, so one number serves a whole rack.

pub mod limits;
pub mod noise;
pub mod rate;
pub mod stuck;

pub use limits::{FlowShares, JarLimits, Limit, Settings, StageLimits, TempLimits};

use crate::alarm::event::{AlarmKind, Asset, Priority};
use nightjar_calc::time::Span;

/// Alarms that one physical cause can set off together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Family {
    /// Too little water.
    FlowLow,
    /// Too much water.
    FlowHigh,
    /// Too warm.
    TempHigh,
    /// Too cold.
    TempLow,
    /// Changing fast.
    TempRate,
    /// A probe off from its header.
    Disagrees,
    /// No data.
    Blind,
    /// A reading that does not move.
    Stuck,
    /// Something about the site or the monitor, each by itself.
    Own(AlarmKind),
}

/// The family an alarm belongs to.
#[must_use]
pub const fn family(kind: AlarmKind) -> Family {
    match kind {
        AlarmKind::NoFlowHeader | AlarmKind::NoFlow | AlarmKind::LowFlow => Family::FlowLow,
        AlarmKind::HighFlow => Family::FlowHigh,
        AlarmKind::TempVeryHigh | AlarmKind::TempHigh => Family::TempHigh,
        AlarmKind::TempVeryLow | AlarmKind::TempLow => Family::TempLow,
        AlarmKind::TempRate => Family::TempRate,
        AlarmKind::Disagrees => Family::Disagrees,
        AlarmKind::BlindHeader | AlarmKind::BlindFlow | AlarmKind::BlindTemp => Family::Blind,
        AlarmKind::Stuck => Family::Stuck,
        AlarmKind::MainsLost
        | AlarmKind::CannotSend
        | AlarmKind::CannotSendAtAll
        | AlarmKind::ClockUntrusted
        | AlarmKind::StorageFailing
        | AlarmKind::Restarted
        | AlarmKind::RotaHole
        | AlarmKind::OutOfUseTooLong
        | AlarmKind::ConfigFallback
        | AlarmKind::Drill => Family::Own(kind),
    }
}

/// The default numbers of one alarm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Defaults {
    /// Time the condition must hold.
    pub on_delay: Span,
    /// Time it must be gone.
    pub off_delay: Span,
    /// Priority it starts with.
    pub priority: Priority,
}

/// Delays and priority of an alarm where nothing else is set.
#[must_use]
pub const fn defaults(kind: AlarmKind) -> Defaults {
    use Priority::{P1, P2, P3};
    let (on_s, off_s, priority) = match kind {
        AlarmKind::NoFlowHeader | AlarmKind::NoFlow => (15, 60, P1),
        AlarmKind::LowFlow | AlarmKind::HighFlow => (30, 60, P2),
        AlarmKind::TempVeryHigh | AlarmKind::TempVeryLow => (60, 120, P1),
        AlarmKind::TempHigh | AlarmKind::TempLow => (180, 120, P2),
        AlarmKind::TempRate => (600, 600, P2),
        AlarmKind::Disagrees => (900, 900, P3),
        AlarmKind::BlindHeader => (60, 60, P1),
        AlarmKind::BlindFlow => (60, 60, P2),
        AlarmKind::BlindTemp => (300, 60, P3),
        AlarmKind::Stuck => (3600, 0, P3),
        AlarmKind::MainsLost => (10, 60, P2),
        AlarmKind::CannotSend => (600, 60, P2),
        AlarmKind::CannotSendAtAll => (180, 0, P1),
        AlarmKind::ClockUntrusted => (1800, 0, P3),
        AlarmKind::StorageFailing => (0, 60, P2),
        AlarmKind::Restarted
        | AlarmKind::RotaHole
        | AlarmKind::OutOfUseTooLong
        | AlarmKind::ConfigFallback => (0, 0, P3),
        AlarmKind::Drill => (0, 0, P1),
    };
    Defaults { on_delay: Span::from_secs(on_s), off_delay: Span::from_secs(off_s), priority }
}

/// What the person who is told should do. Every alarm has an answer here; one that asked for
/// nothing would be no alarm.
#[must_use]
pub const fn action(kind: AlarmKind, asset: &Asset) -> &'static str {
    let at_jar = matches!(asset, Asset::Jar(_));
    match kind {
        AlarmKind::NoFlowHeader => {
            "Go to the site. Start the standby pump or open the bypass, then see that every jar rolls again. \
             Keep hands and leads dry near pumps; leave wiring to a licensed electrician."
        }
        AlarmKind::NoFlow if at_jar => {
            "Go to the jar. Check its valve, its line and the standpipe for a blockage; restore the flow \
             slowly so that the eggs are not thrown out."
        }
        AlarmKind::NoFlow => {
            "Go to the jars listed. Check valves and lines for a blockage; restore the flow slowly."
        }
        AlarmKind::LowFlow if at_jar => "Rebalance the valve of this jar; look for eggs or dirt in its line.",
        AlarmKind::LowFlow => "Check head tank, screen and header for clogging, then rebalance the jars.",
        AlarmKind::HighFlow => {
            "Throttle the flow: eggs can be lifted out. Look at the screen below the jars."
        }
        AlarmKind::TempVeryHigh => "Bring cooler water now: start the chiller or change the source, slowly.",
        AlarmKind::TempVeryLow => "Bring warmer water now: check the heater or change the source, slowly.",
        AlarmKind::TempHigh => "Check chiller, source and weather; plan cooler water before the outer limit.",
        AlarmKind::TempLow => "Check heater, source and weather; plan warmer water before the outer limit.",
        AlarmKind::TempRate => {
            "Find what changed the source: a pump, a valve, a heater, the intake. Slow the change down."
        }
        AlarmKind::Disagrees => {
            "Compare the probe with a thermometer held beside it; clean, move or replace it."
        }
        AlarmKind::BlindHeader => {
            "Nothing watches these jars. Go and look at them, then restart the node and check cable and power."
        }
        AlarmKind::BlindFlow => "Look at the jar, then check wiring and supply of the flow meter.",
        AlarmKind::BlindTemp => {
            "Check plug and wiring; replace the probe. Read the water by hand until then."
        }
        AlarmKind::Stuck => "Check the probe: warm it in the hand and see whether the reading follows.",
        AlarmKind::MainsLost => "Start the generator and see that the pumps run. Watch the battery.",
        AlarmKind::CannotSend => "Check SIM, credit and signal, or the mail account and the line.",
        AlarmKind::CannotSendAtAll => {
            "No message leaves the site. Watch the jars yourself and mend one route first."
        }
        AlarmKind::ClockUntrusted => "Check the network and the battery of the clock; set the time.",
        AlarmKind::StorageFailing => "Make a backup if you can and replace the card. Alarms go on meanwhile.",
        AlarmKind::Restarted => "Read the log for the reason: power, memory, card.",
        AlarmKind::RotaHole => "Put somebody on the rota for the hours that are empty.",
        AlarmKind::OutOfUseTooLong => "Put it back into use, or give it a new end and a reason.",
        AlarmKind::ConfigFallback => {
            "The configuration on disk was refused and the last good one is in use. Run the check and mend it."
        }
        AlarmKind::Drill => "This is a drill. Answer with its code; nothing is wrong with the water.",
    }
}

/// What happened, in the short words of a text message.
#[must_use]
pub const fn short_words(kind: AlarmKind) -> &'static str {
    match kind {
        AlarmKind::NoFlowHeader | AlarmKind::NoFlow => "NO FLOW",
        AlarmKind::LowFlow => "FLOW LOW",
        AlarmKind::HighFlow => "FLOW HIGH",
        AlarmKind::TempVeryHigh => "TEMP VERY HIGH",
        AlarmKind::TempVeryLow => "TEMP VERY LOW",
        AlarmKind::TempHigh => "TEMP HIGH",
        AlarmKind::TempLow => "TEMP LOW",
        AlarmKind::TempRate => "TEMP CHANGING FAST",
        AlarmKind::Disagrees => "PROBE DISAGREES",
        AlarmKind::BlindHeader => "MONITOR BLIND",
        AlarmKind::BlindFlow => "NO FLOW DATA",
        AlarmKind::BlindTemp => "NO TEMP DATA",
        AlarmKind::Stuck => "READING STUCK",
        AlarmKind::MainsLost => "MAINS LOST",
        AlarmKind::CannotSend => "CANNOT SEND",
        AlarmKind::CannotSendAtAll => "CANNOT SEND AT ALL",
        AlarmKind::ClockUntrusted => "CLOCK NOT TRUSTED",
        AlarmKind::StorageFailing => "STORAGE FAILING",
        AlarmKind::Restarted => "RESTARTED",
        AlarmKind::RotaHole => "NOBODY ON CALL",
        AlarmKind::OutOfUseTooLong => "OUT OF USE TOO LONG",
        AlarmKind::ConfigFallback => "OLD CONFIGURATION",
        AlarmKind::Drill => "DRILL",
    }
}

/// Every alarm there is.
pub const ALL: [AlarmKind; 24] = [
    AlarmKind::NoFlowHeader,
    AlarmKind::NoFlow,
    AlarmKind::LowFlow,
    AlarmKind::HighFlow,
    AlarmKind::TempVeryHigh,
    AlarmKind::TempVeryLow,
    AlarmKind::TempHigh,
    AlarmKind::TempLow,
    AlarmKind::TempRate,
    AlarmKind::Disagrees,
    AlarmKind::BlindHeader,
    AlarmKind::BlindFlow,
    AlarmKind::BlindTemp,
    AlarmKind::Stuck,
    AlarmKind::MainsLost,
    AlarmKind::CannotSend,
    AlarmKind::CannotSendAtAll,
    AlarmKind::ClockUntrusted,
    AlarmKind::StorageFailing,
    AlarmKind::Restarted,
    AlarmKind::RotaHole,
    AlarmKind::OutOfUseTooLong,
    AlarmKind::ConfigFallback,
    AlarmKind::Drill,
];

#[cfg(test)]
mod tests {
    use super::*;

    /// Common practice, no source: at one jar it is that jar's valve and line, at a header what all have
    /// in common.
    #[test]
    fn what_to_do_names_the_jar_or_what_its_neighbours_share() {
        let (jar, header) = (Asset::Jar("J03".into()), Asset::Header("A".into()));
        assert!(action(AlarmKind::NoFlow, &jar).starts_with("Go to the jar."));
        assert!(action(AlarmKind::NoFlow, &header).starts_with("Go to the jars listed."));
        assert!(action(AlarmKind::LowFlow, &jar).contains("valve of this jar"));
        assert!(action(AlarmKind::LowFlow, &header).contains("head tank"));
    }

    #[test]
    fn every_alarm_has_short_words_in_capitals_and_something_to_do() {
        for kind in ALL {
            let words = short_words(kind);
            assert!(
                words.len() >= 5 && words.bytes().all(|b| b == b' ' || b.is_ascii_uppercase()),
                "{kind:?}: {words}"
            );
            assert!(action(kind, &Asset::Monitor).len() > 20, "{kind:?}");
        }
        assert_eq!(short_words(AlarmKind::NoFlowHeader), "NO FLOW");
    }
}
