//! The one place that knows real time: it holds the simulated season to a wanted pace.

use nightjar_calc::time::{Span, Timestamp};
use std::time::{Duration, Instant, SystemTime};

/// Keeps simulated time in step with the clock on the wall.
#[derive(Debug)]
pub struct Pace {
    begun: Instant,
    /// Simulated seconds for a real one; 0 means no waiting.
    speed: f64,
}

impl Pace {
    /// Begins at once.
    #[expect(
        clippy::disallowed_methods,
        reason = "the simulator stands for the world outside and must pace itself"
    )]
    pub fn new(speed: f64) -> Self {
        Self { begun: Instant::now(), speed }
    }

    /// Waits until `simulated` has had its share of real time. Being late is made up for.
    #[expect(
        clippy::disallowed_methods,
        reason = "the simulator stands for the world outside and must pace itself"
    )]
    pub fn wait_for(&self, simulated: Span) {
        if self.speed <= 0.0 {
            return;
        }
        let due = Duration::from_secs_f64((simulated.secs() / self.speed).clamp(0.0, 1e9));
        std::thread::sleep(due.saturating_sub(self.begun.elapsed()));
    }

    /// Whether the season runs as fast as it can.
    pub fn unhurried(&self) -> bool {
        self.speed <= 0.0
    }
}

/// A pause before trying a device again.
#[expect(clippy::disallowed_methods, reason = "nothing tells when a device will be ready again")]
pub fn pause(length: Duration) {
    std::thread::sleep(length);
}

/// The time on the wall, for seasons that begin now.
#[expect(
    clippy::disallowed_methods,
    reason = "asked for on the command line; the season itself reads no clock"
)]
pub fn wall_time() -> Timestamp {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap_or_default();
    Timestamp::from_ms(i64::try_from(since.as_millis()).unwrap_or(0))
}
