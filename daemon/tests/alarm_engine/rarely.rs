//! What comes up rarely: names nobody knows, channels half heard, stages with limits of their own, a
//! station that starts over and over.

use crate::station::{Build, SET_FLOW, Signal, Station, TEMPS, header, jar, loaded, person, plan};
use nightjar::alarm::condition::{StageLimits, TempLimits};
use nightjar::alarm::engine::{JarContext, Refused, Target};
use nightjar::alarm::event::{AlarmKind, Asset, Change, Priority};
use nightjar::alarm::moment::Moment;
use nightjar::alarm::state::Reported;
use nightjar::rack::JarIx;
use nightjar::reading::{Quality, Reason, SensorIx};
use nightjar::snapshot::JarState;
use nightjar_calc::time::Span;

#[test]
fn a_jar_is_judged_by_the_limits_of_its_stage() {
    let high = |high_c| TempLimits { high_c: Some(high_c), ..TEMPS };
    let mut plan = plan(Build { jars: 4, header_temp: false, ..Build::default() });
    plan.settings.stages = StageLimits { green: high(14.0), eyed: high(12.0), hatching: high(11.0) };
    let stages = [
        (JarState::Green, None),
        (JarState::Eyed, Some(12.0)),
        (JarState::Hatching, Some(11.0)),
        (JarState::Hatched, Some(11.0)),
    ];
    for (stage, limit) in stages {
        let mut station = Station::with_plan(plan.clone());
        station.load(1, JarContext { stage, ..loaded(1) });
        station.set_temp(1, 13.0);
        station.run(300);
        let told: Vec<_> = station.told().iter().map(|e| (e.kind, e.asset.clone(), e.limit)).collect();
        let expected: Vec<_> = limit.iter().map(|at| (AlarmKind::TempHigh, jar("A-02"), Some(*at))).collect();
        assert_eq!(told, expected, "{stage:?}");
    }
}

#[test]
fn what_is_said_about_a_jar_or_sensor_that_is_not_there_changes_nothing() {
    let mut station = Station::new(Build { jars: 2, ..Build::default() });
    let before = (station.engine.counts(), station.stored.clone());
    station.load(2, loaded(2));
    let beyond = SensorIx(u16::try_from(station.signals.len()).unwrap());
    station.engine.handle_reading(beyond, 0.0, Quality::Good, Reason::None, station.now);
    station.run(120);
    assert!(station.changes().is_empty(), "{:?}", station.lines());
    assert_eq!((station.engine.counts(), station.stored.clone()), before);
    let window = station.engine.open_treatment_window(
        &[JarIx(0), JarIx(2)],
        Span::from_minutes(20),
        &person("kim"),
        station.now,
    );
    assert_eq!(window, Err(Refused::Unknown));
    assert_eq!(station.engine.treatment_window(JarIx(0)), None, "none is opened when one of them is unknown");
}

#[test]
fn a_jar_out_of_use_takes_its_meter_and_its_probe_along() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    let target = Target::Asset(jar("A-03"));
    let day = Span::from_hours(24);
    station.engine.out_of_service(&target, day, "jar cracked", &person("kim"), station.now).unwrap();
    station.drain();
    let silent = [station.flow_of(2), station.temp_of(2)];
    silent.into_iter().for_each(|at| station.signals[at] = Signal::Silent);
    station.run(900);
    assert_eq!(station.changes(), ["out"], "{:?}", station.lines());
    for (kind, sensor) in [(AlarmKind::BlindFlow, "A-03F"), (AlarmKind::BlindTemp, "A-03T")] {
        let said = station.engine.reported(kind, &Asset::Sensor(sensor.into()));
        assert_eq!(said, Some(Reported::OutOfService), "{sensor}");
    }
    station.set_flow(1, 0.0);
    station.run(60);
    let told: Vec<_> = station.told().iter().map(|e| (e.kind, e.asset.clone())).collect();
    assert_eq!(told, [(AlarmKind::NoFlow, jar("A-02"))], "its neighbour is watched");
}

#[test]
fn a_header_out_of_use_leaves_its_jars_watched() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    let target = Target::Asset(header("A"));
    let day = Span::from_hours(24);
    station.engine.out_of_service(&target, day, "new valve", &person("kim"), station.now).unwrap();
    station.drain();
    (0..4).for_each(|jar| station.set_flow(jar, 0.0));
    station.run(120);
    let told = station.told();
    assert_eq!(told.len(), 1, "{:?}", station.lines());
    assert_eq!((told[0].kind, told[0].priority), (AlarmKind::NoFlow, Priority::P1));
    assert_eq!(told[0].members, ["A-01", "A-02", "A-03", "A-04"]);
}

