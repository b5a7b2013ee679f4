//! Line protocol of InfluxDB 2: what becomes a point, with which tags and fields.
//!
//! | measurement | tags | fields |
//! |---|---|---|
//! | `reading` | `station`, `sensor`, `measure`, `jar` or `header` | `value`, `quality` (0 good, 1 uncertain, 2 bad), `reason` when not good |
//! | `jar` | `station`, `jar`, `header` | `state`, `alarms`, and what is known of `temp_c`, `flow_l_per_min`, `set_flow_l_per_min`, `eggs`, `thermal_units_c_days`, `coverage`, `development`, `hatch_peak_unix_s` |
//! | `alarm` | `station`, `kind`, `asset_kind`, `asset` | `event`, `seq`, `change`, `priority`, `on`, `members`, `value`, `limit` |
//!
//! Times are milliseconds. A field keeps its type for ever: what may have a fraction is always
//! written as a float, counts as integers. Tags come from names that were checked, times and values
//! are never tags. The same point twice is the same point: a server overwrites it with itself.

use crate::alarm::event::{AlarmEvent, Asset, Change};
use crate::ids::SensorId;
use crate::rack::{Measure, Place, Rack};
use crate::reading::{Quality, Reason};
use crate::snapshot::{JarState, JarView, Snapshot};
use crate::store::Sample;
use influxdb2::models::WriteDataPoint as _;
use influxdb2::models::data_point::{DataPoint, DataPointBuilder};
use nightjar_calc::time::Timestamp;
use std::collections::BTreeMap;

/// Writes lines for one station.
#[derive(Clone, Debug)]
pub struct Lines {
    station: String,
    sensors: BTreeMap<SensorId, Tags>,
    jars: Vec<(String, String)>,
}

#[derive(Clone, Debug)]
struct Tags {
    measure: &'static str,
    place: Option<(&'static str, String)>,
}

impl Lines {
    /// For a station of this short name.
    #[must_use]
    pub fn new(station: &str, rack: &Rack) -> Self {
        let tags = |sensor: &crate::rack::Sensor| Tags {
            measure: measure_word(sensor.measure),
            place: match sensor.place {
                Place::Jar(ix) => Some(("jar", rack.jar(ix).id.to_string())),
                Place::Header(ix) => Some(("header", rack.header(ix).id.to_string())),
                Place::Site => None,
            },
        };
        let header_of = |jar: &crate::rack::Jar| rack.header(jar.header).id.to_string();
        Self {
            station: plain(station),
            sensors: rack.sensors.iter().map(|s| (s.id.clone(), tags(s))).collect(),
            jars: rack.jars.iter().map(|jar| (jar.id.to_string(), header_of(jar))).collect(),
        }
    }

    fn begin(&self, measurement: &str) -> DataPointBuilder {
        DataPoint::builder(measurement).tag("station", self.station.clone())
    }

    /// One reading.
    #[must_use]
    pub fn reading(&self, sensor: &SensorId, sample: &Sample) -> Option<String> {
        let tags = self.sensors.get(sensor);
        let mut point = self
            .begin("reading")
            .tag("sensor", sensor.as_str())
            .tag("measure", tags.map_or("unknown", |tags| tags.measure));
        if let Some((name, id)) = tags.and_then(|tags| tags.place.as_ref()) {
            point = point.tag(*name, id.clone());
        }
        point = point.field("value", sample.value.get()).field("quality", quality_number(sample.quality));
        if sample.reason != Reason::None {
            point = point.field("reason", word_of(&sample.reason));
        }
        finish(point, sample.at)
    }

    /// How each jar stands in this picture.
    #[must_use]
    pub fn jars(&self, picture: &Snapshot) -> Vec<String> {
        let jars = self.jars.iter().zip(&picture.jars);
        jars.filter_map(|((id, header), jar)| self.jar(id, header, jar, picture.now.utc)).collect()
    }

