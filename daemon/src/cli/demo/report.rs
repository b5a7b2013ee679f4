//! What was predicted beside what was true.

use super::player::{Look, Played};
use crate::alarm::event::{AlarmEvent, Change};
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::store::{JournalFilter, JournalKind};
use crate::supervise;
use anyhow::{Context, Result};
use nightjar_calc::time::Timestamp;
use nightjar_simulator::truth::JarTruth;
use serde_json::{Value, json};

/// Shares of the way to peak hatch at which predictions are compared.
const SHARES: [f64; 3] = [0.25, 0.5, 0.75];

/// Makes the report.
pub async fn make(played: &Played, daemon: &supervise::Station) -> Result<Value> {
    daemon.store.flush().await.context("cannot write the last readings")?;
    let stored = daemon.store.read(|r| r.stored_readings()).await.context("cannot count the readings")?;
    let jars: Vec<Value> = played.truth.jars.iter().map(|truth| jar(truth, &played.looks)).collect();
    let errors: Vec<f64> =
        played.truth.jars.iter().filter_map(|truth| peak_error(truth, &played.looks, 0.75)).collect();
    let mean =
        (!errors.is_empty()).then(|| errors.iter().map(|e| e.abs()).sum::<f64>() / errors.len() as f64);
    let worst_units =
        played.truth.jars.iter().filter_map(|truth| units(truth, &played.looks)).map(|(_, _, e)| e.abs());
    Ok(json!({
        "scenario": played.truth.scenario,
        "seed": played.truth.seed,
        "from": played.truth.begins_at,
        "until": played.truth.until,
        "lines_sent": played.lines,
        "readings_sent": played.readings,
        "readings_in": daemon.counters[0].readings(),
        "readings_stored": stored,
        "frames_refused": daemon.counters[0].refused_total(),
        "entries_refused": played.refused,
        "mean_absolute_peak_error_days_at_75_percent": mean,
        "largest_thermal_unit_error_percent": worst_units.fold(0.0, f64::max),
        "jars": jars,
        "causes": played.truth.faults,
        "alarms": alarms(daemon).await?,
    }))
}

fn at_share<'l>(truth: &JarTruth, looks: &'l [Look], share: f64) -> Option<&'l Look> {
    let peak = truth.hatch_peak_at?;
    let moment = truth.fertilized_at
        + nightjar_calc::time::Span::from_days(peak.since(truth.fertilized_at).days() * share);
    looks.iter().rfind(|look| look.jar == truth.jar && look.at <= moment)
}

fn likely(look: &Look, stage: &str) -> Option<Timestamp> {
    look.shown.stages.iter().find(|s| s.stage == stage).and_then(|s| s.at.or(s.likely))
}

fn error_days(predicted: Option<Timestamp>, truth: Option<Timestamp>) -> Option<f64> {
    Some(predicted?.since(truth?).days())
}

fn peak_error(truth: &JarTruth, looks: &[Look], share: f64) -> Option<f64> {
    error_days(likely(at_share(truth, looks, share)?, "hatch_peak"), truth.hatch_peak_at)
}

/// Shown, exact, error in per cent at the last look.
fn units(truth: &JarTruth, looks: &[Look]) -> Option<(f64, f64, f64)> {
    let look = looks.iter().rfind(|look| look.jar == truth.jar)?;
    let shown = look.shown.c_days;
    Some((shown, look.exact_c_days, (shown / look.exact_c_days - 1.0) * 100.0))
}

