//! One physical cause, one message.

use crate::station::{Build, SET_FLOW, Signal, Station, header};
use nightjar::alarm::event::{AlarmKind, Asset, Change, Priority};
use nightjar::alarm::state::{Reported, What};
use nightjar::reading::{Reason, SourceIx};
use nightjar_calc::time::Span;
use std::collections::BTreeSet;

/// Jars lose their flow one after the other within 2 to 20 s, as the header drains.
fn stop_pump(station: &mut Station, jars: std::ops::Range<usize>) {
    station.run(2);
    for second in 0..19 {
        for jar in jars.clone() {
            if (jar - jars.start) * 18 / (jars.len() - 1).max(1) == second {
                station.set_flow(jar, 0.0);
            }
        }
        station.run(1);
    }
}

#[test]
fn a_pump_that_feeds_twenty_four_jars_dies_and_one_message_leaves() {
    let mut station = Station::new(Build::default());
    let t0 = station.now.up.ms();
    stop_pump(&mut station, 0..24);
    station.run(600);
    let told = station.told();
    assert_eq!(told.len(), 1, "{:?}", station.lines());
    let said = told[0];
    assert_eq!(
        (said.kind, &said.asset, said.priority),
        (AlarmKind::NoFlowHeader, &header("A"), Priority::P1)
    );
    assert_eq!((said.members.len(), said.members_total), (24, 24));
    assert_eq!(said.eggs_have.as_ref().unwrap().jar, "A-01", "the worst jar first");
    let late = station.events[0].0 - t0;
    assert!(late <= 35_000, "limit crossing to message took {late} ms");
    // Every child was evaluated, journaled and covered with the parent named.
    let covered: BTreeSet<_> = station
        .journal
        .iter()
        .filter(|line| line.kind == AlarmKind::NoFlow && line.what == What::Suppressed)
        .map(|line| line.asset.clone())
        .collect();
    assert_eq!(covered.len(), 24);
    let activated = station
        .journal
        .iter()
        .filter(|line| line.kind == AlarmKind::NoFlow && matches!(line.what, What::Activated { .. }));
    assert_eq!(activated.count(), 24);
    assert_eq!(
        station.engine.counts().covered,
        49,
        "no flow and low flow of each jar, low flow of the header"
    );
}

#[test]
fn five_of_twenty_four_jars_are_one_message_that_lists_five() {
    for in_one_row in [true, false] {
        let mut station = Station::new(Build::default());
        for n in 0..5 {
            station.set_flow(if in_one_row { n } else { n * 5 }, 0.0);
        }
        station.run(600);
        let told = station.told();
        assert_eq!(told.len(), 1, "{:?}", station.lines());
        let said = told[0];
        assert_eq!((said.kind, said.members.len(), said.members_total), (AlarmKind::NoFlow, 5, 24));
        assert_eq!(said.asset, header("A"));
        assert_eq!(said.hint.contains("all in row 1"), in_one_row, "{}", said.hint);
    }
}

#[test]
fn two_pumps_forty_seconds_apart_are_two_messages() {
    let mut station = Station::new(Build { headers: 2, ..Build::default() });
    for jar in 0..24 {
        station.set_flow(jar, 0.0);
    }
    station.run(40);
    for jar in 24..48 {
        station.set_flow(jar, 0.0);
    }
    station.run(600);
    let assets: Vec<_> = station.told().iter().map(|event| event.asset.clone()).collect();
    assert_eq!(assets, [header("A"), header("B")]);
}

#[test]
fn three_headers_at_once_are_the_supply() {
    let mut station = Station::new(Build { headers: 3, jars: 8, ..Build::default() });
    for jar in 0..24 {
        station.set_flow(jar, 0.0);
    }
    station.run(600);
    let told = station.told();
    assert_eq!(told.len(), 1, "{:?}", station.lines());
    assert_eq!((&told[0].asset, told[0].members.len()), (&Asset::Supply, 24));
}

#[test]
fn the_meter_of_a_header_is_a_direct_cause() {
    let mut station = Station::new(Build { header_flow: true, jars: 6, ..Build::default() });
    let meter = usize::from(station.plan.rack.headers[0].flow.unwrap().0);
    station.signals[meter] = Signal::Value(0.0);
    station.run(4);
    // Too few jars follow to point at the header by themselves.
    station.set_flow(0, 0.0);
    station.set_flow(1, 0.0);
    station.run(300);
    let told = station.told();
    assert_eq!(told.len(), 1, "{:?}", station.lines());
    assert_eq!(told[0].kind, AlarmKind::NoFlowHeader);
    let said = station.engine.reported(AlarmKind::NoFlow, &Asset::Jar("A-01".into()));
    assert_eq!(said, Some(Reported::Suppressed));
}

