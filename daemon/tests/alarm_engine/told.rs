//! What is announced, held back, reminded of and left, and when.

use crate::station::{Build, SET_FLOW, Signal, Station, header, jar, one_stopped_jar, person};
use nightjar::alarm::engine::{Fact, JarContext, Refused, Shelving, Target};
use nightjar::alarm::event::{AlarmKind, Asset, Priority};
use nightjar::rack::JarIx;
use nightjar_calc::time::Span;

fn first(station: &Station) -> Target {
    Target::Event(station.events[0].1.event)
}

#[test]
fn first_words_that_are_overdue_leave_as_soon_as_the_station_is_awake() {
    let mut station = Station::new(Build::default());
    station.set_flow(6, 0.0);
    station.run(18);
    assert!(station.changes().is_empty());
    station.now.up = station.now.up.after(Span::from_secs(30));
    station.now.utc = station.now.utc + Span::from_secs(30);
    station.engine.handle_timeout(station.now);
    station.drain();
    assert_eq!(station.changes(), ["raised"]);
}

#[test]
fn one_jar_by_itself_has_no_hint() {
    let station = one_stopped_jar();
    assert_eq!(station.told()[0].hint, "");
}

/// A jar stops, and before it is told its header's meter says that nothing comes any more.
fn jar_then_meter() -> (Station, usize) {
    let mut station = Station::new(Build { header_flow: true, jars: 6, ..Build::default() });
    station.set_flow(0, 0.0);
    station.run(20);
    let meter = usize::from(station.plan.rack.headers[0].flow.unwrap().0);
    station.signals[meter] = Signal::Value(0.0);
    station.run(1);
    assert!(station.changes().is_empty());
    (station, meter)
}

#[test]
fn the_first_words_about_a_jar_wait_for_a_cause_that_is_about_to_be_sure() {
    let (mut station, _) = jar_then_meter();
    station.run(300);
    let said: Vec<_> = station.events.iter().map(|(_, event)| (event.kind, event.asset.clone())).collect();
    assert_eq!(said, [(AlarmKind::NoFlowHeader, header("A"))], "one cause, one message");
}

#[test]
fn a_cause_that_cannot_be_made_sure_holds_a_jar_back_for_its_own_delay_only() {
    let (mut station, meter) = jar_then_meter();
    station.signals[meter] = Signal::Silent;
    station.run(13);
    assert!(station.changes().is_empty(), "{:?}", station.lines());
    station.run(2);
    assert_eq!(station.changes(), ["raised"]);
    assert_eq!(station.events[0].1.asset, jar("A-01"));
}

#[test]
fn a_jar_that_was_told_is_said_to_be_covered_when_its_header_follows() {
    let mut station = one_stopped_jar();
    (0..24).for_each(|jar| station.set_flow(jar, 0.0));
    station.run(120);
    let said: Vec<_> =
        station.changes().into_iter().zip(station.events.iter().map(|(_, e)| &e.asset)).collect();
    let (one, all) = (jar("A-07"), header("A"));
    assert_eq!(said, [("raised", &one), ("covered", &one), ("raised", &all)]);
}

#[test]
fn what_comes_and_goes_before_a_word_of_it_left_is_not_said_to_be_over_twice() {
    // Nothing delays these two: a hole in the rota is on and off at once, and told after a minute.
    let hole = |hours| Fact::RotaHole { in_hours: hours };
    for answered_while in ["off", "on again"] {
        let mut station = Station::new(Build { jars: 2, ..Build::default() });
        station.engine.handle_fact(&hole(Some(30.0)), station.now);
        station.run(70);
        station.engine.handle_fact(&hole(None), station.now);
        station.run(70);
        assert_eq!(station.changes(), ["raised", "cleared"]);
        let event = first(&station);
        if answered_while == "off" {
            station.engine.confirm(&event, &person("kim"), station.now).unwrap();
        }
        station.engine.handle_fact(&hole(Some(30.0)), station.now);
        station.run(30);
        if answered_while == "on again" {
            station.engine.confirm(&event, &person("kim"), station.now).unwrap();
        }
        station.engine.handle_fact(&hole(None), station.now);
        station.run(120);
        let expected: &[&str] = if answered_while == "off" {
            &["raised", "cleared", "confirmed"]
        } else {
            // Who is told that it is on hears that it is off.
            &["raised", "cleared", "confirmed", "cleared"]
        };
        assert_eq!(station.changes(), expected, "answered while {answered_while}");
    }
}

#[test]
fn nobody_is_reminded_of_what_is_paused() {
    let mut station = one_stopped_jar();
    let event = first(&station);
    station.engine.acknowledge(&event, &person("kim"), station.now).unwrap();
    station.run(600);
    let half = Shelving { length: Span::from_minutes(30), one_shot: false };
    station.engine.shelve(&event, half, &person("kim"), station.now).unwrap();
    // The acknowledgment ends twenty minutes into the pause.
    station.run(29 * 60);
    assert_eq!(station.changes(), ["raised", "acknowledged", "shelved"]);
    station.run(120);
    assert_eq!(station.changes(), ["raised", "acknowledged", "shelved", "unsuppressed"]);
}

