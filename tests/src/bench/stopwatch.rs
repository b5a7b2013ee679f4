//! Real time, and what many times come to.
#![expect(clippy::disallowed_methods, reason = "a bench measures real time")]

use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Now, for lengths.
#[must_use]
pub fn now() -> Instant {
    Instant::now()
}

/// Now, in milliseconds since 1970.
#[must_use]
pub fn wall_ms() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}

/// Waits.
pub fn pause(length: Duration) {
    std::thread::sleep(length);
}

/// Waits until a moment; not at all when it has passed.
pub fn pause_until(moment: Instant) {
    std::thread::sleep(moment.saturating_duration_since(Instant::now()));
}

/// How long something takes, in seconds.
pub fn seconds<T>(work: impl FnOnce() -> T) -> (f64, T) {
    let began = Instant::now();
    let done = work();
    (began.elapsed().as_secs_f64(), done)
}

/// The value below which a share of the values lies (nearest rank); not a number without any.
#[must_use]
pub fn share_below(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 0 and the length")]
    let rank = (share * sorted.len() as f64).ceil() as usize;
    sorted.get(rank.saturating_sub(1)).copied().unwrap_or(f64::NAN)
}

/// The middle one.
#[must_use]
pub fn median(values: &[f64]) -> f64 {
    share_below(values, 0.5)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranks_are_nearest_ranks() {
        let values: Vec<f64> = (1..=100).rev().map(f64::from).collect();
        for (share, expected) in [(0.5, 50.0), (0.95, 95.0), (0.99, 99.0), (1.0, 100.0)] {
            assert!((share_below(&values, share) - expected).abs() < 1e-9, "{share}");
        }
        assert!((median(&[3.0, 1.0, 2.0]) - 2.0).abs() < 1e-9);
        assert!(median(&[]).is_nan());
    }
}
