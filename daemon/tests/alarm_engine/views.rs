//! What everybody sees of the alarms: lines, names, numbers for the front page, and whose word counts.

use crate::station::{Build, SET_FLOW, Signal, Station, loaded, person};
use nightjar::alarm::engine::{EggsLast, Fact, JarContext, Target};
use nightjar::alarm::event::{AlarmKind, Asset};
use nightjar::reading::Reason;
use nightjar_calc::time::Span;

fn jar(name: &str) -> Asset {
    Asset::Jar(name.into())
}

#[test]
fn a_jar_that_runs_again_is_no_longer_named_beside_one_that_stands() {
    let mut station = Station::new(Build::default());
    station.set_flow(6, 0.0);
    station.set_flow(9, 0.0);
    station.run(60);
    let both = &station.engine.views()[0];
    assert_eq!(
        (&both.asset, both.members.as_slice()),
        (&Asset::Header("A".into()), ["A-07", "A-10"].map(String::from).as_slice())
    );
    assert_eq!(both.line, "P1 NO FLOW header A: 2 of 24");
    station.set_flow(9, SET_FLOW);
    station.run(90);
    let one = &station.engine.views()[0];
    assert_eq!((&one.asset, one.members.as_slice()), (&jar("A-07"), ["A-07"].map(String::from).as_slice()));
    assert_eq!(one.line, "P1 NO FLOW jar A-07, 0.0 L/min, limit 0.4");
}

#[test]
fn what_has_no_jar_is_named_in_words_and_what_has_no_unit_shows_no_number() {
    let mut station = Station::new(Build { jars: 8, ..Build::default() });
    let mains = Fact::Mains { on: false, battery_percent: Some(80.0), runtime_min: None };
    station.engine.handle_fact(&mains, station.now);
    for jar in 0..3 {
        let at = station.flow_of(jar);
        station.signals[at] = Signal::Bad(Reason::NotFinite);
    }
    let at = station.temp_of(5);
    station.signals[at] = Signal::Silent;
    station.run(600);
    let views = station.engine.views();
    let lines: Vec<&str> = views.iter().map(|view| view.line.as_str()).collect();
    assert!(lines.contains(&"P2 MAINS LOST site, 80.0 %, limit 30.0"), "{lines:?}");
    assert!(lines.contains(&"P3 NO TEMP DATA sensor A-06T"), "{lines:?}");
    let blind = views.iter().find(|view| view.kind == AlarmKind::BlindFlow).unwrap();
    assert_eq!(blind.members, ["A-01F", "A-02F", "A-03F"], "sensors by name");
}

#[test]
fn what_is_on_comes_before_what_is_off_and_only_waits_for_an_answer() {
    let mut station = Station::new(Build::default());
    station.set_flow(6, 0.0);
    station.run(60);
    station.set_flow(6, SET_FLOW);
    station.run(90);
    station.engine.handle_fact(&Fact::ConfigFallback { active: true }, station.now);
    station.run(90);
    let order: Vec<_> = station.engine.views().iter().map(|view| (view.kind, view.on)).collect();
    assert_eq!(order, [(AlarmKind::ConfigFallback, true), (AlarmKind::NoFlow, false)]);
}

#[test]
fn of_two_acknowledgments_the_one_that_ends_first_is_shown() {
    let mut station = Station::new(Build::default());
    station.set_flow(9, 0.0);
    station.run(60);
    let event = Target::Event(station.events[0].1.event);
    station.engine.acknowledge(&event, &person("kim"), station.now).unwrap();
    let ends = station.now.utc + Span::from_minutes(30);
    station.set_flow(6, 0.0);
    station.run(60);
    assert_eq!(station.engine.views()[0].acknowledged, None, "nobody has answered the second jar");
    station.engine.acknowledge(&event, &person("ola"), station.now).unwrap();
    assert_eq!(station.engine.views()[0].acknowledged, Some(("kim".to_owned(), ends)));
}

#[test]
fn the_front_page_counts_what_is_on_by_priority_and_what_an_empty_jar_covers() {
    let mut station = Station::new(Build::default());
    station.load(0, JarContext::default());
    station.set_flow(2, 0.5 * SET_FLOW);
    station.engine.handle_fact(&Fact::ConfigFallback { active: true }, station.now);
    station.run(120);
    station.set_temp(4, 18.0);
    station.run(90);
    let counts = station.engine.counts();
    assert_eq!((counts.p1, counts.p2, counts.p3), (1, 1, 1));
    assert_eq!(counts.empty, 9, "three limits of flow, five of temperature, the distance from the header");
    assert_eq!((counts.chattering, counts.standing), (0, 0));
}

#[test]
fn only_what_chatters_and_is_on_asks_for_other_numbers() {
    let mut station = Station::new(Build::default());
    station.engine.handle_fact(&Fact::ConfigFallback { active: true }, station.now);
    for flow in [0.0, SET_FLOW, 0.0, SET_FLOW, 0.0] {
        station.set_flow(6, flow);
        station.run(90);
    }
    let listed: Vec<_> =
        station.engine.chattering_alarms().into_iter().map(|listed| (listed.kind, listed.asset)).collect();
    assert_eq!(listed, [(AlarmKind::NoFlow, jar("A-07")), (AlarmKind::LowFlow, jar("A-07"))]);
    assert_eq!(station.engine.counts().chattering, 2);
    // Off, it chatters no longer; that it did is not forgotten with it.
    station.set_flow(6, SET_FLOW);
    station.run(400);
    assert_eq!(station.engine.chattering_alarms(), []);
    assert_eq!(station.engine.counts().chattering, 0);
}

