//! What people answer, silence and fill: what it reaches, what it leaves alone, and what is written down of it.

use crate::station::{Build, SET_FLOW, Signal, Station, jar, loaded, person};
use nightjar::alarm::engine::{JarContext, Shelving, Target};
use nightjar::alarm::event::{AlarmKind, Asset, EventId};
use nightjar::alarm::record::Output;
use nightjar::alarm::state::What;
use nightjar::reading::{Quality, Reason, SensorIx};
use nightjar_calc::time::Span;

fn minutes(minutes: i64) -> Shelving {
    Shelving { length: Span::from_minutes(minutes), one_shot: false }
}

fn first(station: &Station) -> EventId {
    station.events[0].1.event
}

#[test]
fn what_was_acknowledged_before_its_first_words_is_not_raised_and_is_said_to_clear() {
    let mut station = Station::new(Build::default());
    station.set_flow(6, 0.0);
    station.run(18);
    assert!(station.changes().is_empty());
    let target = Target::Alarm(AlarmKind::NoFlow, jar("A-07"));
    station.engine.acknowledge(&target, &person("kim"), station.now).unwrap();
    station.run(120);
    assert_eq!(station.changes(), ["acknowledged"]);
    station.set_flow(6, SET_FLOW);
    station.run(120);
    assert_eq!(station.changes(), ["acknowledged", "cleared"]);
}

#[test]
fn a_jar_that_joined_and_left_before_it_was_told_is_no_news() {
    let mut station = Station::new(Build::default());
    station.set_flow(6, 0.0);
    station.run(60);
    station.engine.acknowledge(&Target::Event(first(&station)), &person("kim"), station.now).unwrap();
    station.set_flow(9, 0.0);
    station.run(40);
    station.set_flow(9, SET_FLOW);
    // New members are told five minutes after the first words.
    station.run(600);
    assert_eq!(station.changes(), ["raised", "acknowledged"]);
}

#[test]
fn two_jars_of_one_event_are_one_reminder() {
    let mut station = Station::new(Build::default());
    station.set_flow(6, 0.0);
    station.set_flow(9, 0.0);
    station.run(60);
    station.engine.acknowledge(&Target::Event(first(&station)), &person("kim"), station.now).unwrap();
    station.run(31 * 60);
    assert_eq!(station.changes(), ["raised", "acknowledged", "reminder"]);
}

#[test]
fn what_becomes_urgent_during_a_pause_stays_silent_until_the_pause_ends() {
    let mut station = Station::new(Build::default());
    station.set_flow(2, 0.5 * SET_FLOW);
    station.run(120);
    assert_eq!(station.changes(), ["raised"]);
    station
        .engine
        .shelve(&Target::Event(first(&station)), minutes(120), &person("kim"), station.now)
        .unwrap();
    // Low flow that nobody answers is urgent after half an hour.
    station.run(119 * 60);
    assert_eq!(station.changes(), ["raised", "shelved"]);
    assert!(station.journal.iter().any(|line| line.what == What::Escalated));
    station.run(120);
    assert_eq!(station.changes()[..2], ["raised", "shelved"]);
    assert_eq!(station.told().len(), 2, "{:?}", station.lines());
}

#[test]
fn ending_a_pause_leaves_the_one_that_somebody_else_asked_for() {
    let mut station = Station::new(Build::default());
    let low = Target::Alarm(AlarmKind::LowFlow, jar("A-07"));
    station.engine.shelve(&low, minutes(240), &person("ola"), station.now).unwrap();
    station.drain();
    station.events.clear();
    station.set_flow(6, 0.0);
    station.run(60);
    let stopped = Target::Event(station.told()[0].event);
    station.engine.shelve(&stopped, minutes(30), &person("kim"), station.now).unwrap();
    assert_eq!(station.engine.counts().shelved, 2);
    station.engine.unshelve(&stopped, &person("kim"), station.now).unwrap();
    assert_eq!(station.engine.counts().shelved, 1);
    assert!(station.engine.unshelve(&low, &person("ola"), station.now).is_ok(), "it is the other one");
}

