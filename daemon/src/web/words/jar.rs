//! The page of one jar. Sentences with gaps are filled by `components::say`.

use super::count;

/// No such jar.
pub const NO_SUCH: &str = "There is no such jar on this rack.";
/// The jars beside it.
pub const OTHERS: &str = "Other jars";
/// Headings.
pub const WAY: &str = "Way to hatch";
/// Its water.
pub const WATER: &str = "Water";
/// Its entries.
pub const LOG: &str = "Log of this jar";
/// Entries made most.
pub const LOG_IT: &str = "Log it";
/// All other kinds.
pub const OTHER_KINDS: &str = "Other…";
/// The snapshot does not know it.
pub const NOTHING_KNOWN: &str = "Nothing is known about it yet.";

/// Title.
pub fn title(id: &str) -> String {
    format!("Jar {id}")
}

/// Behind the stage: the lot.
pub const LOT: &str = ", lot {lot}";
/// Facts.
pub const TEMPERATURE: &str = "Water";
/// Flow.
pub const FLOW: &str = "Flow";
/// The sum.
pub const THERMAL_UNITS: &str = "Thermal units";
/// Eggs.
pub const EGGS: &str = "Eggs";
/// Minutes without flow.
pub const WITHOUT_FLOW: &str = "Without flow they have";
/// How many are likely, and how many if things are bad.
pub const MINUTES: &str = "about {likely} min";
/// The smaller number.
pub const PERHAPS: &str = ", perhaps only {short}";

/// When a value was read.
pub fn read_at(day: &str, time: &str) -> String {
    format!(" Read {day} {time}.")
}

/// The probe of the header.
pub fn probe_in_header(probe: &str, header: &str) -> String {
    format!("probe {probe} in header {header}")
}

/// Read by a person.
pub const HAND_READING: &str = "a hand reading";

/// The temperature is that of another place.
pub fn borrowed(from: &str, read: &str) -> String {
    format!("Not measured in this jar: taken from {from}.{read}")
}

/// The temperature is its own.
pub fn own_probe(probe: &str, read: &str) -> String {
    format!("Probe {probe} in the jar.{read}")
}

/// Without a probe.
pub const NO_PROBE: &str = "This jar has no probe.";
/// Without a meter.
pub const NO_METER: &str = "This jar has no flow meter.";

/// Where flow and set-point come from.
pub fn meter(meter: &str) -> String {
    format!("Meter {meter}. The set-point is the last one in the logbook.")
}

/// How the sum was made.
pub fn sum_of(date: &str, percent: f64, bridged_h: f64, uncounted_h: f64) -> String {
    let mut words = format!(
        "Water temperature above 0 °C summed over time since fertilization on {date}. Measured {percent:.0} % of that time"
    );
    if bridged_h > 0.0 {
        words.push_str(&format!("; {bridged_h:.1} h bridged over short gaps"));
    }
    if uncounted_h > 0.0 {
        words.push_str(&format!("; {uncounted_h:.1} h in long gaps not counted"));
    }
    words.push('.');
    words
}

/// Several takes in one jar.
pub const CLOCKS: &str =
    "These eggs are of several takes, each with its own clock; an interval above holds them all: {clocks}.";
/// One of them.
pub const CLOCK: &str = "take {take} of {day} {sum}";
/// What the dates rest on.
pub const BASIS: &str = "Confidence {confidence}. The dates assume: {basis}.";

/// Over the fan: what it is, and what else is in it.
pub const SUM_AND_FAN: &str = "Thermal units {fan}";
/// The fan.
pub const FAN: &str = "and the fan in which the stages are expected";
/// How to read it.
pub const FAN_READ: &str = "Line: as it grew, counted back from the present sum; dashed where nothing was measured. Ring: likely moment, bar: its interval. How high a coming stage stands assumes water as in the last day.";

/// Charts.
pub mod charts {
    use super::count;

