//! The station: who is told, how messages leave, how the monitor itself is.

use super::count;
use crate::web::backend::Role;

/// Title.
pub const TITLE: &str = "Station";
/// Routes.
pub const ROUTES: &str = "How messages leave";
/// None.
pub const NO_ROUTE: &str = "No route is set up: nobody can be told.";
/// Files.
pub const STORES: &str = "Files and queues";
/// None.
pub const NO_STORE: &str = "Nothing is kept.";
/// No authority.
pub const NO_AUTHORITY: &str = "This station has no authority of its own.";

/// What a person may do.
pub fn role(role: Role) -> &'static str {
    match role {
        Role::Viewer => "viewer",
        Role::Operator => "operator",
        Role::Manager => "manager",
    }
}

/// The place.
pub mod place {
    use super::count;

    /// Heading.
    pub const TITLE: &str = "The place";
    /// Facts.
    pub const RACK: &str = "Rack";
    /// Height.
    pub const HEIGHT: &str = "Height";
    /// Zone.
    pub const ZONE: &str = "Time zone";
    /// Clock.
    pub const CLOCK: &str = "Clock";
    /// It is right.
    pub const TRUSTED: &str = "trusted";
    /// Nobody knows.
    pub const NOT_TRUSTED: &str = "not trusted: times may be wrong";

    /// How large the rack is.
    pub fn rack(jars: usize, headers: usize, sensors: usize) -> String {
        format!("{}, {}, {}", count(jars, "jar"), count(headers, "header"), count(sensors, "sensor"))
    }
}

/// The certificate.
pub mod authority {
    /// Heading.
    pub const TITLE: &str = "This page on your phone, encrypted";
    /// What to do; the link stands in the gap.
    pub const INSTALL: &str = "Install the certificate of this station once on each phone, so that the browser knows the page: {link}";
    /// The link.
    pub const GET: &str = "Get the certificate";
    /// How far it reaches.
    pub const LIMITS: &str =
        "It can vouch only for names and addresses of the local network and of this station.";
}

/// The monitor itself.
pub mod health {
    /// Heading.
    pub const TITLE: &str = "The monitor itself";
    /// All is well.
    pub const WELL: &str = "All parts are at work.";
    /// Something is not.
    pub const NOT_WELL: &str = "Something is wrong with the monitor.";
    /// Too long ago.
    pub const TOO_LONG: &str = "too long";
    /// A source; how it is stands in the gap.
    pub const SOURCE: &str = "{source}: {state}";

    /// When a part last was at work.
    pub fn beat(task: &str, seconds: f64) -> String {
        format!("{task}: last at work {seconds:.1} s ago")
    }
}

/// Who is told.
pub mod on_call {
    /// Heading.
    pub const TITLE: &str = "On call now";
    /// Nobody.
    pub const NOBODY: &str = "Nobody is on call.";
    /// The last drill.
    pub const DRILL: &str = "Last drill {when}: {how}.";
    /// Too long ago.
    pub const DRILL_OLD: &str = "longer than 30 days ago";
    /// None.
    pub const NO_DRILL: &str = "no drill on record";
    /// How to do one; the command stands in the gap.
    pub const TRY: &str = " Try the whole chain with {command}.";
    /// Who came answered.
    pub const ANSWERED: &str = "{comes} answered the text of the hand-over.";
    /// And did not for long.
    pub const STAYS: &str =
        "{comes} has not answered the text of {asked}: {stays} stays on call until they do.";
    /// Not yet.
    pub const ASKED: &str = "{comes} was asked by text {asked} and has not answered yet.";
}

/// People.
pub mod people {
    /// Heading.
    pub const TITLE: &str = "People";
    /// Everybody may.
    pub const DEMONSTRATION: &str = "A demonstration: everybody may make entries.";
    /// Nobody may; the command stands in the gap.
    pub const NOBODY: &str = "Nobody is set up, so the page is read only. Add people to the configuration; {command} makes the hashes.";
    /// Without any secret.
    pub const NO_SIGN_IN: &str = ", cannot sign in";
    /// With a PIN alone.
    pub const PIN_ONLY: &str = ", PIN only";
}

/// Counters.
pub mod numbers {
    /// Heading.
    pub const TITLE: &str = "Counted since the start";
    /// For machines; the links stand in the gaps.
    pub const MACHINES: &str = "The same for machines: {metrics}, {health}, {interface}.";
    /// Links.
    pub const METRICS: &str = "metrics";
    /// Health.
    pub const HEALTH: &str = "health";
    /// The interface.
    pub const INTERFACE: &str = "interface";
}
