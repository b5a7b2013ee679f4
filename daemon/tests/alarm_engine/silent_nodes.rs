//! Silent channels, nodes and headers: who is named as the cause, and how urgent it is.

use crate::station::{Build, Signal, Station, header, loaded, person, plan};
use nightjar::alarm::engine::{JarContext, Plan, Target};
use nightjar::alarm::event::{AlarmKind, Asset, Priority};
use nightjar::alarm::state::{Reported, What};
use nightjar::reading::SourceIx;
use nightjar_calc::time::Span;
use std::ops::Range;

fn node(name: &str) -> Asset {
    Asset::Node(name.into())
}

fn meters(station: &Station, jars: Range<usize>) -> Vec<usize> {
    jars.map(|jar| station.flow_of(jar)).collect()
}

fn probes(station: &Station, jars: Range<usize>) -> Vec<usize> {
    jars.map(|jar| station.temp_of(jar)).collect()
}

fn silence(station: &mut Station, sensors: &[usize]) {
    for at in sensors {
        station.signals[*at] = Signal::Silent;
    }
}

fn of_source(station: &Station, source: &str) -> Vec<usize> {
    let source = station.plan.sources.iter().position(|name| name == source).unwrap();
    let all = station.plan.rack.sensors.iter().enumerate();
    all.filter(|(_, sensor)| usize::from(sensor.source.0) == source).map(|(at, _)| at).collect()
}

/// What was told, without how many jars it is about.
fn told(station: &Station) -> Vec<(AlarmKind, Asset, Priority)> {
    station.told().iter().map(|event| (event.kind, event.asset.clone(), event.priority)).collect()
}

fn empty(station: &mut Station, jars: Range<usize>) {
    for jar in jars {
        station.load(jar, JarContext::default());
    }
}

#[test]
fn a_header_that_is_silent_because_its_nodes_are_lost_is_not_told_beside_them() {
    let mut station = Station::new(Build { jars: 8, header_temp: false, ..Build::default() });
    let (flow, temp) = (meters(&station, 0..8), probes(&station, 0..8));
    silence(&mut station, &flow);
    // The second node is not sure yet when the header is.
    station.run(40);
    silence(&mut station, &temp);
    station.run(400);
    let lost = |name: &str| (AlarmKind::BlindHeader, node(name), Priority::P1);
    assert_eq!(told(&station), [lost("flow-A"), lost("temp-A")], "{:?}", station.lines());
    let said = station.engine.reported(AlarmKind::BlindHeader, &header("A"));
    assert_eq!(said, Some(Reported::Suppressed));
    let covered: Vec<_> = station
        .journal
        .iter()
        .filter(|line| line.asset == header("A") && line.what == What::Suppressed)
        .filter(|line| line.kind == AlarmKind::BlindHeader)
        .map(|line| line.detail.as_str())
        .collect();
    assert_eq!(covered, ["MONITOR BLIND source flow-A"]);
}

#[test]
fn a_header_that_lost_more_than_a_node_is_told_too() {
    let mut station = Station::new(Build { jars: 8, header_temp: false, ..Build::default() });
    let (flow, temp) = (meters(&station, 0..8), probes(&station, 0..3));
    silence(&mut station, &flow);
    silence(&mut station, &temp);
    station.run(200);
    let blind: Vec<_> = told(&station).into_iter().map(|(kind, asset, _)| (kind, asset)).collect();
    let expected = [(AlarmKind::BlindHeader, node("flow-A")), (AlarmKind::BlindHeader, header("A"))];
    assert_eq!(blind, expected, "{:?}", station.lines());
}

#[test]
fn a_blind_header_names_the_jars_that_nothing_watches_and_no_others() {
    let mut station = Station::new(Build { jars: 8, ..Build::default() });
    let (flow, temp) = (meters(&station, 1..6), probes(&station, 1..6));
    silence(&mut station, &flow);
    silence(&mut station, &temp);
    station.run(120);
    let all = station.told();
    assert_eq!(all.len(), 1, "{:?}", station.lines());
    assert_eq!((all[0].kind, &all[0].asset), (AlarmKind::BlindHeader, &header("A")));
    assert_eq!(all[0].members, ["A-02", "A-03", "A-04", "A-05", "A-06"]);
    assert_eq!(all[0].members_total, 8);
}

#[test]
fn a_silent_meter_is_urgent_only_where_nothing_else_sees_the_eggs() {
    let told_of = |header_flow: bool, with_eggs: bool| {
        let mut station = Station::new(Build { jars: 4, header_flow, ..Build::default() });
        if !with_eggs {
            empty(&mut station, 2..3);
        }
        let meter = meters(&station, 2..3);
        silence(&mut station, &meter);
        station.run(200);
        let said = told(&station);
        assert_eq!(said.len(), 1, "{:?}", station.lines());
        assert_eq!((said[0].0, &said[0].1), (AlarmKind::BlindFlow, &Asset::Sensor("A-03F".into())));
        said[0].2
    };
    assert_eq!(told_of(false, true), Priority::P1, "the only meter of a jar with eggs");
    assert_eq!(told_of(true, true), Priority::P2, "the header's meter still watches");
    assert_eq!(told_of(false, false), Priority::P3, "nothing in the jar");
}

