//! Causes that were on when the station stopped: what they rest on, and what ends them.

use crate::station::{Build, SET_FLOW, Signal, Station, header};
use nightjar::alarm::event::{AlarmKind, Asset};
use nightjar::alarm::state::Reported;
use nightjar_calc::time::Span;

fn restart(station: &mut Station) {
    station.restart(Some(Span::from_secs(5)), Span::from_secs(5));
}

/// The meter of the header has seen the water stop, of its six jars only two.
fn stopped_by_its_meter() -> (Station, usize) {
    let mut station = Station::new(Build { jars: 6, header_flow: true, ..Build::default() });
    let meter = usize::from(station.plan.rack.headers[0].flow.unwrap().0);
    station.signals[meter] = Signal::Value(0.0);
    station.set_flow(0, 0.0);
    station.set_flow(1, 0.0);
    station.run(120);
    assert_eq!(station.changes(), ["raised"], "{:?}", station.lines());
    station.set_flow(0, SET_FLOW);
    station.set_flow(1, SET_FLOW);
    (station, meter)
}

#[test]
fn a_header_known_by_its_meter_clears_by_it_one_off_delay_after_the_start() {
    let (mut station, meter) = stopped_by_its_meter();
    station.signals[meter] = Signal::Value(6.0 * SET_FLOW);
    restart(&mut station);
    station.run(59);
    assert_eq!(station.changes(), ["raised"]);
    station.run(11);
    assert_eq!(station.changes(), ["raised", "cleared"], "{:?}", station.lines());
}

#[test]
fn a_header_known_by_its_meter_stays_on_while_the_meter_is_silent_after_the_start() {
    let (mut station, meter) = stopped_by_its_meter();
    station.signals[meter] = Signal::Silent;
    restart(&mut station);
    station.run(900);
    let said = station.engine.reported(AlarmKind::NoFlowHeader, &header("A"));
    assert_eq!(said, Some(Reported::Unacknowledged), "{:?}", station.lines());
    station.signals[meter] = Signal::Value(6.0 * SET_FLOW);
    station.run(70);
    let said = station.engine.reported(AlarmKind::NoFlowHeader, &header("A"));
    assert_eq!(said, Some(Reported::Returned), "{:?}", station.lines());
}

/// All probes of a header without its own have seen it warm.
fn warm_by_its_jars() -> Station {
    let mut station = Station::new(Build { jars: 4, header_temp: false, ..Build::default() });
    (0..4).for_each(|jar| station.set_temp(jar, 15.0));
    station.run(300);
    assert_eq!(station.changes(), ["raised"], "{:?}", station.lines());
    let first = &station.events[0].1;
    assert_eq!((first.kind, &first.asset), (AlarmKind::TempHigh, &header("A")));
    station
}

#[test]
fn a_header_known_by_its_jars_is_asked_anew_a_minute_after_the_start() {
    let mut station = warm_by_its_jars();
    (0..4).for_each(|jar| station.set_temp(jar, 10.0));
    restart(&mut station);
    // After a minute no jar points at it any more; its off-delay is two.
    station.run(175);
    assert_eq!(station.changes(), ["raised"]);
    station.run(10);
    assert_eq!(station.changes(), ["raised", "cleared"], "{:?}", station.lines());
}

#[test]
fn jars_that_come_back_no_further_than_the_margin_hold_their_header_on_over_a_restart() {
    for with_restart in [false, true] {
        let mut station = warm_by_its_jars();
        // The limit is 14 °C, the margin 0.2 °C.
        (0..4).for_each(|jar| station.set_temp(jar, 13.9));
        if with_restart {
            restart(&mut station);
        }
        station.run(900);
        assert_eq!(station.changes(), ["raised"], "{with_restart} {:?}", station.lines());
    }
}

