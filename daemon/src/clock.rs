//! The only place that reads a clock.
//!
//! Lengths are measured on [`Uptime`], which never steps; records carry [`Timestamp`] and whether
//! it could be trusted. Everything that waits, waits here, so that a test or the demo can drive
//! the same code with a [`ManualClock`].

use nightjar_calc::time::{Span, Timestamp};
use std::future::Future;
use std::pin::Pin;
use std::sync::Mutex;
use std::time::{Duration, Instant, SystemTime};
use tokio::sync::watch;

/// Milliseconds on the monotonic clock since this process began.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Uptime(u64);

impl Uptime {
    /// From milliseconds.
    #[must_use]
    pub const fn from_ms(ms: u64) -> Self {
        Self(ms)
    }
    /// In milliseconds.
    #[must_use]
    pub const fn ms(self) -> u64 {
        self.0
    }
    /// Later by a length; a negative length moves it earlier, never below zero.
    #[must_use]
    pub fn after(self, span: Span) -> Self {
        Self(if span.ms() < 0 {
            self.0.saturating_sub(span.ms().unsigned_abs())
        } else {
            self.0.saturating_add(span.ms().unsigned_abs())
        })
    }
    /// Length since an earlier moment; zero when it is not earlier.
    #[must_use]
    pub fn since(self, earlier: Self) -> Span {
        Span::from_ms(i64::try_from(self.0.saturating_sub(earlier.0)).unwrap_or(i64::MAX))
    }
}

/// One look at both clocks. Delays use `up` only, records use `utc` only.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Now {
    /// Monotonic.
    pub up: Uptime,
    /// Wall clock.
    pub utc: Timestamp,
    /// Whether the wall clock has been set by something that knows.
    pub trusted: bool,
}

/// Future returned by [`Clock::sleep_until`].
pub type Sleep = Pin<Box<dyn Future<Output = ()> + Send>>;

/// Tells the time and wakes those who wait for it.
pub trait Clock: Send + Sync + 'static {
    /// Both clocks at once.
    fn now(&self) -> Now;
    /// Completes when the monotonic clock has reached `at`.
    fn sleep_until(&self, at: Uptime) -> Sleep;
}

/// Sleeps until a deadline, or for ever when there is none.
pub async fn sleep_or_never(clock: &dyn Clock, at: Option<Uptime>) {
    match at {
        Some(at) => clock.sleep_until(at).await,
        None => std::future::pending().await,
    }
}

/// The clocks of the machine.
#[derive(Debug)]
pub struct SystemClock {
    began: Instant,
    trusted: Box<dyn TrustProbe>,
}

/// Says whether the wall clock has been set by something that knows.
pub trait TrustProbe: std::fmt::Debug + Send + Sync {
    /// True when it has, seen at this up-time with the clock saying `utc`.
    fn trusted(&self, up: Uptime, utc: Timestamp) -> bool;
}

/// Believes the wall clock once it is later than any date this program can have been built on.
#[derive(Debug)]
pub struct NotBeforeBuild;

/// 2026-01-01T00:00:00Z, in milliseconds: no copy of this program ran before it.
pub const EARLIEST_BELIEVABLE_MS: i64 = 1_767_225_600_000;
/// A wall clock that differs by no more from the up-time is being slowed or hurried to the right time; by
/// more, it was set.
pub const LEAST_STEP: Span = Span::from_secs(2);

impl TrustProbe for NotBeforeBuild {
    fn trusted(&self, _up: Uptime, utc: Timestamp) -> bool {
        utc.ms() >= EARLIEST_BELIEVABLE_MS
    }
}

impl SystemClock {
    /// Starts counting up-time now.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "this is the clock")]
    pub fn new(trusted: Box<dyn TrustProbe>) -> Self {
        Self { began: Instant::now(), trusted }
    }
}

#[expect(clippy::disallowed_methods, reason = "this is the clock")]
fn wall_clock() -> Timestamp {
    let ms = match SystemTime::now().duration_since(SystemTime::UNIX_EPOCH) {
        Ok(after) => i64::try_from(after.as_millis()).unwrap_or(i64::MAX),
        Err(before) => -i64::try_from(before.duration().as_millis()).unwrap_or(i64::MAX),
    };
    Timestamp::from_ms(ms)
}

impl Clock for SystemClock {
    fn now(&self) -> Now {
        let up = Uptime(u64::try_from(self.began.elapsed().as_millis()).unwrap_or(u64::MAX));
        let utc = wall_clock();
        Now { up, utc, trusted: self.trusted.trusted(up, utc) }
    }

    fn sleep_until(&self, at: Uptime) -> Sleep {
        Box::pin(tokio::time::sleep_until((self.began + Duration::from_millis(at.ms())).into()))
    }
}

/// A clock that moves only when told to. Wakes every sleeper whose moment has come.
#[derive(Debug)]
pub struct ManualClock {
    now: Mutex<Now>,
    moved: watch::Sender<Uptime>,
}

impl ManualClock {
    /// Begins at up-time zero and the given wall time, trusted.
    #[must_use]
    pub fn new(utc: Timestamp) -> Self {
        let now = Now { up: Uptime(0), utc, trusted: true };
        Self { now: Mutex::new(now), moved: watch::channel(now.up).0 }
    }

    /// Moves both clocks forward.
    pub fn advance(&self, span: Span) {
        self.change(|now| {
            now.up = now.up.after(span);
            now.utc = now.utc + span;
        });
    }

    /// Steps the wall clock only, as a time server or a person would.
    pub fn step_wall(&self, span: Span) {
        self.change(|now| now.utc = now.utc + span);
    }

    /// Says whether the wall clock can be trusted.
    pub fn set_trusted(&self, trusted: bool) {
        self.change(|now| now.trusted = trusted);
    }

    fn change(&self, change: impl FnOnce(&mut Now)) {
        let mut now = self.now.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        change(&mut now);
        self.moved.send_replace(now.up);
    }
}

impl Clock for ManualClock {
    fn now(&self) -> Now {
        *self.now.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn sleep_until(&self, at: Uptime) -> Sleep {
        let mut moved = self.moved.subscribe();
        Box::pin(async move {
            // An error means the clock is gone, and with it every reason to go on waiting.
            let _ended = moved.wait_for(|up| *up >= at).await;
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use futures_util::FutureExt;

    #[tokio::test]
    async fn a_sleeper_wakes_when_its_moment_comes_and_not_before() {
        let clock = ManualClock::new(Timestamp::from_ms(0));
        let mut sleep = clock.sleep_until(Uptime::from_ms(1000));
        clock.advance(Span::from_ms(999));
        assert!((&mut sleep).now_or_never().is_none());
        clock.advance(Span::from_ms(1));
        sleep.await;
    }

    #[test]
    fn a_step_of_the_wall_clock_moves_no_uptime() {
        let clock = ManualClock::new(Timestamp::from_ms(0));
        clock.step_wall(Span::from_hours(-5));
        assert_eq!(clock.now().up, Uptime::from_ms(0));
        assert_eq!(clock.now().utc, Timestamp::from_ms(-18_000_000));
    }
}
