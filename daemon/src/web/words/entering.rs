//! Filling in a form: what stands around its fields, when something happened, and what is wrong with it.

/// Label of the moment an entry is about.
pub const WHEN: &str = "When";
/// Above what is wrong.
pub const LOOK_AGAIN: &str = "Nothing was saved. Please look at this again:";
/// Behind the label of a field that may be left empty.
pub const IF_KNOWN: &str = " (if known)";
/// First line of a list that may be left alone.
pub const NONE: &str = "none";
/// Between how many, and of how many.
pub const OF: &str = " of ";
/// Nobody is known; the link stands in the gap.
pub const NEED_A_PERSON: &str = "Entries need a person: {link} first.";
/// The link.
pub const SIGN_IN: &str = "sign in";
/// Takes back what was just made.
pub const UNDO: &str = "Undo";
/// Why an entry was taken back that way, as the logbook keeps it.
pub const UNDONE: &str = "undone right after it was made";
/// No such form.
pub const NO_SUCH_KIND: &str = "There is no such kind of entry.";
/// A reason is missing or too long.
pub const SAY_WHY: &str = "Say why, in up to 400 characters.";

/// Does it.
pub fn save(title: &str) -> String {
    format!("Save {}", title.to_lowercase())
}

/// One of several counts, for those who listen.
pub fn sample(label: &str, number: usize) -> String {
    format!("{label}, sample {number}")
}

/// Of how many it is.
pub fn all_in_sample(number: usize) -> String {
    format!("All in sample {number}")
}

/// The moment something happened.
pub mod when {
    /// Choices.
    pub const NOW: &str = "now";
    /// An hour.
    pub const ONE_HOUR: &str = "1 h ago";
    /// Three.
    pub const THREE_HOURS: &str = "3 h ago";
    /// Nobody knows.
    pub const NOT_KNOWN: &str = "not known";
    /// A day and a time.
    pub const ANOTHER: &str = "another time";
    /// The row of days.
    pub const DAY: &str = "Day";
    /// The lists.
    pub const HOUR: &str = "Hour";
    /// Of minutes.
    pub const MINUTE: &str = "Minute";
    /// The device's own calendar.
    pub const LONGER_AGO: &str = "Longer ago";
    /// Its label.
    pub const DAY_AND_TIME: &str = "Day and time";
    /// Neither was chosen.
    pub const CHOOSE: &str = "choose a day and a time";

    /// The evening before.
    pub fn last_night(time: &str) -> String {
        format!("last night {time}")
    }
}

/// What is wrong with a field. Each goes on behind its label.
pub mod problem {
    /// Nothing was typed.
    pub const MISSING: &str = "is missing";
    /// A count without its numbers.
    pub const COUNT_NEEDED: &str = "is needed for this way of counting";
    /// A hand reading of nothing.
    pub const READING_NEEDED: &str = "give a temperature, a flow or both";
    /// A check with a bucket.
    pub const WITH_BUCKET: &str = "is needed with a bucket";
    /// A check with a thermometer.
    pub const WITH_THERMOMETER: &str = "is needed with a thermometer";

    /// Which field, and what is wrong.
    pub fn of(label: &str, problem: &str) -> String {
        format!("{label}: {problem}")
    }

    /// Not a number.
    pub fn not_a_number(text: &str) -> String {
        format!("\"{text}\" is not a number")
    }

    /// Too low or too high.
    pub fn outside(text: &str, low: &str, high: &str) -> String {
        format!("{text} is outside {low} to {high}")
    }

    /// Has a fraction.
    pub fn not_whole(text: &str) -> String {
        format!("{text} is not a whole number")
    }

    /// Too long.
    pub fn longer_than(most: usize) -> String {
        format!("is longer than {most} characters")
    }

    /// Nothing that was offered.
    pub fn no_choice(text: &str) -> String {
        format!("\"{text}\" is none of the choices")
    }

    /// A line of fish.
    pub fn not_a_fish(text: &str) -> String {
        format!("\"{text}\" is not a mark and a length, like F1 612")
    }

    /// A line of crosses.
    pub fn not_a_cross(text: &str) -> String {
        format!("\"{text}\" is not a cross, like F1 x M1 M2")
    }

    /// A dip.
    pub fn not_a_pair(text: &str) -> String {
        format!("\"{text}\" is not a pair like 93/100")
    }

    /// A sub-sample.
    pub fn not_a_count(text: &str) -> String {
        format!("\"{text}\" is not a count")
    }
}
