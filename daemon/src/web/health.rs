//! Whether the monitor itself is well, for machines: `/health` fails when it is not; `/metrics`
//! is OpenMetrics text.

use super::Site;
use super::backend::HealthView;
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use serde_json::json;
use std::fmt::Write as _;
use std::sync::Arc;

/// 200 when every vital task is at work, 503 when not. Names no place and no person, so it is open.
pub async fn health(State(site): State<Arc<Site>>) -> Response {
    let health = (site.backend.health)();
    let age = site.backend.clock.now().up.since(site.backend.snapshot.borrow().now.up);
    let beats: Vec<_> = health
        .beats
        .iter()
        .map(|b| json!({"task": b.task, "age_s": b.age_s, "limit_s": b.limit_s, "fresh": b.fresh()}))
        .collect();
    let well = health.is_well();
    let status = if well { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    let body = json!({"well": well, "faults": health.faults, "tasks": beats, "picture_age_s": age.secs()});
    (status, Json(body)).into_response()
}

/// Numbers for machines that watch machines.
pub async fn metrics(State(site): State<Arc<Site>>) -> Response {
    let health = (site.backend.health)();
    let snap = Arc::clone(&site.backend.snapshot.borrow());
    let mut text = open_metrics(&health);
    let mut gauge = |name: &str, help: &str, lines: &[(String, f64)]| {
        let _written = writeln!(text, "# TYPE nightjar_{name} gauge\n# HELP nightjar_{name} {help}");
        for (label, value) in lines {
            let _written = writeln!(text, "nightjar_{name}{label} {value}");
        }
    };
    let alarms = |p| snap.alarms.iter().filter(|a| a.priority == p && a.suppressed.is_none()).count() as f64;
    gauge(
        "alarms",
        "Alarms on or unanswered.",
        &[
            ("{priority=\"1\"}".into(), alarms(crate::alarm::event::Priority::P1)),
            ("{priority=\"2\"}".into(), alarms(crate::alarm::event::Priority::P2)),
            ("{priority=\"3\"}".into(), alarms(crate::alarm::event::Priority::P3)),
        ],
    );
    let named = || site.backend.rack.sensors.iter().zip(&snap.sensors);
    let ages: Vec<_> = named()
        .filter_map(|(s, now)| {
            Some((label("sensor", s.id.as_str()), snap.now.utc.since(now.latest?.at).secs()))
        })
        .collect();
    gauge("sensor_age_seconds", "Age of the last reading.", &ages);
    let stale: Vec<_> =
        named().map(|(s, now)| (label("sensor", s.id.as_str()), f64::from(u8::from(now.stale)))).collect();
    gauge("sensor_stale", "1 when silent for too long.", &stale);
    let up: Vec<_> =
        snap.sources.iter().map(|s| (label("source", &s.id), f64::from(u8::from(s.up)))).collect();
    gauge("source_up", "1 when connected.", &up);
    text.push_str("# EOF\n");
    let kind = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    ([(CONTENT_TYPE, kind)], text).into_response()
}

/// A label, escaped as OpenMetrics wants it.
fn label(name: &str, value: &str) -> String {
    format!("{{{name}=\"{}\"}}", value.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n"))
}

fn open_metrics(health: &HealthView) -> String {
    let mut text = String::new();
    let mut last = "";
    for metric in &health.metrics {
        let kind = if metric.counter { "counter" } else { "gauge" };
        if metric.name != last {
            last = metric.name;
            let _written = writeln!(
                text,
                "# TYPE nightjar_{} {kind}\n# HELP nightjar_{} {}",
                metric.name, metric.name, metric.help
            );
        }
        let labels = metric.label.as_ref().map_or_else(String::new, |(name, value)| label(name, value));
        let total = if metric.counter { "_total" } else { "" };
        let _written = writeln!(text, "nightjar_{}{total}{labels} {}", metric.name, metric.value);
    }
    let _written = writeln!(
        text,
        "# TYPE nightjar_task_age_seconds gauge\n# HELP nightjar_task_age_seconds Since the last useful work."
    );
    for beat in &health.beats {
        let _written = writeln!(text, "nightjar_task_age_seconds{} {}", label("task", beat.task), beat.age_s);
    }
    text
}
