//! From the configuration to the alarm engine's settings.

use crate::alarm::condition::Settings;
use crate::alarm::condition::limits::{FlowShares, StageLimits, TempLimits};
use crate::alarm::event::AlarmKind;
use crate::config::checked::{Alarm, TemperatureLimits};

/// Kinds of alarm behind a name in the configuration.
fn kinds(name: &str) -> &'static [AlarmKind] {
    match name {
        "no-flow" => &[AlarmKind::NoFlow],
        "no-flow-header" => &[AlarmKind::NoFlowHeader],
        "low-flow" => &[AlarmKind::LowFlow],
        "high-flow" => &[AlarmKind::HighFlow],
        "temperature-outer" => &[AlarmKind::TempVeryHigh, AlarmKind::TempVeryLow],
        "temperature-inner" => &[AlarmKind::TempHigh, AlarmKind::TempLow],
        "temperature-rate" => &[AlarmKind::TempRate],
        "disagreement" => &[AlarmKind::Disagrees],
        "blind-flow" => &[AlarmKind::BlindFlow],
        "blind-temperature" => &[AlarmKind::BlindTemp],
        "stuck" => &[AlarmKind::Stuck],
        "mains" => &[AlarmKind::MainsLost],
        _ => &[],
    }
}

/// The engine's settings for a station.
#[must_use]
pub fn settings(alarm: &Alarm) -> Settings {
    let mut settings = Settings::default();
    for (name, delay) in &alarm.delays {
        for kind in kinds(name) {
            let (on, off) = settings.delays(*kind);
            settings.delays.insert(*kind, (delay.on.unwrap_or(on), delay.off.unwrap_or(off)));
        }
    }
    settings.flow = FlowShares {
        none: alarm.no_flow_share,
        low: alarm.low_flow_share,
        high: alarm.high_flow_share,
        ..settings.flow
    };
    let limits = |own: &TemperatureLimits| TempLimits {
        very_low_c: Some(own.very_low_c),
        low_c: Some(own.low_c),
        high_c: Some(own.high_c),
        very_high_c: Some(own.very_high_c),
        rate_c_per_h: Some(alarm.rate_limit_c_per_h),
    };
    let [green, eyed, hatching] = &alarm.temperature;
    settings.stages = StageLimits { green: limits(green), eyed: limits(eyed), hatching: limits(hatching) };
    settings.disagrees_c = alarm.disagreement_c;
    settings
}
