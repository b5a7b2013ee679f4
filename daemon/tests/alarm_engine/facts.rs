//! Facts about power, clock, starts and things out of use, at the numbers where they begin to count.

use crate::station::{Build, Station, person};
use nightjar::alarm::engine::{Fact, Target};
use nightjar::alarm::event::{AlarmKind, Asset, Priority};
use nightjar::alarm::state::What;
use nightjar_calc::time::Span;

fn two_jars() -> Station {
    Station::new(Build { jars: 2, ..Build::default() })
}

const fn power(on: bool, battery_percent: Option<f64>, runtime_min: Option<f64>) -> Fact {
    Fact::Mains { on, battery_percent, runtime_min }
}

/// "P1 when battery below 30 % or runtime below 30 min."
#[test]
fn lost_mains_are_urgent_below_thirty_per_cent_or_thirty_minutes() {
    for (battery, runtime, priority) in [
        (None, None, Priority::P2),
        (Some(30.0), Some(30.0), Priority::P2),
        (Some(29.9), Some(90.0), Priority::P1),
        (Some(90.0), Some(29.9), Priority::P1),
    ] {
        let mut station = two_jars();
        station.tell(&power(false, battery, runtime));
        station.run(75);
        let told = station.told();
        assert_eq!((told.len(), told[0].kind), (1, AlarmKind::MainsLost));
        assert_eq!(told[0].priority, priority, "{battery:?} {runtime:?}");
    }
}

#[test]
fn a_battery_that_is_low_when_the_mains_are_back_wakes_nobody() {
    let mut station = two_jars();
    station.tell(&power(false, Some(50.0), None));
    station.run(120);
    station.tell(&power(true, Some(20.0), None));
    station.run(120);
    assert_eq!(station.changes(), ["raised", "cleared"], "{:?}", station.lines());
}

/// Pumps are waited for once, when power comes back; not each time a supply says that it is there.
#[test]
fn only_mains_that_were_lost_and_are_back_make_flow_alarms_wait() {
    // Fifteen seconds on, ten for the group; or the hold of two minutes first.
    for (lost, told_within) in [(false, 24..28), (true, 120..150)] {
        let mut station = two_jars();
        let (back, away) = (power(true, None, None), power(false, None, None));
        station.tell(if lost { &away } else { &back });
        station.run(2);
        station.tell(&back);
        station.set_flow(0, 0.0);
        let since = station.now.up.ms();
        for _ in 0..200 {
            station.run(1);
            station.tell(&back);
        }
        let told = station.events.iter().find(|(_, event)| event.kind == AlarmKind::NoFlow);
        let seconds = (told.unwrap().0 - since) / 1000;
        assert!(told_within.contains(&seconds), "lost {lost}: told after {seconds} s");
    }
}

#[test]
fn a_clock_is_doubted_from_the_moment_it_cannot_be_trusted() {
    let mut station = two_jars();
    station.now.trusted = false;
    station.engine.handle_timeout(station.now);
    station.drain();
    let lines: Vec<_> = station.journal.iter().filter(|l| l.kind == AlarmKind::ClockUntrusted).collect();
    assert_eq!(lines.iter().map(|line| line.what).collect::<Vec<_>>(), [What::Pending]);
    assert_eq!(lines[0].moment, station.engine.moment());
}

/// "Step over 2 s."
#[test]
fn a_step_of_the_clock_is_written_down_above_two_seconds() {
    for (ms, trusted, noted) in [
        (2_000, true, 0),
        (2_000, false, 0),
        (-2_000, false, 0),
        (2_001, true, 1),
        (2_001, false, 1),
        (-2_001, true, 1),
    ] {
        let mut station = two_jars();
        station.now.utc = station.now.utc + Span::from_ms(ms);
        station.now.trusted = trusted;
        station.engine.handle_timeout(station.now);
        station.drain();
        let steps = station.journal.iter().filter(|line| line.what == What::ClockStepped);
        assert_eq!(steps.count(), noted, "{ms} ms, trusted {trusted}");
    }
}

#[test]
fn sixteen_starts_in_a_day_are_all_counted() {
    let mut station = two_jars();
    for _ in 0..15 {
        station.restart(Some(Span::from_secs(5)), Span::from_secs(5));
        station.run(5);
    }
    station.run(70);
    let target = Target::Alarm(AlarmKind::Restarted, Asset::Monitor);
    station.engine.acknowledge(&target, &person("kim"), station.now).unwrap();
    station.drain();
    let said = &station.events.last().unwrap().1;
    assert_eq!((said.kind, said.hint.as_str()), (AlarmKind::Restarted, "16 starts in 24 h"));
}

#[test]
fn of_many_meters_out_of_use_too_long_the_message_names_the_jars_of_five() {
    let mut station = Station::new(Build { jars: 8, ..Build::default() });
    for jar in 1..=7 {
        let target = Target::Asset(Asset::Sensor(format!("A-{jar:02}F")));
        let hour = Span::from_hours(1);
        station.engine.out_of_service(&target, hour, "meter fouled", &person("kim"), station.now).unwrap();
        station.drain();
    }
    station.run(3_700);
    let told: Vec<_> =
        station.told().into_iter().filter(|event| event.kind == AlarmKind::OutOfUseTooLong).collect();
    assert!(!told.is_empty(), "{:?}", station.lines());
    assert_eq!(told.last().unwrap().hint, "jar A-01, jar A-02, jar A-03, jar A-04, jar A-05");
}