fn jar(truth: &JarTruth, looks: &[Look]) -> Value {
    let stages = [
        ("eyed", truth.eyed_at),
        ("hatch_start", truth.hatch_first_at),
        ("hatch_peak", truth.hatch_peak_at),
        ("hatch_end", truth.hatch_last_at),
    ];
    let predictions: Vec<Value> = SHARES
        .iter()
        .filter_map(|share| Some((share, at_share(truth, looks, *share)?)))
        .map(|(share, look)| {
            let stages: Vec<Value> = stages
                .iter()
                .map(|(stage, true_at)| {
                    let predicted = likely(look, stage);
                    json!({
                        "stage": stage, "predicted": predicted, "true": true_at,
                        "error_days": error_days(predicted, *true_at),
                    })
                })
                .collect();
            json!({"at_percent": share * 100.0, "issued": look.at, "basis": look.shown.basis, "stages": stages})
        })
        .collect();
    let sums = units(truth, looks);
    json!({
        "jar": truth.jar,
        "take": truth.take,
        "fertilized_at": truth.fertilized_at,
        "thermal_units_c_days": sums.map(|(shown, ..)| shown),
        "exact_c_days": sums.map(|(_, exact, _)| exact),
        "thermal_unit_error_percent": sums.map(|(.., error)| error),
        "predictions": predictions,
    })
}

/// Every alarm that was raised: when its condition began, when it was decided, when it was told.
async fn alarms(daemon: &supervise::Station) -> Result<Vec<Value>> {
    let filter = JournalFilter { kind: Some(JournalKind::Alarm), ..JournalFilter::default() };
    let lines =
        daemon.store.read(move |r| r.journal(&filter, 100_000)).await.context("cannot read the journal")?;
    let messages =
        daemon.store.read(|r| r.messages(None, 100_000)).await.context("cannot read the messages")?;
    let mut alarms = Vec::new();
    for line in lines.iter().rev() {
        let event = line
            .body
            .get("event")
            .cloned()
            .and_then(|event| serde_json::from_value::<AlarmEvent>(event).ok());
        let Some(event) = event
            .filter(|event| matches!(event.change, Change::Raised | Change::Worsened | Change::Again { .. }))
        else {
            continue;
        };
        let told = messages.iter().filter(|m| m.key.event == Some(event.event)).map(|m| m.created_at).min();
        alarms.push(json!({
            "event": event.event.0, "kind": event.kind, "asset": event.asset, "priority": event.priority,
            "members": event.members, "cause_at": event.since, "decided_at": event.at, "message_at": told,
        }));
    }
    Ok(alarms)
}

/// The report for people.
pub fn text(report: &Value, output: &mut Output) -> Result<(), Failure> {
    let number = |value: &Value| value.as_f64().map_or_else(|| "-".to_owned(), |n| format!("{n:+.2}"));
    output.line(format_args!(
        "{} readings sent, {} taken, {} stored, {} frames refused",
        report["readings_sent"], report["readings_in"], report["readings_stored"], report["frames_refused"]
    ))?;
    output.line(
        "jar  thermal units  exact      error   peak hatch predicted too late by (days) at 25 / 50 / 75 %",
    )?;
    for jar in report["jars"].as_array().into_iter().flatten() {
        let peaks: Vec<String> = jar["predictions"]
            .as_array()
            .into_iter()
            .flatten()
            .map(|prediction| number(&prediction["stages"][2]["error_days"]))
            .collect();
        output.line(format_args!(
            "{:<4} {:>8.2} °C·d   {:>8.2}   {:>6} %   {}",
            jar["jar"].as_str().unwrap_or("?"),
            jar["thermal_units_c_days"].as_f64().unwrap_or(f64::NAN),
            jar["exact_c_days"].as_f64().unwrap_or(f64::NAN),
            number(&jar["thermal_unit_error_percent"]),
            peaks.join(" / ")
        ))?;
    }
    for alarm in report["alarms"].as_array().into_iter().flatten() {
        output.line(format_args!(
            "alarm {} {} {}: began {}, decided {}, message {}",
            alarm["priority"].as_str().unwrap_or("?"),
            alarm["kind"].as_str().unwrap_or("?"),
            alarm["asset"],
            alarm["cause_at"].as_str().unwrap_or("?"),
            alarm["decided_at"].as_str().unwrap_or("?"),
            alarm["message_at"].as_str().unwrap_or("not told")
        ))?;
    }
    Ok(())
}
