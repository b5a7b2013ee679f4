//! Limits of a jar: by stage for temperature, as shares of the set-point for flow.

use super::defaults;
use crate::alarm::event::AlarmKind;
use crate::alarm::state::Verdict;
use crate::snapshot::JarState;
use nightjar_calc::time::Span;
use std::collections::{BTreeMap, BTreeSet};

/// One limit with its reset margin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// The limit.
    pub at: f64,
    /// Distance the value must travel back before the alarm may clear.
    pub deadband: f64,
    /// True when too much is wrong, false when too little is.
    pub above: bool,
}

impl Limit {
    /// Judges a value of good quality.
    #[must_use]
    pub fn judge(&self, value: f64) -> Verdict {
        let beyond = if self.above { value - self.at } else { self.at - value };
        if beyond > 0.0 {
            Verdict::Beyond
        } else if beyond > -self.deadband {
            Verdict::Margin
        } else if beyond.is_nan() {
            Verdict::Unknown
        } else {
            Verdict::Inside
        }
    }
}

/// Limits on flow, as shares of the jar's set-point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlowShares {
    /// Below this there is no flow.
    pub none: f64,
    /// Below this the flow is low.
    pub low: f64,
    /// Above this the flow is high.
    pub high: f64,
    /// Reset margin.
    pub deadband: f64,
}

/// Limits on temperature. What is not set is not watched.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TempLimits {
    /// Outer, below, °C.
    pub very_low_c: Option<f64>,
    /// Inner, below, °C.
    pub low_c: Option<f64>,
    /// Inner, above, °C.
    pub high_c: Option<f64>,
    /// Outer, above, °C.
    pub very_high_c: Option<f64>,
    /// Change over half an hour, °C per hour.
    pub rate_c_per_h: Option<f64>,
}

impl TempLimits {
    /// The tighter of both, limit by limit.
    #[must_use]
    pub fn tightest(self, other: Self) -> Self {
        let pick = |a: Option<f64>, b: Option<f64>, take: fn(f64, f64) -> f64| match (a, b) {
            (Some(a), Some(b)) => Some(take(a, b)),
            (a, b) => a.or(b),
        };
        Self {
            very_low_c: pick(self.very_low_c, other.very_low_c, f64::max),
            low_c: pick(self.low_c, other.low_c, f64::max),
            high_c: pick(self.high_c, other.high_c, f64::min),
            very_high_c: pick(self.very_high_c, other.very_high_c, f64::min),
            rate_c_per_h: pick(self.rate_c_per_h, other.rate_c_per_h, f64::min),
        }
    }
}

/// Limits on temperature for each stage.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct StageLimits {
    /// Until eye-up.
    pub green: TempLimits,
    /// From eye-up.
    pub eyed: TempLimits,
    /// From the first fry on.
    pub hatching: TempLimits,
}

impl StageLimits {
    /// The same limits at every stage.
    #[must_use]
    pub const fn same(limits: TempLimits) -> Self {
        Self { green: limits, eyed: limits, hatching: limits }
    }

    /// Limits of a stage. An empty jar keeps those of green eggs; its alarms are covered anyway.
    #[must_use]
    pub const fn at(&self, stage: JarState) -> TempLimits {
        match stage {
            JarState::Empty | JarState::Green => self.green,
            JarState::Eyed => self.eyed,
            JarState::Hatching | JarState::Hatched => self.hatching,
        }
    }
}

