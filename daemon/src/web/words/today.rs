//! The work list.

use super::count;

/// Title.
pub const TITLE: &str = "Today";
/// Nothing to do.
pub const NOTHING: &str = "Nothing is due.";
/// Entries that count for nothing.
pub const LEFT_OUT: &str = "Entries that do not fit";
/// What to do about them.
pub const LEFT_OUT_DO: &str =
    "They count for nothing until they do. Take them back, or write what is missing.";
/// Beside the work: its lot.
pub const LOT: &str = "lot {lot}";
/// Behind the reason: when it is due, for one jar and for several.
pub const DUE: &str = "{why}, due {when}";
/// Several.
pub const FIRST_DUE: &str = "{why}, the first due {when}";
/// The entry itself, where no jar can be named.
pub const WRITE: &str = "Write it down";
/// One tap says it.
pub const READY: &str = "{jar} ready";

/// How much there is.
pub fn to_do(n: usize) -> String {
    format!("{} to do. Touch a jar to write it down; that ticks it off.", count(n, "thing"))
}

/// An entry by what it is and when.
pub fn entry(what: &str, day: &str, time: &str) -> String {
    format!("{what} of {day} {time}")
}

/// The same at several jars.
pub fn at_jars(n: usize) -> String {
    format!(" – {}", count(n, "jar"))
}

/// A treatment.
pub mod treatment {
    /// What speaks against it.
    pub const DO_NOT: &str = "Do not treat: {why}";
    /// How much of it.
    pub const MEASURE_OUT: &str = "Measure out {amount} of {agent} for {water} of water{undiluted}.";
    /// As a feed.
    pub const UNDILUTED: &str = "; undiluted that is {feed} mL/min";
    /// Opens what to mind.
    pub const CARE: &str = "Care";
}
