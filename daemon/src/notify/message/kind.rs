//! What each kind of alarm is called, and what the person who gets it does.

use crate::alarm::event::AlarmKind;

/// Name of a kind for people.
#[must_use]
pub const fn name(kind: AlarmKind) -> &'static str {
    match kind {
        AlarmKind::NoFlowHeader | AlarmKind::NoFlow => "No flow",
        AlarmKind::LowFlow => "Flow low",
        AlarmKind::HighFlow => "Flow high",
        AlarmKind::TempVeryHigh => "Temp very high",
        AlarmKind::TempVeryLow => "Temp very low",
        AlarmKind::TempHigh => "Temp high",
        AlarmKind::TempLow => "Temp low",
        AlarmKind::TempRate => "Temp changing fast",
        AlarmKind::Disagrees => "Temp disagrees",
        AlarmKind::BlindHeader => "Monitor blind",
        AlarmKind::BlindFlow => "No flow data",
        AlarmKind::BlindTemp => "No temp data",
        AlarmKind::Stuck => "Reading stuck",
        AlarmKind::MainsLost => "Mains lost",
        AlarmKind::CannotSend => "Cannot send",
        AlarmKind::CannotSendAtAll => "Cannot send at all",
        AlarmKind::ClockUntrusted => "Clock not trusted",
        AlarmKind::StorageFailing => "Storage failing",
        AlarmKind::Restarted => "Restarting often",
        AlarmKind::RotaHole => "Nobody on call",
        AlarmKind::OutOfUseTooLong => "Out of use too long",
        AlarmKind::ConfigFallback => "Old configuration",
        AlarmKind::Drill => "Test, no alarm",
    }
}

/// What to do, unless the station has its own words. Common practice, no source.
#[must_use]
pub const fn action(kind: AlarmKind) -> &'static str {
    match kind {
        AlarmKind::NoFlowHeader => {
            "Go to the site. Start the standby pump or open the bypass. Switch off the power before \
             touching a pump or wet wiring; leave electrical repair to a licensed electrician."
        }
        AlarmKind::NoFlow => "Go to the jar. Check its valve, line and screen for a blockage.",
        AlarmKind::LowFlow => "Rebalance the jars. Look for a screen or line that is clogging.",
        AlarmKind::HighFlow => "Throttle the jar before eggs are lifted out of it.",
        AlarmKind::TempVeryHigh | AlarmKind::TempVeryLow => {
            "Go to the site. Check chiller or heater and the water source; change the source if you can, \
             slowly, since a sudden change hurts the eggs as well."
        }
        AlarmKind::TempHigh | AlarmKind::TempLow => "Check chiller or heater, season and source.",
        AlarmKind::TempRate => "Look for a change of source, or a heater or chiller that failed.",
        AlarmKind::Disagrees => "Check the probe against a thermometer in the same jar.",
        AlarmKind::BlindHeader => "Go and look at the eggs. Then restart the board or its connection.",
        AlarmKind::BlindFlow => "Look at the jar. Check the meter and its wiring.",
        AlarmKind::BlindTemp => "Check the probe and its wiring; replace it.",
        AlarmKind::Stuck => "Check the probe against another instrument.",
        AlarmKind::MainsLost => "Start the generator, outdoors only and never in parallel with the mains.",
        AlarmKind::CannotSend => "Check the line, the card and its credit, and the sign-in.",
        AlarmKind::CannotSendAtAll => "Go to the site: it cannot call for help.",
        AlarmKind::ClockUntrusted => "Check the network and the battery of the clock.",
        AlarmKind::StorageFailing => "Replace the card or disk; copy the data first.",
        AlarmKind::Restarted => "Look at the log for what stops it.",
        AlarmKind::RotaHole => "Fill the rota.",
        AlarmKind::OutOfUseTooLong => "Put it back into use, or extend the time with a reason.",
        AlarmKind::ConfigFallback => "Check the configuration file; the last good one is in use.",
        AlarmKind::Drill => "Nothing is wrong. Answer it to show that it reached you.",
    }
}

/// Key of a kind in the configuration.
#[must_use]
pub fn key(kind: AlarmKind) -> String {
    match serde_json::to_value(kind) {
        Ok(serde_json::Value::String(key)) => key,
        Ok(_) | Err(_) => format!("{kind:?}"),
    }
}
