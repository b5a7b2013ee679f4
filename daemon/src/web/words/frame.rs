//! The frame around every page: where to go, who is there, how numbers are shown.

/// Pages in the bar: path, name.
pub const PAGES: [(&str, &str); 4] =
    [("/", "Rack"), ("/days", "Days"), ("/alarms", "Alarms"), ("/logbook", "Log")];
/// Pages behind the last place of the bar.
pub const MORE_PAGES: [(&str, &str); 6] = [
    ("/today", "Today"),
    ("/season", "Season"),
    ("/sensors", "Sensors"),
    ("/calculators", "Calculators"),
    ("/messages", "Messages"),
    ("/station", "Station"),
];
/// The last place of the bar.
pub const MORE: &str = "More";
/// What the bar is, for those who listen.
pub const BAR: &str = "Pages";
/// Past the bar, for the keyboard.
pub const SKIP: &str = "Skip to the page";
/// At the foot of every page; the zone stands in the gap.
pub const CARE: &str = "An aid, not a guarantee: look at the jars. All times {zone}.";
/// Nobody signs in; the name stands in the gap.
pub const DEMONSTRATION: &str = "Demonstration: entries are made as {who}";
/// Sign in.
pub const SIGN_IN: &str = "Sign in";
/// Sign out, with the name in the gap.
pub const SIGN_OUT: &str = "Sign out {who}";
/// Nobody can sign in.
pub const READ_ONLY: &str = "Read only: no people are set up";
/// The mark that explains a number, for those who listen.
pub const HELP: &str = "What this means and where it comes from";
/// Name and PIN.
pub const WHO_AND_PIN: &str = "Who and PIN";
/// Label of the list of people.
pub const WHO: &str = "Who";
/// First line of a list.
pub const CHOOSE: &str = "choose";
/// Label of the PIN.
pub const PIN: &str = "PIN";
/// How long a PIN lasts.
pub const PIN_LASTS: &str = "Good for 15 minutes on this device.";

/// How numbers, dates and colours are shown.
pub mod shown {
    /// Opens the choices.
    pub const TITLE: &str = "Units, dates and colours";
    /// Labels.
    pub const TEMPERATURE: &str = "Temperature";
    /// Flow.
    pub const FLOW: &str = "Flow";
    /// Volume.
    pub const VOLUME: &str = "Volume";
    /// Colours.
    pub const COLOURS: &str = "Colours";
    /// Dates.
    pub const DATES: &str = "Dates";
    /// Keeps them.
    pub const KEEP: &str = "Keep on this device";
    /// Degrees.
    pub const DEGREES: [(&str, &str); 2] = [("c", "°C"), ("f", "°F")];
    /// Flows.
    pub const FLOWS: [(&str, &str); 2] = [("l", "L/min"), ("g", "gpm")];
    /// Volumes.
    pub const VOLUMES: [(&str, &str); 2] = [("m", "mL, L"), ("q", "quarts")];
    /// Themes.
    pub const THEMES: [(&str, &str); 3] = [("auto", "as the device"), ("dark", "dark"), ("light", "light")];
    /// Orders of day and month.
    pub const ORDERS: [(&str, &str); 2] = [("d", "25 Apr"), ("n", "Apr 25")];
}