#[test]
fn of_many_starts_in_a_day_the_latest_sixteen_are_remembered() {
    let mut station = Station::new(Build { jars: 2, ..Build::default() });
    for _ in 0..20 {
        station.restart(Some(Span::from_secs(5)), Span::from_secs(5));
    }
    station.run(600);
    let starts = station.stored.starts.clone();
    // Twenty-one, five seconds apart: the first five are forgotten.
    assert_eq!(starts.len(), 16);
    let first = Moment(0);
    assert_eq!(
        (starts[0].since(first), starts[15].since(first)),
        (Span::from_secs(25), Span::from_secs(100))
    );
    let restarted = station.engine.reported(AlarmKind::Restarted, &Asset::Monitor);
    assert_eq!(restarted, Some(Reported::Unacknowledged));
    // It is over once fewer than three of them lie within a day.
    station.pass(Span::from_hours(24));
    let restarted = station.engine.reported(AlarmKind::Restarted, &Asset::Monitor);
    assert_eq!(restarted, Some(Reported::Returned));
}

#[test]
fn readings_under_a_clock_that_is_not_trusted_raise_and_clear_like_any_other() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    let at = station.flow_of(1);
    station.signals[at] = Signal::Silent;
    let sensor = SensorIx(u16::try_from(at).unwrap());
    for (value, seconds, said) in [(0.0, 40, &["raised"][..]), (SET_FLOW, 70, &["raised", "cleared"][..])] {
        for second in 0..seconds {
            let flutter = f64::from(second % 2) * 1e-6;
            station.engine.handle_reading(
                sensor,
                value + flutter,
                Quality::Uncertain,
                Reason::UntrustedClock,
                station.now,
            );
            station.run(1);
        }
        assert_eq!(station.changes(), said, "{:?}", station.lines());
    }
}

#[test]
fn a_slow_meter_that_fails_while_its_jar_is_pending_is_told_before_it_counts_as_silent() {
    let interval = Span::from_secs(20);
    let mut station = Station::new(Build { jars: 4, header_flow: true, interval, ..Build::default() });
    let at = station.flow_of(1);
    station.signals[at] = Signal::Value(0.0);
    station.run(20);
    let failed = station.now.utc;
    station.signals[at] = Signal::Bad(Reason::NotFinite);
    // No flow waits for 20 s, the time of two samples, and for as long again when they fail; the meter
    // would count as silent after 60 s, and that be told after two minutes.
    station.run(55);
    let told = station.told();
    assert_eq!(told.len(), 1, "{:?}", station.lines());
    assert_eq!((told[0].kind, &told[0].asset), (AlarmKind::BlindFlow, &Asset::Sensor("A-02F".into())));
    assert_eq!(told[0].priority, Priority::P1, "no less urgent than no flow would have been");
    assert_eq!(told[0].since.since(failed), Span::from_secs(39));
    assert_eq!(station.rows_of(AlarmKind::BlindFlow, &Asset::Sensor("A-02F".into())), [1, 4]);
}

#[test]
fn in_a_flood_an_answer_does_not_leave_as_a_text() {
    let mut station = Station::new(Build { headers: 13, jars: 4, ..Build::default() });
    (0..12).for_each(|header| station.set_flow(header * 4, 0.0));
    (48..52).for_each(|jar| station.set_flow(jar, 0.0));
    station.run(60);
    assert_eq!(station.floods, [true]);
    let cause = station.told().into_iter().find(|said| said.asset == header("M")).unwrap().clone();
    assert!(station.engine.leaves_as_text(&cause));
    station.engine.acknowledge(&Target::Event(cause.event), &person("kim"), station.now).unwrap();
    station.drain();
    let answer = station.events.last().unwrap().1.clone();
    assert!(matches!(answer.change, Change::Acknowledged { .. }), "{:?}", station.lines());
    assert!(!station.engine.leaves_as_text(&answer));
    station.run(1_500);
    assert_eq!(station.floods.last(), Some(&false));
    assert!(station.engine.leaves_as_text(&answer), "when the flood is over it does");
}

#[test]
fn a_lost_node_is_found_again_after_a_restart_when_half_of_its_channels_speak() {
    for (speaking, after) in [(1, Reported::Unacknowledged), (2, Reported::Returned)] {
        let mut station = Station::new(Build { jars: 4, ..Build::default() });
        let meters: Vec<usize> = (0..4).map(|jar| station.flow_of(jar)).collect();
        meters.iter().for_each(|at| station.signals[*at] = Signal::Silent);
        station.run(200);
        let node = Asset::Node("flow-A".into());
        let told: Vec<_> = station.told().iter().map(|e| (e.kind, e.asset.clone())).collect();
        assert_eq!(told, [(AlarmKind::BlindHeader, node.clone())], "{:?}", station.lines());
        meters[..speaking].iter().for_each(|at| station.signals[*at] = Signal::Value(SET_FLOW));
        station.restart(Some(Span::from_secs(5)), Span::from_secs(5));
        station.run(300);
        let said = station.engine.reported(AlarmKind::BlindHeader, &node);
        assert_eq!(said, Some(after), "{speaking} speak: {:?}", station.lines());
    }
}
