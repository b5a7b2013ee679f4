//! What the page needs from the rest of the program, and nothing more: the present as a snapshot,
//! the past through [`History`], and one way to ask for a change.

use crate::alarm::event::{AlarmEvent, AlarmKind, Asset, EventId};
use crate::clock::Clock;
pub use crate::config::checked::Role;
use crate::ids::PersonId;
use crate::logbook::Entry;
use crate::rack::{JarIx, Rack};
use crate::reading::SensorIx;
use crate::snapshot::Snapshot;
use nightjar_calc::time::Timestamp;
use std::net::IpAddr;
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot, watch};
use tokio_util::sync::CancellationToken;

/// Requests for a change that may wait for the core at one time. More than this and people get
/// "busy, try again" at once, which is better than a page that hangs.
pub const COMMANDS_WAITING: usize = 32;

/// Everything the page is made from.
#[derive(Clone)]
pub struct Backend {
    /// What does not change while the process runs.
    pub rack: Arc<Rack>,
    /// The present.
    pub snapshot: watch::Receiver<Arc<Snapshot>>,
    /// The way to ask for a change. Made with [`COMMANDS_WAITING`] places.
    pub commands: mpsc::Sender<Asked>,
    /// The past.
    pub history: Arc<dyn History>,
    /// Time.
    pub clock: Arc<dyn Clock>,
    /// Who may do what.
    pub people: Arc<Vec<Person>>,
    /// From where, and how much without a name.
    pub access: Access,
    /// Species that can be chosen: key and name.
    pub species: Arc<Vec<Species>>,
    /// Limits in force for a jar, for the charts.
    pub limits: Arc<dyn Fn(JarIx) -> JarLimits + Send + Sync>,
    /// Whether the program itself is well.
    pub health: Arc<dyn Fn() -> HealthView + Send + Sync>,
    /// Where sessions are kept beyond a restart; without it a restart signs everybody out.
    pub sessions: Option<Arc<dyn SessionBook>>,
    /// What the station page tells about rota, routes, files and queues.
    pub station: Arc<dyn Fn() -> StationFacts + Send + Sync>,
    /// Ends the event streams and the server.
    pub stop: CancellationToken,
}

/// A session kept beyond a restart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptSession {
    /// Whose.
    pub person: PersonId,
    /// When it began.
    pub created_at: Timestamp,
    /// When it was last used, within half an hour.
    pub used_at: Timestamp,
}

/// Keeps password sessions by the SHA-256 of their token. Writes are handed over and not waited
/// for; a session that was not written only has to be begun again.
pub trait SessionBook: Send + Sync + 'static {
    /// A session began.
    fn put(&self, token_hash: [u8; 32], session: KeptSession);
    /// A session by its token.
    fn find(&self, token_hash: &[u8; 32]) -> Option<KeptSession>;
    /// A session was used.
    fn touch(&self, token_hash: [u8; 32], at: Timestamp);
    /// A session ended.
    fn end(&self, token_hash: [u8; 32]);
}

/// What the station page tells beside the snapshot: lines of name and words, ready to be read.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StationFacts {
    /// Who is on call: slot and person, in the order in which they are told.
    pub rota: Vec<(String, String)>,
    /// Routes messages take: name, and how it does.
    pub routes: Vec<(String, String)>,
    /// When the chain was last tried out, and how it went.
    pub last_drill: Option<(Timestamp, String)>,
    /// Files and queues: name, and how full.
    pub stores: Vec<(String, String)>,
    /// The certificate of the station's own authority, for phones, in PEM form.
    pub authority: Option<String>,
}

/// One request for a change, with the place for its answer.
#[derive(Debug)]
pub struct Asked {
    /// What is wanted.
    pub command: Command,
    /// Where the answer goes.
    pub reply: oneshot::Sender<Reply>,
}

