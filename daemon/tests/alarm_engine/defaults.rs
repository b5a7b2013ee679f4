//! The default list, row by row: each alarm goes on after its delay, is held while its measure
//! fails, goes off after its own delay, and says what to do.

use crate::station::{Build, SET_FLOW, Signal, Station, person};
use nightjar::alarm::engine::{Fact, Target};
use nightjar::alarm::event::{AlarmKind, Asset, Priority};
use nightjar::alarm::moment::Moment;
use nightjar::alarm::state::What;
use nightjar::rack::Measure;
use nightjar::reading::Reason;
use nightjar_calc::time::Span;

type Act = fn(&mut Station);

struct Row {
    number: u8,
    kind: AlarmKind,
    asset: Asset,
    priority: Priority,
    /// Seconds between the first look beyond and the activation, and between the first look
    /// inside and the clearing.
    delays_s: (u64, u64),
    raise: Act,
    /// Makes the measure fail; `None` for what the monitor knows by itself.
    fail: Option<Act>,
    clear: Act,
    /// Long enough for the alarm to go on, and to go off.
    within_s: (u64, u64),
}

fn build() -> Build {
    Build { jars: 8, header_flow: true, ..Build::default() }
}

fn jar() -> Asset {
    Asset::Jar("A-01".into())
}

fn header_meter(station: &Station) -> usize {
    usize::from(station.plan.rack.headers[0].flow.unwrap().0)
}

fn header_probe(station: &Station) -> usize {
    usize::from(station.plan.rack.headers[0].temperature.unwrap().0)
}

fn bad_flow(station: &mut Station) {
    let at = station.flow_of(0);
    station.signals[at] = Signal::Bad(Reason::NotFinite);
}

fn bad_temp(station: &mut Station) {
    let at = station.temp_of(0);
    station.signals[at] = Signal::Bad(Reason::NotFinite);
}

fn good_flow(station: &mut Station) {
    station.set_flow(0, SET_FLOW);
}

fn good_temp(station: &mut Station) {
    station.set_temp(0, 10.0);
}

/// All probes warm up or cool down together.
fn drift(station: &mut Station, c_per_h: f64, seconds: u32) {
    let all: Vec<usize> = (0..station.signals.len())
        .filter(|at| station.plan.rack.sensors[*at].measure == Measure::Temperature)
        .collect();
    let Signal::Value(from) = station.signals[all[0]] else { panic!() };
    for second in 0..seconds {
        for at in &all {
            station.signals[*at] = Signal::Value(from + c_per_h * f64::from(second) / 3600.0);
        }
        station.run(1);
    }
}

fn silence_header(station: &mut Station) {
    // More than half of the channels, of both nodes: no node is silent as a whole.
    for jar in 0..5 {
        let (flow, temp) = (station.flow_of(jar), station.temp_of(jar));
        station.signals[flow] = Signal::Silent;
        station.signals[temp] = Signal::Silent;
    }
}

fn restore_header(station: &mut Station) {
    for jar in 0..5 {
        station.set_flow(jar, SET_FLOW);
        station.set_temp(jar, 10.0);
    }
}

fn all_routes(station: &mut Station, failing: bool) {
    for route in 0..2 {
        station.tell(&Fact::Route { route, failing });
    }
}

fn still(station: &mut Station, at: usize, seconds: u32) {
    for _ in 0..seconds {
        station.signals[at] = Signal::Silent;
        let sensor = nightjar::reading::SensorIx(u16::try_from(at).unwrap());
        let (quality, reason) = (nightjar::reading::Quality::Good, Reason::None);
        station.engine.handle_reading(sensor, 10.125, quality, reason, station.now);
        station.drain();
        station.run(1);
    }
}

const fn mains(on: bool, percent: f64) -> Fact {
    Fact::Mains { on, battery_percent: Some(percent), runtime_min: None }
}

