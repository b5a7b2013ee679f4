//! Real time, for tests with real peers. The one place here that reads a clock.
#![expect(clippy::disallowed_methods, reason = "real peers take real time")]

use nightjar_calc::time::Timestamp;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Lets others work.
pub fn pause(length: Duration) {
    std::thread::sleep(length);
}

/// Measures how long something takes.
#[derive(Clone, Copy, Debug)]
pub struct Stopwatch(Instant);

impl Stopwatch {
    /// From here.
    #[must_use]
    pub fn start() -> Self {
        Self(Instant::now())
    }

    /// Until here.
    #[must_use]
    pub fn elapsed(self) -> Duration {
        self.0.elapsed()
    }
}

/// The wall clock.
#[must_use]
pub fn wall() -> Timestamp {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Timestamp::from_ms(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}
