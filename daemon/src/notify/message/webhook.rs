//! What a machine at the other end is told: JSON of stable keys, at most 4 kB.

use super::{Reach, Words, cut, kind};
use crate::alarm::event::{AlarmEvent, AlarmKind, Asset, Change, Priority};
use serde_json::json;

/// Version of the keys.
const SCHEMA: u32 = 1;

/// The body of a web call about a change. `site` is the short name of the station.
#[must_use]
pub fn webhook(event: &AlarmEvent, words: &Words, reach: &Reach) -> String {
    let finite = |value: Option<f64>| value.filter(|value| value.is_finite());
    let ack = reach
        .acknowledged
        .as_ref()
        .map(|(by, at)| json!({"by": cut(by.as_str(), 40), "at": words.zone.rfc3339(*at)}));
    let body = json!({
        "schema": SCHEMA,
        "type": type_of(event),
        "event": event.event.0.to_string(),
        "seq": event.seq,
        "site": cut(&words.station, 80),
        "priority": match event.priority { Priority::P1 => 1, Priority::P2 => 2, Priority::P3 => 3 },
        "kind": kind::key(event.kind),
        "asset": asset(&event.asset),
        "members": event.members.len(),
        "members_total": event.members_total,
        "value": finite(event.value).filter(|_| !event.unverified),
        "limit": finite(event.limit),
        "unit": cut(&event.unit, 12),
        "since": words.zone.rfc3339(event.since),
        "at": words.zone.rfc3339(event.at),
        "clock": if event.clock_trusted { "trusted" } else { "untrusted" },
        "state": state(&event.change),
        "ack": ack,
        "step": reach.step,
        "code": cut(&event.code.0, 8),
    });
    body.to_string()
}

fn type_of(event: &AlarmEvent) -> &'static str {
    if event.kind == AlarmKind::Drill {
        return "monitor.test";
    }
    match &event.change {
        Change::Acknowledged { .. } => "alarm.acknowledged",
        Change::Cleared => "alarm.cleared",
        Change::Shelved { .. } => "alarm.shelved",
        Change::Raised | Change::Again { .. } | Change::Worsened | Change::Unsuppressed
            if monitor(event.kind) =>
        {
            "monitor.fault"
        }
        Change::Raised | Change::Again { .. } | Change::Worsened | Change::Unsuppressed => "alarm.active",
        Change::Grew
        | Change::Reminder
        | Change::Confirmed { .. }
        | Change::Covered { .. }
        | Change::OutOfService { .. } => "alarm.updated",
    }
}

/// About the monitor itself and not about the water.
fn monitor(kind: AlarmKind) -> bool {
    matches!(
        kind,
        AlarmKind::BlindHeader
            | AlarmKind::BlindFlow
            | AlarmKind::BlindTemp
            | AlarmKind::Stuck
            | AlarmKind::CannotSend
            | AlarmKind::CannotSendAtAll
            | AlarmKind::ClockUntrusted
            | AlarmKind::StorageFailing
            | AlarmKind::Restarted
            | AlarmKind::RotaHole
            | AlarmKind::ConfigFallback
    )
}

fn state(change: &Change) -> &'static str {
    match change {
        Change::Acknowledged { .. } => "acknowledged",
        Change::Cleared => "cleared",
        Change::Confirmed { .. } => "confirmed",
        Change::Shelved { .. } => "shelved",
        Change::Covered { .. } => "covered",
        Change::OutOfService { .. } => "out_of_service",
        Change::Raised
        | Change::Again { .. }
        | Change::Worsened
        | Change::Grew
        | Change::Reminder
        | Change::Unsuppressed => "unacknowledged",
    }
}

fn asset(asset: &Asset) -> String {
    let named = |kind: &str, name: &str| format!("{kind}/{}", cut(name, 80));
    match asset {
        Asset::Site => "site".into(),
        Asset::Supply => "supply".into(),
        Asset::Monitor => "monitor".into(),
        Asset::Pump(name) => named("supply", name),
        Asset::Header(name) => named("header", name),
        Asset::Jar(name) => named("jar", name),
        Asset::Node(name) => named("source", name),
        Asset::Sensor(name) => named("sensor", name),
        Asset::Route(name) => named("route", name),
    }
}
