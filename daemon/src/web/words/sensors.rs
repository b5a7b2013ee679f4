//! Sensors and their sources.

/// Title.
pub const TITLE: &str = "Sensors";
/// Back to all of them.
pub const BACK: &str = "‹ Sensors";
/// Sources.
pub const SOURCES: &str = "Where readings come from";
/// None.
pub const NO_SOURCE: &str = "No source is set up.";
/// A source that talks.
pub const CONNECTED: &str = "connected";
/// One that does not.
pub const NOT_CONNECTED: &str = "not connected";
/// Since when.
pub const SINCE: &str = " since {when}";
/// How much came.
pub const FRAMES: &str = " · {taken} taken, {refused} refused";
/// Columns, and labels of facts.
pub const SENSOR: &str = "Sensor";
/// Its place.
pub const WHERE: &str = "Where";
/// Its value.
pub const NOW: &str = "Now";
/// When.
pub const HEARD: &str = "Heard";
/// How many were refused.
pub const BAD: &str = "Bad";
/// What is added.
pub const CORRECTION: &str = "Correction";
/// Not once.
pub const NEVER: &str = "never";
/// Silent.
pub const SILENT: &str = "silent too long";
/// So many of so many.
pub const OF: &str = "{bad} of {all}";
/// At no jar and no header.
pub const SITE: &str = "site";
/// Mains.
pub const ON_MAINS: &str = "on mains";
/// No mains.
pub const ON_BATTERY: &str = "on battery";
/// Without a correction.
pub const NO_CORRECTION: &str = "none";
/// What kind of sensor, before its correction.
pub const THERMISTOR: &str = "thermistor, ";
/// Platinum.
pub const PLATINUM: &str = "platinum, ";
/// Pulses.
pub const PULSES: &str = "pulses, ";
/// A current loop.
pub const LOOP: &str = "4 to 20 mA, ";

/// One sensor.
pub mod one {
    /// No such sensor.
    pub const NO_SUCH: &str = "There is no such sensor on this rack.";
    /// Headings.
    pub const LAST_DAY: &str = "Last day";
    /// Its history.
    pub const CHECKS: &str = "Checks and moves";
    /// Mains and battery.
    pub const NOTHING_TO_DRAW: &str = "It says yes or no; there is nothing to draw.";
    /// Facts.
    pub const BAD: &str = "Bad readings";
    /// Correction.
    pub const CORRECTION: &str = "Correction in force";
    /// Range.
    pub const BELIEVED: &str = "Believed between";
    /// Its bounds.
    pub const AND: &str = "{low} and {high}";
    /// Interval.
    pub const EXPECTED: &str = "Expected every";
    /// How it wavers.
    pub const WAVERS: &str = "Within a quarter of an hour the readings lie {spread} apart or less, in nine quarters of ten. Suggested deadband: {deadband}.";
    /// Where that comes from, for those who listen.
    pub const WAVERS_WHY: &str = "Where this suggestion comes from";
    /// The same in full; the command stands in the gap.
    pub const WAVERS_SOURCE: &str = "As wide as that spread, rounded up: an alarm that was raised by the sensor's own wavering would otherwise clear and come again. Our own rule, no source. Try it on recorded data with {command} before trusting it.";
    /// Too little to say.
    pub const TOO_FEW: &str = "Too few good readings in the last day to say how much it wavers.";
    /// No history.
    pub const NO_CHECKS: &str = "No check and no move is on record: nobody knows how right it is.";
    /// To the form.
    pub const ENTER: &str = "Enter a check";

    /// Title.
    pub fn title(id: &str) -> String {
        format!("Sensor {id}")
    }
}