#[test]
fn a_sensor_may_be_out_of_use_for_seven_days_and_no_longer() {
    let mut station = Station::new(Build { jars: 2, ..Build::default() });
    let sensor = Target::Asset(Asset::Sensor("A-01F".into()));
    let week = Span::from_hours(7 * 24);
    let longer = week + Span::from_ms(1);
    let kim = person("kim");
    assert!(station.engine.out_of_service(&sensor, longer, "sent in", &kim, station.now).is_err());
    assert!(station.engine.out_of_service(&sensor, week, "sent in", &kim, station.now).is_ok());
}

#[test]
fn the_probe_of_a_header_out_of_use_leaves_the_header_to_its_jars() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    let probe = Target::Asset(Asset::Sensor("HAT".into()));
    let day = Span::from_hours(24);
    station.engine.out_of_service(&probe, day, "probe broken", &person("kim"), station.now).unwrap();
    station.drain();
    assert_eq!(station.engine.counts().out_of_service, 2, "its silence and its stillness");
    station.events.clear();
    (0..4).for_each(|jar| station.set_temp(jar, 18.0));
    station.run(120);
    let told: Vec<_> = station.told().iter().map(|event| (event.kind, event.asset.clone())).collect();
    assert_eq!(told, [(AlarmKind::TempVeryHigh, Asset::Header("A".into()))]);
}

#[test]
fn a_sensor_that_is_put_back_and_says_nothing_is_blind_after_its_full_wait() {
    let mut station = Station::new(Build { jars: 8, ..Build::default() });
    let at = station.flow_of(6);
    station.signals[at] = Signal::Silent;
    station.run(150);
    assert_eq!(station.told()[0].kind, AlarmKind::BlindFlow);
    let sensor = Target::Asset(Asset::Sensor("A-07F".into()));
    let (kim, day) = (person("kim"), Span::from_hours(24));
    station.engine.out_of_service(&sensor, day, "meter fouled", &kim, station.now).unwrap();
    station.run(60);
    station.engine.return_to_service(&sensor, &kim, station.now).unwrap();
    station.drain();
    station.events.clear();
    // Silent for 15 s, that for 60 s, and up to 60 s for its group.
    station.run(74);
    assert!(station.changes().is_empty(), "{:?}", station.lines());
    station.run(62);
    assert_eq!(station.changes(), ["raised"]);
    assert_eq!(station.told()[0].kind, AlarmKind::BlindFlow);
}

#[test]
fn what_stays_as_it_is_writes_nothing() {
    let mut station = Station::new(Build { header_flow: true, jars: 6, ..Build::default() });
    let meter = station.plan.rack.headers[0].flow.unwrap();
    station.signals[usize::from(meter.0)] = Signal::Value(0.0);
    station.run(120);
    for sensor in [meter, SensorIx(0)] {
        let value = if sensor == meter { 0.0 } else { 10.0 };
        station.engine.handle_reading(sensor, value, Quality::Good, Reason::None, station.now);
        let written: Vec<Output> = std::iter::from_fn(|| station.engine.poll_output()).collect();
        assert_eq!(written, [], "the same as a second ago");
    }
}

#[test]
fn steps_that_noise_takes_all_day_may_be_written_later() {
    let mut station = Station::new(Build::default());
    station.set_flow(6, 0.0);
    station.run(5);
    station.set_flow(6, SET_FLOW);
    station.run(5);
    station.set_flow(6, 0.0);
    station.run(60);
    station.set_flow(6, SET_FLOW);
    station.run(90);
    let lines = station.journal.iter().filter(|line| line.kind == AlarmKind::NoFlow);
    let rows: Vec<_> = lines.map(|line| (line.row, line.minor)).collect();
    // Pending, a near miss, pending; on; returning; off.
    assert_eq!(rows, [(1, true), (2, true), (1, true), (4, false), (5, true), (7, false)]);
}

#[test]
fn a_jar_that_stops_as_soon_as_it_is_filled_has_its_minute_to_settle() {
    let mut station = Station::new(Build::default());
    station.load(0, JarContext::default());
    station.run(60);
    station.load(0, loaded(0));
    station.set_flow(0, 0.0);
    station.run(69);
    assert!(station.changes().is_empty(), "{:?}", station.lines());
    station.run(2);
    assert_eq!(station.changes(), ["raised"]);
}
