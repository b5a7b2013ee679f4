//! Faults of sensors, clocks and the machine itself.

use crate::station::{Build, SET_FLOW, Signal, Station, jar, person};
use nightjar::alarm::engine::{Shelving, Target};
use nightjar::alarm::event::{AlarmKind, Priority};
use nightjar::alarm::record::Stored;
use nightjar::alarm::state::{Reported, What};
use nightjar::reading::{Quality, Reason, SensorIx};
use nightjar_calc::time::Span;

/// What failing sensors send, and how the reading is judged before it comes here.
const FAULTS: [(&str, f64, Quality, Reason); 12] = [
    ("open", -9999.0, Quality::Bad, Reason::Sentinel),
    ("short", 400.0, Quality::Bad, Reason::Range),
    ("nan", f64::NAN, Quality::Bad, Reason::NotFinite),
    ("infinite", f64::INFINITY, Quality::Bad, Reason::NotFinite),
    ("infinite, taken for good", f64::NEG_INFINITY, Quality::Good, Reason::None),
    ("-127", -127.0, Quality::Bad, Reason::Sentinel),
    ("85", 85.0, Quality::Bad, Reason::Sentinel),
    ("0 raw", 0.0, Quality::Bad, Reason::Device),
    ("spike", 10.0, Quality::Bad, Reason::Spike),
    ("stuck at a healthy value", 10.0, Quality::Uncertain, Reason::Stuck),
    ("out of the water", 10.0, Quality::Uncertain, Reason::OutOfWater),
    ("future stamp", 10.0, Quality::Bad, Reason::FutureTime),
];

fn send(station: &mut Station, at: usize, (value, quality, reason): (f64, Quality, Reason)) {
    let sensor = SensorIx(u16::try_from(at).unwrap());
    station.engine.handle_reading(sensor, value, quality, reason, station.now);
    station.drain();
}

#[test]
fn no_fault_of_a_sensor_clears_an_active_alarm() {
    for (name, value, quality, reason) in FAULTS {
        for flow in [true, false] {
            let mut station = Station::new(Build { jars: 4, ..Build::default() });
            let (at, kind) = if flow {
                station.set_flow(0, 0.0);
                (station.flow_of(0), AlarmKind::NoFlow)
            } else {
                station.set_temp(0, 18.0);
                (station.temp_of(0), AlarmKind::TempVeryHigh)
            };
            station.run(120);
            assert_eq!(station.engine.reported(kind, &jar("A-01")), Some(Reported::Unacknowledged));
            station.signals[at] = Signal::Silent;
            for _ in 0..1200 {
                send(&mut station, at, (value, quality, reason));
                station.run(1);
            }
            let said = station.engine.reported(kind, &jar("A-01"));
            assert_eq!(said, Some(Reported::Unacknowledged), "{name}, flow {flow}");
            let alive = reason == Reason::Stuck;
            let blind = if flow { AlarmKind::BlindFlow } else { AlarmKind::BlindTemp };
            let technical =
                station.told().iter().any(|event| event.kind == blind && event.priority == Priority::P1);
            assert!(technical || alive, "{name}: no technical alarm as urgent as what it held");
            assert!(station.engine.views().iter().any(|view| view.unverified), "{name}");
        }
    }
}

#[test]
fn readings_of_the_past_move_nothing() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    for reason in [Reason::Stale, Reason::Retained] {
        let at = station.flow_of(0);
        for value in [0.0, SET_FLOW] {
            let before = station.journal.len();
            for _ in 0..60 {
                send(&mut station, at, (value, Quality::Uncertain, reason));
            }
            assert_eq!(station.journal.len(), before);
        }
    }
}

#[test]
fn a_spike_no_longer_than_the_on_delay_never_alarms() {
    for (seconds, expected) in [(1, 0), (14, 0), (17, 1)] {
        let mut station = Station::new(Build { jars: 4, ..Build::default() });
        for _ in 0..5 {
            station.set_flow(0, 0.0);
            station.run(seconds);
            station.set_flow(0, SET_FLOW);
            station.run(200);
        }
        assert_eq!(station.told().len().min(1), expected, "{seconds} s");
    }
}

