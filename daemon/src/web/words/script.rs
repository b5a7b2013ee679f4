//! Words of the scripts of the page. They are handed over with the page; gaps the scripts fill are written
//! in capitals, so that none is taken for one the page left open.

/// How long ago; the page and its script say the same.
pub const NOW: &str = "just now";
/// Ahead.
pub const SOON: &str = "in a moment";
/// Lengths of time.
pub const MINUTES: &str = "{N} min";
/// Hours.
pub const HOURS: &str = "{N} h";
/// Days, at least two.
pub const DAYS: &str = "{N} days";
/// Past.
pub const AGO: &str = "{LENGTH} ago";
/// To come.
pub const AHEAD: &str = "in {LENGTH}";

/// The page stands still.
pub const NOT_LIVE: &str = "Not live since {TIME}: what you see is the last that was known";
/// Under the finger on a chart.
pub const NO_READING: &str = "no reading here";
/// A shorter stretch of it.
pub const CLOSER: &str = "Closer";

/// Entries kept on the device.
pub const REFUSED: &str = "Refused: {KIND} ({FIELDS}). Make it again, then touch here";
/// One of them.
pub const ONE_WAITS: &str = "{N} entry waits on this device: {WHY}";
/// More.
pub const SOME_WAIT: &str = "{N} entries wait on this device: {WHY}";
/// Why they wait.
pub const NO_ANSWER: &str = "no answer from the monitor";
/// It said so.
pub const BUSY: &str = "the monitor is busy";
/// It does not know who sends.
pub const SIGN_IN: &str = "sign in to send";
/// Another person is signed in.
pub const SIGN_IN_AS: &str = "sign in as {WHO} to send";
/// On its way.
pub const SENDING: &str = "Sending…";
/// A form that is not kept.
pub const NOT_SENT: &str = "No network: this was not sent. Press again when it is back";

/// The last known pages, shown without network.
pub mod last_known {
    /// Title of a page that was never seen.
    pub const NO_NETWORK: &str = "No network";
    /// What it says.
    pub const NEVER_SEEN: &str = "This page was not seen before on this device.";
    /// Where to go.
    pub const TO_RACK: &str = "To the rack, as last known";
    /// Over one that was.
    pub const FROM: &str = "No network. Last known state, from {TIME}";
}