#[test]
fn a_cause_does_not_end_before_half_of_what_it_rests_on_has_spoken() {
    let interval = Span::from_secs(60);
    let mut station = Station::new(Build { jars: 4, header_temp: false, interval, ..Build::default() });
    let probes: Vec<usize> = (0..4).map(|jar| station.temp_of(jar)).collect();
    for at in &probes {
        station.signals[*at] = Signal::Silent;
    }
    let warm = Signal::Value(15.0);
    // The second jar follows after fifty seconds: three minutes are over for the header and the
    // first jar before they are for the second, whose wait a restart forgets.
    for _ in 0..3 {
        station.send(probes[0], warm);
        station.run(50);
        station.send(probes[1], warm);
        station.run(10);
    }
    station.send(probes[0], warm);
    station.run(20);
    let said = |station: &Station, kind, asset: &Asset| station.engine.reported(kind, asset);
    assert_eq!(said(&station, AlarmKind::TempHigh, &header("A")), Some(Reported::Unacknowledged));
    // The first jar has cooled down, of the others nothing is known.
    station.signals.fill(Signal::Silent);
    station.signals[probes[0]] = Signal::Value(10.0);
    let meter = station.flow_of(0);
    station.signals[meter] = Signal::Value(SET_FLOW);
    restart(&mut station);
    station.run(400);
    let after = said(&station, AlarmKind::TempHigh, &header("A"));
    assert_eq!(
        after,
        Some(Reported::Unacknowledged),
        "two of eight channels have spoken: {:?}",
        station.lines()
    );
}

#[test]
fn a_cause_ends_when_half_of_what_it_rests_on_has_spoken_well() {
    let mut station = Station::new(Build { jars: 4, header_temp: false, ..Build::default() });
    (0..4).for_each(|jar| station.set_flow(jar, 0.0));
    station.run(60);
    for jar in 0..4 {
        station.set_flow(jar, SET_FLOW);
        let at = station.temp_of(jar);
        station.signals[at] = Signal::Silent;
    }
    restart(&mut station);
    station.run(130);
    let said = station.engine.reported(AlarmKind::NoFlowHeader, &header("A"));
    assert_eq!(said, Some(Reported::Returned), "{:?}", station.lines());
}

#[test]
fn what_the_meter_saw_after_the_jars_holds_the_header_on_over_a_restart() {
    let mut station = Station::new(Build { jars: 6, header_flow: true, ..Build::default() });
    let meter = usize::from(station.plan.rack.headers[0].flow.unwrap().0);
    (0..6).for_each(|jar| station.set_flow(jar, 0.0));
    station.run(60);
    station.signals[meter] = Signal::Value(0.0);
    station.run(60);
    station.signals[meter] = Signal::Silent;
    (0..6).for_each(|jar| station.set_flow(jar, SET_FLOW));
    restart(&mut station);
    station.run(600);
    let said = station.engine.reported(AlarmKind::NoFlowHeader, &header("A"));
    assert_eq!(said, Some(Reported::Unacknowledged), "{:?}", station.lines());
}

#[test]
fn one_header_mended_while_the_station_was_off_does_not_wait_for_another() {
    let mut station = Station::new(Build { headers: 2, jars: 8, ..Build::default() });
    for jars in [0..8, 8..16] {
        jars.for_each(|jar| station.set_flow(jar, 0.0));
        station.run(40);
    }
    station.run(60);
    assert_eq!(station.changes(), ["raised", "raised"], "{:?}", station.lines());
    (0..8).for_each(|jar| station.set_flow(jar, SET_FLOW));
    for jar in 8..16 {
        let at = station.flow_of(jar);
        station.signals[at] = Signal::Silent;
    }
    restart(&mut station);
    station.run(300);
    let said = |name| station.engine.reported(AlarmKind::NoFlowHeader, &header(name));
    assert_eq!(said("A"), Some(Reported::Returned), "{:?}", station.lines());
    assert_eq!(said("B"), Some(Reported::Unacknowledged), "its meters say nothing: {:?}", station.lines());
}
