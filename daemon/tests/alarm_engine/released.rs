//! What waits for a cause, what a cause speaks for, and what goes on when it falters.

use crate::station::{Build, SET_FLOW, Signal, Station, header, person, plan};
use nightjar::alarm::engine::{JarContext, Shelving, Target};
use nightjar::alarm::event::{AlarmKind, Asset, Change};
use nightjar::alarm::state::{Reported, What};
use nightjar::reading::Reason;
use nightjar_calc::time::Span;
use std::collections::BTreeSet;

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
fn what_is_not_wrong_is_not_covered_when_its_pause_ends() {
    let mut station = with_meter();
    let jar = Asset::Jar("A-05".into());
    let target = Target::Alarm(AlarmKind::NoFlow, jar.clone());
    let pause = Shelving { length: Span::from_minutes(1), one_shot: false };
    station.engine.shelve(&target, pause, &person("kim"), station.now).unwrap();
    station.drain();
    let meter = usize::from(station.plan.rack.headers[0].flow.unwrap().0);
    station.signals[meter] = Signal::Value(0.0);
    station.run(50);
    assert_eq!(station.engine.reported(AlarmKind::NoFlow, &jar), Some(Reported::Shelved));
    station.run(50);
    assert_eq!(station.engine.reported(AlarmKind::NoFlow, &jar), Some(Reported::Normal));
}

#[test]
fn a_jar_that_is_empty_or_out_of_use_does_not_point_at_its_header() {
    for out_of_use in [false, true] {
        let mut station = Station::new(Build { jars: 4, ..Build::default() });
        if out_of_use {
            let meter = Target::Asset(Asset::Sensor("A-02F".into()));
            let day = Span::from_hours(24);
            station.engine.out_of_service(&meter, day, "cracked", &person("kim"), station.now).unwrap();
            station.drain();
        } else {
            station.load(1, JarContext::default());
        }
        let t0 = station.now.up.ms();
        station.set_flow(0, 0.0);
        station.set_flow(1, 0.0);
        station.run(120);
        let jar = Asset::Jar("A-01".into());
        assert_eq!(told(&station, t0), [(25, AlarmKind::NoFlow, jar)], "{:?}", station.lines());
    }
}

/// A header's meter that speaks so seldom, of jars whose meters speak each second.
fn with_slow_meter(interval_s: i64) -> (Station, usize) {
    let mut plan = plan(Build { jars: 6, header_flow: true, ..Build::default() });
    let meter = usize::from(plan.rack.headers[0].flow.unwrap().0);
    plan.rack.sensors[meter].interval = Span::from_secs(interval_s);
    (Station::with_plan(plan), meter)
}

#[test]
fn one_sample_of_a_slow_meter_is_made_sure_by_the_jars() {
    let (mut station, meter) = with_slow_meter(12);
    let t0 = station.now.up.ms();
    station.signals[meter] = Signal::Silent;
    station.send(meter, Signal::Value(0.0));
    station.run(5);
    set_all(&mut station, 0.0);
    station.run(60);
    assert_eq!(told(&station, t0), [(25, AlarmKind::NoFlowHeader, header("A"))], "{:?}", station.lines());
}

#[test]
fn jars_that_point_at_their_header_do_not_wait_for_its_slow_meter() {
    let (mut station, _) = with_slow_meter(60);
    let t0 = station.now.up.ms();
    set_all(&mut station, 0.0);
    station.run(120);
    assert_eq!(told(&station, t0), [(25, AlarmKind::NoFlowHeader, header("A"))], "{:?}", station.lines());
}

#[test]
fn a_warm_spell_that_reaches_the_headers_one_after_the_other_is_one_event() {
    let mut station = Station::new(Build { headers: 2, jars: 4, ..Build::default() });
    for header in 0..2 {
        for jar in 4 * header..4 * header + 4 {
            station.set_temp(jar, 15.0);
        }
        let probe = usize::from(station.plan.rack.headers[header].temperature.unwrap().0);
        station.signals[probe] = Signal::Value(15.0);
        station.run(400);
    }
    assert_eq!(station.changes(), ["raised"], "{:?}", station.lines());
    let views = station.engine.views();
    assert_eq!(views.len(), 1, "{views:?}");
    assert_eq!((views[0].kind, &views[0].asset), (AlarmKind::TempHigh, &Asset::Supply));
    assert_eq!((views[0].members.len(), views[0].members_total), (8, 8));
}