/// Everything a station can set about its alarms.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// Other on- and off-delays than the defaults.
    pub delays: BTreeMap<AlarmKind, (Span, Span)>,
    /// Alarms that stay until a person resets them.
    pub latched: BTreeSet<AlarmKind>,
    /// Limits on flow.
    pub flow: FlowShares,
    /// Limits on flow while a treatment window is open.
    pub treatment_flow: FlowShares,
    /// Longest treatment window.
    pub longest_treatment: Span,
    /// No-flow limit of a jar without a set-point, L/min.
    pub flow_floor_l_per_min: f64,
    /// Limits on temperature where a jar has none of its own.
    pub stages: StageLimits,
    /// Reset margin of temperature limits, °C.
    pub temp_deadband_c: f64,
    /// Reset margin of the rate of change, share of its limit.
    pub rate_deadband: f64,
    /// Largest difference between a jar and its header, °C.
    pub disagrees_c: f64,
    /// Reset margin of that, °C.
    pub disagrees_deadband_c: f64,
    /// Low flow becomes P1 when nobody has acknowledged it for this long.
    pub low_flow_escalates_after: Span,
    /// Wait after a cover ends.
    pub settle: Span,
    /// New flow alarms wait for this long after power comes back.
    pub settling_hold: Span,
    /// Battery charge below which lost mains become P1, per cent.
    pub battery_low_percent: f64,
    /// Runtime below which lost mains become P1, minutes.
    pub runtime_low_min: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            delays: BTreeMap::new(),
            latched: BTreeSet::new(),
            flow: FlowShares { none: 0.10, low: 0.70, high: 1.40, deadband: 0.05 },
            treatment_flow: FlowShares { none: 0.10, low: 0.40, high: 1.80, deadband: 0.05 },
            longest_treatment: Span::from_hours(2),
            flow_floor_l_per_min: 0.1,
            stages: StageLimits::same(TempLimits { rate_c_per_h: Some(1.5), ..TempLimits::default() }),
            temp_deadband_c: 0.2,
            rate_deadband: 0.2,
            disagrees_c: 0.5,
            disagrees_deadband_c: 0.1,
            low_flow_escalates_after: Span::from_minutes(30),
            settle: Span::from_secs(60),
            settling_hold: Span::from_secs(120),
            battery_low_percent: 30.0,
            runtime_low_min: 30.0,
        }
    }
}

impl Settings {
    /// On- and off-delay of an alarm.
    #[must_use]
    pub fn delays(&self, kind: AlarmKind) -> (Span, Span) {
        let default = defaults(kind);
        self.delays.get(&kind).copied().unwrap_or((default.on_delay, default.off_delay))
    }

    /// Alarms about the water whose on-delay is more than a fifth of the time the eggs have.
    #[must_use]
    pub fn too_slow_for(&self, eggs_have: Span) -> Vec<AlarmKind> {
        [AlarmKind::NoFlowHeader, AlarmKind::NoFlow, AlarmKind::LowFlow]
            .into_iter()
            .filter(|kind| self.delays(*kind).0.ms().saturating_mul(5) > eggs_have.ms())
            .collect()
    }
}

/// The limits in force at one jar or header.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct JarLimits {
    /// No flow.
    pub no_flow: Option<Limit>,
    /// Low flow.
    pub low_flow: Option<Limit>,
    /// High flow.
    pub high_flow: Option<Limit>,
    /// Outer, above.
    pub very_high: Option<Limit>,
    /// Outer, below.
    pub very_low: Option<Limit>,
    /// Inner, above.
    pub high: Option<Limit>,
    /// Inner, below.
    pub low: Option<Limit>,
    /// Rate of change, either way.
    pub rate: Option<Limit>,
}

impl JarLimits {
    /// Limits from a set-point and a stage's temperatures.
    #[must_use]
    pub fn new(settings: &Settings, set_flow: Option<f64>, temps: TempLimits, shares: &FlowShares) -> Self {
        let mut limits = Self::default();
        match set_flow.filter(|flow| *flow > 0.0) {
            Some(set) => {
                let limit = |share: f64, above| {
                    Some(Limit { at: share * set, deadband: shares.deadband * set, above })
                };
                limits.no_flow = limit(shares.none, false);
                limits.low_flow = limit(shares.low, false);
                limits.high_flow = limit(shares.high, true);
            }
            None => {
                let at = settings.flow_floor_l_per_min;
                limits.no_flow = Some(Limit { at, deadband: at / 2.0, above: false });
            }
        }
        let deadband = settings.temp_deadband_c;
        let temp = |at: Option<f64>, above| at.map(|at| Limit { at, deadband, above });
        limits.very_high = temp(temps.very_high_c, true);
        limits.high = temp(temps.high_c, true);
        limits.low = temp(temps.low_c, false);
        limits.very_low = temp(temps.very_low_c, false);
        limits.rate =
            temps.rate_c_per_h.map(|at| Limit { at, deadband: settings.rate_deadband * at, above: true });
        limits
    }