    /// Lengths, in days.
    pub const LENGTHS: [(u32, &str); 4] = [(1, "1 day"), (3, "3 days"), (10, "10 days"), (60, "60 days")];
    /// What they are, for those who listen.
    pub const LENGTH: &str = "Length of the charts";
    /// Temperature.
    pub const TEMPERATURE: &str = "Temperature";
    /// Not its own.
    pub const OF_HEADER: &str = " (of the header)";
    /// Flow.
    pub const FLOW: &str = "Flow";
    /// Limits, the outer ones first.
    pub const VERY_LOW: &str = "very low";
    /// Low.
    pub const LOW: &str = "low";
    /// High.
    pub const HIGH: &str = "high";
    /// Very high.
    pub const VERY_HIGH: &str = "very high";
    /// No flow.
    pub const NO_FLOW: &str = "no flow";
    /// What flow should be.
    pub const SET_POINT: &str = "set-point";
    /// Stages along the foot.
    pub const STAGES: [&str; 4] = ["green", "eyed", "hatching", "hatched"];
    /// How to read them.
    pub const READ: &str = "Grey: no data, not counted. Hatched: bridged. Ticks at the foot: readings in doubt. Triangles on top: log entries.";
    /// No sensor.
    pub const NOT_MEASURED: &str = "Not measured here.";

    /// Title of one, for those who listen.
    pub fn title(what: &str, jar: &str) -> String {
        format!("{what} of jar {jar}")
    }

    /// Nothing in that time.
    pub fn no_readings(range: &str) -> String {
        format!("{range}: no readings.")
    }

    /// What is in it.
    pub fn described(range: &str, low: &str, high: &str, gaps: usize) -> String {
        let gaps = if gaps == 0 { "no gaps".to_owned() } else { count(gaps, "gap") };
        format!("{range}: {low} to {high}, {gaps}.")
    }
}

/// What was foreseen day by day.
pub mod foreseen {
    /// Heading.
    pub const TITLE: &str = "Foreseen, and what happened";
    /// How to read it.
    pub const READ: &str = "To the right: the day of the outlook, one a day. Upward: the day it named, with its interval. Level line: when it came, dashed when only the sum says so. {link}";
}

/// What sightings at this station taught.
pub mod learnt {
    use super::count;

    /// Heading.
    pub const TITLE: &str = "Learnt at this station";
    /// Of which species, from how much, what.
    pub const FROM: &str = "{species}, from {sightings}: {sums}.";
    /// Nobody uses it.
    pub const NOT_IN_USE: &str = "Not in use: learning is turned off.";
    /// Opens the list.
    pub const SEEN: &str = "What was seen, and how to undo it";
    /// One sighting.
    pub const SIGHTING: &str = "{day}: {stage} of lot {lot}";
    /// Hardly believed.
    pub const DOUBTFUL: &str = "doubtful, counts for little";
    /// What became of the intervals.
    pub const SPREAD: &str = "Spread between lots (one standard deviation): {before} by the table, {after} now; the hatch window is {window} times the table's. {undo}";
    /// How to go back to the published numbers.
    pub const UNDO: &str = "Write learns = false under [station] in the configuration to use the published numbers alone. Taking a logbook entry back takes back what it taught.";

    /// How many.
    pub fn sightings(n: usize) -> String {
        count(n, "sighting")
    }

    /// Sooner or later than the table says, in percent.
    pub fn against_the_table(percent: f64) -> String {
        format!(", {percent:+.0} % against the table")
    }

    /// The sum to hatch before and after.
    pub fn sum(before: f64, after: f64, percent: f64) -> String {
        format!(
            "the sum to hatch was {before:.0} °C·d by the table and is {after:.0} °C·d now ({percent:+.1} %)"
        )
    }

    /// The same where no sum is known.
    pub fn development(percent: f64) -> String {
        format!("development to hatch takes {percent:+.1} % against the table")
    }
}
