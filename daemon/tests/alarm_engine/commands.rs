//! What people do, what it changes, and what is said about it.

use crate::station::{Build, SET_FLOW, Signal, Station, jar, loaded, one_stopped_jar, person};
use nightjar::alarm::condition::{self, Settings};
use nightjar::alarm::engine::{Fact, JarContext, Refused, Shelving, Target};
use nightjar::alarm::event::{AlarmKind, Asset, Change, Code, Priority};
use nightjar::alarm::state::{Reported, What};
use nightjar::rack::JarIx;
use nightjar_calc::time::Span;

fn code(station: &Station) -> Target {
    Target::Code(station.events[0].1.code.clone())
}

#[test]
fn an_acknowledgment_by_code_stops_the_nagging_until_the_reminder() {
    let mut station = one_stopped_jar();
    let Target::Code(Code(text)) = code(&station) else { panic!() };
    let typed = Target::Code(Code(format!(" {} ", text.to_lowercase())));
    station.engine.acknowledge(&typed, &person("kim"), station.now).unwrap();
    station.drain();
    let Change::Acknowledged { by, until } = &station.events[1].1.change else { panic!() };
    assert_eq!((by.as_str(), until.since(station.now.utc)), ("kim", Span::from_minutes(30)));
    let view = &station.engine.views()[0];
    assert_eq!(view.acknowledged.as_ref().unwrap().0, "kim");
    assert!(view.on && !view.action.is_empty());
    station.run(29 * 60);
    assert_eq!(station.changes().len(), 2);
    station.run(120);
    assert_eq!(station.changes(), ["raised", "acknowledged", "reminder"]);
    let again = station.engine.acknowledge(&typed, &person("ola"), station.now);
    assert!(again.is_ok());
    let twice = station.engine.acknowledge(&typed, &person("kim"), station.now);
    assert!(matches!(twice, Err(Refused::AlreadyAcknowledged { by, .. }) if by.as_str() == "ola"));
}

#[test]
fn low_flow_that_nobody_answers_becomes_urgent_after_half_an_hour_and_says_so() {
    let mut station = Station::new(Build::default());
    station.set_flow(2, SET_FLOW * 0.5);
    station.run(32 * 60);
    assert_eq!(station.changes(), ["raised", "worsened"]);
    let [first, second] = [&station.events[0].1, &station.events[1].1];
    assert_eq!((first.priority, second.priority), (Priority::P2, Priority::P1));
    assert_eq!(first.code, second.code);
    assert!((first.limit.unwrap() - 0.7 * SET_FLOW).abs() < 1e-9 && first.unit == "L/min");
}

#[test]
fn a_jar_that_stops_after_its_neighbour_was_acknowledged_is_told_after_the_member_wait() {
    let mut station = one_stopped_jar();
    station.engine.acknowledge(&code(&station), &person("kim"), station.now).unwrap();
    station.set_flow(9, 0.0);
    station.run(600);
    assert_eq!(station.changes(), ["raised", "acknowledged", "grew"]);
    assert_eq!(station.events[2].1.members, ["A-07", "A-10"]);
    assert!(station.events[2].0 - station.events[0].0 <= 5 * 60_000 + 16_000);
    assert_eq!(station.engine.views()[0].acknowledged, None);
}

#[test]
fn growth_is_told_once_it_is_three_and_a_quarter() {
    let mut station = one_stopped_jar();
    for n in [8, 9] {
        station.set_flow(n, 0.0);
    }
    station.run(600);
    assert_eq!(station.changes(), ["raised"], "the ladder carries the new count");
    assert_eq!(station.engine.views()[0].members.len(), 3);
    station.set_flow(10, 0.0);
    station.run(600);
    assert_eq!(station.changes(), ["raised", "grew"]);
}

