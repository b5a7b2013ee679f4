//! What is in the jars decides how many of them make a header, what a header should carry, and how urgent it is
//! that somebody cannot see them.

use crate::station::{Build, SET_FLOW, Signal, Station, loaded, plan};
use nightjar::alarm::engine::JarContext;
use nightjar::alarm::event::{AlarmKind, Asset, Priority};
use nightjar::alarm::record::Stored;
use nightjar::alarm::state::Reported;
use nightjar::clock::{Now, Uptime};
use nightjar::reading::{Reason, SourceIx};
use nightjar_calc::time::{Span, Timestamp};

fn header() -> Asset {
    Asset::Header("A".into())
}

fn reported(station: &Station, kind: AlarmKind) -> Option<Reported> {
    station.engine.reported(kind, &header())
}

/// The jars from this one on hold nothing.
fn empty_from(station: &mut Station, first: usize) {
    for jar in first..station.plan.rack.jars.len() {
        station.load(jar, JarContext::default());
    }
}

/// Both that are loaded of eight jars, or two of eight that are all loaded.
#[test]
fn half_of_the_loaded_jars_point_at_their_header_and_empty_ones_do_not_count() {
    for (loaded, kind, asset) in [
        (2, AlarmKind::NoFlowHeader, header()),
        (4, AlarmKind::NoFlowHeader, header()),
        (5, AlarmKind::NoFlow, header()),
        (8, AlarmKind::NoFlow, header()),
    ] {
        let mut station = Station::new(Build { jars: 8, ..Build::default() });
        empty_from(&mut station, loaded);
        station.set_flow(0, 0.0);
        station.set_flow(1, 0.0);
        station.run(120);
        let told = station.told();
        assert_eq!(told.len(), 1, "{loaded} loaded: {:?}", station.lines());
        assert_eq!((told[0].kind, &told[0].asset), (kind, &asset), "{loaded} loaded");
    }
}

/// After a start, before the logbook has spoken of a jar, it may hold eggs.
#[test]
fn a_jar_of_which_nothing_is_known_yet_counts_as_loaded() {
    let now = Now { up: Uptime::from_ms(5_000), utc: Timestamp::from_ms(1_800_000_000_000), trusted: true };
    for (known, expected) in [(8, AlarmKind::NoFlowHeader), (2, AlarmKind::NoFlow)] {
        let plan = plan(Build { jars: 8, ..Build::default() });
        let mut station = Station::start(plan, Stored::default(), None, now);
        for jar in 0..known {
            station.load(jar, if jar < 2 { loaded(jar) } else { JarContext::default() });
        }
        station.run(70);
        station.set_flow(0, 0.0);
        station.set_flow(1, 0.0);
        station.run(120);
        let told: Vec<_> = station.told().iter().map(|event| event.kind).collect();
        assert_eq!(told, [expected], "{known} known: {:?}", station.lines());
    }
}

/// Half of those that can say so: a jar without a meter, or a probe, says nothing either way.
#[test]
fn jars_without_a_meter_or_a_probe_do_not_count_against_those_that_have_one() {
    let mut bare = plan(Build { jars: 8, header_temp: false, ..Build::default() });
    for jar in &mut bare.rack.jars[4..] {
        (jar.flow, jar.temperature) = (None, None);
    }
    for (flow, kind) in [(true, AlarmKind::NoFlowHeader), (false, AlarmKind::TempHigh)] {
        for (jars, expected) in [(1, Reported::Normal), (2, Reported::Unacknowledged)] {
            let mut station = Station::with_plan(bare.clone());
            for jar in 0..jars {
                if flow { station.set_flow(jar, 0.0) } else { station.set_temp(jar, 15.0) }
            }
            station.run(300);
            assert_eq!(reported(&station, kind), Some(expected), "{jars} of four: {:?}", station.lines());
        }
    }
}

#[test]
fn few_warm_jars_of_many_are_themselves_and_half_of_them_are_the_header() {
    for (warm, expected, members) in [(3, Reported::Normal, 3), (4, Reported::Unacknowledged, 4)] {
        let mut station = Station::new(Build { jars: 8, header_temp: false, ..Build::default() });
        for jar in 0..warm {
            station.set_temp(jar, 15.0);
        }
        station.run(300);
        assert_eq!(reported(&station, AlarmKind::TempHigh), Some(expected), "{:?}", station.lines());
        let told = station.told();
        assert_eq!((told.len(), told[0].members.len(), told[0].members_total), (1, members, 8));
    }
}

/// Twenty-four jars of 4 L/min are 96 L/min; below a tenth of that there is none.
#[test]
fn a_header_should_carry_what_its_loaded_jars_should_have_together() {
    let below_a_tenth = |per_minute: f64, loaded: usize| {
        let mut station = Station::new(Build { header_flow: true, ..Build::default() });
        empty_from(&mut station, loaded);
        let meter = usize::from(station.plan.rack.headers[0].flow.unwrap().0);
        station.signals[meter] = Signal::Value(per_minute);
        station.run(60);
        let told = station.told();
        told.first().map(|event| (event.kind, event.asset.clone(), event.limit.unwrap()))
    };
    assert_eq!(below_a_tenth(9.7, 24), None);
    let (kind, asset, limit) = below_a_tenth(9.5, 24).unwrap();
    assert_eq!((kind, asset), (AlarmKind::NoFlowHeader, header()));
    assert!((limit - 9.6).abs() < 1e-9, "{limit}");
    assert_eq!(below_a_tenth(5.0, 12), None, "half of the jars ask for half of the water");
}