#[test]
fn a_slow_clog_is_low_flow_before_no_flow_and_keeps_its_code() {
    let mut station = Station::new(Build::default());
    for minute in 0..40 {
        let flow = SET_FLOW * (1.0 - f64::from(minute) / 38.0).max(0.0);
        for jar in 0..24 {
            station.set_flow(jar, flow);
        }
        station.run(60);
    }
    let told = station.told();
    let said: Vec<_> = told.iter().map(|e| (e.kind, e.priority, e.code.clone())).collect();
    assert_eq!(said.len(), 2, "{said:?}");
    assert_eq!((said[0].0, said[0].1), (AlarmKind::LowFlow, Priority::P2));
    assert_eq!((said[1].0, said[1].1), (AlarmKind::NoFlowHeader, Priority::P1));
    assert_eq!(told[1].change, Change::Worsened);
    assert_eq!(said[0].2, said[1].2, "the same event");
}

#[test]
fn when_the_pump_runs_again_one_cleared_message_leaves() {
    let mut station = Station::new(Build::default());
    stop_pump(&mut station, 0..24);
    station.run(300);
    for jar in 0..24 {
        station.set_flow(jar, SET_FLOW);
    }
    station.run(600);
    assert_eq!(station.changes(), ["raised", "cleared"]);
    let counts = station.engine.counts();
    assert_eq!((counts.covered, counts.settling, counts.p1), (0, 0, 0));
}

#[test]
fn what_stays_after_the_parent_leaves_as_one_message() {
    let mut station = Station::new(Build::default());
    stop_pump(&mut station, 0..24);
    station.run(300);
    for jar in 5..24 {
        station.set_flow(jar, SET_FLOW);
    }
    station.run(600);
    assert_eq!(station.changes(), ["raised", "cleared", "raised"]);
    let residue = &station.events[2].1;
    assert_eq!((residue.kind, residue.members.len()), (AlarmKind::NoFlow, 5));
    let gap = station.events[2].0 - station.events[1].0;
    assert_eq!(gap, 70_000, "settle time and group wait");
}

#[test]
fn a_jar_in_alarm_long_before_its_header_is_not_its_consequence() {
    let mut station = Station::new(Build::default());
    station.set_flow(7, 0.0);
    station.run(400);
    for jar in 0..24 {
        station.set_flow(jar, 0.0);
    }
    station.run(300);
    let assets: Vec<_> = station.told().iter().map(|event| event.asset.clone()).collect();
    assert_eq!(assets, [Asset::Jar("A-08".into()), header("A")]);
    assert_eq!(station.changes(), ["raised", "raised"], "the first is not covered");
}

#[test]
fn a_warm_jar_is_not_explained_by_a_dead_pump() {
    let mut station = Station::new(Build::default());
    stop_pump(&mut station, 0..24);
    station.set_temp(3, 18.0);
    station.run(300);
    let kinds: BTreeSet<_> = station.told().iter().map(|event| event.kind).collect();
    assert!(kinds.contains(&AlarmKind::TempVeryHigh), "{kinds:?}");
}

#[test]
fn a_paused_parent_does_not_silence_jars_that_stop_later() {
    let mut station = Station::new(Build::default());
    for jar in 0..12 {
        station.set_flow(jar, 0.0);
    }
    station.run(60);
    let id = station.events[0].1.event;
    let shelving = nightjar::alarm::engine::Shelving { length: Span::from_minutes(30), one_shot: false };
    let target = nightjar::alarm::engine::Target::Event(id);
    station.engine.shelve(&target, shelving, &crate::station::person("kim"), station.now).unwrap();
    station.drain();
    station.run(240);
    assert_eq!(station.told().len(), 1, "what was known is paused with its cause: {:?}", station.lines());
    station.set_flow(20, 0.0);
    station.run(120);
    let told = station.told();
    assert_eq!(told.last().unwrap().asset, Asset::Jar("A-21".into()));
}