/// A change somebody asks for. Who may ask for it has been checked.
#[derive(Clone, Debug, PartialEq)]
pub enum Command {
    /// Put this into the logbook.
    Entry(Box<Entry>),
    /// Somebody knows.
    Acknowledge {
        /// Of what.
        event: EventId,
        /// Who.
        by: PersonId,
    },
    /// Somebody answers the text of the hand-over.
    OnCall {
        /// Who.
        by: PersonId,
    },
    /// Somebody says it is fixed.
    Confirm {
        /// What.
        event: EventId,
        /// Who.
        by: PersonId,
    },
    /// Pause an alarm.
    Shelve {
        /// Which.
        event: EventId,
        /// Until when at most.
        until: Timestamp,
        /// Ends already when the alarm clears.
        one_shot: bool,
        /// Why.
        reason: String,
        /// Who.
        by: PersonId,
    },
    /// End a pause.
    Unshelve {
        /// Of which.
        event: EventId,
        /// Who.
        by: PersonId,
    },
    /// Take an alarm out of use.
    OutOfService {
        /// Which alarm.
        kind: AlarmKind,
        /// About what.
        asset: Asset,
        /// Planned end.
        until: Timestamp,
        /// Why.
        reason: String,
        /// Who.
        by: PersonId,
    },
    /// Take it back into use.
    BackInService {
        /// Which alarm.
        kind: AlarmKind,
        /// About what.
        asset: Asset,
        /// Who.
        by: PersonId,
    },
}

/// The core's answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reply {
    /// Done, and on disk.
    Done,
    /// It had been done before; nothing changed.
    Already,
    /// Not done, and why, for people.
    Refused(String),
    /// Not done because it could not be written: worth trying again.
    NotWritten(String),
}

/// Somebody who can sign in.
#[derive(Clone, Debug)]
pub struct Person {
    /// Short name, as in entries.
    pub id: PersonId,
    /// Name for people.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// PHC string of the password, when they may sign in.
    pub password: Option<Hashed>,
    /// PHC string of the PIN, when they may use one on site.
    pub pin: Option<Hashed>,
}

/// A password hash as PHC string. Never printed.
#[derive(Clone)]
pub struct Hashed(pub String);

impl std::fmt::Debug for Hashed {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("[hidden]")
    }
}

/// From where the page may be used, and how much of it without a name.
#[derive(Clone, Debug)]
pub struct Access {
    /// Anybody who reaches the page may read it.
    pub reading_open: bool,
    /// Connections are encrypted: cookies are marked so.
    pub secure: bool,
    /// Passwords may be typed here. Should be off on an unencrypted network.
    pub sign_in: bool,
    /// Everybody may make changes under this name. For demonstrations only.
    pub demo: Option<PersonId>,
    /// Host names the page answers to besides addresses, bare names and `.local`.
    pub hosts: Vec<String>,
}

/// A species that can be chosen in a form.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Species {
    /// Its key.
    pub key: String,
    /// Its name.
    pub name: String,
}

/// Limits in force for one jar; `None` where there is none.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct JarLimits {
    /// Outer and inner lower limit of temperature, °C.
    pub temp_very_low: Option<f64>,
    /// °C.
    pub temp_low: Option<f64>,
    /// °C.
    pub temp_high: Option<f64>,
    /// °C.
    pub temp_very_high: Option<f64>,
    /// Below this there is no flow, L/min.
    pub flow_none: Option<f64>,
    /// L/min.
    pub flow_low: Option<f64>,
    /// L/min.
    pub flow_high: Option<f64>,
}

/// Whether the program itself is well.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HealthView {
    /// Each vital task: name, seconds since its last useful work, and how many it may take.
    pub beats: Vec<Beat>,
    /// What else is wrong, in words.
    pub faults: Vec<String>,
    /// Numbers for machines: name in OpenMetrics form, help, kind, value.
    pub metrics: Vec<Metric>,
}

/// The pulse of one vital task.
#[derive(Clone, Debug, PartialEq)]
pub struct Beat {
    /// Its name.
    pub task: &'static str,
    /// Seconds since its last useful work.
    pub age_s: f64,
    /// Seconds it may take.
    pub limit_s: f64,
}

impl Beat {
    /// True while it is alive.
    #[must_use]
    pub fn fresh(&self) -> bool {
        self.age_s <= self.limit_s
    }
}

