//! Which alarms a station has, which of them can explain which, and what they wait for.

use crate::station::{Build, Signal, Station, plan};
use nightjar::alarm::event::{AlarmKind, Asset, Priority};
use nightjar::alarm::state::{Reported, What};
use nightjar::reading::{Quality, Reason, SensorIx, SourceIx};
use nightjar_calc::time::Span;
use std::collections::BTreeSet;

#[test]
fn the_monitor_can_be_the_cause_where_three_nodes_have_several_channels() {
    let has_monitor =
        |station: &Station| station.engine.reported(AlarmKind::BlindHeader, &Asset::Monitor).is_some();
    let mut plan = plan(Build { jars: 4, ..Build::default() });
    assert!(!has_monitor(&Station::with_plan(plan.clone())), "two nodes");
    plan.sources.push("spare".into());
    for (jar, expected) in [(3, false), (2, true)] {
        let probe = plan.rack.jars[jar].temperature.unwrap();
        plan.rack.sensors[usize::from(probe.0)].source = SourceIx(2);
        // A node with one channel is that channel.
        let station = Station::with_plan(plan.clone());
        let node = station.engine.reported(AlarmKind::BlindHeader, &Asset::Node("spare".into()));
        assert_eq!((node.is_some(), has_monitor(&station)), (expected, expected));
    }
}

#[test]
fn a_header_with_one_channel_is_that_channel() {
    for (channels, expected) in [(2, true), (1, false)] {
        let mut plan = plan(Build { jars: 1, header_temp: false, ..Build::default() });
        if channels == 1 {
            plan.rack.sensors.pop();
            plan.rack.jars[0].temperature = None;
        }
        assert_eq!(plan.rack.sensors.len(), channels);
        let station = Station::with_plan(plan);
        let blind = station.engine.reported(AlarmKind::BlindHeader, &Asset::Header("A".into()));
        assert_eq!(blind.is_some(), expected, "{channels}");
    }
}

#[test]
fn all_nodes_lost_at_once_are_the_monitor_and_one_message() {
    let mut station = Station::new(Build { headers: 2, jars: 4, ..Build::default() });
    station.signals.fill(Signal::Silent);
    station.run(900);
    let told = station.told();
    assert_eq!(told.len(), 1, "{:?}", station.lines());
    let said = told[0];
    assert_eq!(
        (said.kind, &said.asset, said.priority),
        (AlarmKind::BlindHeader, &Asset::Monitor, Priority::P1)
    );
    assert_eq!((said.members.len(), said.members_total), (8, 8));
}

/// Lets probes say the same for so many seconds, bit for bit.
fn hold_still(station: &mut Station, probes: &[usize], seconds: u32) {
    for at in probes {
        station.signals[*at] = Signal::Silent;
    }
    for _ in 0..seconds {
        for at in probes {
            let sensor = SensorIx(u16::try_from(*at).unwrap());
            station.engine.handle_reading(sensor, 10.0, Quality::Good, Reason::None, station.now);
        }
        station.drain();
        station.run(1);
    }
}

#[test]
fn stuck_probes_do_not_make_their_node_a_lost_one() {
    let mut station = Station::new(Build { jars: 2, header_temp: false, ..Build::default() });
    let probes = [station.temp_of(0), station.temp_of(1)];
    hold_still(&mut station, &probes, 4400);
    let told: Vec<_> = station.told().iter().map(|event| (event.kind, event.asset.clone())).collect();
    assert_eq!(told, [(AlarmKind::Stuck, Asset::Node("temp-A".into()))], "{:?}", station.lines());
    assert_eq!(station.told()[0].members, ["A-01T", "A-02T"]);
}

#[test]
fn a_stuck_probe_is_not_explained_by_a_lost_node() {
    let mut station = Station::new(Build { jars: 2, header_temp: false, ..Build::default() });
    for jar in 0..2 {
        let at = station.flow_of(jar);
        station.signals[at] = Signal::Silent;
    }
    let probe = station.temp_of(0);
    // Ten minutes are normal, and an hour makes it sure.
    hold_still(&mut station, &[probe], 4400);
    let blind = station.engine.reported(AlarmKind::BlindHeader, &Asset::Header("A".into()));
    assert_eq!(blind, Some(Reported::Suppressed), "half of its channels, all of one node");
    let told: Vec<_> = station.told().iter().map(|event| (event.kind, event.asset.clone())).collect();
    let expected = [
        (AlarmKind::BlindHeader, Asset::Node("flow-A".into())),
        (AlarmKind::Stuck, Asset::Sensor("A-01T".into())),
    ];
    assert_eq!(told, expected, "{:?}", station.lines());
}

/// From the first sample beyond the limit until it is sure, in milliseconds.
fn sure_after(interval_s: i64) -> u64 {
    let interval = Span::from_secs(interval_s);
    let mut station = Station::new(Build { jars: 4, interval, ..Build::default() });
    station.set_flow(0, 0.0);
    station.run(300);
    let lines = station.journal.iter().filter(|line| line.kind == AlarmKind::NoFlow);
    let at = |wanted: What| lines.clone().find(|line| line.what == wanted).unwrap().moment.0;
    at(What::Activated { again: false }) - at(What::Pending)
}

#[test]
fn three_samples_are_asked_for_and_two_of_a_sensor_slower_than_ten_seconds() {
    let expected = [(1, 15), (10, 20), (11, 15), (60, 60)];
    for (interval, seconds) in expected {
        assert_eq!(sure_after(interval), seconds * 1000, "one sample each {interval} s");
    }
}

#[test]
fn every_wait_says_what_is_waited_for() {
    let mut station = Station::new(Build { jars: 2, ..Build::default() });
    station.restart(None, Span::from_secs(5));
    station.set_flow(0, 0.0);
    let mut waits = BTreeSet::new();
    for _ in 0..90 {
        waits.extend(station.engine.poll_timeout().map(|(_, why)| why));
        station.run(1);
    }
    station.signals.fill(Signal::Silent);
    for _ in 0..20 {
        waits.extend(station.engine.poll_timeout().map(|(_, why)| why));
        station.run(1);
    }
    let expected = ["alarm delay", "causes after restart", "channel silent", "group wait"];
    assert_eq!(waits, BTreeSet::from(expected));
}
