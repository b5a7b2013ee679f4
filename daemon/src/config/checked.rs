//! The configuration once it is right: values that need no further check.

use crate::ids::{PersonId, SensorId, SourceId};
use crate::rack::Rack;
use nightjar_calc::time::{Span, Timestamp};
use std::collections::BTreeMap;
use std::fmt;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;

/// A checked configuration.
#[derive(Clone, Debug)]
pub struct Config {
    /// The station as it stands.
    pub rack: Arc<Rack>,
    /// What the crew calls its pump or intake.
    pub supply: String,
    /// Kind of source water, for the borrowed seasonal curve.
    pub water_type: WaterType,
    /// Dates use what eye-ups and hatches seen here taught.
    pub learns: bool,
    /// Prefix of national telephone numbers, digits only.
    pub country_code: String,
    /// Where readings come from; positions are the `SourceIx`.
    pub sources: Vec<Source>,
    /// Alarm limits and delays.
    pub alarm: Alarm,
    /// Everybody the program knows.
    pub people: Vec<Person>,
    /// Who is on call.
    pub rota: Rota,
    /// Routes for messages.
    pub notify: Notify,
    /// The page.
    pub web: Web,
    /// Where and how data is kept.
    pub store: Store,
    /// Copies for other systems.
    pub export: Export,
    /// Own species and numbers.
    pub species: BTreeMap<String, Species>,
}

/// Kinds of source water.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WaterType {
    /// From a lake or its outlet.
    LakeFed,
    /// A river of the plains.
    LowlandRiver,
    /// A stream of melting snow.
    Snowmelt,
    /// Groundwater.
    SpringFed,
    /// Warmed on purpose.
    Heated,
}

/// Text that must not be shown.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(pub String);

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("[hidden]")
    }
}

/// Where readings come from.
#[derive(Clone, Debug)]
pub struct Source {
    /// Its name.
    pub id: SourceId,
    /// How often a reading of each sensor is expected.
    pub interval: Span,
    /// What it is.
    pub kind: SourceKind,
}

/// Kinds of sources.
#[derive(Clone, Debug)]
pub enum SourceKind {
    /// Lines over a serial port.
    Serial {
        /// Path of the device, best under `/dev/serial/by-id/`.
        port: PathBuf,
        /// Bits per second.
        baud: u32,
        /// What the lines look like.
        format: LineFormat,
    },
    /// Messages from a broker.
    Mqtt {
        /// Host name or address.
        host: String,
        /// TCP port.
        port: u16,
        /// Fixed and unique, or two daemons throw each other out for ever.
        client_id: String,
        /// Sign-in: name and file with the password.
        sign_in: Option<(String, PathBuf)>,
        /// What to listen to.
        topics: Vec<Topic>,
        /// Unacknowledged messages the broker sends at most.
        in_flight: u16,
    },
    /// Registers polled on a bus.
    Modbus {
        /// Where the bus is.
        bus: Bus,
        /// Limit of one request.
        timeout: Span,
        /// Rest between requests.
        pause: Span,
        /// What to read.
        registers: Vec<Register>,
    },
}

/// What the lines of a serial source look like.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LineFormat {
    /// NMEA 0183 style XDR sentences.
    Xdr,
    /// One JSON object a line.
    Json,
    /// Numbers between separators, named by position.
    Columns {
        /// Sensor names; empty ones are skipped.
        names: Vec<String>,
        /// One character.
        separator: char,
    },
}

/// A topic filter and how a reading is got out of its messages.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Topic {
    /// Topic with `{sensor}` where the name stands, or a fixed topic.
    pub filter: String,
    /// The sensor, when the topic does not name it.
    pub sensor: Option<SensorId>,
    /// RFC 6901 pointer to the number; `None` when the payload is the number.
    pub pointer: Option<String>,
    /// RFC 6901 pointer to the time.
    pub time_pointer: Option<String>,
}

/// Where a Modbus bus is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Bus {
    /// RTU over a serial port.
    Rtu {
        /// Path of the device.
        device: PathBuf,
        /// Bits per second.
        baud: u32,
        /// `none`, `even` or `odd`.
        parity: Parity,
    },
    /// TCP.
    Tcp {
        /// Address and port.
        address: SocketAddr,
    },
}

/// Parity of a serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parity {
    /// No parity bit.
    None,
    /// Even.
    Even,
    /// Odd.
    Odd,
}

