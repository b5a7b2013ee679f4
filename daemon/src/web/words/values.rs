//! Around a value and a moment: where it comes from, how old, how far it can be believed.

/// The time of it may be wrong.
pub const CLOCK: &str = "clock not trusted";
/// Never heard.
pub const NO_READING: &str = "no reading";
/// Bad.
pub const NO_GOOD_READING: &str = "no good reading";
/// Old; how long ago stands in the gap.
pub const OLD: &str = "old, {ago}";
/// In doubt; why stands in the gap.
pub const DOUBT: &str = "? {why}";
/// Taken from the header.
pub const OF_HEADER: &str = "(header)";
/// Behind a flow: what it should be.
pub const OF_SET_POINT: &str = " of {set}";
