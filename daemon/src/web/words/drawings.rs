//! What stands in drawings: charts, the way to hatch, the fan, what was foreseen.

/// The present.
pub const NOW: &str = "now";
/// No line to draw.
pub const NO_READINGS: &str = "no readings in this time";
/// A gap that was bridged.
pub const BRIDGED: &str = "bridged";
/// One that was not.
pub const NO_DATA: &str = "no data";
/// The same in full.
pub const NOT_COUNTED: &str = "no data, not counted";
/// Ticks at the foot.
pub const IN_DOUBT: &str = "readings in doubt";

/// The way to hatch, as a table.
pub mod way {
    /// What it is, for those who listen.
    pub const STAGES: &str = "Stages";
    /// Its columns.
    pub const STAGE: &str = "Stage";
    /// The likely day.
    pub const LIKELY: &str = "Likely";
    /// The interval.
    pub const BETWEEN: &str = "Between";
    /// Somebody saw it.
    pub const SEEN: &str = "seen by a person";
    /// Nobody did.
    pub const BY_SUM: &str = "reached by the sum, not seen yet";
    /// No day.
    pub const CANNOT_BE_SAID: &str = "cannot be said";

    /// Where the bar begins, for those who listen.
    pub fn from(date: &str) -> String {
        format!("Way from fertilization on {date}")
    }

    /// One stage of it.
    pub fn stage(stage: &str, date: &str) -> String {
        format!(", {stage} {date}")
    }
}

/// The fan, for those who listen.
pub mod fan {
    /// The sum.
    pub fn sum(c_days: f64) -> String {
        format!("Thermal units since fertilization: {c_days:.0} °C·days by now")
    }

    /// One coming stage.
    pub fn stage(stage: &str, likely: &str, between: &str) -> String {
        format!("; {stage} about {likely}, between {between}")
    }
}

/// What was foreseen, for those who listen.
pub mod foreseen {
    /// What it shows.
    pub const TITLE: &str = "Days foreseen for each stage against the day of the outlook";

    /// The first and the last outlook of a stage: the day it named, and its own day.
    pub fn stage(stage: &str, [early, first]: [&str; 2], [late, last]: [&str; 2]) -> String {
        format!("; {stage} foreseen for {early} on {first}, for {late} on {last}")
    }

    /// What happened.
    pub fn came(date: &str) -> String {
        format!(", came {date}")
    }
}