#[test]
fn an_old_event_that_is_answered_leaves_the_alarms_of_a_newer_one_together() {
    let mut station = one_stopped_jar();
    station.set_flow(6, SET_FLOW);
    station.run(90);
    station.set_flow(9, 0.0);
    station.run(60);
    assert_eq!(station.changes(), ["raised", "cleared", "raised"]);
    let (old, new) = (station.events[0].1.event, station.events[2].1.event);
    assert_ne!(old, new, "the first is off, and waits for an answer only");
    station.engine.acknowledge(&Target::Event(old), &person("kim"), station.now).unwrap();
    station.set_flow(12, 0.0);
    station.run(600);
    let views = station.engine.views();
    assert_eq!(views.len(), 1, "{views:?}");
    assert_eq!(
        (views[0].event, views[0].members.as_slice()),
        (new, ["A-10", "A-13"].map(String::from).as_slice())
    );
}

#[test]
fn warm_water_names_the_jars_of_the_header_that_is_worst() {
    let mut station = Station::new(Build { headers: 2, jars: 4, ..Build::default() });
    station.load(7, JarContext::default());
    let warm = |station: &mut Station, name: &str, value| {
        for at in 0..station.signals.len() {
            let sensor = &station.plan.rack.sensors[at];
            if sensor.measure == nightjar::rack::Measure::Temperature && sensor.id.as_str().contains(name) {
                station.signals[at] = Signal::Value(value);
            }
        }
    };
    warm(&mut station, "A", 18.0);
    station.run(400);
    warm(&mut station, "B", 15.0);
    station.run(600);
    let views = station.engine.views();
    let found: Vec<_> = views.iter().filter(|view| view.kind == AlarmKind::TempVeryHigh).collect();
    assert_eq!(found.len(), 1, "{views:?}");
    assert_eq!((&found[0].asset, found[0].priority), (&header("A"), Priority::P1));
    assert_eq!(found[0].members, ["A-01", "A-02", "A-03", "A-04"]);
    assert_eq!(found[0].members_total, 4, "the other header holds three");
    assert!(views.iter().all(|view| view.kind != AlarmKind::TempHigh), "{views:?}");
}

#[test]
fn a_pause_takes_along_what_the_alarm_covers_and_nothing_that_another_one_does() {
    let mut station = Station::new(Build { jars: 8, ..Build::default() });
    (0..4).for_each(|jar| station.set_flow(jar, 0.0));
    (4..8).for_each(|jar| station.set_flow(jar, 0.5 * SET_FLOW));
    station.run(300);
    assert_eq!(station.told().len(), 1, "{:?}", station.lines());
    assert_eq!(station.told()[0].kind, AlarmKind::NoFlowHeader);
    let half = Shelving { length: Span::from_minutes(30), one_shot: false };
    let low = Target::Alarm(AlarmKind::LowFlow, header("A"));
    station.engine.shelve(&low, half, &person("kim"), station.now).unwrap();
    assert_eq!(station.engine.counts().shelved, 1, "the jars are covered by the header that stands still");
}

#[test]
fn that_a_sensor_is_back_in_use_is_said_once() {
    let mut station = Station::new(Build::default());
    let sensor = Target::Asset(Asset::Sensor("A-07F".into()));
    let day = Span::from_hours(24);
    station.engine.out_of_service(&sensor, day, "meter fouled", &person("kim"), station.now).unwrap();
    station.run(60);
    assert_eq!((station.changes(), station.engine.counts().out_of_service), (vec!["out"], 5));
    station.engine.return_to_service(&sensor, &person("kim"), station.now).unwrap();
    station.run(60);
    assert_eq!((station.changes(), station.engine.counts().out_of_service), (vec!["out", "unsuppressed"], 0));
}

#[test]
fn a_treatment_window_may_be_as_long_as_the_longest_and_no_longer() {
    let mut station = Station::new(Build { jars: 2, ..Build::default() });
    let longest = station.plan.settings.longest_treatment;
    let longer = longest + Span::from_ms(1);
    let refused = station.engine.open_treatment_window(&[JarIx(0)], longer, &person("kim"), station.now);
    assert_eq!(refused, Err(Refused::BadLength { longest }));
    let until = station.engine.open_treatment_window(&[JarIx(0)], longest, &person("kim"), station.now);
    assert_eq!(until, Ok(station.now.utc + longest));
}

#[test]
fn a_channel_that_fails_while_its_jar_is_pending_is_blind_since_it_fell_silent() {
    let mut station = Station::new(Build { jars: 4, header_flow: true, ..Build::default() });
    station.set_flow(0, 0.0);
    station.run(2);
    let (at, failed) = (station.flow_of(0), station.now.utc);
    station.signals[at] = Signal::Bad(nightjar::reading::Reason::NotFinite);
    station.run(45);
    let blind = &station.told()[0];
    assert_eq!(blind.kind, AlarmKind::BlindFlow);
    // Told at once when twice the delay of no flow is over, it began 15 s after the last good sample.
    assert_eq!(blind.since.since(failed), Span::from_secs(14));
    let rows = station.rows_of(AlarmKind::BlindFlow, &Asset::Sensor("A-01F".into()));
    assert_eq!(rows, [1, 4]);
}

#[test]
fn a_jar_that_runs_again_but_low_is_cleared_and_raised_anew() {
    let mut station = one_stopped_jar();
    // Longer than low flow takes to become urgent, covered as it is.
    station.run(40 * 60);
    assert_eq!(station.changes(), ["raised"]);
    station.set_flow(6, 0.5 * SET_FLOW);
    station.run(300);
    let said: Vec<_> =
        station.changes().into_iter().zip(station.events.iter().map(|(_, e)| e.kind)).collect();
    let (stopped, low) = (AlarmKind::NoFlow, AlarmKind::LowFlow);
    assert_eq!(said, [("raised", stopped), ("cleared", stopped), ("raised", low)]);
}