/// "P3, P2 if no other probe covers the jar."
#[test]
fn the_silent_probe_of_a_header_is_the_more_urgent_when_a_jar_has_none_of_its_own() {
    for (probes, priority) in [(4, Priority::P3), (3, Priority::P2)] {
        let mut plan = plan(Build { jars: 4, ..Build::default() });
        for jar in &mut plan.rack.jars[probes..] {
            jar.temperature = None;
        }
        let mut station = Station::with_plan(plan);
        let probe = usize::from(station.plan.rack.headers[0].temperature.unwrap().0);
        station.signals[probe] = Signal::Silent;
        station.run(500);
        let told = station.told();
        assert_eq!((told.len(), told[0].kind), (1, AlarmKind::BlindTemp), "{:?}", station.lines());
        assert_eq!(told[0].priority, priority, "{probes} of four jars have a probe");
    }
}

#[test]
fn a_source_that_is_silent_becomes_urgent_when_eggs_come_into_a_jar_it_watches() {
    let mut station = Station::new(Build { jars: 8, ..Build::default() });
    empty_from(&mut station, 0);
    for jar in 0..8 {
        let meter = station.flow_of(jar);
        station.signals[meter] = Signal::Silent;
    }
    station.run(300);
    let told = station.told();
    assert_eq!((told.len(), told[0].kind, told[0].priority), (1, AlarmKind::BlindHeader, Priority::P3));
    assert_eq!(told[0].asset, Asset::Node("flow-A".into()));
    station.load(3, loaded(3));
    station.run(60);
    assert_eq!(station.changes(), ["raised", "worsened"], "{:?}", station.lines());
    assert_eq!(station.told()[1].priority, Priority::P1, "nothing else measures the flow of this jar");
}

/// Slow sensors are missed only after three of their intervals; that the line is down is known at once.
#[test]
fn a_source_that_lost_its_device_names_its_jars_before_any_of_them_is_missed() {
    let interval = Span::from_secs(60);
    let mut station = Station::new(Build { jars: 8, interval, ..Build::default() });
    station.run(300);
    station.events.clear();
    station.engine.handle_source_link(SourceIx(0), false, station.now);
    station.drain();
    for jar in 0..8 {
        let meter = station.flow_of(jar);
        station.signals[meter] = Signal::Silent;
    }
    station.run(75);
    let told = station.told();
    assert_eq!(told.len(), 1, "{:?}", station.lines());
    assert_eq!((told[0].kind, &told[0].asset), (AlarmKind::BlindHeader, &Asset::Node("flow-A".into())));
    assert_eq!((told[0].members.len(), told[0].members_total), (8, 8));
}

#[test]
fn the_children_of_a_header_speak_for_it_whatever_its_own_probe_says() {
    for own in [Signal::Value(10.0), Signal::Bad(Reason::NotFinite)] {
        let mut station = Station::new(Build { jars: 8, ..Build::default() });
        let probe = usize::from(station.plan.rack.headers[0].temperature.unwrap().0);
        station.signals[probe] = own;
        station.run(20);
        for jar in 0..4 {
            station.set_temp(jar, 15.0);
        }
        station.run(280);
        let told = station.told();
        assert_eq!(told.len(), 1, "{own:?}: {:?}", station.lines());
        assert_eq!((told[0].kind, &told[0].asset), (AlarmKind::TempHigh, &header()));
        station.run(300);
        assert_eq!(reported(&station, AlarmKind::TempHigh), Some(Reported::Unacknowledged), "{own:?}");
        assert!(!station.changes().contains(&"cleared"), "{own:?}: {:?}", station.lines());
        for jar in 0..4 {
            station.set_temp(jar, 10.0);
        }
        station.run(200);
        assert_eq!(reported(&station, AlarmKind::TempHigh), Some(Reported::Returned), "{own:?}");
    }
}

/// A meter that failed while it saw trouble still counts as trouble.
#[test]
fn a_header_whose_meter_failed_in_trouble_stays_in_trouble_when_its_jars_are_well() {
    let mut station = Station::new(Build { jars: 8, header_flow: true, ..Build::default() });
    let meter = usize::from(station.plan.rack.headers[0].flow.unwrap().0);
    station.signals[meter] = Signal::Value(0.0);
    for jar in 0..8 {
        station.set_flow(jar, 0.0);
    }
    station.run(60);
    station.signals[meter] = Signal::Bad(Reason::NotFinite);
    for jar in 0..8 {
        station.set_flow(jar, SET_FLOW);
    }
    station.run(600);
    assert_eq!(reported(&station, AlarmKind::NoFlowHeader), Some(Reported::Unacknowledged));
    station.signals[meter] = Signal::Value(SET_FLOW * 8.0);
    station.run(100);
    assert_eq!(reported(&station, AlarmKind::NoFlowHeader), Some(Reported::Returned));
}

#[test]
fn the_probe_of_an_empty_jar_may_disagree_with_its_header() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    empty_from(&mut station, 3);
    station.set_temp(3, 12.0);
    station.run(1_200);
    assert!(station.told().is_empty(), "{:?}", station.lines());
    station.load(3, loaded(3));
    station.run(1_200);
    assert_eq!(station.told()[0].kind, AlarmKind::Disagrees);
}
