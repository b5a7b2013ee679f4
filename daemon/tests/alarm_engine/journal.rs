//! What is written down: the state before and after each step, since when, and nothing for nothing.

use crate::station::{Build, SET_FLOW, Station, person};
use nightjar::alarm::engine::Target;
use nightjar::alarm::event::{AlarmKind, Asset};
use nightjar::alarm::state::{Reported, What};
use nightjar::reading::{Quality, Reason, SensorIx};
use nightjar_calc::time::Span;

#[test]
fn each_step_is_written_with_the_state_before_and_after_it() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    station.set_flow(0, 0.0);
    station.run(60);
    let event = Target::Event(station.told()[0].event);
    station.engine.acknowledge(&event, &person("kim"), station.now).unwrap();
    station.drain();
    station.set_flow(0, SET_FLOW);
    station.run(120);
    let jar = Asset::Jar("A-01".into());
    let lines = station.journal.iter().filter(|line| line.kind == AlarmKind::NoFlow && line.asset == jar);
    let steps: Vec<_> = lines.map(|line| (line.what, line.from.letter(), line.to.letter())).collect();
    let expected = [
        (What::Pending, 'A', 'A'),
        (What::Activated { again: false }, 'A', 'B'),
        (What::Acknowledged, 'B', 'C'),
        (What::Returning, 'C', 'C'),
        (What::Cleared, 'C', 'A'),
    ];
    assert_eq!(steps, expected);
}

#[test]
fn steps_taken_at_once_are_written_one_after_the_other() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    // Samples that fail while an alarm is pending raise the technical alarm without a wait.
    station.set_flow(0, 0.0);
    station.run(2);
    let at = station.flow_of(0);
    station.signals[at] = crate::station::Signal::Bad(Reason::NotFinite);
    station.run(40);
    let lines = station.journal.iter().filter(|line| line.kind == AlarmKind::BlindFlow);
    let raised: Vec<_> = lines
        .filter(|line| matches!(line.what, What::Pending | What::Activated { .. }))
        .map(|line| (line.what, line.from, line.to))
        .collect();
    assert_eq!(raised.len(), 2, "{raised:?}");
    let on = What::Activated { again: false };
    assert_eq!(raised[1], (on, Reported::Normal, Reported::Unacknowledged));
}

#[test]
fn a_sample_that_changes_nothing_writes_nothing() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    station.set_flow(0, 0.0);
    station.run(120);
    assert_eq!(station.changes(), ["raised"]);
    let sensor = SensorIx(u16::try_from(station.flow_of(0)).unwrap());
    station.engine.handle_reading(sensor, 0.0, Quality::Good, Reason::None, station.now);
    assert_eq!(station.engine.poll_output(), None);
}

#[test]
fn a_header_is_without_flow_since_its_first_jar_was() {
    let mut station = Station::new(Build { jars: 6, ..Build::default() });
    let began = station.now.utc;
    for jar in 0..6 {
        station.set_flow(jar, 0.0);
        station.run(3);
    }
    station.run(60);
    let told = station.told();
    assert_eq!(told.len(), 1, "{:?}", station.lines());
    assert_eq!((told[0].kind, told[0].since), (AlarmKind::NoFlowHeader, began));
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