/// One polled value.
#[derive(Clone, Debug, PartialEq)]
pub struct Register {
    /// Which sensor it is.
    pub sensor: SensorId,
    /// Address of the device on the bus.
    pub unit: u8,
    /// True for holding registers, false for input registers.
    pub holding: bool,
    /// Address of the first register, from 0.
    pub address: u16,
    /// How the number is coded.
    pub kind: RegisterKind,
    /// True when the low word comes first.
    pub low_word_first: bool,
    /// True when the bytes in each word are swapped.
    pub swapped_bytes: bool,
    /// Multiplied first.
    pub scale: f64,
    /// Added then.
    pub offset: f64,
}

/// How a number is coded in registers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RegisterKind {
    /// Unsigned, one register.
    U16,
    /// Signed, one register.
    I16,
    /// Unsigned, two registers.
    U32,
    /// Signed, two registers.
    I32,
    /// IEEE 754, two registers.
    F32,
}

/// Alarm limits and delays of the station; what is missing keeps its default.
#[derive(Clone, Debug)]
pub struct Alarm {
    /// No flow: below this share of the set-point.
    pub no_flow_share: f64,
    /// Low flow: below this share.
    pub low_flow_share: f64,
    /// High flow: above this share.
    pub high_flow_share: f64,
    /// Fastest change of temperature, °C per hour, over half an hour.
    pub rate_limit_c_per_h: f64,
    /// Jar against header, °C.
    pub disagreement_c: f64,
    /// Limits by stage: green, eyed, hatching.
    pub temperature: [TemperatureLimits; 3],
    /// Own delays and deadbands by kind of alarm.
    pub delays: BTreeMap<String, Delay>,
    /// Minutes without flow the station states for green, eyed and hatching eggs.
    pub eggs_have: [Span; 3],
    /// Own words for what to do, by kind of alarm.
    pub actions: BTreeMap<String, String>,
}

/// Names of the three stages that have limits.
pub const STAGES: [&str; 3] = ["green", "eyed", "hatching"];

/// Temperature limits, °C. Ordered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TemperatureLimits {
    /// Outer, below.
    pub very_low_c: f64,
    /// Inner, below.
    pub low_c: f64,
    /// Inner, above.
    pub high_c: f64,
    /// Outer, above.
    pub very_high_c: f64,
}

/// Own delays of one kind of alarm.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Delay {
    /// Wait before the alarm.
    pub on: Option<Span>,
    /// Wait before it clears.
    pub off: Option<Span>,
    /// Reset margin, in the unit of the alarm.
    pub deadband: Option<f64>,
}

/// What somebody may do on the page.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// Look.
    Viewer,
    /// Make entries, acknowledge, confirm, pause.
    Operator,
    /// Everything; alone takes alarms out of use.
    Manager,
}

/// Somebody.
#[derive(Clone, Debug)]
pub struct Person {
    /// Short name.
    pub id: PersonId,
    /// As shown, at most 12 characters in texts.
    pub name: String,
    /// International number with `+`.
    pub phone: Option<String>,
    /// E-mail address.
    pub email: Option<String>,
    /// Local minutes of day: from, until. May pass midnight.
    pub quiet_hours: Option<(u16, u16)>,
    /// What they may do.
    pub role: Role,
    /// Argon2id hash.
    pub password_hash: Option<Secret>,
    /// Argon2id hash.
    pub pin_hash: Option<Secret>,
    /// True when the phone is behind a carrier's mail gateway: shown, and counted as no route.
    pub gateway_address: bool,
}

/// Who is on call. Weeks repeat.
#[derive(Clone, Debug)]
pub struct Rota {
    /// First hand-over, local date and time.
    pub starts: chrono::NaiveDateTime,
    /// One week each: first contact, second contact, further ones.
    pub weeks: Vec<Vec<PersonId>>,
    /// Told at the last step.
    pub owner: Option<PersonId>,
    /// Swaps and covers.
    pub exceptions: Vec<RotaException>,
}

/// A swap or cover with its end.
#[derive(Clone, Debug)]
pub struct RotaException {
    /// From.
    pub from: Timestamp,
    /// Until.
    pub until: Timestamp,
    /// Instead of the rota.
    pub on_call: Vec<PersonId>,
}

/// Routes for messages.
#[derive(Clone, Debug, Default)]
pub struct Notify {
    /// Submission server.
    pub email: Option<Email>,
    /// Modem.
    pub sms: Option<Sms>,
    /// Signed web calls.
    pub webhooks: Vec<Webhook>,
    /// Outside watcher.
    pub heartbeat: Option<Heartbeat>,
    /// Local minute of day of the daily message.
    pub daily_at: Option<u16>,
    /// Local sounder.
    pub sounder: Option<Sounder>,
    /// Folder that receives every message as a file (demo and drills).
    pub mail_folder: Option<PathBuf>,
}