#[test]
fn a_swapped_or_drifting_probe_is_told_apart_by_its_header() {
    let mut station = Station::new(Build::default());
    let mut value = 10.0;
    for _ in 0..200 {
        value += 0.01;
        station.set_temp(3, value);
        station.run(10);
    }
    let kinds: Vec<_> = station.told().iter().map(|event| event.kind).collect();
    assert!(kinds.contains(&AlarmKind::Disagrees), "{kinds:?}");
}

#[test]
fn a_jar_that_leaves_its_header_is_not_silenced_by_disagreeing_with_it() {
    let mut station = Station::new(Build::default());
    let at = station.temp_of(3);
    station.signals[at] = Signal::Silent;
    for _ in 0..120 {
        send(&mut station, at, (18.0, Quality::Uncertain, Reason::Disagrees));
        station.run(1);
    }
    assert_eq!(station.told()[0].kind, AlarmKind::TempVeryHigh);
    for _ in 0..600 {
        send(&mut station, at, (10.0, Quality::Uncertain, Reason::Disagrees));
        station.run(1);
    }
    let said = station.engine.reported(AlarmKind::TempVeryHigh, &jar("A-04"));
    assert_eq!(said, Some(Reported::Unacknowledged), "and does not clear by it either");
}

#[test]
fn samples_that_fail_while_an_alarm_is_pending_are_told_as_urgently() {
    let mut station = Station::new(Build { jars: 4, header_flow: true, ..Build::default() });
    station.set_flow(0, 0.0);
    station.run(2);
    let at = station.flow_of(0);
    station.signals[at] = Signal::Bad(Reason::NotFinite);
    station.run(45);
    let told = station.told();
    assert_eq!((told.len(), told[0].kind, told[0].priority), (1, AlarmKind::BlindFlow, Priority::P1));
    let rows = station.rows_of(AlarmKind::NoFlow, &jar("A-01"));
    assert_eq!(rows, [1, 3]);
}

#[test]
fn a_slow_sensor_needs_two_samples_and_gets_its_time() {
    let interval = Span::from_secs(60);
    let mut station = Station::new(Build { jars: 4, interval, ..Build::default() });
    station.run(300);
    station.events.clear();
    station.set_flow(0, 0.0);
    station.run(240);
    assert_eq!(station.told().len(), 1, "{:?}", station.lines());
    assert_eq!(station.told()[0].kind, AlarmKind::NoFlow);
}

/// Everything that happened but for the wall clock: what and when on the up-time.
fn story(station: &Station) -> Vec<String> {
    let lines = station.journal.iter().filter(|line| line.what != What::ClockStepped);
    lines.map(|l| format!("{:?} {:?} {:?} {:?} {:?}", l.moment, l.kind, l.asset, l.what, l.to)).collect()
}

fn told_at(station: &Station) -> Vec<(u64, &'static str)> {
    station.events.iter().map(|(at, event)| (*at, crate::station::name_of(&event.change))).collect()
}

#[test]
fn steps_of_the_wall_clock_change_no_transition_at_any_state() {
    let run = |step: Option<(u64, Span)>| {
        let mut station = Station::new(Build { jars: 4, ..Build::default() });
        for second in 0..2400 {
            if let Some((at, by)) = step
                && at == second
            {
                station.now.utc = station.now.utc + by;
            }
            match second {
                10 => station.set_flow(0, 0.0),
                100 => station.set_temp(1, 18.0),
                200 => {
                    let target = Target::Alarm(AlarmKind::NoFlow, jar("A-01"));
                    station.engine.acknowledge(&target, &person("kim"), station.now).unwrap();
                    station.drain();
                }
                400 => station.set_temp(1, 10.0),
                _ => {}
            }
            station.run(1);
        }
        (story(&station), told_at(&station).into_iter().collect::<Vec<_>>(), station.journal.len())
    };
    let (story, told, lines) = run(None);
    assert!(told.iter().any(|(_, change)| *change == "reminder"));
    let day = 86_400_000;
    let steps = [1000, -1000, 3_600_000, -3_600_000, day, -day, 3652 * day, -3652 * day, -1_800_000_000_000];
    // Pending, group wait, on, acknowledged, returning, returned.
    for at in [15, 30, 60, 300, 430, 700] {
        for by in steps {
            let (other, other_told, other_lines) = run(Some((at, Span::from_ms(by))));
            assert_eq!(story, other, "step of {by} ms at {at} s");
            assert_eq!(told, other_told, "step of {by} ms at {at} s");
            let noted = usize::from(by.abs() > 2000);
            assert_eq!(other_lines, lines + noted, "a step over 2 s is written down");
        }
    }
}

