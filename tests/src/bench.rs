//! The table of performance: what Nightjar takes beside programs that do part of its work, side by
//! side on one machine in one run. Nothing here fails because of a time; only a reading that is
//! lost, or a broker that is not ours, ends the run.

pub mod alarms;
pub mod imports;
pub mod outlook;
pub mod pages;
pub mod process;
pub mod publish;
pub mod rates;
pub mod restart;
pub mod soak;
pub mod station;
pub mod steady;
pub mod stopwatch;
pub mod table;

/// How thorough a run is.
#[derive(Clone, Copy, Debug)]
pub struct Effort {
    /// Rounds of what is measured turn by turn; the middle one counts.
    pub rounds: usize,
    /// Seconds of steady traffic.
    pub steady_s: u64,
    /// Seconds of ten readings a second of each sensor.
    pub soak_s: u64,
}

impl Effort {
    /// Five rounds.
    pub const FULL: Self = Self { rounds: 5, steady_s: 20, soak_s: 600 };
    /// One round, to see that everything runs.
    pub const QUICK: Self = Self { rounds: 1, steady_s: 8, soak_s: 40 };
}