/// Submission server.
#[derive(Clone, Debug)]
pub struct Email {
    /// Host name.
    pub server: String,
    /// Port.
    pub port: u16,
    /// True for TLS from the first byte, false for STARTTLS. There is no third way.
    pub implicit_tls: bool,
    /// Sign-in: name and file with the password.
    pub sign_in: Option<(String, PathBuf)>,
    /// Envelope sender; a mailbox somebody reads.
    pub from: String,
    /// Own certificate authority (PEM).
    pub authority_file: Option<PathBuf>,
}

/// Modem.
#[derive(Clone, Debug)]
pub struct Sms {
    /// Path of the AT port.
    pub port: PathBuf,
    /// Bits per second.
    pub baud: u32,
    /// File with the PIN of the card.
    pub pin_file: Option<PathBuf>,
    /// File that switches the modem's power: `0` off, `1` on.
    pub power_file: Option<PathBuf>,
    /// Own number, for the daily text to itself.
    pub own_number: Option<String>,
}

/// Signed web call.
#[derive(Clone, Debug)]
pub struct Webhook {
    /// Its name.
    pub id: String,
    /// Where.
    pub url: String,
    /// File with the `whsec_` secret.
    pub secret_file: PathBuf,
    /// Own certificate authority (PEM).
    pub authority_file: Option<PathBuf>,
}

/// Outside watcher.
#[derive(Clone, Debug)]
pub struct Heartbeat {
    /// Where.
    pub url: String,
    /// File with the secret that signs it.
    pub secret_file: Option<PathBuf>,
    /// How often.
    pub every: Span,
}

/// Local sounder: a file (GPIO line or the like) that takes a word.
#[derive(Clone, Debug)]
pub struct Sounder {
    /// Which file.
    pub file: PathBuf,
    /// Word for on.
    pub on: String,
    /// Word for off.
    pub off: String,
}

/// The page.
#[derive(Clone, Debug)]
pub struct Web {
    /// Address and port.
    pub listen: SocketAddr,
    /// True when anybody on the network may look.
    pub open_reading: bool,
    /// Address people use, for links in messages.
    pub public_url: Option<String>,
    /// What the page is encrypted with, when it is.
    pub tls: Option<Tls>,
}

/// What the page is encrypted with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Tls {
    /// Certificate and key of the owner (PEM).
    Files {
        /// Certificate, with those of its authorities.
        certificate: PathBuf,
        /// Key.
        key: PathBuf,
    },
    /// Made by the station's own authority, whose certificate people install on their phones.
    OwnAuthority,
}

/// Where and how data is kept.
#[derive(Clone, Debug)]
pub struct Store {
    /// Folder of the database.
    pub folder: PathBuf,
    /// Longest wait before samples are committed.
    pub commit_every: Span,
    /// Second medium for nightly copies.
    pub backup_folder: Option<PathBuf>,
    /// Days raw readings are kept; `None` for ever.
    pub keep_raw_days: Option<u32>,
}

/// Copies for other systems.
#[derive(Clone, Debug, Default)]
pub struct Export {
    /// InfluxDB 2 line protocol.
    pub influx: Option<Influx>,
    /// Own state on a broker.
    pub mqtt: Option<MqttOut>,
}

/// InfluxDB 2 server.
#[derive(Clone, Debug)]
pub struct Influx {
    /// Base address.
    pub url: String,
    /// Organisation.
    pub organisation: String,
    /// Bucket.
    pub bucket: String,
    /// File with the token.
    pub token_file: PathBuf,
    /// Name of this station in the tag `station`.
    pub station_id: String,
}

/// Broker that receives our state.
#[derive(Clone, Debug)]
pub struct MqttOut {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Fixed and unique.
    pub client_id: String,
    /// Sign-in: name and file with the password.
    pub sign_in: Option<(String, PathBuf)>,
    /// Name of this station in the topics.
    pub station_id: String,
}

/// Own species, or other numbers for one of the table.
#[derive(Clone, Debug, PartialEq)]
pub struct Species {
    /// Name people use.
    pub common_name: Option<String>,
    /// Sum to median hatch, °C·days above the base.
    pub hatch_c_days: Option<f64>,
    /// Base temperature, °C.
    pub base_c: Option<f64>,
    /// Share of the sum at which eyes show.
    pub eyed_share: Option<f64>,
    /// Where the numbers come from.
    pub source: String,
}
