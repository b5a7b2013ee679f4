//! Signing in, and the pages that say no.

/// Title, and what the button does.
pub const TITLE: &str = "Sign in";
/// Not without encryption.
pub const NOT_ENCRYPTED: &str = "Passwords cannot be typed here, because the connection is not encrypted.";
/// What is left then.
pub const WITH_A_PIN: &str = "With a PIN, entries and acknowledgments can be made on the pages themselves.";
/// No people; the command stands in the gap.
pub const NOBODY: &str =
    "Nobody is set up yet. Add people to the configuration; the command {command} makes the hashes.";
/// Labels.
pub const NAME: &str = "Short name";
/// Password.
pub const PASSWORD: &str = "Password";
/// A page that says no.
pub const NOTHING_CHANGED: &str = "Nothing was changed";
/// Back from it.
pub const BACK: &str = "Back";
/// A page that is not there.
pub const NOT_HERE: &str = "Not here";
/// What it says.
pub const NO_SUCH_PAGE: &str = "There is no such page.";
/// Where to go from it.
pub const TO_RACK: &str = "To the rack";
