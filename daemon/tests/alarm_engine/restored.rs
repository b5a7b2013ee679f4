//! What a start reads back: what an alarm rests on, what covers it, and what was never told.

use crate::station::{Build, SET_FLOW, Signal, Station, loaded, person, plan};
use nightjar::alarm::engine::{JarContext, Target};
use nightjar::alarm::event::{AlarmKind, Asset};
use nightjar::alarm::record::Stored;
use nightjar::alarm::state::Reported;
use nightjar::clock::{Now, Uptime};
use nightjar_calc::time::{Span, Timestamp};

const DOWN: Span = Span::from_secs(20);

#[test]
fn what_the_meter_of_a_header_saw_stays_on_after_a_start_while_that_meter_is_silent() {
    let mut station = Station::new(Build { header_flow: true, jars: 6, ..Build::default() });
    let meter = usize::from(station.plan.rack.headers[0].flow.unwrap().0);
    station.signals[meter] = Signal::Value(0.0);
    station.run(120);
    let header = Asset::Header("A".into());
    let before = station.engine.reported(AlarmKind::NoFlowHeader, &header);
    assert_eq!(before, Some(Reported::Unacknowledged));
    // The jars have their flow, but they are not what it rested on: a fault in measuring clears nothing.
    station.signals[meter] = Signal::Silent;
    station.restart(Some(DOWN), DOWN);
    station.run(600);
    assert_eq!(station.engine.reported(AlarmKind::NoFlowHeader, &header), before);
    station.signals[meter] = Signal::Value(24.0);
    station.run(120);
    assert_eq!(station.engine.reported(AlarmKind::NoFlowHeader, &header), Some(Reported::Returned));
}

#[test]
fn a_cover_whose_cause_is_still_on_outlasts_a_start() {
    let mut station = Station::new(Build::default());
    (0..24).for_each(|jar| station.set_flow(jar, 0.0));
    station.run(120);
    let covered = station.engine.counts().covered;
    assert_eq!(covered, 49, "no flow and low flow of each jar, low flow of the header");
    station.restart(Some(DOWN), DOWN);
    let counts = station.engine.counts();
    assert_eq!((counts.covered, counts.settling), (covered, 0));
}

#[test]
fn a_cover_whose_cause_is_not_configured_any_more_ends_at_the_start() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    station.signals.fill(Signal::Silent);
    station.run(600);
    let counts = station.engine.counts();
    assert_eq!((counts.covered, counts.settling), (10, 0), "nine channels and their header, by two nodes");
    // Both sources get other names: nothing of the old names is left that could end a cover.
    station.plan.sources = vec!["left bus".into(), "right bus".into()];
    station.events.clear();
    station.restart(Some(DOWN), DOWN);
    let counts = station.engine.counts();
    assert_eq!((counts.covered, counts.settling), (0, 10), "each waits, then speaks for itself");
    station.run(600);
    let told: Vec<_> = station.told().iter().map(|event| event.asset.clone()).collect();
    assert_eq!(told, ["left bus", "right bus"].map(|name| Asset::Node(name.into())));
    let counts = station.engine.counts();
    assert_eq!((counts.covered, counts.settling), (10, 0), "named by the causes there are now");
}

#[test]
fn what_is_on_is_told_after_a_start_even_if_its_event_was_lost() {
    let mut station = Station::new(Build::default());
    station.set_flow(6, 0.0);
    station.run(60);
    assert_eq!(station.changes(), ["raised"]);
    station.stored.events.clear();
    station.restart(Some(DOWN), DOWN);
    station.run(4);
    assert_eq!(station.changes(), ["raised"], "an urgent one waits half of its ten seconds for others");
    station.run(2);
    assert_eq!(station.changes(), ["raised", "raised"]);
    assert_eq!(station.events[1].1.asset, Asset::Jar("A-07".into()));
}

#[test]
fn until_the_logbook_has_spoken_nothing_is_known_to_be_in_a_jar() {
    let now = Now { up: Uptime::from_ms(5_000), utc: Timestamp::from_ms(1_800_000_000_000), trusted: true };
    let mut station =
        Station::start(plan(Build { jars: 2, ..Build::default() }), Stored::default(), None, now);
    assert_eq!(station.engine.counts().empty, 26, "nine of each of two jars, eight of their header");
    station.load_all();
    assert_eq!(station.engine.counts().empty, 0);
}

