//! What waits for a cause, what a cause speaks for, and what goes on when it falters.

use crate::station::{Build, SET_FLOW, Signal, Station, person};
use nightjar::alarm::engine::{Shelving, Target};
use nightjar::alarm::event::{AlarmKind, Asset, Change};
use nightjar::alarm::state::{Reported, What};
use nightjar::reading::Reason;
use nightjar_calc::time::Span;
use std::collections::BTreeSet;

fn header(name: &str) -> Asset {
    Asset::Header(name.into())
}

fn set_all(station: &mut Station, flow: f64) {
    for jar in 0..station.plan.rack.jars.len() {
        station.set_flow(jar, flow);
    }
}

/// What was told: when, in seconds, of which alarm, about what.
fn told(station: &Station, from: u64) -> Vec<(u64, AlarmKind, Asset)> {
    let all = station.events.iter();
    all.filter(|(_, event)| event.change == Change::Raised)
        .map(|(at, event)| ((at - from) / 1000, event.kind, event.asset.clone()))
        .collect()
}

#[test]
fn a_pump_that_runs_for_half_a_minute_and_stops_again_is_not_told_as_mended() {
    let mut station = Station::new(Build::default());
    set_all(&mut station, 0.0);
    station.run(120);
    set_all(&mut station, SET_FLOW);
    station.run(30);
    set_all(&mut station, 0.0);
    station.run(300);
    assert_eq!(station.changes(), ["raised"], "{:?}", station.lines());
    let said = station.engine.reported(AlarmKind::NoFlowHeader, &header("A"));
    assert_eq!(said, Some(Reported::Unacknowledged));
    set_all(&mut station, SET_FLOW);
    station.run(300);
    assert_eq!(station.changes(), ["raised", "cleared"], "{:?}", station.lines());
}

#[test]
fn a_bad_sample_while_a_pump_falters_does_not_tell_it_as_mended() {
    let mut station = Station::new(Build::default());
    set_all(&mut station, 0.0);
    station.run(120);
    set_all(&mut station, SET_FLOW);
    station.run(30);
    for jar in 0..24 {
        let at = station.flow_of(jar);
        station.signals[at] = Signal::Bad(Reason::Spike);
    }
    station.run(1);
    set_all(&mut station, 0.0);
    station.run(300);
    assert_eq!(station.changes(), ["raised"], "{:?}", station.lines());
    set_all(&mut station, SET_FLOW);
    station.run(300);
    assert_eq!(station.changes(), ["raised", "cleared"], "{:?}", station.lines());
}

#[test]
fn warm_water_that_reaches_one_more_jar_late_is_still_that_of_the_header() {
    let mut station = Station::new(Build { jars: 4, header_temp: false, ..Build::default() });
    station.set_temp(0, 15.0);
    station.set_temp(1, 15.0);
    station.run(90);
    // More than a minute after the others, while their on-delay runs.
    station.set_temp(2, 15.0);
    station.run(500);
    let told = station.told();
    assert_eq!(told.len(), 1, "{:?}", station.lines());
    assert_eq!((told[0].kind, &told[0].asset), (AlarmKind::TempHigh, &header("A")));
    assert_eq!((told[0].members.len(), told[0].members_total), (3, 4));
}

/// Two of six jars stop, and twelve seconds later their header's meter falls, for so many seconds.
fn meter_falls_late(station: &mut Station, for_seconds: u64) {
    let meter = usize::from(station.plan.rack.headers[0].flow.unwrap().0);
    let full = station.signals[meter];
    station.set_flow(0, 0.0);
    station.set_flow(1, 0.0);
    station.run(12);
    station.signals[meter] = Signal::Value(0.0);
    station.run(for_seconds);
    station.signals[meter] = full;
    station.run(60);
}

fn with_meter() -> Station {
    Station::new(Build { jars: 6, header_flow: true, ..Build::default() })
}

#[test]
fn first_words_wait_for_a_cause_that_is_about_to_be_sure() {
    let mut station = with_meter();
    let t0 = station.now.up.ms();
    meter_falls_late(&mut station, 100);
    // On-delay of 15 s from second 12 on, and 10 s for the group.
    assert_eq!(told(&station, t0), [(37, AlarmKind::NoFlowHeader, header("A"))], "{:?}", station.lines());
}

#[test]
fn first_words_do_not_wait_for_a_cause_that_came_to_nothing() {
    let mut station = with_meter();
    let t0 = station.now.up.ms();
    meter_falls_late(&mut station, 1);
    assert_eq!(told(&station, t0), [(25, AlarmKind::NoFlow, header("A"))], "{:?}", station.lines());
    let blip = station.rows_of(AlarmKind::NoFlowHeader, &header("A"));
    assert_eq!(blip, [1, 2], "pending, and back");
}

#[test]
fn first_words_do_not_wait_for_a_cause_that_is_paused() {
    let mut station = with_meter();
    let cause = Target::Alarm(AlarmKind::NoFlowHeader, header("A"));
    let pause = Shelving { length: Span::from_minutes(30), one_shot: false };
    station.engine.shelve(&cause, pause, &person("kim"), station.now).unwrap();
    station.drain();
    let t0 = station.now.up.ms();
    meter_falls_late(&mut station, 100);
    assert_eq!(told(&station, t0), [(25, AlarmKind::NoFlow, header("A"))], "{:?}", station.lines());
}

#[test]
fn a_jar_that_was_told_before_its_header_is_told_as_covered_by_it() {
    let mut station = Station::new(Build::default());
    station.set_flow(3, 0.0);
    station.run(100);
    set_all(&mut station, 0.0);
    station.run(120);
    assert_eq!(station.changes(), ["raised", "covered", "raised"], "{:?}", station.lines());
    let covered = &station.events[1].1;
    assert_eq!((covered.kind, &covered.asset), (AlarmKind::NoFlow, &Asset::Jar("A-04".into())));
    assert_eq!(covered.change, Change::Covered { by: "NO FLOW header A".into() });
    let all = station.journal.iter();
    let causes: BTreeSet<&str> = all
        .filter(|line| line.kind == AlarmKind::NoFlow && line.what == What::Suppressed)
        .map(|line| line.detail.as_str())
        .collect();
    assert_eq!(causes, BTreeSet::from(["NO FLOW header A"]));
}

#[test]
fn since_when_does_not_change_with_the_wall_clock() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    station.set_flow(0, 0.0);
    let began = station.now.utc;
    station.run(60);
    station.now.utc = station.now.utc + Span::from_hours(1);
    let event = Target::Event(station.told()[0].event);
    station.engine.acknowledge(&event, &person("kim"), station.now).unwrap();
    station.drain();
    station.set_flow(0, SET_FLOW);
    station.run(120);
    assert_eq!(station.changes(), ["raised", "acknowledged", "cleared"]);
    assert!(station.events.iter().all(|(_, event)| event.since == began), "{:?}", station.events);
}
