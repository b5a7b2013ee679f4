//! The season, and the account of one jar.

/// Title.
pub const TITLE: &str = "Season";
/// How to take it along.
pub const PRINT: &str = "Print it from the browser, or take the tables as CSV files; {link}.";
/// The link.
pub const COLUMNS: &str = "what the columns mean";
/// To the cards.
pub const CARDS: &str = "Cards for the jars";
/// No such table.
pub const NO_SUCH: &str = "There is no such table, or it has no rows yet.";

/// The account of one jar.
pub mod account {
    /// Heading.
    pub const TITLE: &str = "Account of this jar";
    /// Facts.
    pub const EGGS_IN: &str = "Eggs in";
    /// Gone.
    pub const REMOVED: &str = "Drawn off or dead";
    /// One estimate.
    pub const ALIVE_BY_SIPHON: &str = "Alive by siphon";
    /// The other.
    pub const ALIVE_BY_EYE_UP: &str = "Alive by eye-up";
    /// Shares.
    pub const FERTILIZED: &str = "Fertilized";
    /// Eyed.
    pub const EYED: &str = "Eyed";
    /// What to expect.
    pub const FRY_EXPECTED: &str = "Fry expected";
    /// What came.
    pub const FRY_COUNTED: &str = "Fry counted";
    /// Parents.
    pub const BREEDERS: &str = "Breeders at most";
    /// What it holds.
    pub const WHOLE: &str = "This season, with what the jar held before. Bounds at 95 %. {link}";
    /// The link.
    pub const SEASON: &str = "The whole season";

    /// A share with its bounds, in percent.
    pub fn percent(likely: f64, low: f64, high: f64) -> String {
        format!("{likely:.0} % ({low:.0} to {high:.0} %)")
    }

    /// A number with its bounds.
    pub fn bounded(likely: &str, low: &str, high: &str) -> String {
        format!("{likely} ({low} to {high})")
    }
}