#[test]
fn after_a_restart_an_active_alarm_is_active_and_only_fresh_samples_clear_it() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    station.set_flow(0, 0.0);
    station.run(60);
    let code = station.events[0].1.code.clone();
    station.engine.acknowledge(&Target::Code(code.clone()), &person("kim"), station.now).unwrap();
    station.drain();
    station.set_flow(0, SET_FLOW);
    station.run(30); // half of the off-delay
    station.restart(Some(Span::from_secs(90)), Span::from_secs(90));
    let said = station.engine.reported(AlarmKind::NoFlow, &jar("A-01"));
    assert_eq!(said, Some(Reported::Acknowledged));
    assert_eq!(station.engine.views()[0].code, code);
    station.run(55);
    assert_eq!(station.engine.reported(AlarmKind::NoFlow, &jar("A-01")), Some(Reported::Acknowledged));
    station.run(10);
    assert_eq!(station.changes(), ["raised", "acknowledged", "cleared"]);
}

#[test]
fn timers_go_on_after_a_restart_and_age_while_the_station_was_off() {
    for (off_for, after_minutes) in [(Some(Span::from_minutes(10)), 10), (None, 20)] {
        let mut station = Station::new(Build { jars: 4, ..Build::default() });
        station.set_flow(0, 0.0);
        station.run(60);
        let code = station.events[0].1.code.clone();
        station.engine.acknowledge(&Target::Code(code), &person("kim"), station.now).unwrap();
        station.drain();
        station.run(600);
        // The store marks how far time had come with its samples.
        station.stored.moment = station.engine.moment();
        station.restart(off_for, Span::from_minutes(10));
        station.run(60 * after_minutes - 60);
        assert_eq!(station.changes().last(), Some(&"acknowledged"));
        station.run(120);
        assert_eq!(station.changes().last(), Some(&"reminder"), "{off_for:?}");
    }
}

#[test]
fn a_cause_and_its_consequences_survive_a_restart_and_clear_as_one() {
    let mut station = Station::new(Build::default());
    for jar in 0..24 {
        station.set_flow(jar, 0.0);
    }
    station.run(120);
    station.restart(Some(Span::from_secs(20)), Span::from_secs(20));
    station.run(120);
    assert_eq!(station.changes(), ["raised"], "{:?}", station.lines());
    for jar in 0..24 {
        station.set_flow(jar, SET_FLOW);
    }
    station.run(400);
    assert_eq!(station.changes(), ["raised", "cleared"], "{:?}", station.lines());
    let counts = station.engine.counts();
    assert_eq!((counts.covered, counts.settling), (0, 0));
}

#[test]
fn a_pump_that_was_mended_while_the_station_was_off_is_told_as_cleared() {
    let mut station = Station::new(Build::default());
    for jar in 0..24 {
        station.set_flow(jar, 0.0);
    }
    station.run(120);
    for jar in 0..24 {
        station.set_flow(jar, SET_FLOW);
    }
    station.restart(Some(Span::from_secs(20)), Span::from_secs(20));
    station.run(400);
    assert_eq!(station.changes(), ["raised", "cleared"], "{:?}", station.lines());
}

#[test]
fn what_was_on_but_not_yet_told_is_told_after_the_restart() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    station.set_flow(0, 0.0);
    station.run(18);
    assert!(station.changes().is_empty());
    assert_eq!(station.engine.reported(AlarmKind::NoFlow, &jar("A-01")), Some(Reported::Unacknowledged));
    station.restart(None, Span::from_secs(5));
    station.run(12);
    assert_eq!(station.changes(), ["raised"]);
}

