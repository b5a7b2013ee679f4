//! When a device is asked: each round as long as it answers, more and more seldom when it does
//! not, so that a dead one does not cost the others their turn. Pure.

use crate::clock::Uptime;
use nightjar_calc::time::Span;

/// Failures in a row until a device is asked less often.
const PATIENCE: u32 = 3;
/// Longest pause before a dead device is asked again, so that a mended one is back in a minute.
const LONGEST_PAUSE: Span = Span::from_secs(60);

/// The standing of one device.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Patience {
    failures: u32,
    not_before: Uptime,
}

impl Patience {
    /// Whether it is its turn.
    #[must_use]
    pub fn is_due(&self, up: Uptime) -> bool {
        up >= self.not_before
    }
    /// It has answered, be it with an exception.
    pub fn handle_answer(&mut self) {
        *self = Self::default();
    }
    /// It has not answered in time.
    pub fn handle_silence(&mut self, interval: Span, up: Uptime) {
        self.failures = self.failures.saturating_add(1);
        if let Some(beyond) = self.failures.checked_sub(PATIENCE) {
            let rounds = 2_i64 << beyond.min(16);
            let pause = Span::from_ms(interval.ms().saturating_mul(rounds)).min(LONGEST_PAUSE.max(interval));
            self.not_before = up.after(pause);
        }
    }
    /// True while it is asked less often.
    #[must_use]
    pub const fn is_dead(&self) -> bool {
        self.failures >= PATIENCE
    }
}

/// The next round after `up`: rounds missed are left out, not made up for.
#[must_use]
pub fn next_round(planned: Uptime, interval: Span, up: Uptime) -> Uptime {
    let interval_ms = interval.ms().max(1);
    let late_ms = up.since(planned).ms();
    planned.after(Span::from_ms((late_ms / interval_ms + 1).saturating_mul(interval_ms)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dead_device_is_asked_less_often_and_a_mended_one_as_before() {
        let interval = Span::from_secs(10);
        let mut device = Patience::default();
        let mut up = Uptime::from_ms(0);
        let mut asked = Vec::new();
        for _ in 0..60 {
            if device.is_due(up) {
                asked.push(up.ms() / 1000);
                device.handle_silence(interval, up);
            }
            up = up.after(interval);
        }
        assert_eq!(asked, [0, 10, 20, 40, 80, 140, 200, 260, 320, 380, 440, 500, 560]);
        assert!(device.is_dead());
        device.handle_answer();
        assert!(!device.is_dead() && device.is_due(up));
    }

    #[test]
    fn missed_rounds_are_left_out() {
        let at = |ms| next_round(Uptime::from_ms(1000), Span::from_ms(100), Uptime::from_ms(ms)).ms();
        assert_eq!([at(900), at(1000), at(1099), at(1100), at(1950)], [1100, 1100, 1100, 1200, 2000]);
    }
}