#[test]
fn on_again_within_half_an_hour_is_the_same_event() {
    let mut station = one_stopped_jar();
    for _ in 0..2 {
        station.set_flow(6, SET_FLOW);
        station.run(90);
        station.set_flow(6, 0.0);
        station.run(90);
    }
    assert_eq!(station.changes(), ["raised", "cleared", "again", "cleared", "again"]);
    assert_eq!(station.events[4].1.change, Change::Again { times: 3 });
    assert!(station.events.iter().all(|(_, e)| e.event == station.events[0].1.event));
    assert!(station.engine.views()[0].chattering);
    let seqs: Vec<u32> = station.events.iter().map(|(_, e)| e.seq).collect();
    assert_eq!(seqs, [1, 2, 3, 4, 5]);
}

#[test]
fn what_clears_before_its_message_left_is_in_the_journal_only() {
    let mut station = Station::new(Build::default());
    station.set_flow(1, SET_FLOW * 0.5);
    station.run(35);
    station.set_flow(1, SET_FLOW);
    // Active at 30 s, off-delay 60 s: the P2 wait of 60 s ends first unless it is about to clear.
    station.run(400);
    let said = station.changes();
    assert!(said.is_empty() || said == ["raised", "cleared"], "{said:?}");
    let rows = station.rows_of(AlarmKind::LowFlow, &jar("A-02"));
    assert_eq!(rows, [1, 4, 5, 7]);
}

#[test]
fn pauses_are_limited_by_priority_and_end_with_the_ladder_at_its_first_step() {
    let mut station = one_stopped_jar();
    let target = code(&station);
    let long = Shelving { length: Span::from_minutes(31), one_shot: false };
    let refused = station.engine.shelve(&target, long, &person("kim"), station.now).unwrap_err();
    assert_eq!(refused.to_string(), "a P1 alarm can be paused for at most 30 minutes");
    let half = Shelving { length: Span::from_minutes(30), one_shot: false };
    station.engine.shelve(&target, half, &person("kim"), station.now).unwrap();
    station.drain();
    assert_eq!(station.engine.counts().shelved, 2, "no flow, and the low flow it covers");
    assert_eq!(station.engine.views()[0].suppressed.as_ref().unwrap().0, "paused by kim");
    station.run(31 * 60);
    assert_eq!(station.changes(), ["raised", "shelved", "unsuppressed"]);
    assert_eq!(station.engine.reported(AlarmKind::NoFlow, &jar("A-07")), Some(Reported::Unacknowledged));
}

#[test]
fn a_jar_can_be_paused_before_anything_is_wrong_and_is_listed() {
    let mut station = Station::new(Build::default());
    let target = Target::Alarm(AlarmKind::LowFlow, jar("A-03"));
    let hour = Shelving { length: Span::from_hours(1), one_shot: true };
    station.engine.shelve(&target, hour, &person("kim"), station.now).unwrap();
    station.set_flow(2, SET_FLOW * 0.5);
    station.run(600);
    assert!(station.told().is_empty());
    assert_eq!(station.engine.views().len(), 1);
    station.set_flow(2, SET_FLOW);
    station.run(120);
    assert_eq!(station.engine.counts().shelved, 0, "one-shot");
}

#[test]
fn out_of_use_needs_a_reason_and_an_end_within_a_week_and_is_spoken_of_when_overdue() {
    let mut station = one_stopped_jar();
    let target = Target::Asset(Asset::Sensor("A-07F".into()));
    let kim = person("kim");
    let day = Span::from_hours(24);
    let now = station.now;
    assert_eq!(station.engine.out_of_service(&target, day, " ", &kim, now), Err(Refused::NoReason));
    let refused = station.engine.out_of_service(&target, Span::from_hours(169), "pump out", &kim, now);
    assert!(matches!(refused, Err(Refused::BadLength { .. })));
    station.engine.out_of_service(&target, Span::from_hours(1), "meter fouled", &kim, now).unwrap();
    station.drain();
    assert_eq!(station.engine.counts().out_of_service, 5, "three limits, blind, stuck");
    let at = station.flow_of(6);
    station.signals[at] = Signal::Silent;
    station.run(3700);
    let overdue = station.told().last().map(|event| (event.kind, event.hint.clone())).unwrap();
    assert_eq!(overdue.0, AlarmKind::OutOfUseTooLong);
    assert!(overdue.1.contains("A-07"), "{}", overdue.1);
    station.signals[at] = Signal::Value(0.0);
    station.engine.return_to_service(&target, &kim, station.now).unwrap();
    station.drain();
    station.events.clear();
    station.run(60);
    assert_eq!(station.told().len(), 1, "full delay from fresh samples: {:?}", station.lines());
    assert_eq!(station.told()[0].kind, AlarmKind::NoFlow);
    assert!(!station.engine.views().iter().any(|view| view.on && view.kind == AlarmKind::OutOfUseTooLong));
}

