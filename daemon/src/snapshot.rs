//! What everybody but the core may know about the present: one immutable picture, replaced as a
//! whole.

use crate::alarm::event::{AlarmKind, Asset, Code, EventId, Priority};
use crate::clock::Now;
use crate::notify::route::HandOver;
use crate::progress::followed::Followed;
use crate::reading::{Quality, Reason};
use nightjar_calc::outlook::TrackRecord;
use nightjar_calc::time::Timestamp;
use std::sync::Arc;

/// The present.
#[derive(Clone, Debug)]
pub struct Snapshot {
    /// When it was taken.
    pub now: Now,
    /// Counts up with each new picture.
    pub version: u64,
    /// Jars in the order of the rack.
    pub jars: Vec<JarView>,
    /// Headers in the order of the rack.
    pub headers: Vec<HeaderView>,
    /// Sensors in the order of the rack.
    pub sensors: Vec<SensorView>,
    /// Lots that are in jars or were this season.
    pub lots: Vec<LotView>,
    /// Alarms that are on or unanswered, most urgent first.
    pub alarms: Vec<AlarmView>,
    /// Ports, brokers and buses.
    pub sources: Vec<SourceView>,
    /// What eye-ups and hatches seen here taught about each species.
    pub learning: Vec<LearningView>,
    /// How outlooks of this water's past springs, issued after the fact, did; nothing with fewer than two.
    pub past_outlooks: Option<TrackRecord>,
    /// The outlooks shown this season, one a day for each jar, and what happened.
    pub season_outlooks: Arc<Vec<Followed>>,
    /// When somebody was last told something, and what, in one line.
    pub last_told: Option<(Timestamp, String)>,
    /// The hand-over of this week, when somebody was asked.
    pub hand_over: Option<HandOver>,
}

/// The last word of a sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Latest {
    /// °C, L/min or as the sensor's measure says.
    pub value: f64,
    /// When it was true.
    pub at: Timestamp,
    /// How far it can be believed by now.
    pub quality: Quality,
    /// Why not further.
    pub reason: Reason,
}

/// A sensor.
#[derive(Clone, Debug)]
pub struct SensorView {
    /// Its last word, if it ever spoke.
    pub latest: Option<Latest>,
    /// True once it has been silent for longer than it may.
    pub stale: bool,
    /// Readings taken.
    pub readings: u64,
    /// Readings marked bad.
    pub rejected: u64,
}

/// A header.
#[derive(Clone, Debug)]
pub struct HeaderView {
    /// Temperature.
    pub temperature: Option<Latest>,
    /// Flow.
    pub flow: Option<Latest>,
}

/// How the eggs of a jar stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum JarState {
    /// Nothing in it.
    Empty,
    /// Not eyed yet.
    Green,
    /// Eyes show.
    Eyed,
    /// Hatching.
    Hatching,
    /// Hatched out.
    Hatched,
}

/// A jar.
#[derive(Clone, Debug)]
pub struct JarView {
    /// How its eggs stand.
    pub state: JarState,
    /// Lot in it.
    pub lot: Option<String>,
    /// Species key.
    pub species: Option<String>,
    /// Since when.
    pub loaded_at: Option<Timestamp>,
    /// Eggs in it, as booked.
    pub eggs: Option<f64>,
    /// Settled litres of eggs.
    pub eggs_l: Option<f64>,
    /// Water temperature.
    pub temperature: Option<Latest>,
    /// True when the temperature is the header's or a hand reading.
    pub temperature_borrowed: bool,
    /// Flow.
    pub flow: Option<Latest>,
    /// The flow it should have, L/min.
    pub set_flow: Option<f64>,
    /// Thermal units and dates.
    pub progress: Option<Arc<ProgressView>>,
    /// Events about it that are on or unanswered.
    pub alarms: Vec<EventId>,
    /// Minutes its eggs would have without flow: likely, short.
    pub minutes_without_flow: Option<(f64, f64)>,
}

/// Thermal units and dates of one lot in one jar.
#[derive(Clone, Debug, PartialEq)]
pub struct ProgressView {
    /// Moment of fertilization.
    pub fertilized_at: Timestamp,
    /// The moment all this is true of.
    pub as_of: Timestamp,
    /// Accumulated thermal units, °C·days above 0 °C.
    pub c_days: f64,
    /// Share of the time since fertilization that was measured.
    pub coverage: f64,
    /// Hours bridged over gaps.
    pub bridged_h: f64,
    /// Hours in gaps too long to bridge, not counted.
    pub uncounted_h: f64,
    /// Development towards median hatch, 0 to 1 and beyond.
    pub development: f64,
    /// The coming stages, in order. Of pooled eggs the interval is the union of all clocks.
    pub stages: Vec<StageView>,
    /// The clock of each take by itself, in the order they were pooled.
    pub clocks: Vec<ClockView>,
    /// What the dates assume about the water.
    pub basis: String,
    /// How sure: high, medium, low.
    pub confidence: String,
    /// Things to know.
    pub warnings: Vec<String>,
}

