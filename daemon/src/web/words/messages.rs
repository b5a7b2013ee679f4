//! Messages.

use super::count;

/// Title.
pub const TITLE: &str = "Messages";
/// What stands there.
pub const WHAT: &str =
    "Everything that was sent, waits to be sent, or would have been sent. The newest is on top.";
/// None.
pub const NONE: &str = "No messages.";
/// When, how, to whom, and what became of it.
pub const LINE: &str = "{when} · {route} to {person} · {fate}";
/// To the alarm.
pub const ABOUT: &str = "About this alarm";
/// Gone.
pub const SENT: &str = "sent";
/// Not yet.
pub const WAITING: &str = "waiting";
/// Given up.
pub const NOT_SENT: &str = "not sent";
/// Held back.
pub const WITHHELD: &str = "would have been sent";

/// How often it was tried.
pub fn tried(times: usize) -> String {
    format!(", tried {}", count(times, "time"))
}