#[test]
fn an_empty_jar_asks_for_nobody_and_a_loaded_one_settles_first() {
    let mut station = Station::new(Build::default());
    station.load(0, JarContext::default());
    station.set_flow(0, 0.0);
    station.set_temp(0, 25.0);
    station.run(600);
    assert!(station.told().is_empty(), "{:?}", station.lines());
    station.load(0, loaded(0));
    station.run(59);
    assert!(station.told().is_empty());
    station.run(20);
    assert!(!station.told().is_empty());
}

#[test]
fn a_treatment_window_has_its_own_limits_and_ends_by_itself() {
    let mut station = Station::new(Build::default());
    let kim = person("kim");
    let long = station.engine.open_treatment_window(&[JarIx(0)], Span::from_hours(3), &kim, station.now);
    assert!(long.is_err());
    let length = Span::from_minutes(20);
    let until = station.engine.open_treatment_window(&[JarIx(0)], length, &kim, station.now).unwrap();
    assert_eq!(station.engine.treatment_window(JarIx(0)), Some((&kim, until)));
    station.set_flow(0, SET_FLOW * 0.5);
    station.run(19 * 60);
    assert!(station.told().is_empty());
    station.run(5 * 60);
    assert_eq!(station.told().len(), 1);
    assert!(station.engine.treatment_window(JarIx(0)).is_none());
}

#[test]
fn temperature_limits_follow_the_stage() {
    let mut station = Station::new(Build { header_temp: false, ..Build::default() });
    let mut context = loaded(0);
    let tight = condition::TempLimits { high_c: Some(9.5), ..crate::station::TEMPS };
    context.temps = Some(tight);
    station.load(0, context);
    station.run(360);
    let told = station.told();
    assert_eq!((told.len(), told[0].kind), (1, AlarmKind::TempHigh));
    assert_eq!(told[0].limit, Some(9.5));
}

#[test]
fn a_worse_temperature_limit_is_the_same_event_at_a_higher_priority() {
    let mut station = Station::new(Build { header_temp: false, ..Build::default() });
    station.set_temp(4, 15.0);
    station.run(300);
    station.engine.acknowledge(&code(&station), &person("kim"), station.now).unwrap();
    station.set_temp(4, 18.0);
    station.run(120);
    assert_eq!(station.changes()[..3], ["raised", "acknowledged", "worsened"]);
    let worse = &station.events[2].1;
    assert_eq!((worse.kind, worse.priority), (AlarmKind::TempVeryHigh, Priority::P1));
    assert_eq!(station.engine.views()[0].acknowledged, None);
}

#[test]
fn a_fast_change_of_the_source_is_told() {
    let mut station = Station::new(Build { jars: 4, ..Build::default() });
    for second in 0..4000 {
        for at in 0..station.signals.len() {
            if station.plan.rack.sensors[at].measure == nightjar::rack::Measure::Temperature {
                station.signals[at] = Signal::Value(8.0 + 2.0 * f64::from(second) / 3600.0);
            }
        }
        station.run(1);
    }
    let told = station.told();
    assert_eq!(told.len(), 1, "{:?}", station.lines());
    assert_eq!((told[0].kind, &told[0].asset), (AlarmKind::TempRate, &Asset::Header("A".into())));
}

