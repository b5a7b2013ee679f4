//! What travels to the watcher, as JSON.

use serde::{Deserialize, Serialize};

/// Whether silence can be trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Status {
    /// All five conditions hold.
    Ok,
    /// At least one does not.
    Fail,
    /// The station is being stopped on purpose. It counts as gone once its time has passed.
    Stopping,
}

/// One sign of life. Unknown keys are ignored, so that station and watcher may differ in age.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Beat {
    /// Short name of the station.
    pub station: String,
    /// Whether silence can be trusted.
    pub status: Status,
    /// Why not, in words.
    pub reasons: Vec<String>,
    /// Counts up from 1 in each run of the program.
    pub seq: u64,
    /// Random name of this run.
    pub run: String,
    /// The machine's own name for the time since it was switched on.
    pub boot: String,
    /// Seconds the program has run.
    pub uptime_s: u64,
    /// Seconds to the next sign of life.
    pub every_s: f64,
    /// Wall clock of the station, RFC 3339.
    pub at: String,
    /// Whether it can be trusted.
    pub clock_trusted: bool,
    /// Channels that speak and are believed.
    pub channels_good: usize,
    /// Channels there are.
    pub channels_total: usize,
    /// Alarms that are on: P1, P2, P3.
    pub alarms: [usize; 3],
    /// Alarms paused or out of use.
    pub suppressed: usize,
    /// Seconds that the oldest unsent urgent message has been waiting.
    pub oldest_unsent_p1_s: Option<f64>,
}