#[test]
fn a_lost_node_is_one_message_and_no_process_alarm() {
    let mut station = Station::new(Build::default());
    for jar in 0..24 {
        let at = station.flow_of(jar);
        station.signals[at] = Signal::Silent;
    }
    station.run(900);
    let told = station.told();
    assert_eq!(told.len(), 1, "{:?}", station.lines());
    assert_eq!((told[0].kind, &told[0].asset), (AlarmKind::BlindHeader, &Asset::Node("flow-A".into())));
    assert_eq!((told[0].priority, told[0].members.len()), (Priority::P1, 24));
    for jar in 0..24 {
        let at = station.flow_of(jar);
        station.signals[at] = Signal::Value(SET_FLOW);
    }
    station.run(300);
    assert_eq!(station.changes(), ["raised", "cleared"]);
}

#[test]
fn a_cable_pulled_for_fifty_seconds_is_no_alarm_and_for_longer_is_one() {
    for (seconds, expected) in [(50, 0), (75, 1)] {
        let mut station = Station::new(Build::default());
        station.engine.handle_source_link(SourceIx(0), false, station.now);
        for jar in 0..24 {
            let at = station.flow_of(jar);
            station.signals[at] = Signal::Silent;
        }
        station.run(seconds);
        station.engine.handle_source_link(SourceIx(0), true, station.now);
        for jar in 0..24 {
            let at = station.flow_of(jar);
            station.signals[at] = Signal::Value(SET_FLOW);
        }
        station.run(300);
        assert_eq!(station.told().len(), expected, "{seconds} s {:?}", station.lines());
        assert_eq!(station.engine.views().iter().filter(|view| view.on).count(), 0);
    }
}

#[test]
fn half_of_the_channels_of_a_header_are_the_header_and_few_are_themselves() {
    let mut station = Station::new(Build { jars: 8, ..Build::default() });
    for jar in 0..3 {
        let at = station.flow_of(jar);
        station.signals[at] = Signal::Bad(Reason::NotFinite);
    }
    station.run(200);
    let told = station.told();
    assert_eq!(told.len(), 1, "{:?}", station.lines());
    assert_eq!((told[0].kind, told[0].priority), (AlarmKind::BlindFlow, Priority::P1));
    assert_eq!((told[0].members.len(), told[0].members_total), (3, 8));
    for jar in 3..8 {
        let (flow, temp) = (station.flow_of(jar), station.temp_of(jar));
        station.signals[flow] = Signal::Silent;
        if jar < 6 {
            station.signals[temp] = Signal::Silent;
        }
    }
    station.run(200);
    let last = station.told().last().map(|event| (event.kind, event.asset.clone())).unwrap();
    assert_eq!(last.0, AlarmKind::BlindHeader);
}

#[test]
fn mains_lost_then_pump_lost_are_one_message_each() {
    let mut station = Station::new(Build::default());
    let fact = nightjar::alarm::engine::Fact::Mains {
        on: false,
        battery_percent: Some(90.0),
        runtime_min: Some(120.0),
    };
    station.engine.handle_fact(&fact, station.now);
    station.run(120);
    stop_pump(&mut station, 0..24);
    station.run(480);
    let kinds: Vec<_> = station.told().iter().map(|event| (event.kind, event.priority)).collect();
    assert_eq!(kinds, [(AlarmKind::MainsLost, Priority::P2), (AlarmKind::NoFlowHeader, Priority::P1)]);
}

#[test]
fn a_pump_that_takes_its_time_after_power_returns_is_held_with_a_hard_end() {
    let mains = |on| nightjar::alarm::engine::Fact::Mains { on, battery_percent: None, runtime_min: None };
    for (back_after, expected) in [(90, 0), (1000, 1)] {
        let mut station = Station::new(Build::default());
        station.engine.handle_fact(&mains(false), station.now);
        station.run(5);
        for jar in 0..24 {
            station.set_flow(jar, 0.0);
        }
        station.engine.handle_fact(&mains(true), station.now);
        station.drain();
        assert!(station.engine.counts().settling > 0, "shown as such");
        station.run(back_after);
        let said = station.told().len();
        for jar in 0..24 {
            station.set_flow(jar, SET_FLOW);
        }
        station.run(400);
        assert_eq!((said, station.told().len()), (expected, expected), "{back_after}");
        if expected == 1 {
            let late = station.events[0].0 - 65_000;
            assert!(late <= 140_000, "{late}");
        }
    }
}