#[test]
fn a_probe_far_from_its_header_asks_to_be_checked() {
    let mut station = Station::new(Build::default());
    station.set_temp(5, 11.0);
    station.run(1100);
    let told = station.told();
    assert_eq!((told.len(), told[0].kind, told[0].priority), (1, AlarmKind::Disagrees, Priority::P3));
}

#[test]
fn a_reading_that_never_moves_asks_to_be_checked() {
    let mut station = Station::new(Build { jars: 2, ..Build::default() });
    let at = station.temp_of(1);
    for second in 0..4600u32 {
        station.signals[at] = Signal::Silent;
        station.run(1);
        if second.is_multiple_of(5) {
            let sensor = nightjar::reading::SensorIx(u16::try_from(at).unwrap());
            let good = (nightjar::reading::Quality::Good, nightjar::reading::Reason::None);
            station.engine.handle_reading(sensor, 10.125, good.0, good.1, station.now);
            station.drain();
        }
    }
    let told = station.told();
    assert_eq!(told.len(), 1, "{:?}", station.lines());
    assert_eq!((told[0].kind, &told[0].asset), (AlarmKind::Stuck, &Asset::Sensor("A-02T".into())));
}

#[test]
fn facts_about_site_and_monitor_ask_for_somebody_in_their_own_time() {
    // Fact, kind, seconds until it is told (delay and group wait), priority.
    let storage = Fact::Storage { problem: Some("card is read-only".into()) };
    let mains = Fact::Mains { on: false, battery_percent: Some(80.0), runtime_min: None };
    let flat = Fact::Mains { on: false, battery_percent: Some(20.0), runtime_min: None };
    let soon = Fact::RotaHole { in_hours: Some(5.0) };
    let later = Fact::RotaHole { in_hours: Some(30.0) };
    let table = [
        (storage, AlarmKind::StorageFailing, 60, Priority::P2),
        (mains, AlarmKind::MainsLost, 70, Priority::P2),
        (flat, AlarmKind::MainsLost, 20, Priority::P1),
        (Fact::Route { route: 1, failing: true }, AlarmKind::CannotSend, 660, Priority::P2),
        (soon, AlarmKind::RotaHole, 60, Priority::P2),
        (later, AlarmKind::RotaHole, 60, Priority::P3),
        (Fact::ConfigFallback { active: true }, AlarmKind::ConfigFallback, 60, Priority::P3),
        (Fact::Drill { on: true }, AlarmKind::Drill, 10, Priority::P1),
    ];
    for (fact, kind, seconds, priority) in table {
        let mut station = Station::new(Build { jars: 2, ..Build::default() });
        station.engine.handle_fact(&fact, station.now);
        station.run(seconds - 1);
        assert!(station.told().is_empty(), "{kind:?} too early");
        station.run(2);
        let told = station.told();
        assert_eq!(told.len(), 1, "{kind:?}");
        assert_eq!((told[0].kind, told[0].priority), (kind, priority));
    }
}

#[test]
fn mains_that_were_lost_become_urgent_when_the_battery_runs_down() {
    let mut station = Station::new(Build { jars: 2, ..Build::default() });
    let mains = |percent| Fact::Mains { on: false, battery_percent: Some(percent), runtime_min: None };
    station.engine.handle_fact(&mains(80.0), station.now);
    station.run(100);
    station.engine.acknowledge(&code(&station), &person("kim"), station.now).unwrap();
    station.engine.handle_fact(&mains(29.0), station.now);
    station.run(20);
    assert_eq!(station.changes(), ["raised", "acknowledged", "worsened"]);
}

#[test]
fn no_route_at_all_is_one_alarm_that_explains_the_others() {
    let mut station = Station::new(Build { jars: 2, ..Build::default() });
    for route in 0..2 {
        station.engine.handle_fact(&Fact::Route { route, failing: true }, station.now);
    }
    station.run(900);
    let kinds: Vec<_> = station.told().iter().map(|event| event.kind).collect();
    assert_eq!(kinds, [AlarmKind::CannotSendAtAll]);
}

