//! The first page: is everything well, what needs me, what comes next, the rack.

use super::{alarm, asset, count};
use crate::snapshot::AlarmView;

/// Title of the page.
pub const TITLE: &str = "Rack";
/// Nothing needs anybody.
pub const ALL_WELL: &str = "All well";
/// Somebody knows, or something is paused.
pub const NOTHING_NEW: &str = "Nothing new needs you";
/// No sensor is believed.
pub const ALL_BLIND: &str = "No sensor has a good reading";
/// Beside a picture that stands still.
pub const OLD_PICTURE: &str = "What is shown below is old. Look at the jars.";
/// Beside it, when the clock may be wrong.
pub const CLOCK: &str = "the clock is not trusted: times may be wrong";
/// Who was told last, and of what.
pub const LAST_TOLD: &str = "Last told {when}: {what}";
/// Nobody was.
pub const NOBODY_TOLD: &str = "Nobody has been told anything yet.";
/// Headings.
pub const NEEDS: &str = "Needs you";
/// What comes next.
pub const NEXT: &str = "Comes next";
/// The rack.
pub const RACK: &str = "The rack";
/// Nothing needs anybody.
pub const NO_NEEDS: &str = "Nothing right now.";
/// No eggs, or none with a sum.
pub const NO_DATES: &str = "No dates yet: no jar holds eggs whose sum is known.";
/// To the loading of jars.
pub const LOAD: &str = "Load jars";
/// A coming stage of a lot; day, stage and lot stand in the gaps.
pub const COMING: &str = "{day} {stage}, lot {lot}";
/// A jar nobody has heard of.
pub const UNKNOWN: &str = "not known yet";

/// The picture stands still.
pub fn no_news(seconds: i64) -> String {
    format!("No news from the monitor for {seconds} s")
}

/// The worst alarm, and how many more there are.
pub fn worst(open: &AlarmView, more: usize) -> String {
    let what = format!("{}: {}", alarm(open.kind), asset(&open.asset));
    if more == 0 { what } else { format!("{what}, and {more} more") }
}

/// Alarms somebody knows of.
pub fn known(n: usize) -> String {
    format!("{} acknowledged", count(n, "alarm"))
}

/// Alarms that are silenced.
pub fn silenced(n: usize) -> String {
    format!("{} paused, covered or out of use", count(n, "alarm"))
}

/// Jars whose temperature nobody can give.
pub fn blind(n: usize) -> String {
    format!("{} with eggs and no good temperature", count(n, "jar"))
}

/// How much is watched, and how well.
pub fn watched(loaded: usize, good: usize, sensors: usize) -> String {
    format!("{} with eggs, {good} of {} good", count(loaded, "jar"), count(sensors, "sensor"))
}

/// An alarm that is off, and nobody answered.
pub const CLEARED: &str = " (cleared, nobody answered)";

/// On a jar in the rack: paused so long.
pub const UNTIL: &str = " until {time}";
/// Who knows.
pub const KNOWS: &str = ", {who} knows";
/// Off.
pub const MARK_CLEARED: &str = ", cleared";

/// More of the same list.
pub fn and_more(n: usize) -> String {
    format!("and {n} more")
}

/// Eyes should show.
pub fn should_be_eyed(jar: &str) -> String {
    format!("Jar {jar}: should be eyed, take a sample")
}

/// Fry should show.
pub fn should_hatch(jar: &str) -> String {
    format!("Jar {jar}: should be hatching, look and log it")
}

/// The last fry should be out.
pub fn should_be_over(jar: &str) -> String {
    format!("Jar {jar}: hatch should be over")
}

/// A shelf and what feeds it.
pub fn shelf(number: u16, headers: &str) -> String {
    format!("Shelf {number} · header {headers}")
}