#[test]
fn a_header_that_rests_on_its_jars_is_in_doubt_when_all_of_them_are() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    (0..4).for_each(|jar| station.set_flow(jar, 0.0));
    station.run(90);
    assert!(!station.told()[0].unverified, "each jar shows it");
    assert!(!station.engine.views()[0].unverified);
    for jar in 0..4 {
        let at = station.flow_of(jar);
        station.signals[at] = Signal::Bad(Reason::NotFinite);
    }
    station.run(5);
    assert!(station.engine.views()[0].unverified, "no jar can say so any more");
    station.set_flow(2, 0.0);
    station.run(5);
    assert!(!station.engine.views()[0].unverified, "one is enough");
    // Three run again, so the header is about to clear; what the fourth cannot say is no doubt about that.
    (0..3).for_each(|jar| station.set_flow(jar, SET_FLOW));
    station.run(5);
    let views = station.engine.views();
    assert_eq!((views[0].kind, views[0].on, views[0].unverified), (AlarmKind::NoFlowHeader, true, false));
}

#[test]
fn the_word_of_a_header_s_own_meter_is_enough_when_no_jar_can_speak() {
    let mut station = Station::new(Build { header_flow: true, jars: 4, ..Build::default() });
    let meter = usize::from(station.plan.rack.headers[0].flow.unwrap().0);
    station.signals[meter] = Signal::Value(0.0);
    (0..4).for_each(|jar| station.set_flow(jar, 0.0));
    station.run(90);
    for jar in 0..4 {
        let at = station.flow_of(jar);
        station.signals[at] = Signal::Bad(Reason::NotFinite);
    }
    station.run(5);
    let header = |station: &Station| {
        station.engine.views().into_iter().find(|view| view.kind == AlarmKind::NoFlowHeader).unwrap()
    };
    assert!(!header(&station).unverified);
    station.signals[meter] = Signal::Bad(Reason::NotFinite);
    station.run(5);
    assert!(header(&station).unverified, "now nothing says so");
}

#[test]
fn jars_are_named_with_the_one_that_has_least_time_first() {
    let mut station = Station::new(Build::default());
    let mut hurried = loaded(9);
    hurried.eggs_last = Some(EggsLast { minutes: 20.0, minutes_short: 9.0, stage: "eyed".into() });
    station.load(9, hurried);
    station.set_flow(6, 0.0);
    station.set_flow(9, 0.0);
    // Low, not stopped: close to it, but not what the message is about.
    station.set_flow(14, 0.5 * SET_FLOW);
    station.run(120);
    let told = station.told()[0];
    assert_eq!(told.members, ["A-10", "A-07"]);
    let last = told.eggs_have.as_ref().unwrap();
    assert_eq!((last.jar.as_str(), last.minutes_short), ("A-10", 9.0));
    assert_eq!(station.engine.views()[0].members, ["A-10", "A-07"]);
}

#[test]
fn every_jar_knows_the_events_about_it_and_about_what_feeds_and_watches_it() {
    let mut station = Station::new(Build { headers: 2, jars: 4, ..Build::default() });
    (0..4).for_each(|jar| station.set_flow(jar, 0.0));
    station.set_temp(5, 18.0);
    let at = station.temp_of(6);
    station.signals[at] = Signal::Silent;
    station.run(600);
    let event = |kind| {
        let views = station.engine.views();
        views.iter().find(|view| view.kind == kind).map(|view| view.event).unwrap()
    };
    let (stopped, warm, blind) =
        (event(AlarmKind::NoFlowHeader), event(AlarmKind::TempVeryHigh), event(AlarmKind::BlindTemp));
    let jars = station.engine.jar_events();
    assert_eq!(jars[..5], [vec![stopped], vec![stopped], vec![stopped], vec![stopped], vec![]]);
    assert_eq!((&jars[5], &jars[6], &jars[7]), (&vec![warm], &vec![blind], &vec![]));
}

#[test]
fn what_has_been_on_for_more_than_a_day_is_listed() {
    let mut station = Station::new(Build { jars: 2, ..Build::default() });
    station.engine.handle_fact(&Fact::ConfigFallback { active: true }, station.now);
    let standing = |station: &mut Station, later| {
        station.pass(later);
        station.engine.handle_timeout(station.now);
        station.drain();
        let listed = station.engine.standing_alarms();
        let kinds = listed.into_iter().map(|listed| listed.kind).collect::<Vec<_>>();
        (kinds, station.engine.counts().standing)
    };
    assert_eq!(standing(&mut station, Span::from_hours(24)), (vec![], 0), "a day is not more than a day");
    let more = standing(&mut station, Span::from_ms(1));
    assert_eq!(more, (vec![AlarmKind::ConfigFallback], 1));
}
