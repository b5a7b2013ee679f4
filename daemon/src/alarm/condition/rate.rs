//! How fast the water's temperature changes: the slope over the last half hour.
//!
//! Bounded: one mean for each of the last thirty minutes. The slope is the least-squares line
//! through the means, so that the noise of single samples does not matter.

use crate::alarm::moment::Moment;

/// Minutes looked at.
const MINUTES: usize = 30;
/// Minutes that must hold good samples before a slope is said.
const ENOUGH: usize = 20;
const MINUTE_MS: u64 = 60_000;

/// The last half hour of one thermometer.
#[derive(Clone, Debug)]
pub struct Rate {
    /// Mean of each minute, by minute number modulo [`MINUTES`]; NaN where there is none.
    means: [f32; MINUTES],
    minute: u64,
    sum: f64,
    count: u32,
}

impl Default for Rate {
    fn default() -> Self {
        Self { means: [f32::NAN; MINUTES], minute: 0, sum: 0.0, count: 0 }
    }
}

impl Rate {
    /// Takes a good sample. Says the slope in °C per hour once a minute is complete;
    /// the inner `None` when too little of the half hour was measured.
    pub fn handle_value(&mut self, value: f64, now: Moment) -> Option<Option<f64>> {
        let minute = now.0 / MINUTE_MS;
        let mut said = None;
        if minute != self.minute {
            self.finish_minute(minute);
            said = Some(self.slope());
        }
        self.sum += value;
        self.count = self.count.saturating_add(1);
        said
    }

    #[expect(clippy::cast_possible_truncation, reason = "single precision is plenty for a mean")]
    fn finish_minute(&mut self, next: u64) {
        // Before the first sample this is 0/0, which is not a number.
        self.means[slot(self.minute)] = (self.sum / f64::from(self.count)) as f32;
        // Minutes without a sample are unknown, not old.
        let skipped = next.saturating_sub(self.minute).min(MINUTES as u64);
        for ago in 0..skipped.saturating_sub(1) {
            self.means[slot(next - 1 - ago)] = f32::NAN;
        }
        self.minute = next;
        self.sum = 0.0;
        self.count = 0;
    }

    /// Slope of the last complete half hour, °C per hour.
    #[must_use]
    pub fn slope(&self) -> Option<f64> {
        let (mut n, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let mut filled = 0;
        for ago in 1..=MINUTES as u64 {
            let Some(minute) = self.minute.checked_sub(ago) else { break };
            let y = f64::from(self.means[slot(minute)]);
            if y.is_nan() {
                continue;
            }
            let x = -(ago as f64) / 60.0;
            filled += 1;
            n += 1.0;
            sx += x;
            sy += y;
            sxx += x * x;
            sxy += x * y;
        }
        // So many different minutes are never all in one place.
        (filled >= ENOUGH).then(|| (n * sxy - sx * sy) / (n * sxx - sx * sx))
    }
}

#[expect(clippy::cast_possible_truncation, reason = "the remainder is below thirty")]
const fn slot(minute: u64) -> usize {
    (minute % MINUTES as u64) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp(per_hour: f64, seconds: u64) -> Option<f64> {
        let mut rate = Rate::default();
        let mut last = None;
        for s in 0..seconds {
            let value = 10.0 + per_hour * s as f64 / 3600.0;
            if let Some(said) = rate.handle_value(value, Moment(s * 1000)) {
                last = said;
            }
        }
        last
    }

    #[test]
    fn the_slope_of_a_ramp_is_its_slope() {
        for per_hour in [-3.0, 0.0, 0.4, 2.0] {
            assert!((ramp(per_hour, 3600).unwrap() - per_hour).abs() < 1e-3, "{per_hour}");
        }
    }

    /// A minute without any sample is unknown, whatever stood in its place half an hour ago.
    #[test]
    fn minutes_that_were_skipped_are_forgotten() {
        let mut rate = Rate::default();
        let minutes = (0..30).chain([36, 37]);
        for minute in minutes {
            rate.handle_value(10.0 + minute as f64, Moment(minute * MINUTE_MS));
        }
        // Known are the minutes 7 to 29 and 36: one degree a minute all the way.
        assert!((rate.slope().unwrap() - 60.0).abs() < 1e-6, "{:?}", rate.slope());
        // Two more hours later with one sample a minute there is the new half hour alone.
        for minute in 160..=190 {
            rate.handle_value(5.0, Moment(minute * MINUTE_MS));
        }
        assert!(rate.slope().unwrap().abs() < 1e-6);
    }

    #[test]
    fn less_than_twenty_minutes_say_nothing() {
        assert_eq!(ramp(1.0, 19 * 60), None);
        assert!(ramp(1.0, 22 * 60).is_some());
    }

    #[test]
    fn a_gap_is_unknown_and_not_old() {
        let mut rate = Rate::default();
        for s in 0..3600 {
            rate.handle_value(10.0, Moment(s * 1000));
        }
        let after_gap = rate.handle_value(14.0, Moment(3600 * 4 * 1000));
        assert_eq!(after_gap, Some(None));
    }
}