/// One number for machines.
#[derive(Clone, Debug, PartialEq)]
pub struct Metric {
    /// Without the `nightjar_` in front.
    pub name: &'static str,
    /// What it counts.
    pub help: &'static str,
    /// True for a count that only grows.
    pub counter: bool,
    /// Label and value, when there are several of them.
    pub label: Option<(&'static str, String)>,
    /// The number.
    pub value: f64,
}

impl HealthView {
    /// True when nothing is wrong.
    #[must_use]
    pub fn is_well(&self) -> bool {
        self.faults.is_empty() && self.beats.iter().all(Beat::fresh)
    }
}

/// Why the past could not be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{}", super::words::refusals::record(.0))]
pub struct HistoryFault(pub String);

/// A stretch of time, `from` included, `to` not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Begin.
    pub from: Timestamp,
    /// End.
    pub to: Timestamp,
}

/// Samples of one sensor in one slice of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bucket {
    /// Time of the first sample in it.
    pub first_at: Timestamp,
    /// Time of the last sample in it.
    pub last_at: Timestamp,
    /// First value.
    pub first: f64,
    /// Last value.
    pub last: f64,
    /// Smallest value.
    pub min: f64,
    /// Largest value.
    pub max: f64,
    /// Samples in it that are not simply good.
    pub doubtful: u32,
    /// All samples in it.
    pub samples: u32,
}

/// Samples of one sensor, reduced so that no peak is lost.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Series {
    /// In order of time; slices without samples are absent.
    pub buckets: Vec<Bucket>,
    /// Stretches longer than the sensor may be silent.
    pub gaps: Vec<Gap>,
}

/// A stretch without samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    /// From the last sample before it to the first after it.
    pub stretch: Stretch,
    /// True when the thermal sum was carried over it.
    pub bridged: bool,
}

/// Which entries are wanted.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EntryFilter {
    /// About this jar.
    pub jar: Option<String>,
    /// Of this kind, as in the JSON form: `siphon`.
    pub kind: Option<String>,
    /// Happened before this.
    pub before: Option<Timestamp>,
    /// At most so many.
    pub limit: usize,
}

/// An entry and what became of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Booked {
    /// The entry.
    pub entry: Entry,
    /// The entry that takes it back, when there is one: its writer, its time, its reason.
    pub voided: Option<(PersonId, Timestamp, String)>,
}

/// A message that was or would have been sent.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    /// Row of the outbox.
    pub id: u64,
    /// When it was decided.
    pub at: Timestamp,
    /// Name of the person.
    pub to: String,
    /// `text`, `mail`, `webhook`, `page`.
    pub route: String,
    /// Event it is about.
    pub event: Option<EventId>,
    /// Subject, if it has one.
    pub subject: String,
    /// The words.
    pub text: String,
    /// What became of it.
    pub fate: Fate,
}

/// What became of a message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fate {
    /// Waits to be sent; attempts so far and the last answer.
    Waiting {
        /// Tried so often.
        attempts: u32,
        /// What the other side said.
        answer: String,
    },
    /// Taken by the other side.
    Sent {
        /// When.
        at: Timestamp,
    },
    /// Given up.
    Failed {
        /// What the other side said.
        answer: String,
    },
    /// Would have been sent; sending is switched off.
    Withheld,
}

/// Reads of the past. Called off the async threads; may block for the length of a query.
pub trait History: Send + Sync + 'static {
    /// Samples of a sensor reduced to at most `buckets` slices, minimum and maximum kept.
    ///
    /// # Errors
    /// When the record cannot be read.
    fn series(&self, sensor: SensorIx, span: Stretch, buckets: usize) -> Result<Series, HistoryFault>;
    /// Entries of the logbook, newest first.
    ///
    /// # Errors
    /// When the record cannot be read.
    fn entries(&self, filter: &EntryFilter) -> Result<Vec<Booked>, HistoryFault>;
    /// What alarms did, newest first; of one event or of all.
    ///
    /// # Errors
    /// When the record cannot be read.
    fn journal(&self, event: Option<EventId>, limit: usize) -> Result<Vec<AlarmEvent>, HistoryFault>;
    /// The outbox, newest first; of one event or of all.
    ///
    /// # Errors
    /// When the record cannot be read.
    fn messages(&self, event: Option<EventId>, limit: usize) -> Result<Vec<Message>, HistoryFault>;
}

/// The other end of a connection, put into each request by the server.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct PeerAddress(pub IpAddr);