/// The clock of one take in a jar.
#[derive(Clone, Debug, PartialEq)]
pub struct ClockView {
    /// Which take.
    pub take: String,
    /// Moment of fertilization.
    pub fertilized_at: Timestamp,
    /// Accumulated thermal units, °C·days above 0 °C.
    pub c_days: f64,
    /// Development towards median hatch, 0 to 1 and beyond.
    pub development: f64,
    /// Its own stages.
    pub stages: Vec<StageView>,
}

/// One stage.
#[derive(Clone, Debug, PartialEq)]
pub struct StageView {
    /// `eyed`, `hatch_start`, `hatch_peak`, `hatch_end`.
    pub stage: &'static str,
    /// Seen or reached by the sum, and when.
    pub at: Option<Timestamp>,
    /// True when a person saw it.
    pub seen: bool,
    /// Early end of the interval.
    pub earliest: Option<Timestamp>,
    /// Likely moment.
    pub likely: Option<Timestamp>,
    /// Late end of the interval.
    pub latest: Option<Timestamp>,
}

/// A lot.
#[derive(Clone, Debug)]
pub struct LotView {
    /// Its name.
    pub id: String,
    /// Species key.
    pub species: String,
    /// Jars it is in, by name.
    pub jars: Vec<String>,
    /// Its takes.
    pub takes: Vec<String>,
}

/// What the station's own sightings taught about one species.
#[derive(Clone, Debug, PartialEq)]
pub struct LearningView {
    /// Species key.
    pub species: String,
    /// Its common name.
    pub name: String,
    /// True while dates use it; `station.learns = false` in the configuration turns it off.
    pub in_use: bool,
    /// Sum to hatch as a multiple of the published one, by the table.
    pub factor_before: f64,
    /// The same with what was seen.
    pub factor_after: f64,
    /// Standard deviation of its logarithm, by the table.
    pub spread_before: f64,
    /// The same with what was seen.
    pub spread_after: f64,
    /// Width of the hatch window as a multiple of the table's.
    pub window_after: f64,
    /// Sum to hatch before and after, °C·days above the law's base, where the law is such a sum.
    pub hatch_c_days: Option<(f64, f64)>,
    /// Sightings that counted.
    pub sightings_used: usize,
    /// All of them; taking the logbook entry back takes its effect back.
    pub sightings: Vec<SightingView>,
}

/// A sighting that taught something, and what was thought of it.
#[derive(Clone, Debug, PartialEq)]
pub struct SightingView {
    /// Lot it was seen at.
    pub lot: String,
    /// `eyed`, `hatch_start`, `hatch_peak`, `hatch_end`.
    pub stage: &'static str,
    /// When.
    pub at: Timestamp,
    /// Multiple of the published sum it says by itself.
    pub multiple: Option<f64>,
    /// More likely wrong than right: ask who wrote it.
    pub doubtful: bool,
}

/// An alarm that is on or unanswered.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmView {
    /// Which event.
    pub event: EventId,
    /// Which alarm.
    pub kind: AlarmKind,
    /// About what.
    pub asset: Asset,
    /// How urgent.
    pub priority: Priority,
    /// What to answer with.
    pub code: Code,
    /// On, or off but unanswered.
    pub on: bool,
    /// Who acknowledged it, until when.
    pub acknowledged: Option<(String, Timestamp)>,
    /// Paused, covered or out of use: in words, until when.
    pub suppressed: Option<(String, Option<Timestamp>)>,
    /// Members in alarm.
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
    /// Sensor silent or bad since.
    pub unverified: bool,
    /// Chattering: held on.
    pub chattering: bool,
    /// What the person should do.
    pub action: String,
    /// One line, as in the text message.
    pub line: String,
}

/// A port, broker or bus.
#[derive(Clone, Debug)]
pub struct SourceView {
    /// Its name.
    pub id: String,
    /// Connected.
    pub up: bool,
    /// Since when.
    pub since: Option<Timestamp>,
    /// Last thing it said.
    pub detail: String,
    /// Lines or messages taken.
    pub frames: u64,
    /// Lines or messages refused.
    pub refused: u64,
}