fn measured() -> Vec<Row> {
    use AlarmKind::*;
    use Priority::{P1, P2, P3};
    let flow = |number, kind, priority, delays_s, raise: Act| Row {
        number,
        kind,
        asset: jar(),
        priority,
        delays_s,
        raise,
        fail: Some(bad_flow),
        clear: good_flow,
        within_s: (60, 90),
    };
    let temp = |number, kind, priority, delays_s, raise: Act| Row {
        number,
        kind,
        asset: jar(),
        priority,
        delays_s,
        raise,
        fail: Some(bad_temp),
        clear: good_temp,
        within_s: (200, 150),
    };
    vec![
        Row {
            number: 1,
            kind: NoFlowHeader,
            asset: Asset::Header("A".into()),
            priority: P1,
            delays_s: (15, 60),
            raise: |s| {
                let at = header_meter(s);
                s.signals[at] = Signal::Value(0.0);
            },
            fail: Some(|s| {
                let at = header_meter(s);
                s.signals[at] = Signal::Silent;
            }),
            clear: |s| {
                let at = header_meter(s);
                s.signals[at] = Signal::Value(8.0 * SET_FLOW);
            },
            within_s: (30, 90),
        },
        flow(2, NoFlow, P1, (15, 60), |s| s.set_flow(0, 0.0)),
        flow(3, LowFlow, P2, (30, 60), |s| s.set_flow(0, 0.5 * SET_FLOW)),
        flow(4, HighFlow, P2, (30, 60), |s| s.set_flow(0, 2.0 * SET_FLOW)),
        temp(5, TempVeryHigh, P1, (60, 120), |s| s.set_temp(0, 18.0)),
        temp(5, TempVeryLow, P1, (60, 120), |s| s.set_temp(0, 3.0)),
        temp(6, TempHigh, P2, (180, 120), |s| s.set_temp(0, 15.0)),
        temp(6, TempLow, P2, (180, 120), |s| s.set_temp(0, 5.0)),
        Row {
            number: 7,
            kind: TempRate,
            asset: Asset::Header("A".into()),
            priority: P2,
            delays_s: (600, 600),
            raise: |s| drift(s, 2.2, 4_000),
            fail: Some(|s| {
                for jar in 0..8 {
                    let at = s.temp_of(jar);
                    s.signals[at] = Signal::Bad(Reason::NotFinite);
                }
                let at = header_probe(s);
                s.signals[at] = Signal::Bad(Reason::NotFinite);
            }),
            clear: |s| {
                for jar in 0..8 {
                    s.set_temp(jar, 12.4);
                }
                let at = header_probe(s);
                s.signals[at] = Signal::Value(12.4);
            },
            within_s: (60, 4_000),
        },
        Row { within_s: (1_000, 1_000), ..temp(8, Disagrees, P3, (900, 900), |s| s.set_temp(0, 10.8)) },
    ]
}