    fn jar(&self, id: &str, header: &str, jar: &JarView, at: Timestamp) -> Option<String> {
        let count = |n: usize| i64::try_from(n).unwrap_or(i64::MAX);
        let mut point = self
            .begin("jar")
            .tag("jar", id)
            .tag("header", header)
            .field("state", state_word(jar.state))
            .field("alarms", count(jar.alarms.len()));
        let progress = jar.progress.as_ref();
        let floats = [
            ("temp_c", jar.temperature.map(|latest| latest.value)),
            ("flow_l_per_min", jar.flow.map(|latest| latest.value)),
            ("set_flow_l_per_min", jar.set_flow),
            ("eggs", jar.eggs),
            ("thermal_units_c_days", progress.map(|p| p.c_days)),
            ("coverage", progress.map(|p| p.coverage)),
            ("development", progress.map(|p| p.development)),
        ];
        for (name, value) in floats {
            if let Some(value) = value.filter(|value| value.is_finite()) {
                point = point.field(name, value);
            }
        }
        let peak = progress.and_then(|p| p.stages.iter().find(|stage| stage.stage == "hatch_peak"));
        if let Some(moment) = peak.and_then(|stage| stage.at.or(stage.likely)) {
            point = point.field("hatch_peak_unix_s", moment.ms().div_euclid(1000));
        }
        finish(point, at)
    }

    /// One change of an alarm.
    #[must_use]
    pub fn alarm(&self, event: &AlarmEvent) -> Option<String> {
        let (asset_kind, asset) = asset_words(&event.asset);
        let mut point = self
            .begin("alarm")
            .tag("kind", word_of(&event.kind))
            .tag("asset_kind", asset_kind)
            .tag("asset", plain(asset))
            .field("event", i64::try_from(event.event.0).unwrap_or(i64::MAX))
            .field("seq", i64::from(event.seq))
            .field("change", change_word(&event.change))
            .field("priority", event.priority as i64 + 1)
            .field("on", is_on(&event.change))
            .field("members", i64::try_from(event.members.len()).unwrap_or(i64::MAX));
        for (name, value) in [("value", event.value), ("limit", event.limit)] {
            if let Some(value) = value.filter(|value| value.is_finite()) {
                point = point.field(name, value);
            }
        }
        finish(point, event.at)
    }
}

fn finish(point: DataPointBuilder, at: Timestamp) -> Option<String> {
    let point = point.timestamp(at.ms()).build().ok()?;
    let mut bytes = Vec::with_capacity(160);
    point.write_data_point_to(&mut bytes).ok()?;
    String::from_utf8(bytes).ok()
}

/// The writer escapes neither backslashes nor line ends; names that were checked hold none.
fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_control() || matches!(c, '\\' | '"') { '_' } else { c }).collect()
}

/// The word a unit variant has in the interfaces.
fn word_of(value: &impl serde::Serialize) -> String {
    let word = serde_json::to_value(value).ok().and_then(|value| value.as_str().map(str::to_owned));
    word.unwrap_or_else(|| "unknown".to_owned())
}

const fn quality_number(quality: Quality) -> i64 {
    match quality {
        Quality::Good => 0,
        Quality::Uncertain => 1,
        Quality::Bad => 2,
    }
}

const fn measure_word(measure: Measure) -> &'static str {
    match measure {
        Measure::Temperature => "temperature",
        Measure::Flow => "flow",
        Measure::Mains => "mains",
        Measure::Battery => "battery",
    }
}

/// How a jar stands, in a word.
#[must_use]
pub const fn state_word(state: JarState) -> &'static str {
    match state {
        JarState::Empty => "empty",
        JarState::Green => "green",
        JarState::Eyed => "eyed",
        JarState::Hatching => "hatching",
        JarState::Hatched => "hatched",
    }
}

/// What an alarm is about: kind of thing, and its name.
#[must_use]
pub fn asset_words(asset: &Asset) -> (&'static str, &str) {
    match asset {
        Asset::Site => ("site", "site"),
        Asset::Supply => ("supply", "supply"),
        Asset::Pump(id) => ("supply", id),
        Asset::Header(id) => ("header", id),
        Asset::Jar(id) => ("jar", id),
        Asset::Monitor => ("monitor", "monitor"),
        Asset::Node(id) => ("node", id),
        Asset::Sensor(id) => ("sensor", id),
        Asset::Route(id) => ("route", id),
    }
}

const fn change_word(change: &Change) -> &'static str {
    match change {
        Change::Raised => "raised",
        Change::Again { .. } => "again",
        Change::Worsened => "worsened",
        Change::Grew => "grew",
        Change::Acknowledged { .. } => "acknowledged",
        Change::Reminder => "reminder",
        Change::Cleared => "cleared",
        Change::Confirmed { .. } => "confirmed",
        Change::Shelved { .. } => "shelved",
        Change::Covered { .. } => "covered",
        Change::OutOfService { .. } => "out_of_service",
        Change::Unsuppressed => "unsuppressed",
    }
}

const fn is_on(change: &Change) -> bool {
    !matches!(change, Change::Cleared | Change::Confirmed { .. })
}
