//! Coming days: the calendar, what each day needs, the planner, how good outlooks were.

use super::count;

/// Title.
pub const TITLE: &str = "Coming days";
/// The cards.
pub const LOTS: &str = "Lot by lot";
/// The name of a lot and its species.
pub const LOT: &str = "Lot {lot}";
/// Last day of treatments.
pub const TREAT_UNTIL: &str = "Last day to treat: {day}, until {time}.";
/// It is over.
pub const NO_MORE: &str = "No more treatments.";
/// Hatch has begun.
pub const HATCHING: &str = "Hatching: {no_more}";
/// The same within a sentence.
pub const NO_MORE_WITHIN: &str = "no more treatments.";
/// Where that day comes from, for those who listen.
pub const TREAT_WHY: &str = "Where this day comes from";
/// The law of the place.
pub const PERMITS: &str = "Moving and stocking fish needs the permits and health checks of the place.";

/// How many jars.
pub fn jars(n: usize) -> String {
    count(n, "jar")
}

/// Where the last day of treatments comes from.
pub fn treat_source(hours: f64, confidence: &str) -> String {
    format!(
        "{hours:.0} h before the earliest first hatch (common practice, no source). The label, the prescribing veterinarian and the permit may say earlier. Dates of confidence {confidence}."
    )
}

/// Dates that are hardly known.
pub fn low_confidence(jars: usize) -> String {
    format!(
        "Dates of low confidence in {}: little is published for the species, or little was measured. Look at the eggs.",
        count(jars, "jar")
    )
}

/// The calendar.
pub mod calendar {
    /// People, tank, truck: what a day may need.
    pub const RESOURCES: [&str; 3] = ["People", "Tank", "Truck"];
    /// Mark of the last day of treatments.
    pub const LAST_DAY: &str = "last day to treat";
    /// How to read it.
    pub const READ: &str = "A bar is the interval, the upright line in it the likely moment. Below: lots that need people, a tank or the truck on a day; a pale number says only if it comes early or late.";
    /// What it is, for those who listen.
    pub const TITLE: &str =
        "Windows of the coming stages by lot, and what each day needs; the same is listed below";
    /// Nothing to list.
    pub const NO_NEEDS: &str = "No day needs anything yet.";
    /// Opens the list.
    pub const NEEDS: &str = "Which lots, day by day";
    /// Its first column.
    pub const DAY: &str = "Day";
    /// Under the list.
    pub const RULES: &str = "In brackets: only if it comes early or late. People from the day before hatch, a tank until three days after it, the truck within three days of the end of hatch (common practice, no source).";

    /// Of one lot.
    pub fn last_day(lot: &str) -> String {
        format!("last day to treat lot {lot}")
    }

    /// A bar.
    pub fn bar(stage: &str, lot: &str, likely: &str, between: &str) -> String {
        format!("{stage} of lot {lot}: {likely}, {between}")
    }
}

/// The planner.
pub mod planner {
    /// Heading.
    pub const TITLE: &str = "Plan the day of hatch";
    /// What it does.
    pub const WHAT: &str =
        "Which temperatures bring the peak of hatch to a wanted day, inside the limits of the species.";
    /// Labels.
    pub const LOT: &str = "Lot";
    /// The day.
    pub const DAY: &str = "Wanted day of peak hatch";
    /// The rate.
    pub const RATE: &str = "Fastest change a day";
    /// Asks.
    pub const WORK_OUT: &str = "Work it out";
    /// Refusals.
    pub const NO_SUCH: &str = "There is no such lot in a jar.";
    /// Too fast, or no number.
    pub const RATE_OUTSIDE: &str = "Fastest change a day: must be above 0 and at most 3 °C (5.4 °F)";
    /// No present water.
    pub const NO_READING: &str = "The water of this lot has no good reading now.";
    /// Under the answer.
    pub const CARE: &str = "Worked out with the published numbers of the species, not with what this station learned. Change temperature slowly, and watch dissolved oxygen when water is warmed. Heaters near water need ground-fault protection and a licensed electrician.";
    /// When hatch is reached.
    pub const REACHED: &str = "{day} about {time}";
    /// Answers; the day stands in the gap.
    pub const MET: &str = "It can be done: peak hatch {reached}.";
    /// Too soon.
    pub const TOO_SOON: &str = "Not that soon: the earliest inside the limits is {reached}.";
    /// Too late.
    pub const TOO_LATE: &str = "Not that late: the latest inside the limits is {reached}.";
    /// Columns.
    pub const FROM: &str = "From";
    /// The water.
    pub const SET_TO: &str = "Set the water to";

    /// Not a day.
    pub fn not_a_day(text: &str) -> String {
        format!("Wanted day: \"{text}\" is not a day like 2026-05-01")
    }
}

/// How good outlooks were.
pub mod track {
    /// Heading, and the link to it.
    pub const TITLE: &str = "How good outlooks were";
    /// No springs; the command stands in the gap.
    pub const NO_PAST: &str =
        "Past springs: nothing to compare yet; two springs of this water are needed ({command}).";
    /// Nothing yet.
    pub const NO_SEASON: &str = "This season: no stage that was foreseen has come yet.";
    /// Columns.
    pub const COLUMNS: [&str; 4] = ["Issued at", "Off by", "Late by", "In the interval"];
    /// What the intervals promise.
    pub const PROMISE: &str = "The intervals are meant to hold 80 %.";
    /// How it was compared.
    pub const SEASON: &str = "This season: one outlook a day for each jar, against what happened since.";
    /// Opens the list.
    pub const LOTS: &str = "Lot by lot";
    /// One stage of one lot.
    pub const LOT: &str =
        "Lot {lot}, jar {jar}: {stage} {came}; foreseen for {early} on {first}, for {late} on {last}.";
    /// Nobody saw it.
    pub const BY_SUM: &str = " by the sum";

    /// How it was compared.
    pub fn past(springs: usize) -> String {
        format!("Past springs: each of {springs} springs forecast from the others, as if issued then.")
    }

    /// When an outlook was issued.
    pub fn of_the_sum(percent: f64) -> String {
        format!("{percent:.0} % of the sum")
    }

    /// The same for a row of outlooks.
    pub fn from_on(percent: f64) -> String {
        format!("from {percent:.0} % on")
    }

    /// How many intervals held.
    pub fn held(percent: f64, of: impl std::fmt::Display) -> String {
        format!("{percent:.0} % of {of}")
    }

    /// How many of them a person saw.
    pub fn seen(n: impl std::fmt::Display) -> String {
        format!(", {n} seen by people")
    }
}
