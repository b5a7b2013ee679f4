//! Cards for the jars.

/// Title.
pub const TITLE: &str = "Jar cards";
/// How to use them; the address stands in the gap.
pub const PRINT: &str = "The code opens the jar's page at {address}. Print this page from the address the phones in the shed use.";
/// On a card.
pub const LOT: &str = "Lot {lot}";
/// Loaded.
pub const SINCE: &str = "since {day}";

/// A code, for those who listen.
pub fn code(text: &str) -> String {
    format!("Code for {text}")
}
