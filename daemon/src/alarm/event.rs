//! What the alarm engine says to the rest of the program.

use crate::ids::PersonId;
use nightjar_calc::time::Timestamp;
use serde::{Deserialize, Serialize};

/// Derived from consequence and time available, never from the kind of instrument. Ordered: the
/// most urgent is the smallest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Priority {
    /// Eggs lost within the hour, or the monitor cannot see them.
    P1,
    /// Harm within hours.
    P2,
    /// Fix in working hours.
    P3,
}

/// The default list of alarms, in its order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AlarmKind {
    /// 1: no flow in a header.
    NoFlowHeader,
    /// 2: no flow in a jar.
    NoFlow,
    /// 3: low flow.
    LowFlow,
    /// 4: high flow.
    HighFlow,
    /// 5: beyond the outer temperature limit, above.
    TempVeryHigh,
    /// 5: beyond the outer temperature limit, below.
    TempVeryLow,
    /// 6: beyond the inner temperature limit, above.
    TempHigh,
    /// 6: beyond the inner temperature limit, below.
    TempLow,
    /// 7: temperature changing fast.
    TempRate,
    /// 8: a jar disagrees with its header.
    Disagrees,
    /// 9: at least half the channels of a header without good data.
    BlindHeader,
    /// 10: a flow channel without good data.
    BlindFlow,
    /// 11: a temperature channel without good data.
    BlindTemp,
    /// 12: a reading stuck.
    Stuck,
    /// 13: mains lost.
    MainsLost,
    /// 14: one route cannot send.
    CannotSend,
    /// 15: no route can send.
    CannotSendAtAll,
    /// 16: clock not trusted.
    ClockUntrusted,
    /// 17: storage failing.
    StorageFailing,
    /// 18: restarted too often.
    Restarted,
    /// 19: nobody on call.
    RotaHole,
    /// 20: out of use past its planned end.
    OutOfUseTooLong,
    /// The configuration in use is not the one on disk.
    ConfigFallback,
    /// Somebody tries the chain.
    Drill,
}

/// What an alarm is about.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(tag = "on", content = "id", rename_all = "snake_case")]
pub enum Asset {
    /// The whole site.
    Site,
    /// The water supply of the site.
    Supply,
    /// One of several supplies, by name: a pump or tank that feeds some of the headers.
    Pump(String),
    /// A header, by name.
    Header(String),
    /// A jar, by name.
    Jar(String),
    /// The monitor itself.
    Monitor,
    /// A source: bus, port, broker.
    Node(String),
    /// One sensor.
    Sensor(String),
    /// A route for messages.
    Route(String),
}

/// Three characters people answer with. A label, not a credential.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Code(pub String);

/// Identifies one event: an alarm from its activation until it closes. Unique in the database.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct EventId(pub u64);

/// What just changed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "change", rename_all = "snake_case")]
pub enum Change {
    /// On, nobody has answered.
    Raised,
    /// On again within half an hour of clearing, for the n-th time.
    Again {
        /// How often by now.
        times: u32,
    },
    /// A limit of higher priority was passed.
    Worsened,
    /// Enough further members joined to say so.
    Grew,
    /// Somebody said they know.
    Acknowledged {
        /// Who.
        by: PersonId,
        /// Until when the nagging stops.
        until: Timestamp,
    },
    /// Still on when the acknowledgment ended.
    Reminder,
    /// Off.
    Cleared,
    /// Somebody said it is fixed.
    Confirmed {
        /// Who.
        by: PersonId,
    },
    /// Paused by a person.
    Shelved {
        /// Who.
        by: PersonId,
        /// Until when.
        until: Timestamp,
    },
    /// Covered by another alarm, or by a rule.
    Covered {
        /// The cause, in words.
        by: String,
    },
    /// Out of use by a person.
    OutOfService {
        /// Who.
        by: PersonId,
        /// Planned end.
        until: Timestamp,
        /// Why.
        reason: String,
    },
    /// A pause, cover or out-of-use ended.
    Unsuppressed,
}

/// One change of one event, complete enough to write a message from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AlarmEvent {
    /// Which event.
    pub event: EventId,
    /// Counts the changes of the event from 1.
    pub seq: u32,
    /// What changed.
    #[serde(flatten)]
    pub change: Change,
    /// Which alarm.
    pub kind: AlarmKind,
    /// About what.
    pub asset: Asset,
    /// How urgent.
    pub priority: Priority,
    /// Jars (or other members) in alarm, worst first.
    pub members: Vec<String>,
    /// Members there are.
    pub members_total: u32,
    /// Last good value.
    pub value: Option<f64>,
    /// The limit it passed.
    pub limit: Option<f64>,
    /// Unit of both.
    pub unit: String,
    /// When the condition began.
    pub since: Timestamp,
    /// When this change was decided.
    pub at: Timestamp,
    /// Whether the wall clock could be trusted.
    pub clock_trusted: bool,
    /// What to answer with.
    pub code: Code,
    /// Minutes the eggs of the worst jar have, with the jar, when that can be said.
    pub eggs_have: Option<EggsHave>,
    /// Likely cause or trend, a few words.
    pub hint: String,
    /// The value could not be verified since: the sensor went silent or bad.
    pub unverified: bool,
    /// On and off too often: held on, and its numbers want a look.
    #[serde(default)]
    pub chattering: bool,
}

/// How long the worst jar's eggs have without flow.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EggsHave {
    /// Which jar.
    pub jar: String,
    /// Likely minutes.
    pub minutes: f64,
    /// On the short side.
    pub minutes_short: f64,
    /// Developmental stage, in a word.
    pub stage: String,
}
