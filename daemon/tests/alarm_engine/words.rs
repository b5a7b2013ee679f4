//! What a message says besides what, where and since when; and the supply of power as two sensors tell it.

use crate::station::{Build, SET_FLOW, Signal, Station, plan};
use nightjar::alarm::event::{AlarmEvent, AlarmKind, Asset, Priority};
use nightjar::rack::{Conversion, Correction, Measure, Place, Sensor};
use nightjar::reading::{Reason, SensorIx, SourceIx};
use nightjar_calc::time::Span;

fn of_kind(station: &Station, kind: AlarmKind) -> Vec<&AlarmEvent> {
    station.told().into_iter().filter(|event| event.kind == kind).collect()
}

#[test]
fn water_past_a_limit_says_which_way_it_goes() {
    for (per_minute, kind, way) in
        [(0.02, AlarmKind::TempHigh, "rising"), (-0.02, AlarmKind::TempLow, "falling")]
    {
        let mut station = Station::new(Build { jars: 2, ..Build::default() });
        for minute in 0..320 {
            for jar in 0..2 {
                station.set_temp(jar, 10.0 + per_minute * f64::from(minute));
            }
            station.signals[0] = Signal::Value(10.0 + per_minute * f64::from(minute));
            station.run(60);
        }
        let said = of_kind(&station, kind);
        assert!(!said.is_empty(), "{:?}", station.lines());
        // 0.02 °C a minute are 1.2 °C an hour.
        assert!(said[0].hint.contains(&format!("{way} 1.2 C/h")), "{}", said[0].hint);
    }
}

#[test]
fn only_a_cause_of_flow_points_at_pump_or_header() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    (0..4).for_each(|jar| station.set_flow(jar, 0.0));
    station.run(90);
    let stopped = of_kind(&station, AlarmKind::NoFlowHeader);
    assert_eq!(stopped.len(), 1, "{:?}", station.lines());
    assert!(stopped[0].hint.starts_with("likely pump or header"), "{}", stopped[0].hint);

    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    station.signals.fill(Signal::Silent);
    station.run(300);
    let blind = of_kind(&station, AlarmKind::BlindHeader);
    assert!(!blind.is_empty(), "{:?}", station.lines());
    assert!(blind.iter().all(|event| !event.hint.contains("likely pump")), "{blind:?}");
}

#[test]
fn jars_that_are_low_beside_one_that_stands_still_are_counted() {
    let mut station = Station::new(Build::default());
    station.set_flow(3, 0.0);
    for jar in [5, 11, 17, 23] {
        station.set_flow(jar, 0.5 * SET_FLOW);
    }
    station.run(1200);
    let hints: Vec<&str> = station.told().iter().map(|event| event.hint.as_str()).collect();
    assert!(hints.iter().any(|hint| hint.contains("4 more close to it")), "{hints:?} {:?}", station.lines());
    assert!(hints.iter().all(|hint| !hint.contains("all in row")), "{hints:?}");
}

/// A relay that tells of the mains (1 or 0) and a gauge on the battery, in per cent.
fn with_power() -> Station {
    let mut plan = plan(Build { jars: 2, ..Build::default() });
    for (name, measure) in [("MAINS", Measure::Mains), ("BATTERY", Measure::Battery)] {
        plan.rack.sensors.push(Sensor {
            id: nightjar::ids::SensorId::new(name).unwrap(),
            measure,
            place: Place::Site,
            source: SourceIx(0),
            interval: Span::from_secs(1),
            conversion: Conversion::Linear { factor: 1.0, offset: 0.0 },
            correction: Correction::NONE,
            range: (-5.0, 150.0),
        });
    }
    let mut station = Station::with_plan(plan);
    let (mains, battery) = power(&station);
    station.signals[mains] = Signal::Value(1.0);
    station.signals[battery] = Signal::Value(95.0);
    station.run(300);
    station.events.clear();
    station
}

fn power(station: &Station) -> (usize, usize) {
    let at = |name: &str| station.plan.rack.sensors.iter().position(|s| s.id.as_str() == name).unwrap();
    (at("MAINS"), at("BATTERY"))
}

#[test]
fn mains_lost_is_told_by_its_relay_and_grows_urgent_with_the_battery() {
    let mut station = with_power();
    let (mains, battery) = power(&station);
    assert_eq!(station.told().len(), 0, "{:?}", station.lines());
    station.signals[mains] = Signal::Value(0.0);
    station.run(300);
    let said = of_kind(&station, AlarmKind::MainsLost);
    assert_eq!(said.len(), 1, "{:?}", station.lines());
    assert_eq!((&said[0].asset, said[0].priority), (&Asset::Site, Priority::P2));
    assert!((said[0].value.unwrap() - 95.0).abs() < 0.01, "{:?}", said[0].value);
    station.signals[battery] = Signal::Value(10.0);
    station.run(120);
    assert_eq!(station.changes(), ["raised", "worsened"]);
    assert_eq!(station.events[1].1.priority, Priority::P1);
    // A relay that fails tells nothing and ends nothing.
    station.signals[mains] = Signal::Bad(Reason::Range);
    station.run(600);
    assert!(!station.changes().contains(&"cleared"), "{:?}", station.lines());
    station.signals[mains] = Signal::Value(1.0);
    station.run(600);
    assert!(station.changes().contains(&"cleared"), "{:?}", station.lines());
}

#[test]
fn a_battery_that_cannot_be_read_leaves_what_it_last_said() {
    let mut station = with_power();
    let (mains, battery) = power(&station);
    station.signals[battery] = Signal::Bad(Reason::Range);
    station.run(60);
    station.engine.handle_reading(
        SensorIx(u16::try_from(battery).unwrap()),
        1.0,
        nightjar::reading::Quality::Bad,
        Reason::Range,
        station.now,
    );
    station.signals[mains] = Signal::Value(0.0);
    station.run(300);
    let said = of_kind(&station, AlarmKind::MainsLost);
    assert_eq!(
        said.iter().map(|event| event.priority).collect::<Vec<_>>(),
        [Priority::P2],
        "{:?}",
        station.lines()
    );
}
