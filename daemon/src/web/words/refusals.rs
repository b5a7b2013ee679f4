//! Why something was not done or not shown. They stand on pages and in answers of the JSON interface alike.

/// Nobody is signed in.
pub const SIGN_IN: &str = "sign in first, or give your name and PIN";
/// A weighty change.
pub const PASSWORD_AGAIN: &str = "type your password again for this";
/// A form of another session.
pub const OLD_FORM: &str = "this form is too old; please look at the page again and repeat";
/// The core has too much to do.
pub const BUSY: &str = "busy; nothing was changed, try again in a moment";
/// Nobody knows.
pub const NO_ANSWER: &str = "no answer from the monitor; look whether it was done before you repeat it";
/// Name or secret; which of them is not said.
pub const WRONG: &str = "that name and secret do not fit";
/// Others are being checked.
pub const GATE_BUSY: &str = "busy; try again in a moment";
/// The record.
pub const RECORD_CLOSED: &str = "the record is closed";
/// Not to be read.
pub const RECORD_UNREADABLE: &str = "the record could not be read";
/// The books.
pub const NO_BOOKS: &str = "the books could not be made";

/// The record, and why.
pub fn record(why: &str) -> String {
    format!("the record cannot be read: {why}")
}

/// The role is too small.
pub fn role(role: &str) -> String {
    format!("this needs the role {role}")
}

/// It could not be written.
pub fn not_written(why: &str) -> String {
    format!("not written: {why}; nothing was changed, try again in a moment")
}

/// Too many wrong secrets.
pub fn wait(seconds: i64) -> String {
    format!("too many tries; wait {seconds} s and try again")
}

/// An unknown species.
pub fn no_species(name: &str) -> String {
    format!("no species is called \"{name}\"")
}

/// Before a page is looked at.
pub mod request {
    /// Too many.
    pub const TOO_MANY: &str = "too many requests; wait a second";
    /// Its address.
    pub const ADDRESS_TOO_LONG: &str = "the address is too long";
    /// Its name.
    pub const OTHER_NAME: &str = "this page does not go by that name";
    /// Its body.
    pub const TOO_LARGE: &str = "that is more than this page takes at once";
    /// From elsewhere.
    pub const FROM_ELSEWHERE: &str = "changes must come from the page itself";
    /// Another method.
    pub const METHOD: &str = "only GET, HEAD and POST are answered";
    /// Nothing to follow.
    pub const NO_LIVE_VIEW: &str = "no such live view";
    /// Too many that follow.
    pub const TOO_MANY_LIVE: &str = "too many live pages";
}

/// Of the JSON interface. What stands before a colon is the name of what was sent.
pub mod interface {
    /// No such address.
    pub const NO_SUCH: &str = "no such resource; see /api/v1/openapi.json";
    /// Not for everybody.
    pub const SIGN_IN: &str = "sign in first; reading is not open here";
    /// Jars.
    pub const NO_JAR: &str = "no such jar on this rack";
    /// Without eggs.
    pub const NO_SUM: &str = "no eggs with a known sum in this jar";
    /// Without anything.
    pub const EMPTY_JAR: &str = "the jar is empty";
    /// Sensors.
    pub const NO_SENSOR: &str = "no such sensor";
    /// A stretch of time.
    pub const STRETCH: &str = "from must be before to, by at most 400 days";
    /// An alarm.
    pub const EVENT: &str = "event: write a whole number";
    /// A level of the accounts.
    pub const BY: &str = "by: write season, species, water, lot, take or jar";
    /// An agent.
    pub const AGENT: &str = "agent: write formalin or hydrogen_peroxide";
    /// Nothing sent.
    pub const CONCENTRATION: &str = "concentration: is missing";
    /// Another kind of body.
    pub const SEND_JSON: &str = "send application/json";
    /// Not text.
    pub const NOT_UTF8: &str = "the body is not UTF-8";
    /// More than one.
    pub const ONE_ENTRY: &str = "one entry at a time; something follows it";
    /// The name of an entry.
    pub const ENTRY_ID: &str = "id: use 8 to 64 letters, digits or hyphens";
    /// Passwords without encryption.
    pub const NOT_ENCRYPTED: &str = "passwords cannot be sent here: the connection is not encrypted";

    /// What was sent, and what is wrong with it.
    pub fn about(name: &str, wrong: &str) -> String {
        format!("{name}: {wrong}")
    }

    /// Not a whole number, or outside.
    pub fn whole_number(name: &str, most: usize) -> String {
        format!("{name}: write a whole number from 1 to {most}")
    }

    /// Not a number.
    pub fn number(name: &str) -> String {
        format!("{name}: write a number")
    }

    /// A session of another person.
    pub fn session_of(who: &str) -> String {
        format!("who: this session is {who}'s")
    }

    /// For another person.
    pub fn cannot_write_for(name: &str, other: &str) -> String {
        format!("who: {name} cannot write for {other}")
    }
}
