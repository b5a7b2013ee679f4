//! One command of the dialogue: what is written, how long it may take, which lines belong to it.

use nightjar_calc::time::Span;

/// A command.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    Attention,
    EchoOff,
    Verbose,
    NumericErrors,
    Serial,
    Model,
    Function,
    FunctionOn,
    Card,
    EnterPin,
    Registered,
    RegisteredLte,
    Signal,
    Operator,
    Centre,
    UnitMode,
    Store,
    StoreOnCard,
    Notice,
    NoticeDirect,
    List,
    Read(u16),
    Delete(u16),
    /// Announces a unit of so many octets; the answer is the prompt.
    Announce(usize),
    /// The unit itself is on its way.
    Unit,
    Reset,
}

/// From a modem that says nothing to one that takes texts.
pub(super) const START: [Step; 17] = [
    Step::Attention,
    Step::EchoOff,
    Step::Verbose,
    Step::NumericErrors,
    Step::Serial,
    Step::Model,
    Step::Function,
    Step::Card,
    Step::Registered,
    Step::RegisteredLte,
    Step::Signal,
    Step::Operator,
    Step::Centre,
    Step::UnitMode,
    Step::Store,
    Step::Notice,
    Step::List,
];

/// What is asked once an hour.
pub(super) const HEALTH: [Step; 7] = [
    Step::Attention,
    Step::Card,
    Step::Registered,
    Step::RegisteredLte,
    Step::Signal,
    Step::Operator,
    Step::List,
];

impl Step {
    /// The command, without its end. The PIN is filled in elsewhere.
    pub(super) fn command(self) -> String {
        match self {
            Self::Attention => "AT".into(),
            Self::EchoOff => "ATE0".into(),
            Self::Verbose => "ATV1".into(),
            Self::NumericErrors => "AT+CMEE=1".into(),
            Self::Serial => "AT+CGSN".into(),
            Self::Model => "AT+CGMM".into(),
            Self::Function => "AT+CFUN?".into(),
            Self::FunctionOn => "AT+CFUN=1".into(),
            Self::Card => "AT+CPIN?".into(),
            Self::EnterPin | Self::Unit => String::new(),
            Self::Registered => "AT+CREG?".into(),
            Self::RegisteredLte => "AT+CEREG?".into(),
            Self::Signal => "AT+CSQ".into(),
            Self::Operator => "AT+COPS?".into(),
            Self::Centre => "AT+CSCA?".into(),
            Self::UnitMode => "AT+CMGF=0".into(),
            Self::Store => "AT+CPMS=\"ME\",\"ME\",\"ME\"".into(),
            Self::StoreOnCard => "AT+CPMS=\"SM\",\"SM\",\"SM\"".into(),
            Self::Notice => "AT+CNMI=2,1,0,2,0".into(),
            Self::NoticeDirect => "AT+CNMI=2,1,0,1,0".into(),
            Self::List => "AT+CMGL=4".into(),
            Self::Read(index) => format!("AT+CMGR={index}"),
            Self::Delete(index) => format!("AT+CMGD={index}"),
            Self::Announce(octets) => format!("AT+CMGS={octets}"),
            Self::Reset => "AT+CFUN=1,1".into(),
        }
    }

    pub(super) fn limit(self) -> Span {
        Span::from_secs(match self {
            Self::Attention => 1,
            Self::List | Self::FunctionOn | Self::EnterPin | Self::Reset => 20,
            Self::Operator | Self::Unit => 60,
            Self::Announce(_) => 10,
            Self::EchoOff
            | Self::Verbose
            | Self::NumericErrors
            | Self::Serial
            | Self::Model
            | Self::Function
            | Self::Card
            | Self::Registered
            | Self::RegisteredLte
            | Self::Signal
            | Self::Centre
            | Self::UnitMode
            | Self::Store
            | Self::StoreOnCard
            | Self::Notice
            | Self::NoticeDirect
            | Self::Read(_)
            | Self::Delete(_) => 10,
        })
    }

    /// Start of the lines that are its answer; empty when any line may be.
    pub(super) fn prefix(self) -> Option<&'static str> {
        match self {
            Self::Serial | Self::Model => Some(""),
            Self::Function => Some("+CFUN:"),
            Self::Card => Some("+CPIN:"),
            Self::Registered => Some("+CREG:"),
            Self::RegisteredLte => Some("+CEREG:"),
            Self::Signal => Some("+CSQ:"),
            Self::Operator => Some("+COPS:"),
            Self::Unit => Some("+CMGS:"),
            Self::Attention
            | Self::EchoOff
            | Self::Verbose
            | Self::NumericErrors
            | Self::FunctionOn
            | Self::EnterPin
            | Self::Centre
            | Self::UnitMode
            | Self::Store
            | Self::StoreOnCard
            | Self::Notice
            | Self::NoticeDirect
            | Self::List
            | Self::Read(_)
            | Self::Delete(_)
            | Self::Announce(_)
            | Self::Reset => None,
        }
    }

    /// Whether the start goes on when the modem does not know the command.
    pub(super) fn may_fail(self) -> bool {
        !matches!(self, Self::Attention | Self::Card | Self::UnitMode | Self::EnterPin)
    }
}
