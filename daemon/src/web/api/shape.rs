//! Parts of the present as JSON.

use crate::rack::{Jar, Rack};
use crate::snapshot::{AlarmView, ClockView, JarView, Latest, ProgressView, StageView};
use crate::web::words;
use serde_json::{Value, json};

/// A last reading under its key with the unit, or null.
pub fn latest_json(latest: Option<Latest>, key: &str) -> Value {
    latest
        .map_or(Value::Null, |l| json!({key: l.value, "at": l.at, "quality": l.quality, "reason": l.reason}))
}

/// A jar.
pub fn jar_json(rack: &Rack, jar: &Jar, now: Option<&JarView>) -> Value {
    let header = rack.headers.get(usize::from(jar.header.0)).map(|h| h.id.as_str());
    let mut value = json!({
        "id": jar.id, "header": header, "row": jar.row, "place": jar.place, "volume_l": jar.volume_l,
    });
    let Some(now) = now else {
        value["state"] = Value::Null;
        return value;
    };
    value["state"] = json!(words::jar_state(now.state).replace(' ', "_"));
    value["lot"] = json!(now.lot);
    value["species"] = json!(now.species);
    value["loaded_at"] = json!(now.loaded_at);
    value["eggs"] = json!(now.eggs);
    value["eggs_l"] = json!(now.eggs_l);
    value["temperature"] = latest_json(now.temperature, "temp_c");
    value["temperature_borrowed"] = json!(now.temperature_borrowed);
    value["flow"] = latest_json(now.flow, "flow_l_per_min");
    value["set_flow_l_per_min"] = json!(now.set_flow);
    value["thermal_units"] = now.progress.as_deref().map_or(Value::Null, thermal_json);
    value["alarms"] = json!(now.alarms);
    value["minutes_without_flow"] = now
        .minutes_without_flow
        .map_or(Value::Null, |(likely, short)| json!({"likely": likely, "short": short}));
    value
}

fn thermal_json(progress: &ProgressView) -> Value {
    json!({
        "c_days": progress.c_days,
        "f_days": progress.c_days * 1.8,
        "coverage": progress.coverage,
        "bridged_hours": progress.bridged_h,
        "uncounted_hours": progress.uncounted_h,
    })
}

/// Thermal units and dates, in the same shape as the `outlook` command prints.
pub fn progress_json(progress: &ProgressView) -> Value {
    let stages = stages_json(&progress.stages);
    json!({
        "fertilized_at": progress.fertilized_at,
        "thermal_units": thermal_json(progress),
        "stages": stages,
        "clocks": progress.clocks.iter().map(clock_json).collect::<Vec<_>>(),
        "temperature_basis": progress.basis,
        "confidence": progress.confidence,
        "warnings": progress.warnings,
    })
}

/// The clock of one take of pooled eggs.
fn clock_json(clock: &ClockView) -> Value {
    json!({
        "take": clock.take,
        "fertilized_at": clock.fertilized_at,
        "c_days": clock.c_days,
        "development": clock.development,
        "stages": stages_json(&clock.stages),
    })
}

fn stages_json(stages: &[StageView]) -> Vec<Value> {
    stages
        .iter()
        .map(|s| {
            json!({
                "stage": s.stage, "reached": s.at.is_some(), "at": s.at, "seen": s.seen,
                "earliest": s.earliest, "likely": s.likely, "latest": s.latest,
            })
        })
        .collect()
}

/// An alarm that is on or unanswered.
pub fn alarm_json(alarm: &AlarmView) -> Value {
    json!({
        "event": alarm.event,
        "kind": alarm.kind,
        "asset": alarm.asset,
        "priority": words::priority(alarm.priority).0,
        "code": alarm.code,
        "on": alarm.on,
        "acknowledged": alarm.acknowledged.as_ref().map(|(by, until)| json!({"by": by, "until": until})),
        "suppressed": alarm.suppressed.as_ref().map(|(why, until)| json!({"why": why, "until": until})),
        "members": alarm.members,
        "members_total": alarm.members_total,
        "value": alarm.value,
        "limit": alarm.limit,
        "unit": alarm.unit,
        "since": alarm.since,
        "unverified": alarm.unverified,
        "chattering": alarm.chattering,
        "action": alarm.action,
        "line": alarm.line,
    })
}
