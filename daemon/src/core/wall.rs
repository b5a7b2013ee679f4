//! Notices that the wall clock was set, by a time server or a person, or is trusted from now on.
//! Each step is kept until it is written down.

use crate::clock::{LEAST_STEP, Now, Uptime};
use nightjar_calc::time::{Span, Timestamp};
use std::collections::VecDeque;

/// A step that could not be written down is tried again after so long.
const AGAIN: Span = Span::from_secs(10);

/// Compares the wall clock with the up-time at each turn.
#[derive(Debug)]
pub struct WallWatch {
    /// Until here the two went together.
    seen: Now,
    /// What the clock would have said, and what it said.
    steps: VecDeque<(Timestamp, Now)>,
    under_way: bool,
    not_before: Uptime,
}

impl WallWatch {
    /// From now on.
    #[must_use]
    pub const fn new(now: Now) -> Self {
        Self { seen: now, steps: VecDeque::new(), under_way: false, not_before: Uptime::from_ms(0) }
    }

    /// Looks at both clocks.
    pub fn look(&mut self, now: Now) {
        let expected = self.seen.utc + now.up.since(self.seen.up);
        let stepped = now.utc.since(expected).ms().abs() > LEAST_STEP.ms();
        if stepped || (now.trusted && !self.seen.trusted) {
            self.steps.push_back((expected, now));
            self.seen = now;
        } else if now.trusted {
            self.seen = now;
        }
        // An untrusted clock that creeps is compared with where it began: the whole way counts.
    }

    /// The step to be written down now, if one is.
    pub fn next(&mut self, up: Uptime) -> Option<(Timestamp, Now)> {
        if self.under_way || up < self.not_before {
            return None;
        }
        let step = self.steps.front().copied()?;
        self.under_way = true;
        Some(step)
    }

    /// It is on disk.
    pub fn written(&mut self) -> Option<Now> {
        self.under_way = false;
        self.steps.pop_front().map(|(_, now)| now)
    }

    /// It is not.
    pub fn refused(&mut self, up: Uptime) {
        self.under_way = false;
        self.not_before = up.after(AGAIN);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(up_s: u64, utc_s: i64, trusted: bool) -> Now {
        Now { up: Uptime::from_ms(up_s * 1000), utc: Timestamp::from_ms(utc_s * 1000), trusted }
    }

    #[test]
    fn steps_and_trust_are_told_once_each_and_slewing_is_not() {
        let mut wall = WallWatch::new(at(0, 1000, true));
        for (up, utc) in [(10, 1010), (20, 1021), (30, 1030)] {
            wall.look(at(up, utc, true));
        }
        assert_eq!(wall.next(Uptime::from_ms(0)), None);
        wall.look(at(40, 4640, true));
        let (old, step) = wall.next(step_time(40)).expect("a step");
        assert_eq!((old, step.utc), (Timestamp::from_ms(1_040_000), Timestamp::from_ms(4_640_000)));
        assert_eq!(wall.next(step_time(40)), None, "it is under way");
        wall.refused(step_time(41));
        assert_eq!(wall.next(step_time(50)), None, "not at once");
        assert!(wall.next(step_time(51)).is_some());
        assert_eq!(wall.written().map(|now| now.up), Some(step_time(40)));
        assert_eq!(wall.next(step_time(60)), None);
    }

    #[test]
    fn an_untrusted_clock_that_creeps_is_moved_by_all_of_its_way() {
        let mut wall = WallWatch::new(at(0, 1000, false));
        for up in 1..=15 {
            // A tenth of a second in each.
            let utc = Timestamp::from_ms(1_000_000 + i64::try_from(up).unwrap_or(0) * 1100);
            wall.look(Now { utc, ..at(up, 0, false) });
        }
        assert_eq!(wall.next(step_time(15)), None);
        wall.look(at(16, 1018, true));
        let (old, step) = wall.next(step_time(16)).expect("it is trusted now");
        assert_eq!(step.utc.since(old), Span::from_secs(2));
    }

    fn step_time(up_s: u64) -> Uptime {
        Uptime::from_ms(up_s * 1000)
    }
}