fn monitoring() -> Vec<Row> {
    use AlarmKind::*;
    use Priority::{P1, P2, P3};
    let row = |number, kind, asset, priority, delays_s, raise: Act, clear: Act, within_s| Row {
        number,
        kind,
        asset,
        priority,
        delays_s,
        raise,
        fail: None,
        clear,
        within_s,
    };
    let sensor = |name: &str| Asset::Sensor(name.into());
    let monitor = || Asset::Monitor;
    vec![
        row(
            9,
            BlindHeader,
            Asset::Header("A".into()),
            P1,
            (60, 60),
            silence_header,
            restore_header,
            (400, 90),
        ),
        row(10, BlindFlow, sensor("A-01F"), P2, (60, 60), bad_flow, good_flow, (90, 90)),
        row(11, BlindTemp, sensor("A-01T"), P3, (300, 60), bad_temp, good_temp, (330, 90)),
        row(
            12,
            Stuck,
            sensor("A-01T"),
            P3,
            (3600, 0),
            |s| still(s, s.temp_of(0), 4_300),
            |s| s.set_temp(0, 10.0),
            (1, 5),
        ),
        row(
            13,
            MainsLost,
            Asset::Site,
            P2,
            (10, 60),
            |s| s.tell(&mains(false, 90.0)),
            |s| s.tell(&mains(true, 90.0)),
            (15, 70),
        ),
        row(
            14,
            CannotSend,
            Asset::Route("text".into()),
            P2,
            (600, 60),
            |s| s.tell(&Fact::Route { route: 1, failing: true }),
            |s| s.tell(&Fact::Route { route: 1, failing: false }),
            (610, 70),
        ),
        row(
            15,
            CannotSendAtAll,
            monitor(),
            P1,
            (180, 0),
            |s| all_routes(s, true),
            |s| all_routes(s, false),
            (190, 5),
        ),
        row(
            16,
            ClockUntrusted,
            monitor(),
            P3,
            (1800, 0),
            |s| s.now.trusted = false,
            |s| s.now.trusted = true,
            (1_810, 5),
        ),
        row(
            17,
            StorageFailing,
            monitor(),
            P2,
            (0, 60),
            |s| s.tell(&Fact::Storage { problem: Some("card is read-only".into()) }),
            |s| s.tell(&Fact::Storage { problem: None }),
            (5, 70),
        ),
        row(
            18,
            Restarted,
            monitor(),
            P3,
            (0, 0),
            |s| {
                for _ in 0..2 {
                    s.restart(None, Span::from_secs(2));
                    s.run(30);
                }
            },
            |s| s.pass(Span::from_hours(24)),
            (5, 5),
        ),
        row(
            19,
            RotaHole,
            monitor(),
            P3,
            (0, 0),
            |s| s.tell(&Fact::RotaHole { in_hours: Some(47.0) }),
            |s| s.tell(&Fact::RotaHole { in_hours: None }),
            (5, 5),
        ),
        row(
            20,
            OutOfUseTooLong,
            monitor(),
            P3,
            (0, 0),
            |s| {
                let target = Target::Asset(Asset::Sensor("A-02F".into()));
                let hour = Span::from_hours(1);
                s.engine.out_of_service(&target, hour, "meter fouled", &person("kim"), s.now).unwrap();
                s.run(3_605);
            },
            |s| {
                let target = Target::Asset(Asset::Sensor("A-02F".into()));
                s.engine.return_to_service(&target, &person("kim"), s.now).unwrap();
                s.drain();
            },
            (5, 5),
        ),
    ]
}

fn moment_of(station: &Station, row: &Row, what: What) -> Option<Moment> {
    let mut lines = station.journal.iter().rev();
    lines
        .find(|line| line.kind == row.kind && line.asset == row.asset && line.what == what)
        .map(|line| line.moment)
}

fn is_on(station: &Station, row: &Row) -> bool {
    let said = station.engine.reported(row.kind, &row.asset).unwrap();
    matches!(said.letter(), 'B' | 'C')
}

fn check(row: &Row) {
    let name = format!("{} {:?}", row.number, row.kind);
    let mut station = Station::new(build());
    (row.raise)(&mut station);
    station.run(row.within_s.0);
    assert!(is_on(&station, row), "{name} did not go on: {:?}", station.lines());
    let pending = moment_of(&station, row, What::Pending).unwrap();
    let on = moment_of(&station, row, What::Activated { again: false }).unwrap();
    let took = on.since(pending);
    assert_eq!(took, Span::from_secs(i64::try_from(row.delays_s.0).unwrap()), "{name}: on-delay");
    let view = station.engine.views().into_iter().find(|view| view.on && view.kind == row.kind);
    let view = view.unwrap_or_else(|| panic!("{name} is not among the views"));
    assert_eq!(view.priority, row.priority, "{name}");
    assert!(view.action.len() > 20, "{name} says what to do: {}", view.action);
    assert!(!view.line.is_empty());
    // While its measure fails it stays, and is said to be unverified.
    if let Some(fail) = row.fail {
        fail(&mut station);
        station.run(700);
        assert!(is_on(&station, row), "{name} was cleared by a failing measure");
        let view = station.engine.views().into_iter().find(|view| view.on && view.kind == row.kind);
        assert!(view.unwrap().unverified, "{name}");
    } else {
        station.run(120);
        assert!(is_on(&station, row), "{name} went off by itself");
    }
    (row.clear)(&mut station);
    station.run(row.within_s.1);
    let said = station.engine.reported(row.kind, &row.asset).unwrap();
    assert!(matches!(said.letter(), 'A' | 'D'), "{name} did not go off: {said:?}");
    let returning = moment_of(&station, row, What::Returning).unwrap();
    let off = moment_of(&station, row, What::Cleared).unwrap();
    let took = off.since(returning);
    assert_eq!(took, Span::from_secs(i64::try_from(row.delays_s.1).unwrap()), "{name}: off-delay");
    println!("{name}: on after {} s, off after {} s, {:?}", row.delays_s.0, row.delays_s.1, row.priority);
}