#[test]
fn restarts_do_not_put_off_the_first_words() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    station.set_flow(0, 0.0);
    station.run(18);
    // How long nothing was written: since the alarm went on, then since each start.
    for unwritten in [9, 4, 4] {
        station.restart(Some(Span::from_secs(unwritten)), Span::from_secs(1));
        station.run(3);
    }
    assert_eq!(station.engine.reported(AlarmKind::NoFlow, &jar("A-01")), Some(Reported::Unacknowledged));
    let raised = station.changes().iter().filter(|change| **change == "raised").count();
    assert_eq!(raised, 1, "its ten seconds have passed, in several runs: {:?}", station.changes());
}

/// Starts again and again, sooner than any wait is over.
fn start_again_and_again(station: &mut Station) {
    for unwritten in [3, 4, 4, 4] {
        station.restart(Some(Span::from_secs(unwritten)), Span::from_secs(1));
        station.run(3);
    }
}

#[test]
fn what_comes_again_is_told_however_often_the_station_starts() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    station.set_flow(0, 0.0);
    station.run(60);
    station.set_flow(0, SET_FLOW);
    station.run(120);
    assert_eq!(station.changes(), ["raised", "cleared"]);
    station.set_flow(0, 0.0);
    station.run(18);
    start_again_and_again(&mut station);
    assert_eq!(station.changes(), ["raised", "cleared", "again"], "{:?}", station.lines());
    station.run(300);
    let again = station.changes().iter().filter(|change| **change == "again").count();
    assert_eq!(again, 1, "once: {:?}", station.changes());
}

#[test]
fn the_end_of_a_pause_is_told_however_often_the_station_starts() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    station.set_flow(0, 0.0);
    station.run(60);
    let event = Target::Event(station.told()[0].event);
    let pause = Shelving { length: Span::from_minutes(30), one_shot: false };
    station.engine.shelve(&event, pause, &person("kim"), station.now).unwrap();
    station.drain();
    station.run(30 * 60 + 3);
    start_again_and_again(&mut station);
    assert_eq!(station.changes(), ["raised", "shelved", "unsuppressed"], "{:?}", station.lines());
}

#[test]
fn what_becomes_urgent_is_told_however_often_the_station_starts() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    station.set_flow(2, SET_FLOW * 0.5);
    // Thirty minutes after it went on it is urgent, and waits ten seconds for its group.
    station.run(30 + 30 * 60 + 3);
    start_again_and_again(&mut station);
    assert_eq!(station.changes(), ["raised", "worsened"], "{:?}", station.lines());
}

#[test]
fn three_starts_in_a_day_ask_for_a_look_at_the_log() {
    let mut station = Station::new(Build { jars: 2, ..Build::default() });
    for _ in 0..2 {
        station.restart(Some(Span::from_secs(5)), Span::from_secs(5));
        station.run(70);
    }
    let told = station.told();
    assert_eq!((told.len(), told[0].kind, told[0].priority), (1, AlarmKind::Restarted, Priority::P3));
    station.pass(Span::from_hours(24));
    assert!(!station.engine.views().iter().any(|view| view.on && view.kind == AlarmKind::Restarted));
}

#[test]
fn what_was_persisted_adds_up_to_what_a_restart_begins_from() {
    let mut station = Station::new(Build::default());
    station.set_flow(3, 0.0);
    station.run(100);
    for jar in 0..24 {
        station.set_flow(jar, 0.0);
    }
    station.run(100);
    for jar in 0..20 {
        station.set_flow(jar, SET_FLOW);
    }
    station.run(200);
    let expected = Stored { moment: station.stored.moment, ..station.engine.stored() };
    assert_eq!(station.stored, expected);
    let text = serde_json::to_string(&station.stored).unwrap();
    assert_eq!(serde_json::from_str::<Stored>(&text).unwrap(), station.stored);
}
