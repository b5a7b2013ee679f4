//! Text messages through a modem of our own, over its serial port, in the mode that hands over whole
//! units (3GPP TS 27.005, section 4; commands from 3GPP TS 27.007).
//!
//! [`Machine`] is pure: bytes and the time go in, bytes and findings come out. [`Modem`] opens
//! the port and carries them.

mod fault;
mod inbox;
mod line;
mod machine;
mod port;
mod route;
mod step;

pub use fault::{Fault, Meaning};
pub use line::{LONGEST_LINE, Piece, Splitter};
pub use machine::{Job, JobId, Machine, Output, Verdict};
pub use port::{Modem, TextIn, open};
pub use route::ModemRoute;

use crate::clock::Uptime;

/// How the modem stands in the network.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Registration {
    /// Nothing is known yet.
    #[default]
    Unknown,
    /// At home.
    Home,
    /// In another network.
    Roaming,
    /// Looking for a network.
    Searching,
    /// The network turns it away.
    Denied,
    /// Not registered and not looking, or out of coverage.
    Nowhere,
}

impl Registration {
    /// From the number of `+CREG` or `+CEREG` (3GPP TS 27.007, sections 7.2 and 10.1.22).
    #[must_use]
    pub fn from_stat(stat: u8) -> Self {
        match stat {
            1 => Self::Home,
            5 => Self::Roaming,
            2 => Self::Searching,
            3 => Self::Denied,
            0 | 4 => Self::Nowhere,
            _ => Self::Unknown,
        }
    }

    /// Whether texts can go out.
    #[must_use]
    pub fn registered(self) -> bool {
        matches!(self, Self::Home | Self::Roaming)
    }
}

/// How the modem fares.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ModemHealth {
    /// It is registered and takes texts.
    pub ready: bool,
    /// Its place in the network.
    pub registration: Registration,
    /// Strength as it says it: 0 to 31.
    pub signal: Option<u8>,
    /// Name of the network.
    pub operator: String,
    /// What the modem calls itself.
    pub model: String,
    /// Somebody has to do something: no card, PIN wanted, texting refused.
    pub needs_people: Option<String>,
    /// What went wrong last.
    pub last_error: Option<String>,
    /// Since when it is in the present state.
    pub since: Uptime,
    /// Rungs of the recovery ladder climbed so far.
    pub recoveries: u32,
    /// Lines that were too long to be any.
    pub overlong: u32,
    /// Units that could not be read.
    pub unreadable: u32,
}

impl ModemHealth {
    /// Strength in dBm (3GPP TS 27.007, section 8.5).
    #[must_use]
    pub fn dbm(&self) -> Option<i16> {
        self.signal.map(|signal| -113 + 2 * i16::from(signal))
    }

    /// Too weak to rely on.
    #[must_use]
    pub fn weak(&self) -> bool {
        self.signal.is_some_and(|signal| signal < 6)
    }
}

#[cfg(test)]
mod tests;
