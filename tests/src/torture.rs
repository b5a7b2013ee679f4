//! The fault tests: what the station promises is held against what a kill, a lost write or a failing
//! disk leaves behind. Nothing here uses the daemon's code; the daemon is the built program.
//!
//! *Kills*: SIGKILL at random moments under load. *Crash points*: the database as a power cut at one
//! moment would leave it, rebuilt from a trace of all writes and syncs. *Faults*: writes, syncs and
//! opens that fail, and a full disk.

pub mod broker;
pub mod chance;
pub mod crash;
pub mod faults;
pub mod feed;
pub mod inspect;
pub mod keeper;
pub mod kills;
pub mod receiver;
pub mod script;
pub mod shim;
pub mod station;
pub mod trace;

/// A line for people.
pub fn say(line: std::fmt::Arguments<'_>) {
    use std::io::Write;
    // Who reads it may have gone; the exit code tells the same.
    drop(writeln!(std::io::stdout(), "{line}"));
}

/// How long to go on killing.
#[derive(Clone, Copy, Debug)]
pub struct KillLimits {
    /// Rounds at most.
    pub rounds: u32,
    /// Time at most.
    pub length: std::time::Duration,
    /// Decides the moments.
    pub seed: u64,
    /// Shortest life of a run, ms.
    pub shortest_ms: u64,
    /// Longest life of a run, ms.
    pub longest_ms: u64,
}