    /// The limit an alarm about a measure uses.
    #[must_use]
    pub const fn of(&self, kind: AlarmKind) -> Option<Limit> {
        match kind {
            AlarmKind::NoFlowHeader | AlarmKind::NoFlow => self.no_flow,
            AlarmKind::LowFlow => self.low_flow,
            AlarmKind::HighFlow => self.high_flow,
            AlarmKind::TempVeryHigh => self.very_high,
            AlarmKind::TempVeryLow => self.very_low,
            AlarmKind::TempHigh => self.high,
            AlarmKind::TempLow => self.low,
            AlarmKind::TempRate => self.rate,
            AlarmKind::Disagrees
            | AlarmKind::BlindHeader
            | AlarmKind::BlindFlow
            | AlarmKind::BlindTemp
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
            | AlarmKind::Drill => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_is_passed_beyond_it_and_left_a_deadband_inside_it() {
        let high = Limit { at: 12.0, deadband: 0.5, above: true };
        let low = Limit { at: 4.0, deadband: 0.5, above: false };
        for (limit, value, verdict) in [
            (high, 12.25, Verdict::Beyond),
            (high, 12.0, Verdict::Margin),
            (high, 11.75, Verdict::Margin),
            (high, 11.5, Verdict::Inside),
            (high, f64::NAN, Verdict::Unknown),
            (low, 3.75, Verdict::Beyond),
            (low, 4.0, Verdict::Margin),
            (low, 4.25, Verdict::Margin),
            (low, 4.5, Verdict::Inside),
            (low, f64::NAN, Verdict::Unknown),
        ] {
            assert_eq!(limit.judge(value), verdict, "{value} against {limit:?}");
        }
    }

    #[test]
    fn only_alarms_about_the_water_itself_have_a_limit() {
        let every = TempLimits {
            very_low_c: Some(2.0),
            low_c: Some(4.0),
            high_c: Some(12.0),
            ..TempLimits::default()
        };
        let every = TempLimits { very_high_c: Some(16.0), rate_c_per_h: Some(1.5), ..every };
        let settings = Settings::default();
        let limits = JarLimits::new(&settings, Some(4.0), every, &settings.flow);
        let has = crate::alarm::condition::ALL.into_iter().filter(|kind| limits.of(*kind).is_some());
        let water = [
            AlarmKind::NoFlowHeader,
            AlarmKind::NoFlow,
            AlarmKind::LowFlow,
            AlarmKind::HighFlow,
            AlarmKind::TempVeryHigh,
            AlarmKind::TempVeryLow,
            AlarmKind::TempHigh,
            AlarmKind::TempLow,
            AlarmKind::TempRate,
        ];
        assert_eq!(has.collect::<BTreeSet<_>>(), BTreeSet::from(water));
    }

    #[test]
    fn of_two_sets_of_limits_the_tighter_one_counts_and_the_only_one_as_well() {
        let eggs = TempLimits {
            low_c: Some(4.0),
            high_c: Some(14.0),
            very_high_c: Some(16.0),
            ..TempLimits::default()
        };
        let fry = TempLimits {
            low_c: Some(6.0),
            high_c: Some(12.0),
            very_low_c: Some(2.0),
            ..TempLimits::default()
        };
        let both = TempLimits {
            very_low_c: Some(2.0),
            low_c: Some(6.0),
            high_c: Some(12.0),
            very_high_c: Some(16.0),
            rate_c_per_h: None,
        };
        assert_eq!((eggs.tightest(fry), fry.tightest(eggs)), (both, both));
    }
}
