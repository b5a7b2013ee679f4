//! A header with two loaded jars and six empty ones, past the station's own alarms: an empty jar asks for
//! nobody and is no reason to doubt what the loaded ones say. Delays as on the alarm list: no flow 15 s,
//! wait of its group 10 s, settle time of a jar that is filled 60 s.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "../examples/invented/take.rs"]
mod take;

use nightjar::alarm::event::{AlarmEvent, AlarmKind, Asset};
use nightjar::config;
use nightjar::ids::{JarId, LotId, PersonId, TakeId};
use nightjar::logbook::{Act, Entry, EntryId, FlowSetPoint, Load};
use nightjar::progress::Progress;
use nightjar::rack::{Measure, Place};
use nightjar::replay::{Recorded, Replay, Said, Setup};
use nightjar_calc::development::species;
use nightjar_calc::time::{Span, Timestamp};
use std::sync::Arc;
use take::taken;

const STATION: &str = r#"
[station]
name = "Bench"
time-zone = "America/Chicago"
altitude-m = 300

[rack]
header-temperature = "H{header}T"

[[rack.header]]
id = "A"
rows = [["01", "02", "03", "04", "05", "06", "07", "08"]]

[[source.serial]]
id = "board"
port = "/dev/serial/by-id/bench"
interval = "5s"

[[people]]
id = "kim"
name = "Kim"
phone = "+12025550143"

[rota]
weeks = [["kim"]]

[notify.sms]
port = "/dev/serial/by-id/modem"
"#;

fn begin() -> Timestamp {
    Timestamp::parse("2026-04-20T10:00:00-05:00").unwrap()
}

fn entry(id: &str, at: Timestamp, act: Act) -> Entry {
    let who = PersonId::new("kim").unwrap();
    Entry { id: EntryId(id.into()), happened_at: at, written_at: at, who, act }
}

fn take(at: Timestamp) -> Entry {
    entry("take", at, taken(TakeId::new("T1").unwrap(), at, Some(8.0)))
}

fn load(jar: &str, at: Timestamp) -> [Entry; 2] {
    let (id, lot) = (JarId::new(jar).unwrap(), LotId::new("T1").unwrap());
    let load = Act::Load(Load { jar: id.clone(), lot, volume_l: 2.0, eggs: None });
    let flow = Act::FlowSetPoint(FlowSetPoint { jar: id, flow_l_per_min: 4.0 });
    [entry(&format!("load-{jar}"), at, load), entry(&format!("flow-{jar}"), at, flow)]
}

/// Alarms of two hours in which jars 01 and 02 are loaded from the start; `flow` and `temp` by jar, from 1,
/// and second.
fn alarms(
    entries: Vec<Entry>,
    flow: impl Fn(u16, i64) -> f64,
    temp: impl Fn(u16) -> f64,
) -> Vec<(i64, AlarmEvent)> {
    let config = config::parse(STATION, "bench.toml").unwrap();
    let rack = (*config.rack).clone();
    let mut progress = Progress::new(Arc::new(rack.clone()), species::all().to_vec());
    let before = begin() - Span::from_minutes(30);
    progress.set_entries(
        [take(before)].into_iter().chain(load("01", before)).chain(load("02", before)).collect(),
    );
    let sensors: Vec<_> = rack
        .sensors
        .iter()
        .map(|sensor| {
            let jar = if let Place::Jar(jar) = sensor.place { jar.0 + 1 } else { 0 };
            (sensor.measure, jar)
        })
        .collect();
    let setup = Setup { rack, progress, assumed: None, entries, acknowledge_after: None };
    let mut replay = Replay::new(&config, setup, begin());
    let mut said = Vec::new();
    for s in (0..7_200).step_by(5) {
        let at = begin() + Span::from_secs(s);
        // As real ones do, no meter says quite the same twice.
        let noise = 0.01 * f64::from(u8::try_from(s / 5 % 5).unwrap());
        let readings: Vec<Recorded> = (0u16..)
            .zip(&sensors)
            .map(|(sensor, (measure, jar))| {
                let flows = *measure == Measure::Flow;
                let value = if flows { flow(*jar, s) } else { temp(*jar) };
                let value = if value == 0.0 { 0.0 } else { value + noise };
                Recorded { at, sensor, value, doubtful: false }
            })
            .collect();
        replay.handle_readings(at, &readings);
        while let Some(output) = replay.poll_output() {
            if let Said::Event(event) = output {
                said.push((s, *event));
            }
        }
    }
    said
}

#[test]
fn half_of_the_loaded_jars_point_at_their_header_however_many_are_empty() {
    let said = alarms(Vec::new(), |_, s| if s < 600 { 4.0 } else { 0.0 }, |_| 10.0);
    let (at, first) = &said[0];
    assert_eq!((first.kind, &first.asset), (AlarmKind::NoFlowHeader, &Asset::Header("A".into())), "{said:?}");
    assert_eq!(
        (first.members.as_slice(), first.members_total),
        (["01", "02"].map(String::from).as_slice(), 2)
    );
    assert!((625..=630).contains(at), "15 s and 10 s after the pump: {at}");
}

#[test]
fn the_probe_of_an_empty_jar_hangs_in_the_air_and_asks_for_nobody() {
    let said = alarms(Vec::new(), |_, _| 4.0, |jar| if jar == 5 { 19.0 } else { 10.0 });
    assert!(said.is_empty(), "{said:?}");
    let said = alarms(Vec::new(), |_, _| 4.0, |jar| if jar == 2 { 11.0 } else { 10.0 });
    assert_eq!(said.iter().map(|(_, event)| event.kind).collect::<Vec<_>>(), [AlarmKind::Disagrees]);
}

#[test]
fn a_jar_that_is_filled_while_the_station_runs_has_a_minute_to_settle() {
    let filled = begin() + Span::from_secs(1_200);
    for (opened_after, expected) in [(50, 0), (300, 1)] {
        let flow = |jar, s| if jar == 3 && s < 1_200 + opened_after { 0.0 } else { 4.0 };
        let said = alarms(load("03", filled).to_vec(), flow, |_| 10.0);
        let raised: Vec<_> = said
            .iter()
            .filter(|(_, event)| {
                event.change == nightjar::alarm::event::Change::Unsuppressed
                    || event.change == nightjar::alarm::event::Change::Raised
            })
            .collect();
        assert_eq!(raised.len(), expected, "valve opened {opened_after} s after: {said:?}");
        assert!(raised.iter().all(|(at, event)| *at >= 1_260 && event.kind == AlarmKind::NoFlow), "{said:?}");
    }
}
