//! Which holes in a record are normal, which may be bridged, and which are gaps.

use super::Sample;
use crate::time::Span;

/// How far apart two readings may be.
///
/// * up to `normal`: an interval like any other;
/// * up to `bridge_limit`: bridged by a straight line, and marked as bridged;
/// * beyond: a gap. Nothing of it is counted, and it is reported.
///
/// Before the first and after the last reading the value is held for `edge_hold`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rules {
    /// Longest spacing of readings taken as measured.
    pub normal: Span,
    /// Longest hole that is bridged.
    pub bridge_limit: Span,
    /// How long the outermost readings hold outwards.
    pub edge_hold: Span,
}

/// What a stretch between two readings is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Class {
    Measured,
    Bridged,
    Gap,
}

/// Longest hole bridged unless said otherwise: water of the same source changes little in two hours.
const BRIDGE_LIMIT: Span = Span::from_hours(2);

impl Rules {
    /// For readings that come every `interval`.
    ///
    /// Normal is three intervals and at least 60 s, so that two lost readings are no event. When readings are
    /// rare (more than 20 minutes apart) that would hide real holes, so it is then one hour or one and a
    /// half intervals, whichever is longer. The limit for bridging is two hours, or `normal` if that is longer.
    /// Common practice, no source.
    ///
    /// ```
    /// # use nightjar_calc::thermal::Rules;
    /// # use nightjar_calc::time::Span;
    /// // Every ten seconds: a minute is normal, two hours are bridged, more is a gap.
    /// let rules = Rules::for_interval(Span::from_secs(10));
    /// assert_eq!((rules.normal, rules.bridge_limit), (Span::from_secs(60), Span::from_hours(2)));
    /// // Every hour: an hour and a half is normal, not three.
    /// assert_eq!(Rules::for_interval(Span::from_hours(1)).normal, Span::from_minutes(90));
    /// ```
    #[must_use]
    pub fn for_interval(interval: Span) -> Self {
        let interval = interval.ms().max(1);
        let one_and_a_half = interval.saturating_add(interval / 2);
        let rare = one_and_a_half.max(BRIDGE_LIMIT.ms() / 2);
        let normal = Span::from_ms(interval.saturating_mul(3).min(rare).max(60_000));
        Self { normal, bridge_limit: BRIDGE_LIMIT.max(normal), edge_hold: normal }
    }

    /// For hand readings taken once or twice a day: up to 14 hours is normal, up to 26 is bridged.
    #[must_use]
    pub const fn for_hand_readings() -> Self {
        Self {
            normal: Span::from_hours(14),
            bridge_limit: Span::from_hours(26),
            edge_hold: Span::from_hours(7),
        }
    }

    pub(super) fn class(&self, length: Span) -> Class {
        if length <= self.normal {
            Class::Measured
        } else if length <= self.bridge_limit {
            Class::Bridged
        } else {
            Class::Gap
        }
    }
}

impl Default for Rules {
    /// For a reading every ten seconds.
    fn default() -> Self {
        Self::for_interval(Span::from_secs(10))
    }
}

/// Median distance of neighbouring readings; nothing for fewer than two.
#[must_use]
pub fn typical_interval(samples: &[Sample]) -> Option<Span> {
    let mut times: Vec<i64> = samples.iter().map(|s| s.at.ms()).collect();
    times.sort_unstable();
    times.dedup();
    let mut steps: Vec<i64> = times.windows(2).map(|w| w[1] - w[0]).collect();
    steps.sort_unstable();
    steps.get(steps.len() / 2).copied().map(Span::from_ms)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_is_three_intervals_but_never_hides_a_hole() {
        for (interval_s, normal_s) in
            [(1, 60), (10, 60), (60, 180), (900, 2700), (3600, 5400), (21_600, 32_400)]
        {
            let rules = Rules::for_interval(Span::from_secs(interval_s));
            assert_eq!(rules.normal, Span::from_secs(normal_s), "every {interval_s} s");
            assert!(rules.bridge_limit >= Span::from_hours(2));
        }
    }

    #[test]
    fn one_lost_reading_of_an_hourly_record_is_bridged_and_two_are_a_gap() {
        let rules = Rules::for_interval(Span::from_hours(1));
        assert_eq!(rules.class(Span::from_hours(1)), Class::Measured);
        assert_eq!(rules.class(Span::from_hours(2)), Class::Bridged);
        assert_eq!(rules.class(Span::from_hours(3)), Class::Gap);
    }
}
