//! What the network's and the modem's refusals mean. Numbers: 3GPP TS 24.011, annex E; 3GPP TS
//! 23.040, section 9.2.3.22; 3GPP TS 27.005, section 3.2.5.

use std::fmt;

/// What to do about a refusal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// The network is busy: try again.
    Later,
    /// No network, or a failure without a name: look at the registration, try again.
    Network,
    /// The card is busy: try again in five seconds.
    CardBusy,
    /// This number will never take a text.
    NumberDead,
    /// The other side turned it away: twice more, then the number counts as dead.
    TurnedAway,
    /// Texting is refused to this card: credit or plan.
    Refused,
    /// Set up wrongly: begin anew once.
    Setup,
    /// No card, or it wants a PIN, or it failed.
    Card,
    /// The store for incoming texts is full.
    Full,
    /// Means nothing.
    Nothing,
}

/// A final answer that is not `OK`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// `ERROR`.
    Plain,
    /// `+CMS ERROR: n`.
    Message(u16),
    /// `+CME ERROR: n`.
    Equipment(u16),
}

impl Fault {
    /// What it means for a text that was to go out.
    #[must_use]
    pub fn meaning(self) -> Meaning {
        match self {
            Self::Plain => Meaning::Network,
            Self::Message(code) => by_code(code),
            // 10 to 18: no card, PIN, PUK, failure, busy, wrong (3GPP TS 27.007, section 9.2.1).
            Self::Equipment(14) => Meaning::CardBusy,
            Self::Equipment(10..=18) => Meaning::Card,
            Self::Equipment(3 | 4) => Meaning::Setup,
            Self::Equipment(_) => Meaning::Network,
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Plain => f.write_str("refused without a reason"),
            Self::Message(code) => write!(f, "refused with +CMS ERROR {code} ({})", words(by_code(*code))),
            Self::Equipment(code) => write!(f, "refused with +CME ERROR {code} ({})", words(self.meaning())),
        }
    }
}

fn by_code(code: u16) -> Meaning {
    match code {
        38 | 41 | 42 | 47 | 192 | 194 => Meaning::Later,
        331 | 332 | 500 | 512..=532 => Meaning::Network,
        314 => Meaning::CardBusy,
        1 | 28 | 30 | 195 | 196 => Meaning::NumberDead,
        8 | 10 | 50 | 69 | 193 => Meaning::Refused,
        21 | 27 => Meaning::TurnedAway,
        302..=305 | 330 => Meaning::Setup,
        310..=318 => Meaning::Card,
        208 | 211 | 322 => Meaning::Full,
        340 => Meaning::Nothing,
        _ => Meaning::Network,
    }
}

fn words(meaning: Meaning) -> &'static str {
    match meaning {
        Meaning::Later => "the network is busy",
        Meaning::Network => "no network, or no reason given",
        Meaning::CardBusy => "the card is busy",
        Meaning::NumberDead => "no such number, or it takes no texts",
        Meaning::TurnedAway => "turned away by the other side",
        Meaning::Refused => "texting is refused to this card: look at its credit and plan",
        Meaning::Setup => "not allowed as the modem is set up",
        Meaning::Card => "no card, or it wants a PIN, or it failed",
        Meaning::Full => "the store for incoming texts is full",
        Meaning::Nothing => "means nothing",
    }
}
