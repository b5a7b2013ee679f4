//! `nightjar replay` over small traces whose outcome follows from the written delays: no-flow
//! on-delay 15 s, wait of a P1 group 10 s, second text after 5 min, off-delay 60 s (the station's
//! own alarm list). The same readings out of a database give the same messages.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

#[path = "../examples/invented/take.rs"]
mod take;

use nightjar::clock::ManualClock;
use nightjar::ids::{JarId, LotId, PersonId, SensorId, TakeId};
use nightjar::logbook::{Act, Entry, EntryId, FlowSetPoint, Load};
use nightjar::reading::{Quality, Reading, Reason, SensorIx, Value as Measured};
use nightjar::store::{StoreOptions, open};
use nightjar_calc::time::{Span, Timestamp};
use serde_json::Value;
use std::fmt::Write as _;
use std::path::Path;
use std::process::{Command, Output};
use std::sync::Arc;
use take::taken;

/// Seconds between readings.
const EVERY: i64 = 5;
/// Readings run for this long, s.
const LENGTH: i64 = 9_000;

fn begin() -> Timestamp {
    Timestamp::parse("2026-04-20T10:00:00-05:00").unwrap()
}

fn nightjar(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightjar")).arg("replay").args(arguments).output().unwrap()
}

fn replayed(arguments: &[&str]) -> Value {
    let out = nightjar(&[arguments, &["--format", "json"]].concat());
    assert!(out.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

fn refused(arguments: &[&str], code: i32, expected: &str) {
    let out = nightjar(arguments);
    let told = String::from_utf8(out.stderr).unwrap();
    assert_eq!(out.status.code(), Some(code), "{told}");
    assert!(told.contains(expected), "{told}");
    assert_eq!(told.lines().count(), 1, "{told}");
}

fn write(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

fn configuration(folder: &Path) -> String {
    let text = format!(
        "[station]\nname = \"Bench\"\ntime-zone = \"America/Chicago\"\naltitude-m = 300\n\
         [[rack.header]]\nid = \"A\"\nrows = [[\"01\", \"02\", \"03\", \"04\"]]\n\
         [[source.serial]]\nid = \"board\"\nport = \"/dev/serial/by-id/bench\"\ninterval = \"5s\"\n\
         [[people]]\nid = \"kim\"\nname = \"Kim\"\nphone = \"+12025550143\"\n\
         [[people]]\nid = \"lee\"\nname = \"Lee\"\nphone = \"+12025550144\"\n\
         [rota]\nweeks = [[\"kim\", \"lee\"]]\n\
         [notify.sms]\nport = \"/dev/serial/by-id/modem\"\n[store]\nfolder = {folder:?}\n"
    );
    write(folder, "nightjar.toml", &text)
}

/// Flow of each jar at a second of the trace.
type Flow = fn(usize, i64) -> f64;

/// All jars lose their water from 600 s to 1020 s.
fn pump(_jar: usize, s: i64) -> f64 {
    if (600..1_020).contains(&s) { 0.0 } else { 4.0 + 0.01 * (s / EVERY % 5) as f64 }
}

/// Readings of the first ten seconds of a stop now and then: shorter than any delay.
fn flutter(jar: usize, s: i64) -> f64 {
    if s % 300 < 10 { 0.0 } else { pump(jar, 0) + 0.01 * (s / EVERY % 5) as f64 }
}

fn wide(flow: Flow) -> String {
    let mut text = "# a hand-made trace\ntime,J01F,J02F,J03F,J04F\n".to_owned();
    for s in (0..=LENGTH).step_by(usize::try_from(EVERY).unwrap()) {
        let at = begin() + Span::from_secs(s);
        write!(text, "{}", at.rfc3339()).unwrap();
        for jar in 0..4 {
            write!(text, ",{:.4}", flow(jar, s)).unwrap();
        }
        text.push('\n');
    }
    text
}

/// Local time of day, person and route of every message, and its text.
fn messages(report: &Value) -> Vec<(String, String)> {
    let all = report["messages"].as_array().unwrap();
    all.iter()
        .map(|m| {
            let at = m["at"].as_str().unwrap();
            let words = |key: &str| m[key].as_str().unwrap();
            (format!("{} {} {}", &at[11..19], words("route"), words("person")), words("text").to_owned())
        })
        .collect()
}

#[test]
fn a_dead_pump_is_told_once_a_step_and_its_return_once() {
    let folder = tempfile::tempdir().unwrap();
    let (config, trace) = (configuration(folder.path()), write(folder.path(), "t.csv", &wide(pump)));
    let report = replayed(&["--config", &config, "--readings", &trace, "--set-flow", "4"]);
    let all = messages(&report);
    println!("{all:#?}");
    let when: Vec<&str> = all.iter().map(|(when, _)| when.as_str()).collect();
    // Stopped at 10:10:00: on-delay 15 s, wait of the group 10 s, again 5 min later. Water back at
    // 10:17:00: off-delay 60 s; only Kim was told.
    assert_eq!(when, ["10:10:25 text kim", "10:15:25 text kim", "10:18:00 text kim"]);
    for (begin, text) in [("", &all[0].1), ("REPEAT: ", &all[1].1)] {
        assert!(text.starts_with(&format!("{begin}P1 NO FLOW header A")), "{text}");
        assert!(text.contains("4 of 4") && text.contains("10:10") && text.contains("ACK"), "{text}");
    }
    assert!(all[2].1.starts_with("CLEARED P1"), "{}", all[2].1);
    assert!(all.iter().all(|(_, text)| text.len() <= 140));
    assert_eq!(report["open"].as_array().unwrap().len(), 0);
    // Sizes from the noise: 4.00 to 4.04 in steps of 0.01, every 5 s.
    let channel = &report["channels"][0];
    assert_eq!(channel["sensor"], "J01F");
    assert!((channel["resolution"].as_f64().unwrap() - 0.01).abs() < 1e-9, "{channel}");
    // 0, 0.01 … 0.04 in turn: deviation √2 steps.
    assert!((channel["noise_deviation"].as_f64().unwrap() - 0.02f64.sqrt() / 10.0).abs() < 3e-4, "{channel}");
    assert!((channel["deadband"].as_f64().unwrap() - 0.2).abs() < 1e-9, "5 % of 4 L/min: {channel}");
    assert_eq!(channel["on_delay_s"], 30.0);
}

#[test]
fn whoever_acknowledges_stops_the_ladder() {
    let folder = tempfile::tempdir().unwrap();
    let (config, trace) = (configuration(folder.path()), write(folder.path(), "t.csv", &wide(pump)));
    let arguments =
        ["--config", &config, "--readings", &trace, "--set-flow", "4", "--acknowledge-after", "2m"];
    let all = messages(&replayed(&arguments));
    let when: Vec<&str> = all.iter().map(|(when, _)| when.as_str()).collect();
    assert_eq!(when, ["10:10:25 text kim", "10:12:25 text kim", "10:18:00 text kim"], "{all:#?}");
    assert!(all[1].1.contains("by Kim"), "{}", all[1].1);
}

#[test]
fn what_is_shorter_than_the_delay_is_not_told() {
    let folder = tempfile::tempdir().unwrap();
    let (config, trace) = (configuration(folder.path()), write(folder.path(), "t.csv", &wide(flutter)));
    let out = nightjar(&["--config", &config, "--readings", &trace, "--set-flow", "4"]);
    let text = String::from_utf8(out.stdout).unwrap();
    println!("{text}");
    assert!(out.status.success() && text.contains("Nothing would have been sent."), "{text}");
    assert!(text.contains("0 alarms raised, 0 messages"), "{text}");
    assert!(text.contains("every jar is loaded, set flow 4 L/min, stage green"), "{text}");
}

/// The readings of a trace in a database, with a logbook that loads all jars.
async fn stored(folder: &Path, flow: Flow) {
    let clock = Arc::new(ManualClock::new(begin() - Span::from_hours(1)));
    let sensors = (1..=4).map(|jar| SensorId::new(&format!("J{jar:02}F")).unwrap()).collect();
    let store = open(StoreOptions::new(folder.join("nightjar.sqlite"), sensors), clock).unwrap();
    let at = begin() - Span::from_minutes(30);
    let entry = |id: &str, act: Act| {
        let who = PersonId::new("kim").unwrap();
        Entry { id: EntryId(id.into()), happened_at: at, written_at: at, who, act }
    };
    let act = taken(TakeId::new("T1").unwrap(), at, Some(8.0));
    store.append_entry(entry("take", act)).await.unwrap();
    for jar in ["01", "02", "03", "04"] {
        let (id, lot) = (JarId::new(jar).unwrap(), LotId::new("T1").unwrap());
        let load = Act::Load(Load { jar: id.clone(), lot, volume_l: 2.0, eggs: None });
        store.append_entry(entry(&format!("load-{jar}"), load)).await.unwrap();
        let flow = Act::FlowSetPoint(FlowSetPoint { jar: id, flow_l_per_min: 4.0 });
        store.append_entry(entry(&format!("flow-{jar}"), flow)).await.unwrap();
    }
    for s in (0..=LENGTH).step_by(usize::try_from(EVERY).unwrap()) {
        let readings = (0u16..4)
            .map(|jar| Reading {
                sensor: SensorIx(jar),
                at: begin() + Span::from_secs(s),
                value: Measured::from_f64(flow(usize::from(jar), s)).unwrap(),
                quality: Quality::Good,
                reason: Reason::None,
            })
            .collect();
        store.append(readings, None).unwrap();
    }
    store.flush().await.unwrap();
    store.close().await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_database_gives_what_its_readings_give() {
    let folder = tempfile::tempdir().unwrap();
    let (config, trace) = (configuration(folder.path()), write(folder.path(), "t.csv", &wide(pump)));
    stored(folder.path(), pump).await;
    let before = std::fs::read(folder.path().join("nightjar.sqlite")).unwrap();
    let data = folder.path().to_str().unwrap();
    let of_file = messages(&replayed(&["--config", &config, "--readings", &trace, "--set-flow", "4"]));
    let assumed = messages(&replayed(&["--config", &config, "--data", data, "--set-flow", "4"]));
    assert_eq!(assumed, of_file);
    // By the logbook the eggs are known too, so the texts say how long they have; who is told when
    // stays the same.
    let by_logbook = messages(&replayed(&["--config", &config, "--data", data]));
    let when = |all: &[(String, String)]| all.iter().map(|(when, _)| when.clone()).collect::<Vec<_>>();
    assert_eq!(when(&by_logbook), when(&of_file), "{by_logbook:#?}");
    println!("{by_logbook:#?}");
    // What the export writes is a trace as well.
    let export =
        Command::new(env!("CARGO_BIN_EXE_nightjar")).args(["export", "--data", data]).output().unwrap();
    let exported = write(folder.path(), "e.csv", &String::from_utf8(export.stdout).unwrap());
    assert_eq!(
        messages(&replayed(&["--config", &config, "--readings", &exported, "--set-flow", "4"])),
        of_file
    );
    let half = ["--config", &config, "--data", data, "--set-flow", "4", "--to", "2026-04-20 10:10:20"];
    assert_eq!(messages(&replayed(&half)), [], "ends before the first text");
    assert_eq!(std::fs::read(folder.path().join("nightjar.sqlite")).unwrap(), before, "only read");
}

#[test]
fn what_cannot_be_replayed_is_refused_with_the_next_step() {
    let folder = tempfile::tempdir().unwrap();
    let config = configuration(folder.path());
    let trace = write(folder.path(), "t.csv", &wide(pump));
    let with = |more: &[&str], code, expected| {
        refused(&[&["--config", &config], more].concat(), code, expected);
    };
    with(&[], 64, "--readings");
    with(&["--readings", &trace], 64, "--set-flow");
    with(&["--readings", &trace, "--set-flow", "-4"], 64, "above zero");
    with(&["--readings", &trace, "--set-flow", "4", "--tz", "Mars"], 64, "--tz");
    with(&["--readings", &trace, "--set-flow", "4", "--interval", "often"], 64, "--interval");
    with(&["--readings", &trace, "--set-flow", "4", "--from", "noon"], 64, "--from");
    with(&["--readings", "/nowhere/t.csv"], 74, "check the path");
    with(&["--data", "/nowhere"], 74, "--data");
    let late = ["--readings", &trace, "--set-flow", "4", "--from", "2027-01-01T00:00:00Z"];
    with(&late, 65, "it runs from 2026-04-20T15:00:00Z");
    let bad = write(folder.path(), "bad.csv", "time,J01F\n2026-04-20T10:00:00,4\n2026-04-20T10:00:05,four\n");
    with(&["--readings", &bad, "--set-flow", "4"], 65, "line 3: \"four\" is not a value; write a number");
    let strange = write(folder.path(), "strange.csv", "time,sensor,value\n2026-04-20T10:00:00,X,4\n");
    with(&["--readings", &strange, "--set-flow", "4"], 65, "no sensor of the configuration is in it");
    let broken = write(folder.path(), "broken.toml", "[station]\nname = 4\n");
    // Every problem of a configuration is told, each on its line.
    let out = nightjar(&["--config", &broken, "--readings", &trace, "--set-flow", "4"]);
    let told = String::from_utf8(out.stderr).unwrap();
    assert_eq!(out.status.code(), Some(78), "{told}");
    assert!(told.contains("line 2: station.name"), "{told}");
}
