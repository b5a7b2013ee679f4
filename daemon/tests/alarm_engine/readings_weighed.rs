//! How much a reading counts: against noise, against its header, against its own past.

use crate::station::{Build, SET_FLOW, Signal, Station, loaded, plan};
use nightjar::alarm::condition::Settings;
use nightjar::alarm::event::{AlarmKind, Asset, Priority};
use nightjar::alarm::record::Stored;
use nightjar::alarm::state::{Reported, What};
use nightjar::clock::{Now, Uptime};
use nightjar::reading::{Quality, Reason, SensorIx};
use nightjar_calc::time::{Span, Timestamp};

fn jar() -> Asset {
    Asset::Jar("A-01".into())
}

/// Time from the first sample beyond the limit until the alarm is on.
fn on_delay(station: &Station, kind: AlarmKind) -> Span {
    let moment = |which: fn(&What) -> bool| {
        let of_jar = |line: &&nightjar::alarm::record::JournalLine| {
            line.kind == kind && line.asset == jar() && which(&line.what)
        };
        station.journal.iter().filter(of_jar).map(|line| line.moment).next_back().unwrap()
    };
    moment(|what| matches!(what, What::Activated { .. })).since(moment(|what| *what == What::Pending))
}

/// A meter that speaks every ten seconds, three litres short of its limit.
fn slow_meter() -> Station {
    let now = Now { up: Uptime::from_ms(5_000), utc: Timestamp::from_ms(1_800_000_000_000), trusted: true };
    let interval = Span::from_secs(10);
    let mut station =
        Station::start(plan(Build { jars: 4, interval, ..Build::default() }), Stored::default(), None, now);
    station.load_all();
    station
}

#[test]
fn before_the_noise_of_a_meter_is_known_it_alarms_in_the_usual_time() {
    let mut station = slow_meter();
    station.set_flow(0, SET_FLOW * 0.5);
    station.run(59);
    assert_eq!(on_delay(&station, AlarmKind::LowFlow), Span::from_secs(30));
}

/// Three samples in a row may be low by chance; six of a deep excursion are none.
#[test]
fn six_samples_far_below_the_limit_are_no_noise() {
    let mut station = slow_meter();
    station.run(300);
    station.set_flow(0, SET_FLOW * 0.5);
    station.run(120);
    assert_eq!(on_delay(&station, AlarmKind::LowFlow), Span::from_secs(50));
}

#[test]
fn a_difference_from_the_header_that_is_normal_at_its_place_is_none() {
    for (value, told) in [(11.0, 0), (11.4, 0), (10.6, 0), (10.0, 1), (9.0, 1), (11.6, 1)] {
        let mut station = Station::new(Build { jars: 4, ..Build::default() });
        let mut context = loaded(0);
        context.header_offset_c = 1.0;
        station.load(0, context);
        station.set_temp(0, value);
        station.run(1_100);
        let said: Vec<_> = station.told().iter().map(|event| event.kind).collect();
        assert_eq!(said, vec![AlarmKind::Disagrees; told], "{value} °C beside a header of 10 °C");
    }
}

/// All sensors speak once a minute, the one looked at always the same.
fn still(at: usize, value: f64, (quality, reason): (Quality, Reason), minutes: u32) -> Station {
    let interval = Span::from_secs(60);
    let mut station = Station::new(Build { jars: 2, interval, ..Build::default() });
    station.signals[at] = Signal::Silent;
    for _ in 0..minutes {
        let sensor = SensorIx(u16::try_from(at).unwrap());
        station.engine.handle_reading(sensor, value, quality, reason, station.now);
        station.drain();
        station.run(60);
    }
    station
}

#[test]
fn a_meter_that_counts_nothing_in_a_stopped_line_is_right_and_any_other_stillness_is_not() {
    let good = (Quality::Good, Reason::None);
    let (meter, probe) = {
        let station = Station::new(Build { jars: 2, ..Build::default() });
        (station.flow_of(0), station.temp_of(0))
    };
    for (at, name, value, stuck) in [
        (meter, "A-01F", 0.0, false),
        (meter, "A-01F", SET_FLOW, true),
        (probe, "A-01T", 0.0, true),
        (probe, "A-01T", 10.0, true),
    ] {
        let station = still(at, value, good, 75);
        let expected = if stuck { Reported::Unacknowledged } else { Reported::Normal };
        let said = station.engine.reported(AlarmKind::Stuck, &Asset::Sensor(name.into()));
        assert_eq!(said, Some(expected), "{name} at {value} for 75 minutes");
    }
}

#[test]
fn a_reading_that_its_source_calls_stuck_is_told_with_its_value() {
    let probe = Station::new(Build { jars: 2, ..Build::default() }).temp_of(0);
    let station = still(probe, 12.5, (Quality::Uncertain, Reason::Stuck), 65);
    let told = station.told();
    let stuck = told.iter().find(|event| event.kind == AlarmKind::Stuck).unwrap();
    assert_eq!(stuck.value, Some(12.5), "not the last one that moved");
}

/// "Normal with the technical alarm raised; never silently dropped."
#[test]
fn a_sensor_that_fails_before_its_alarm_is_verified_is_told_as_urgently() {
    let build = Build { jars: 4, header_flow: true, ..Build::default() };
    let station = Station::new(build);
    let meter = usize::from(station.plan.rack.headers[0].flow.unwrap().0);
    for (at, beyond, kind, name) in [
        (station.temp_of(0), 18.0, AlarmKind::BlindTemp, "A-01T"),
        (station.flow_of(0), 0.0, AlarmKind::BlindFlow, "A-01F"),
        (meter, 0.0, AlarmKind::BlindFlow, "HAF"),
    ] {
        let mut station = Station::new(build);
        station.signals[at] = Signal::Value(beyond);
        station.run(2);
        station.signals[at] = Signal::Bad(Reason::NotFinite);
        station.run(140);
        let told = station.told();
        assert_eq!(told.len(), 1, "{:?}", station.lines());
        assert_eq!((told[0].kind, &told[0].asset), (kind, &Asset::Sensor(name.into())));
        assert_eq!(told[0].priority, Priority::P1, "{name}");
    }
}

/// "The configuration check refuses an on-delay larger than one fifth of it": a fifth itself is allowed.
#[test]
fn a_delay_of_a_fifth_of_the_time_the_eggs_have_is_short_enough() {
    let settings = Settings::default();
    let slow = |seconds| settings.too_slow_for(Span::from_secs(seconds));
    assert_eq!(slow(150), []);
    assert_eq!(slow(149), [AlarmKind::LowFlow]);
    assert_eq!(slow(75), [AlarmKind::LowFlow]);
    assert_eq!(slow(74), [AlarmKind::NoFlowHeader, AlarmKind::NoFlow, AlarmKind::LowFlow]);
}