#[test]
fn every_measured_alarm_goes_on_is_held_and_goes_off_as_written() {
    measured().iter().for_each(check);
}

#[test]
fn every_alarm_about_the_site_and_the_monitor_goes_on_and_off_as_written() {
    monitoring().iter().for_each(check);
}

#[test]
fn the_list_has_twenty_rows() {
    let rows: std::collections::BTreeSet<u8> =
        measured().iter().chain(&monitoring()).map(|row| row.number).collect();
    assert_eq!(rows, (1..=20).collect());
}

#[test]
fn what_stands_for_a_day_and_what_chatters_is_listed_by_name() {
    let mut station = Station::new(build());
    station.set_temp(0, 10.8);
    station.run(1_200);
    assert!(station.engine.standing_alarms().is_empty());
    station.set_flow(1, 0.0);
    for _ in 0..3 {
        station.run(30);
        station.set_flow(1, SET_FLOW);
        station.run(80);
        station.set_flow(1, 0.0);
    }
    station.run(30);
    let names = |listed: &[nightjar::alarm::engine::Listed]| -> Vec<_> {
        listed.iter().map(|l| (l.kind, l.asset.clone())).collect()
    };
    let chattering = station.engine.chattering_alarms();
    assert!(names(&chattering).contains(&(AlarmKind::NoFlow, Asset::Jar("A-02".into()))), "{chattering:?}");
    // A day later without a walk through every second of it.
    station.set_flow(1, SET_FLOW);
    station.run(700);
    station.pass(Span::from_hours(24));
    station.run(5);
    let standing = station.engine.standing_alarms();
    assert!(names(&standing).contains(&(AlarmKind::Disagrees, jar())), "{standing:?}");
    assert_eq!(usize::try_from(station.engine.counts().standing).unwrap(), standing.len());
}

#[test]
fn in_a_flood_only_a_new_urgent_cause_leaves_as_a_text_and_each_ten_minutes_sum_up() {
    let mut station = Station::new(Build { headers: 26, jars: 4, ..Build::default() });
    for header in 0..12 {
        station.set_flow(header * 4, 0.0);
        station.run(2);
    }
    station.run(60);
    assert_eq!(station.floods, [true]);
    let single = station.told().last().map(|event| (*event).clone()).unwrap();
    assert!(!station.engine.leaves_as_text(&single), "a jar is in the summary");
    // Alarms go on coming: the flood lasts, and is summed up.
    for header in 12..25 {
        station.set_flow(header * 4, 0.0);
        station.run(60);
    }
    assert!(station.floods.len() >= 2 && station.floods.iter().all(|on| *on), "{:?}", station.floods);
    for jar in 100..104 {
        station.set_flow(jar, 0.0);
    }
    station.run(40);
    let cause = station.told().last().map(|event| (*event).clone()).unwrap();
    assert_eq!((cause.kind, &cause.asset), (AlarmKind::NoFlowHeader, &Asset::Header("Z".into())));
    assert!(station.engine.leaves_as_text(&cause));
    station.run(1_500);
    assert_eq!(station.floods.last(), Some(&false));
    assert!(station.engine.leaves_as_text(&single));
}
