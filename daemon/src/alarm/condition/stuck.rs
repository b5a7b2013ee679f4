//! Readings that do not move at all for longer than is normal for their channel.

use crate::alarm::moment::Moment;
use crate::alarm::state::Verdict;
use nightjar_calc::time::Span;

/// Every channel may hold still for this long.
const LEAST_NORMAL: Span = Span::from_minutes(10);
/// However coarse a channel is, longer than this is never called normal.
const MOST_NORMAL: Span = Span::from_hours(12);

/// How long a channel holds still.
#[derive(Clone, Debug)]
pub struct Stillness {
    value: u64,
    since: Moment,
    /// When it last said so.
    last: Moment,
    normal: Span,
}

impl Default for Stillness {
    fn default() -> Self {
        Self { value: f64::NAN.to_bits(), since: Moment(0), last: Moment(0), normal: LEAST_NORMAL }
    }
}

impl Stillness {
    /// Takes a sample, bit for bit. A run that ends by a change was normal after all, and is
    /// learned.
    pub fn handle_value(&mut self, value: f64, now: Moment) -> Verdict {
        let bits = value.to_bits();
        if bits != self.value {
            // Silence after the last word is not stillness, and teaches nothing.
            let run = self.last.since(self.since);
            self.normal = self.normal.max(run.min(MOST_NORMAL));
            self.value = bits;
            self.since = now;
            self.last = now;
            return Verdict::Inside;
        }
        self.last = now;
        if now.since(self.since) > self.normal { Verdict::Beyond } else { Verdict::Inside }
    }

    /// Longest time it held still and then moved again.
    #[must_use]
    pub fn normal(&self) -> Span {
        self.normal
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_minutes_are_normal_to_the_millisecond_and_twelve_hours_the_most() {
        let mut still = Stillness::default();
        assert_eq!(still.handle_value(9.1, Moment(0)), Verdict::Inside);
        assert_eq!(still.handle_value(9.1, Moment(600_000)), Verdict::Inside);
        assert_eq!(still.handle_value(9.1, Moment(600_001)), Verdict::Beyond);
        // A run of what is normal teaches nothing; nor does the time before the first reading.
        assert_eq!(still.handle_value(9.2, Moment(600_001)), Verdict::Inside);
        assert_eq!(still.normal(), Span::from_ms(600_001));
        let day = 24 * 3_600_000;
        still.handle_value(9.2, Moment(600_001 + day));
        still.handle_value(9.3, Moment(600_002 + day));
        assert_eq!(still.normal(), Span::from_hours(12));
        let mut late = Stillness::default();
        late.handle_value(9.1, Moment(day));
        assert_eq!(late.normal(), Span::from_minutes(10));
    }

    #[test]
    fn hours_of_silence_are_not_learnt_as_stillness() {
        let mut still = Stillness::default();
        let minute = |m: u64| Moment(m * 60_000);
        for (m, value) in [(0, 9.1), (1, 9.2), (180, 9.3)] {
            assert_eq!(still.handle_value(value, minute(m)), Verdict::Inside);
        }
        assert_eq!(still.normal(), LEAST_NORMAL);
        assert_eq!(still.handle_value(9.3, minute(191)), Verdict::Beyond, "it is stuck now");
    }

    #[test]
    fn a_coarse_channel_teaches_how_long_it_holds_still() {
        let mut still = Stillness::default();
        let minute = |m: u64| Moment(m * 60_000);
        assert_eq!(still.handle_value(9.1, minute(0)), Verdict::Inside);
        assert_eq!(still.handle_value(9.1, minute(40)), Verdict::Beyond);
        assert_eq!(still.handle_value(9.2, minute(45)), Verdict::Inside);
        assert_eq!(still.handle_value(9.2, minute(85)), Verdict::Inside);
        assert_eq!(still.handle_value(9.2, minute(91)), Verdict::Beyond);
    }
}
