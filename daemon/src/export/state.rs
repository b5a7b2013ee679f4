//! The documents on the broker.
//!
//! `nightjar/<station>/jar/<jar>/state`, retained, one for each jar of the rack:
//!
//! | key | meaning |
//! |---|---|
//! | `station`, `jar`, `header` | short names, stable |
//! | `state` | `empty`, `green`, `eyed`, `hatching`, `hatched` |
//! | `lot`, `species`, `loaded_at`, `eggs` | what is in it; absent when empty |
//! | `temperature`, `flow` | `value` (°C, L/min), `at`, `quality` (`good`, `uncertain`, `bad`), `reason`; absent before the first reading |
//! | `temperature_borrowed` | true when it is that of the header |
//! | `set_flow_l_per_min` | the flow it should have |
//! | `thermal_units` | `c_days` above 0 °C, `f_days` above 32 °F, `coverage` 0 to 1, `bridged_hours`, `uncounted_hours` |
//! | `stages` | as in `nightjar outlook`: `stage`, `reached`, `at`, `seen`, `earliest`, `likely`, `latest` |
//! | `minutes_without_flow` | `likely`, `short`: how long its eggs would have |
//! | `alarms` | `kind`, `priority` 1 to 3, `on`, `acknowledged`, `suppressed`, `since`, `code` |
//!
//! `nightjar/<station>/monitor/status`, retained, also as last will:
//!
//! | key | meaning |
//! |---|---|
//! | `state` | `online`; `offline` when the broker lost us; `stopped` when we were told to stop |
//! | `seq` | counts up every `every_s` seconds while the program works; a connection that stands while `seq` does not means a hung program |
//! | `at`, `uptime_s`, `version`, `name` | moment, time since the start, program, name for people |
//! | `alarms` | `p1`, `p2`, `p3`: alarms that are on |
//! | `sensors` | `good`, `total` |
//! | `storage_ok`, `clock_trusted` | truth values |
//!
//! Times are RFC 3339 in UTC. A subscriber must take unknown keys in its stride.

use super::line::{asset_words, state_word};
use crate::alarm::event::{EventId, Priority};
use crate::rack::{JarIx, Rack};
use crate::reading::Quality;
use crate::snapshot::{AlarmView, JarView, Latest, ProgressView, SensorView, Snapshot, StageView};
use serde_json::{Map, Value, json};

/// The state of one jar. Holds no moment of its own: it changes only when something changed.
#[must_use]
pub fn jar(station: &str, rack: &Rack, ix: JarIx, picture: &Snapshot) -> Option<Value> {
    let view = picture.jars.get(usize::from(ix.0))?;
    let place = rack.jar(ix);
    let mut object = Map::new();
    let mut put = |key: &str, value: Option<Value>| {
        if let Some(value) = value {
            object.insert(key.to_owned(), value);
        }
    };
    put("station", Some(json!(station)));
    put("jar", Some(json!(place.id)));
    put("header", Some(json!(rack.header(place.header).id)));
    put("state", Some(json!(state_word(view.state))));
    put("lot", view.lot.as_ref().map(|lot| json!(lot)));
    put("species", view.species.as_ref().map(|species| json!(species)));
    put("loaded_at", view.loaded_at.map(|at| json!(at.rfc3339())));
    put("eggs", view.eggs.map(|eggs| json!(eggs.round())));
    put("temperature", view.temperature.map(latest));
    put("temperature_borrowed", view.temperature.map(|_| json!(view.temperature_borrowed)));
    put("flow", view.flow.map(latest));
    put("set_flow_l_per_min", view.set_flow.map(|flow| json!(flow)));
    put("thermal_units", view.progress.as_deref().map(thermal_units));
    put("stages", view.progress.as_ref().map(|p| p.stages.iter().map(stage).collect()));
    put(
        "minutes_without_flow",
        view.minutes_without_flow
            .map(|(likely, short)| json!({"likely": likely.round(), "short": short.round()})),
    );
    put("alarms", Some(alarms_of(view, picture)));
    Some(Value::Object(object))
}

fn alarms_of(jar: &JarView, picture: &Snapshot) -> Value {
    let of = |event: &EventId| picture.alarms.iter().find(|alarm| alarm.event == *event);
    jar.alarms.iter().filter_map(of).map(alarm).collect()
}

fn alarm(view: &AlarmView) -> Value {
    let (on, id) = asset_words(&view.asset);
    json!({
        "kind": view.kind, "asset_kind": on, "asset": id, "priority": view.priority as u8 + 1,
        "on": view.on, "acknowledged": view.acknowledged.is_some(),
        "suppressed": view.suppressed.is_some(), "since": view.since.rfc3339(), "code": view.code,
    })
}

fn latest(latest: Latest) -> Value {
    json!({
        "value": latest.value, "at": latest.at.rfc3339(), "quality": latest.quality,
        "reason": latest.reason,
    })
}

fn thermal_units(progress: &ProgressView) -> Value {
    json!({
        "c_days": rounded(progress.c_days), "f_days": rounded(progress.c_days * 1.8),
        "coverage": rounded(progress.coverage), "bridged_hours": rounded(progress.bridged_h),
        "uncounted_hours": rounded(progress.uncounted_h),
    })
}

fn stage(view: &StageView) -> Value {
    let time = |at: Option<nightjar_calc::time::Timestamp>| at.map(|at| at.rfc3339());
    json!({
        "stage": view.stage, "reached": view.at.is_some(), "at": time(view.at), "seen": view.seen,
        "earliest": time(view.earliest), "likely": time(view.likely), "latest": time(view.latest),
    })
}

fn rounded(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

/// What the monitor says of itself besides its pictures.
#[derive(Clone, Copy, Debug)]
pub struct Itself<'a> {
    /// Name for people.
    pub name: &'a str,
    /// Counts the documents.
    pub seq: u64,
    /// Seconds between two.
    pub every_s: f64,
    /// The store can write.
    pub storage_ok: bool,
}

/// Alarms that are on, by priority.
#[must_use]
pub fn alarms_on(picture: &Snapshot) -> [usize; 3] {
    let count = |priority| picture.alarms.iter().filter(|a| a.on && a.priority == priority).count();
    [count(Priority::P1), count(Priority::P2), count(Priority::P3)]
}

/// True for a sensor that speaks and is believed.
#[must_use]
pub fn is_good(sensor: &SensorView) -> bool {
    !sensor.stale && sensor.latest.is_some_and(|latest| latest.quality == Quality::Good)
}

/// The monitor at work.
#[must_use]
pub fn online(itself: Itself<'_>, picture: &Snapshot, now: crate::clock::Now) -> Value {
    let [p1, p2, p3] = alarms_on(picture);
    json!({
        "state": "online", "name": itself.name, "version": env!("CARGO_PKG_VERSION"),
        "seq": itself.seq, "every_s": itself.every_s, "at": now.utc.rfc3339(),
        "uptime_s": now.up.ms() / 1000,
        "alarms": {"p1": p1, "p2": p2, "p3": p3},
        "sensors": {
            "good": picture.sensors.iter().filter(|sensor| is_good(sensor)).count(),
            "total": picture.sensors.len(),
        },
        "storage_ok": itself.storage_ok, "clock_trusted": now.trusted,
    })
}

/// What the broker says of us when it has lost us.
#[must_use]
pub fn offline(name: &str) -> Value {
    json!({"state": "offline", "name": name})
}

/// The last word before leaving on purpose, since a proper farewell takes the will back.
#[must_use]
pub fn stopped(name: &str, now: crate::clock::Now) -> Value {
    json!({"state": "stopped", "name": name, "at": now.utc.rfc3339()})
}
