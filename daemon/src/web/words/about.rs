//! What numbers mean and where they come from, in a sentence or two each.

/// Eggs of a jar.
pub const EGGS: &str =
    "As booked: loaded, less what was siphoned off and moved. Counts carry the error of their sample.";
/// Minutes without flow.
pub const WITHOUT_FLOW: &str = "A rough estimate from the oxygen in the settled bed, its load, stage and temperature \
    and the height of the place. It errs on the short side. Do not wait for it.";
/// Alarms of a week.
pub const CAME_ON: &str = "Alarms that began in these seven days, as stored. P1: eggs at risk within the hour, or \
    nobody can see them. P2: harm within hours. P3: fix in working hours.";
/// At night.
pub const AT_NIGHT: &str = "Alarms that began between 22:00 and 06:00, local time.";
/// Time to an answer.
pub const ANSWERED: &str = "Minutes from an alarm coming on to the first person who acknowledged it or said that it \
    was fixed, sorted; alarms nobody answered are not in it.";
/// No answer.
pub const UNANSWERED: &str = "Alarms of these seven days that nobody has acknowledged, whether they are still on or not. Target: none.";
/// Short ones.
pub const FLEETING: &str =
    "Cleared within a minute of coming on. Many of them mean that a delay or a deadband is too short.";
/// Paused.
pub const PAUSED: &str = "Hours during which an alarm was paused or out of use, added over all alarms.";
/// Blind.
pub const BLIND: &str =
    "Minutes during which a header, a flow or a temperature could not be seen, added over all of them.";
/// Height.
pub const HEIGHT: &str = "From the configuration. Water holds less oxygen the higher the place is; oxygen and the \
    minutes without flow are worked out with it.";
/// Zone.
pub const ZONE: &str = "From the configuration. All times on the page and in messages are of this zone; what is \
    stored is in universal time.";
/// Clock.
pub const CLOCK: &str = "Whether the computer's clock has been set by the network or a clock chip since the start. \
    Delays of alarms count running time and do not depend on it.";
/// Counters.
pub const COUNTED: &str = "Each counter begins at nothing when the monitor starts. The same numbers, under the same names, are at /metrics.";
/// Signs of life.
pub const BEATS: &str = "Each part of the monitor says that it is at work; one that is silent too long is shown \
    here, is told to the outside watcher, and in the end is started anew.";
