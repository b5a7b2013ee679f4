//! A week of alarms in numbers.

use super::count;

/// Title.
pub const TITLE: &str = "Week of alarms";
/// Heading.
pub const HEADING: &str = "The alarms of the last seven days";
/// Over the target.
pub const OVER: &str = "over the target";
/// Facts.
pub const CAME_ON: &str = "Came on";
/// At night.
pub const AT_NIGHT: &str = "At night (22 to 6 h)";
/// Half.
pub const HALF: &str = "Acknowledged, half within";
/// Nearly all.
pub const NEARLY_ALL: &str = "95 of 100 within";
/// Nobody.
pub const UNANSWERED: &str = "Nobody answered";
/// Short ones.
pub const FLEETING: &str = "Over within a minute";
/// Paused.
pub const PAUSED: &str = "Paused or out of use";
/// Blind.
pub const BLIND: &str = "Blind";
/// What came most.
pub const MOST: &str = "What came most";
/// What wavered.
pub const CHATTERING: &str = "What came again soon after clearing";
/// What to do about it.
pub const CHATTERING_DO: &str = "Look at deadband and delays of these; a sensor's page suggests a deadband.";
/// Messages.
pub const MESSAGES: &str = "Messages";
/// Nothing to list.
pub const NONE: &str = "None.";
/// More than is good.
pub const TOO_OFTEN: &str = "too often";

/// By urgency.
pub fn by_priority([p1, p2, p3]: [usize; 3]) -> String {
    format!(": {p1} P1, {p2} P2, {p3} P3")
}

/// Messages of a route.
pub fn route(sent: usize, failed: usize, longest_min: f64) -> String {
    let slowest = if sent > 0 { format!(", slowest after {longest_min:.0} min") } else { String::new() };
    format!("{sent} sent{slowest}, {failed} failed")
}

/// Texts at night.
pub fn to_at_night(person: &str) -> String {
    format!("To {person} at night")
}

/// How many, and how many it should be.
pub fn target(count: usize, most: usize) -> String {
    format!("{count} (target: at most {most})")
}

/// How often.
pub fn times(n: usize) -> String {
    count(n, "time")
}