#[test]
fn a_silent_probe_of_a_header_matters_more_to_a_jar_without_its_own() {
    let told_of = |plan: Plan| {
        let mut station = Station::with_plan(plan);
        silence(&mut station, &[0]);
        station.run(400);
        let said = told(&station);
        assert_eq!(said.len(), 1, "{:?}", station.lines());
        assert_eq!((said[0].0, &said[0].1), (AlarmKind::BlindTemp, &Asset::Sensor("HAT".into())));
        said[0].2
    };
    let every_jar_has_one = plan(Build { jars: 4, ..Build::default() });
    let mut one_has_none = every_jar_has_one.clone();
    one_has_none.rack.sensors.pop();
    one_has_none.rack.jars[3].temperature = None;
    assert_eq!(told_of(every_jar_has_one), Priority::P3);
    assert_eq!(told_of(one_has_none), Priority::P2);
}

#[test]
fn a_lost_node_that_watches_no_eggs_can_wait_for_working_hours() {
    let build = Build { headers: 2, jars: 4, header_flow: true, ..Build::default() };
    let mut station = Station::new(build);
    empty(&mut station, 4..8);
    let lost = of_source(&station, "flow-B");
    silence(&mut station, &lost);
    station.run(300);
    let expected = [(AlarmKind::BlindHeader, node("flow-B"), Priority::P3)];
    assert_eq!(told(&station), expected, "{:?}", station.lines());
}

#[test]
fn a_blind_header_without_eggs_can_wait_for_working_hours() {
    for (with_eggs, priority) in [(true, Priority::P1), (false, Priority::P3)] {
        let build = Build { headers: 2, jars: 4, header_flow: true, ..Build::default() };
        let mut station = Station::new(build);
        if !with_eggs {
            empty(&mut station, 4..8);
        }
        let (flow, temp) = (meters(&station, 4..7), probes(&station, 4..7));
        silence(&mut station, &flow);
        silence(&mut station, &temp);
        station.run(200);
        let expected = [(AlarmKind::BlindHeader, header("B"), priority)];
        assert_eq!(told(&station), expected, "{:?}", station.lines());
    }
}

#[test]
fn eggs_put_under_a_blind_header_make_it_urgent() {
    let build = Build { headers: 2, jars: 4, header_flow: true, ..Build::default() };
    let mut station = Station::new(build);
    empty(&mut station, 4..8);
    let (flow, temp) = (meters(&station, 4..7), probes(&station, 4..7));
    silence(&mut station, &flow);
    silence(&mut station, &temp);
    station.run(200);
    station.load(4, loaded(4));
    station.run(60);
    assert_eq!(station.changes(), ["raised", "worsened"], "{:?}", station.lines());
    let worse = &station.events[1].1;
    assert_eq!(
        (worse.kind, &worse.asset, worse.priority),
        (AlarmKind::BlindHeader, &header("B"), Priority::P1)
    );
    assert_eq!(worse.members, ["B-01"]);
}

/// The probes of the last two jars of four hang on a node of their own.
fn with_spare_node() -> Station {
    let mut plan = plan(Build { jars: 4, header_flow: true, ..Build::default() });
    plan.sources.push("spare".into());
    for jar in 2..4 {
        let probe = plan.rack.jars[jar].temperature.unwrap();
        plan.rack.sensors[usize::from(probe.0)].source = SourceIx(2);
    }
    Station::with_plan(plan)
}

#[test]
fn a_lost_node_with_few_channels_of_a_header_is_less_urgent_than_one_with_half() {
    for (name, priority) in [("spare", Priority::P2), ("flow-A", Priority::P1)] {
        let mut station = with_spare_node();
        let lost = of_source(&station, name);
        silence(&mut station, &lost);
        station.run(200);
        let expected = [(AlarmKind::BlindHeader, node(name), priority)];
        assert_eq!(told(&station), expected, "{:?}", station.lines());
    }
}

#[test]
fn a_lost_node_is_as_urgent_as_what_its_channels_had_seen() {
    let mut station = with_spare_node();
    station.set_temp(2, 18.0);
    station.run(120);
    let warm = (AlarmKind::TempVeryHigh, Asset::Jar("A-03".into()), Priority::P1);
    assert_eq!(told(&station), [warm]);
    let lost = of_source(&station, "spare");
    silence(&mut station, &lost);
    station.run(120);
    assert_eq!(told(&station)[1..], [(AlarmKind::BlindHeader, node("spare"), Priority::P1)]);
}

#[test]
fn a_channel_out_of_use_does_not_keep_a_node_from_being_lost() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    let broken = Target::Asset(Asset::Sensor("A-04F".into()));
    let day = Span::from_hours(24);
    station.engine.out_of_service(&broken, day, "cracked", &person("kim"), station.now).unwrap();
    station.drain();
    let rest = meters(&station, 0..3);
    silence(&mut station, &rest);
    station.run(200);
    let expected = [(AlarmKind::BlindHeader, node("flow-A"), Priority::P1)];
    assert_eq!(told(&station), expected, "{:?}", station.lines());
}
