//! The time line of alarms.

use nightjar_calc::time::Span;
use serde::{Deserialize, Serialize};

/// Milliseconds this station has been watched, over all restarts.
///
/// Monotonic, never the wall clock. Stored with an alarm, so that its timers can go on after a
/// restart from where they were.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Moment(pub u64);

impl Moment {
    /// Later by a length; a negative one counts as none.
    #[must_use]
    pub fn after(self, span: Span) -> Self {
        Self(self.0.saturating_add(u64::try_from(span.ms()).unwrap_or(0)))
    }

    /// Earlier by a length, never before the beginning.
    #[must_use]
    pub fn before(self, span: Span) -> Self {
        Self(self.0.saturating_sub(u64::try_from(span.ms()).unwrap_or(0)))
    }

    /// Length since an earlier moment; zero when it is not earlier.
    #[must_use]
    pub fn since(self, earlier: Self) -> Span {
        Span::from_ms(i64::try_from(self.0.saturating_sub(earlier.0)).unwrap_or(i64::MAX))
    }
}
