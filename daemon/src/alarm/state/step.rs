//! The steps an alarm can take.

use super::Reported;
use serde::{Deserialize, Serialize};

/// One step of one alarm. Where it led to is asked from the alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Step {
    /// What happened.
    pub what: What,
    /// Reported state before.
    pub from: Reported,
}

/// What happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum What {
    /// Beyond the limit; the on-delay runs.
    Pending,
    /// Back before the on-delay ended.
    NearMiss,
    /// The samples failed before it could be verified: a technical alarm takes over.
    Dropped,
    /// On.
    Activated {
        /// It was on before within half an hour, and nobody had answered.
        again: bool,
    },
    /// Back past the deadband; the off-delay runs.
    Returning,
    /// Beyond again before the off-delay ended.
    Relapsed,
    /// Off.
    Cleared,
    /// On, and its samples bad or missing from here.
    Held,
    /// Somebody knows.
    Acknowledged,
    /// Still on when the acknowledgment ended.
    Reminded,
    /// A limit of higher priority was passed.
    Worsened,
    /// Unacknowledged for so long that it became more urgent.
    Escalated,
    /// Nothing is left to answer.
    Closed {
        /// Nobody ever answered.
        unread: bool,
    },
    /// On and off too often; stays on longer.
    Chattering,
    /// Paused by a person.
    Shelved,
    /// The pause ended.
    Unshelved,
    /// The pause ended because it cleared, as wished.
    ShelfDone,
    /// Covered by a rule.
    Suppressed,
    /// The rule ended.
    Unsuppressed,
    /// Taken out of use.
    OutOfService,
    /// Still out of use at its planned end.
    PastPlannedEnd,
    /// Back in use.
    ReturnedToService,
    /// Somebody said it is fixed.
    Confirmed,
    /// Read back at the start of the program.
    Restored,
    /// The wall clock stepped. Changes nothing.
    ClockStepped,
}

impl What {
    /// Its row in the table of transitions; 0 where the table has none.
    #[must_use]
    pub const fn row(self) -> u8 {
        match self {
            Self::Pending => 1,
            Self::NearMiss => 2,
            Self::Dropped => 3,
            Self::Activated { again: false } => 4,
            Self::Returning => 5,
            Self::Relapsed => 6,
            Self::Cleared => 7,
            Self::Held => 8,
            Self::Acknowledged => 9,
            Self::Reminded => 10,
            Self::Worsened | Self::Escalated => 11,
            Self::Closed { .. } => 12,
            Self::Activated { again: true } => 13,
            Self::Chattering => 14,
            Self::Shelved => 15,
            Self::Unshelved => 16,
            Self::ShelfDone => 17,
            Self::Suppressed => 18,
            Self::Unsuppressed => 19,
            Self::OutOfService | Self::PastPlannedEnd => 20,
            Self::ReturnedToService => 21,
            Self::Restored => 22,
            Self::ClockStepped => 23,
            Self::Confirmed => 0,
        }
    }

    /// A step that noise takes all day long and that a restart forgets: it may wait for the next
    /// group of samples to be written.
    #[must_use]
    pub const fn is_minor(self) -> bool {
        matches!(self, Self::Pending | Self::NearMiss | Self::Returning | Self::Relapsed)
    }
}
