//! The calculators of the page: titles and labels, taken by the table in `pages::calculators::asked`.

/// Title of the page.
pub const TITLE: &str = "Calculators";
/// Above them.
pub const CAUTION: &str = "Arithmetic, not permission. Chemicals only as the label, the prescribing veterinarian, the discharge permit and local rules allow.";
/// Asks.
pub const WORK_OUT: &str = "Work it out";
/// Under an answer.
pub const HOW: &str = "How: {how}";
/// And where from.
pub const SOURCE: &str = "Source: {source}";

/// Not a number.
pub fn not_a_number(label: &str, text: &str) -> String {
    format!("{label}: \"{text}\" is not a number")
}

/// None of the choices.
pub fn no_choice(label: &str, text: &str) -> String {
    format!("{label}: \"{text}\" is not one of the choices")
}

/// Labels of numbers that several ask for.
pub mod given {
    /// A volume of eggs.
    pub const TO_BE_TOLD: &str = "Eggs to be told, settled and hardened";
    /// Flow.
    pub const FLOW: &str = "Flow, as measured";
    /// A time.
    pub const FOR: &str = "For";
    /// A stock solution.
    pub const MADE_UP_TO: &str = "Made up to";
    /// Temperature.
    pub const WATER: &str = "Water";
    /// Height.
    pub const HEIGHT: &str = "Height of the place";
    /// Stage.
    pub const STAGE: &str = "How far the eggs are";
    /// Stages.
    pub const STAGES: [&str; 4] = ["Green", "Eyed", "Near hatch", "Fry in the jar"];
    /// Counted.
    pub const EGGS_COUNTED: &str = "Eggs counted";
    /// Concentration.
    pub const CONCENTRATION: &str = "Concentration";
    /// Eggs in a jar.
    pub const EGGS: &str = "Eggs, settled";
    /// Ohms.
    pub const RESISTANCE: &str = "Resistance";
}

/// One calculator: its title, and labels of its own.
pub mod trough {
    /// Title.
    pub const TITLE: &str = "Von Bayer trough";
    /// Eggs.
    pub const EGGS: &str = "Eggs in the row";
    /// Length.
    pub const LENGTH: &str = "Length of the row";
}
/// A count by volume.
pub mod volume {
    /// Title.
    pub const TITLE: &str = "Count by volume";
    /// Its sample.
    pub const IN: &str = "In";
}
/// A count by displacement.
pub mod displacement {
    /// Title.
    pub const TITLE: &str = "Count by displaced water";
    /// Its sample.
    pub const DISPLACED: &str = "They displaced";
}
/// A count by weight.
pub mod weight {
    /// Title.
    pub const TITLE: &str = "Count by weight";
    /// Its sample.
    pub const SAMPLE: &str = "They weighed, drained";
    /// All of them.
    pub const ALL: &str = "All eggs weigh, drained";
}
/// A share.
pub mod proportion {
    /// Title.
    pub const TITLE: &str = "Share with its interval";
    /// Hits.
    pub const HITS: &str = "Eyed, or alive";
    /// Of how many.
    pub const OF: &str = "Of";
}
/// Titles of those without labels of their own.
pub mod title {
    /// Formalin.
    pub const FORMALIN: &str = "Formalin into flowing water";
    /// Peroxide.
    pub const PEROXIDE: &str = "Hydrogen peroxide (35 %) into flowing water";
    /// Oxygen.
    pub const OXYGEN: &str = "Oxygen in the water";
    /// A stopped jar.
    pub const STOPPED: &str = "How long a stopped jar has";
    /// A running one.
    pub const FLOWING: &str = "Oxygen a jar takes from its water";
    /// A thermistor.
    pub const THERMISTOR: &str = "Thermistor (10 kΩ curve 3)";
}
/// A platinum thermometer.
pub mod platinum {
    /// Title.
    pub const TITLE: &str = "Platinum thermometer";
    /// At 0 °C.
    pub const AT_ZERO: &str = "Resistance at 0 °C";
}
/// Breeders.
pub mod breeders {
    /// Title.
    pub const TITLE: &str = "Effective number of breeders";
    /// Females.
    pub const FEMALES: &str = "Females";
    /// Males.
    pub const MALES: &str = "Males";
}
