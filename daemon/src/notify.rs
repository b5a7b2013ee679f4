//! Messages to people: who gets which one when, what it says, and how it leaves.
//!
//! [`route`], [`rota`] and [`message`] are pure. [`email`] and [`folder`] carry a message away;
//! [`worker`] takes due messages from the outbox, one task for each route, so that a hung mail
//! server never delays a text.

pub mod email;
pub mod folder;
pub mod gateway;
pub mod gsm;
pub mod message;
pub mod modem;
pub mod reply;
pub mod rota;
pub mod route;
pub mod sounder;
pub mod webhook;
pub mod worker;

use nightjar_calc::time::Span;
use serde::{Deserialize, Serialize};

/// Route by electronic mail.
pub const MAIL: &str = "mail";
/// Route by text message.
pub const TEXT: &str = "text";
/// Route by signed web call.
pub const WEBHOOK: &str = "webhook";
/// Route into a folder of files, for the demo and for drills.
pub const FOLDER: &str = "folder";

/// What a row of the outbox carries as its body.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Body {
    /// Subject, for routes that have one.
    pub subject: String,
    /// The message itself.
    pub text: String,
    /// Address or telephone number.
    pub to: String,
    /// What it is about, as in the key of the row.
    pub about: String,
    /// Key of the first message about the same event to the same person by the same route, when
    /// this is a later one: mail programs then show one thread.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first: Option<String>,
    /// It says that no message can leave, which is no longer so once one does.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub of_silence: bool,
}

/// What became of one attempt to send.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Sent {
    /// The server or network took it, under this name if it said one.
    Accepted(Option<String>),
    /// Not now; try again.
    Retry(String),
    /// Not now, and the other side said when.
    RetryAfter {
        /// What was said.
        why: String,
        /// When to try again.
        after: Span,
    },
    /// This address or number will never take anything.
    AddressDead(String),
    /// This message will never be taken; others may be.
    MessageRefused(String),
    /// The route as a whole turns us away: sign-in refused, or set up wrongly.
    ChannelRefused(String),
}