#[test]
fn a_header_read_back_as_on_is_not_empty_because_its_first_jar_is() {
    let mut station = Station::new(Build { jars: 6, ..Build::default() });
    station.load(0, JarContext::default());
    (0..6).for_each(|jar| station.set_flow(jar, 0.0));
    station.run(120);
    assert_eq!(station.told()[0].kind, AlarmKind::NoFlowHeader);
    let now = Now { up: Uptime::from_ms(1), utc: station.now.utc + DOWN, trusted: true };
    let mut next = Station::start(station.plan.clone(), station.stored.clone(), Some(DOWN), now);
    next.signals.clone_from(&station.signals);
    // In the order of the rack, as the logbook tells it.
    next.load(0, JarContext::default());
    (1..6).for_each(|jar| next.load(jar, loaded(jar)));
    next.run(120);
    assert_eq!(next.changes(), Vec::<&str>::new(), "{:?}", next.lines());
    (0..6).for_each(|jar| next.set_flow(jar, SET_FLOW));
    next.run(120);
    assert_eq!(next.changes(), ["cleared"]);
    // When the last jar is known to be empty, so is the header.
    (1..6).for_each(|jar| next.load(jar, JarContext::default()));
    assert_eq!(next.engine.counts().empty, 6 * 9 + 8);
}

#[test]
fn what_only_its_meter_saw_is_cleared_by_that_meter_as_if_there_had_been_no_start() {
    let mut station = Station::new(Build { header_flow: true, jars: 6, ..Build::default() });
    let meter = usize::from(station.plan.rack.headers[0].flow.unwrap().0);
    station.signals[meter] = Signal::Value(0.0);
    station.run(120);
    station.signals[meter] = Signal::Value(6.0 * SET_FLOW);
    station.restart(Some(DOWN), DOWN);
    station.run(65);
    let header = Asset::Header("A".into());
    let said = station.engine.reported(AlarmKind::NoFlowHeader, &header);
    assert_eq!(said, Some(Reported::Returned), "its off-delay is 60 s");
}

#[test]
fn what_its_jars_saw_as_well_stays_on_while_they_are_silent() {
    let mut station = Station::new(Build { header_flow: true, jars: 6, ..Build::default() });
    let meter = usize::from(station.plan.rack.headers[0].flow.unwrap().0);
    station.signals[meter] = Signal::Value(0.0);
    (0..6).for_each(|jar| station.set_flow(jar, 0.0));
    station.run(120);
    for jar in 0..6 {
        let at = station.flow_of(jar);
        station.signals[at] = Signal::Silent;
    }
    station.signals[meter] = Signal::Value(6.0 * SET_FLOW);
    station.restart(Some(DOWN), DOWN);
    station.run(300);
    let header = Asset::Header("A".into());
    let said = station.engine.reported(AlarmKind::NoFlowHeader, &header);
    assert_eq!(said, Some(Reported::Unacknowledged), "six jars were seen to stand still, and none to run");
}

#[test]
fn a_meter_out_of_use_counts_for_nothing_after_a_start_as_before() {
    for restarts in [false, true] {
        let mut station = Station::new(Build { jars: 4, ..Build::default() });
        let sensor = Target::Asset(Asset::Sensor("A-03F".into()));
        let day = Span::from_hours(24);
        station.engine.out_of_service(&sensor, day, "meter fouled", &person("kim"), station.now).unwrap();
        station.drain();
        if restarts {
            station.restart(Some(DOWN), DOWN);
        }
        station.events.clear();
        for jar in [0, 1, 3] {
            let at = station.flow_of(jar);
            station.signals[at] = Signal::Silent;
        }
        station.run(300);
        let told: Vec<_> = station.told().iter().map(|event| (event.kind, event.asset.clone())).collect();
        let node = Asset::Node("flow-A".into());
        assert_eq!(
            told,
            [(AlarmKind::BlindHeader, node)],
            "all meters in use are silent, restart {restarts}"
        );
    }
}

#[test]
fn no_event_takes_the_number_of_one_that_was_read_back() {
    let mut station = Station::new(Build::default());
    station.set_flow(6, 0.0);
    station.run(60);
    let old = station.events[0].1.event;
    // The counter was written later than the event, and is lost.
    station.stored.next_event = 1;
    station.restart(Some(DOWN), DOWN);
    station.set_temp(3, 18.0);
    station.run(120);
    let new = station.told().last().map(|event| (event.kind, event.event)).unwrap();
    assert_eq!(new, (AlarmKind::TempVeryHigh, nightjar::alarm::event::EventId(old.0 + 1)));
}

#[test]
fn a_jar_that_was_filled_since_its_state_was_stored_has_its_minute_and_is_told() {
    let mut station = Station::new(Build::default());
    station.load(0, JarContext::default());
    station.set_temp(0, 18.0);
    station.run(120);
    assert!(station.changes().is_empty(), "an empty jar asks for nobody");
    // The logbook has it as loaded by the time of the start.
    station.restart(Some(DOWN), DOWN);
    station.run(69);
    assert!(station.changes().is_empty(), "{:?}", station.lines());
    station.run(2);
    assert_eq!(station.changes(), ["raised"]);
    assert_eq!(station.told()[0].kind, AlarmKind::TempVeryHigh);
}