#[test]
fn a_clock_that_nobody_set_is_told_after_half_an_hour_and_stamped_on_events() {
    let mut station = Station::new(Build { jars: 2, ..Build::default() });
    station.now.trusted = false;
    station.run(1870);
    let told = station.told();
    assert_eq!((told.len(), told[0].kind, told[0].clock_trusted), (1, AlarmKind::ClockUntrusted, false));
}

#[test]
fn every_alarm_has_a_written_action_and_every_delay_fits_the_time_the_eggs_have() {
    for kind in condition::ALL {
        for asset in [jar("A"), Asset::Site] {
            assert!(condition::action(kind, &asset).len() > 20, "{kind:?}");
        }
    }
    let settings = Settings::default();
    assert!(settings.too_slow_for(Span::from_minutes(3)).is_empty());
    assert_eq!(settings.too_slow_for(Span::from_minutes(2)), [AlarmKind::LowFlow]);
}

#[test]
fn a_flood_begins_above_ten_announcements_in_ten_minutes_and_ends_below_five() {
    let mut station = Station::new(Build { headers: 12, jars: 4, ..Build::default() });
    for header in 0..12 {
        station.set_flow(header * 4, 0.0);
        station.run(2);
    }
    station.run(60);
    assert_eq!((station.told().len(), station.floods.as_slice()), (12, [true].as_slice()));
    assert_eq!(station.engine.flood(), Some(12));
    station.run(700);
    assert_eq!(station.floods, [true, false]);
    let journaled = station.journal.iter().filter(|line| matches!(line.what, What::Activated { .. }));
    assert_eq!(journaled.count(), 24, "no flow and low flow of each: nothing recorded is reduced");
}

#[test]
fn a_pause_can_be_ended_before_its_time_and_only_once() {
    let mut station = one_stopped_jar();
    let target = code(&station);
    let none = Shelving { length: Span::ZERO, one_shot: false };
    let refused = station.engine.shelve(&target, none, &person("kim"), station.now);
    assert!(matches!(refused, Err(Refused::BadLength { .. })), "{refused:?}");
    let early = station.engine.unshelve(&target, &person("kim"), station.now);
    assert!(matches!(early, Err(Refused::NotSilenced)), "{early:?}");
    let half = Shelving { length: Span::from_minutes(30), one_shot: false };
    station.engine.shelve(&target, half, &person("kim"), station.now).unwrap();
    station.run(60);
    assert_eq!(station.engine.counts().shelved, 2, "no flow, and the low flow it covers");
    station.engine.unshelve(&target, &person("ola"), station.now).unwrap();
    station.run(60);
    assert_eq!(station.engine.counts().shelved, 0);
    assert_eq!(station.changes(), ["raised", "shelved", "unsuppressed"]);
    let again = station.engine.unshelve(&target, &person("ola"), station.now);
    assert!(matches!(again, Err(Refused::NotSilenced)), "{again:?}");
    let nobody = Target::Code(Code("ZZZ".into()));
    assert!(station.engine.unshelve(&nobody, &person("ola"), station.now).is_err());
}

#[test]
fn that_it_is_fixed_is_said_and_only_the_water_clears_it() {
    let mut station = one_stopped_jar();
    let target = code(&station);
    assert!(station.engine.confirm(&Target::Code(Code("ZZZ".into())), &person("kim"), station.now).is_err());
    let event = station.engine.confirm(&target, &person("kim"), station.now).unwrap();
    station.run(60);
    assert_eq!(event, station.events[0].1.event);
    let Change::Confirmed { by } = &station.events[1].1.change else { panic!("{:?}", station.lines()) };
    assert_eq!(by.as_str(), "kim");
    assert!(station.journal.iter().any(|line| line.what == What::Confirmed));
    assert!(station.engine.views()[0].on, "a word changes no water");
    station.set_flow(6, SET_FLOW);
    station.run(600);
    assert_eq!(station.changes(), ["raised", "confirmed", "cleared"]);
}
