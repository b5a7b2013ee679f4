//! How the store is, for the status page, the storage alarm and the metrics.

use super::error::Trouble;
use crate::clock::{Now, Uptime};
use std::path::PathBuf;

/// How the store is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StoreHealth {
    /// Set while it cannot write.
    pub failing: Option<Failing>,
    /// When something was last committed.
    pub last_commit: Option<Now>,
    /// Commits since the start.
    pub commits: u64,
    /// Readings committed since the start.
    pub readings: u64,
    /// Size of the database file.
    pub database_bytes: u64,
    /// Size of its log.
    pub wal_bytes: u64,
    /// Free space on its file system, when that could be read.
    pub free_bytes: Option<u64>,
    /// Readings given up: the queue was full, or more than an hour's worth waited for a failing
    /// store.
    pub dropped_readings: u64,
    /// Readings refused because their time lies before 1970 or after 9999.
    pub unstorable_readings: u64,
    /// Transitions given up: the queue was full, or more than a day's worth waited.
    pub dropped_transitions: u64,
    /// Receipts given although the readings were in memory only, because the store had been
    /// failing for too long and the broker would have stopped delivering.
    pub early_receipts: u64,
    /// Receipts nobody took.
    pub lost_receipts: u64,
    /// Readings waiting in memory.
    pub waiting_readings: u64,
    /// Transitions waiting in memory.
    pub waiting_transitions: u64,
    /// Damaged files that were moved aside, newest last.
    pub moved_aside: Vec<PathBuf>,
    /// What could be carried over from the last file moved aside, in words.
    pub carried_over: Option<String>,
    /// Rows that could not be read when they were to be moved into chunks; left where they are.
    pub damaged_rows: u64,
}

/// Since when and why the store cannot write.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failing {
    /// Since when.
    pub since: Now,
    /// Why.
    pub trouble: Trouble,
    /// When it will be tried again.
    pub retry_at: Uptime,
}
