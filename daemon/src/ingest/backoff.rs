//! How long to wait before a lost device is tried again.
//!
//! The lengths are computed by a pure part. The waiting is done in real time and never on the
//! injected clock: devices and brokers come back in the real world, also when a demo plays a
//! season in minutes or a test holds its clock still.

use std::sync::{Condvar, Mutex, PoisonError};
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// First wait.
const SHORTEST: Duration = Duration::from_millis(250);
/// Longest wait while the loss is young, so that a plug pulled and put back is found in less
/// than 10 s.
const LONGEST_AT_FIRST: Duration = Duration::from_secs(5);
/// How long a loss is young.
const YOUNG: Duration = Duration::from_secs(300);
/// Longest wait for ever after.
const LONGEST: Duration = Duration::from_secs(60);
/// Longest time before the stop flag is looked at again.
const SLICE: Duration = Duration::from_millis(200);

/// Growing, jittered lengths: 250 ms doubling to 5 s, after five minutes to 60 s, each shortened
/// by up to a quarter so that many devices do not come back in step.
#[derive(Clone, Debug)]
pub struct Backoff {
    seed: u64,
    step: u32,
    waited: Duration,
}

impl Backoff {
    /// Begins with the shortest wait. Sources with different seeds wait differently.
    #[must_use]
    pub const fn new(seed: u64) -> Self {
        Self { seed, step: 0, waited: Duration::ZERO }
    }

    /// Length of the next wait. With `cheap` it stays at 5 s or less for ever: for a device whose
    /// return can be looked for without disturbing anybody.
    pub fn next_wait(&mut self, cheap: bool) -> Duration {
        let cap = if cheap || self.waited < YOUNG { LONGEST_AT_FIRST } else { LONGEST };
        let full = SHORTEST.saturating_mul(1_u32 << self.step.min(16)).min(cap);
        self.step = self.step.saturating_add(1);
        let wait = full - full / 4 * self.quarter_parts() / 256;
        self.waited = self.waited.saturating_add(wait);
        wait
    }

    /// Begins anew: the device has shown that it works.
    pub const fn reset(&mut self) {
        self.step = 0;
        self.waited = Duration::ZERO;
    }

    /// 0 to 255, differing from step to step (SplitMix64; no more than jitter is asked of it).
    fn quarter_parts(&self) -> u32 {
        let mut z = self.seed.wrapping_add(u64::from(self.step).wrapping_mul(0x9e37_79b9_7f4a_7c15));
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        u32::from((z ^ (z >> 31)).to_be_bytes()[0])
    }
}

/// Blocks this thread for a real length of time, or until told to stop, seen within 200 ms.
pub fn wait_blocking(length: Duration, stop: &CancellationToken) {
    let nobody = Mutex::new(());
    let never = Condvar::new();
    let mut left = length;
    while !stop.is_cancelled() && !left.is_zero() {
        let slice = left.min(SLICE);
        let guard = nobody.lock().unwrap_or_else(PoisonError::into_inner);
        // Nothing notifies: a wake-up before its time only shortens the wait.
        drop(never.wait_timeout(guard, slice).unwrap_or_else(PoisonError::into_inner));
        left = left.saturating_sub(slice);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_young_loss_is_tried_often_and_an_old_one_seldom() {
        for seed in 0..200 {
            let mut backoff = Backoff::new(seed);
            let first = backoff.next_wait(false);
            assert!(first <= SHORTEST && first >= SHORTEST / 2);
            let mut total = first;
            while total < YOUNG {
                let wait = backoff.next_wait(false);
                assert!(wait <= LONGEST_AT_FIRST, "{wait:?} after {total:?}");
                total += wait;
            }
            let late: Vec<_> = (0..50).map(|_| backoff.next_wait(false)).collect();
            assert!(late.iter().all(|w| *w <= LONGEST && *w >= LONGEST * 3 / 4));
            backoff.reset();
            assert!(backoff.next_wait(false) <= SHORTEST);
        }
    }

    #[test]
    fn a_cheap_look_never_waits_long() {
        let mut backoff = Backoff::new(7);
        assert!((0..10_000).all(|_| backoff.next_wait(true) <= LONGEST_AT_FIRST));
    }

    #[test]
    fn sources_do_not_wait_in_step() {
        let waits = |seed| {
            let mut backoff = Backoff::new(seed);
            (0..10).map(|_| backoff.next_wait(false)).collect::<Vec<_>>()
        };
        assert_ne!(waits(1), waits(2));
    }

    #[test]
    fn a_stop_ends_the_wait() {
        let stop = CancellationToken::new();
        stop.cancel();
        wait_blocking(Duration::from_secs(3600), &stop);
    }
}
