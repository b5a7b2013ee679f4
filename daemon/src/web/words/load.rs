//! Loading several jars at once.

use super::count;
use super::entering::problem;

/// Title.
pub const TITLE: &str = "Load several jars";
/// Which lot.
pub const WHICH: &str = "Which eggs";
/// None of those there are.
pub const NEW_TAKE: &str = "a new take";
/// Labels.
pub const VOLUME: &str = "Eggs in each jar, settled";
/// Its time.
pub const LOADED: &str = "Loaded";
/// Species.
pub const SPECIES: &str = "Species";
/// Water.
pub const WATER: &str = "Lake or river";
/// Fertilization.
pub const FERTILIZED: &str = "Fertilized";
/// Females.
pub const FEMALES: &str = "Females";
/// Males.
pub const MALES: &str = "Males";
/// Eggs to the litre.
pub const PER_LITRE: &str = "Eggs to the litre (if counted)";
/// The name of both.
pub const NAME: &str = "Name of take and lot";
/// What it may be made of.
pub const NAME_HINT: &str = "letters, digits, - _ .";
/// The jars.
pub const EMPTY_JARS: &str = "Into the empty jars";
/// None.
pub const NO_EMPTY: &str = "No jar is empty.";
/// The others.
pub const FULL_JARS: &str = "Jars that hold eggs";
/// In a jar whose lot nobody knows.
pub const EGGS: &str = "eggs";
/// Does it.
pub const SAVE: &str = "Save";
/// Back.
pub const TO_RACK: &str = "To the rack";
/// Why entries of a form were taken back, as the logbook keeps it.
pub const PART_REFUSED: &str = "undone: a later entry of the same form was refused";

/// What was made.
pub fn loaded(jars: usize) -> String {
    format!("Saved: {} loaded.", count(jars, "jar"))
}

/// Labels where something is wrong.
pub mod wrong {
    use super::problem;

    /// Volume.
    pub const VOLUME: &str = "Eggs in each jar";
    /// Eggs to the litre.
    pub const PER_LITRE: &str = "Eggs to the litre";
    /// Lot.
    pub const LOT: &str = "Lot";
    /// No jar.
    pub const NO_JAR: &str = "Choose at least one jar.";
    /// No moment; behind its label.
    pub const CHOOSE_WHEN: &str = "choose when";

    /// Not typed.
    pub fn missing(label: &str) -> String {
        problem::of(label, problem::MISSING)
    }

    /// No number, or too large.
    pub fn number(label: &str, text: &str, high: f64) -> String {
        format!("{label}: \"{text:.24}\" is no number from 0 to {high}")
    }
}
