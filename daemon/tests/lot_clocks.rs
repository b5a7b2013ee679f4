//! The thermal history belongs to the eggs: pan, hardening basket, the way to the jars and each jar count, each by
//! what was measured there, and takes that share a jar keep their own clocks. All water is constant, so that every
//! sum follows by hand.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

use nightjar::config;
use nightjar::logbook::Entry;
use nightjar::progress::Progress;
use nightjar::rack::JarIx;
use nightjar::snapshot::{ProgressView, StageView};
use nightjar_calc::development::species;
use nightjar_calc::outlook::Futures;
use nightjar_calc::stages::Courses;
use nightjar_calc::thermal::Sample;
use nightjar_calc::time::{Span, Timestamp};
use serde_json::{Value, json};

const STATION: &str = include_str!("../../deploy/eight-jars-serial.toml");
/// Water of the jars, °C.
const JAR_C: f64 = 11.0;
/// Water of the basket, °C; the probe of header B lies in it.
const BASKET_C: f64 = 6.0;
const BASKET_PROBE: &str = "HBT";
/// A last reading holds for a minute more, by the rules for readings every ten seconds; hours.
const HELD_H: f64 = 1.0 / 60.0;
/// Water carried along, °C.
const WAY_C: f64 = 14.0;

fn begin() -> Timestamp {
    Timestamp::parse("2026-04-18T12:00:00Z").unwrap()
}

fn hours(n: f64) -> Span {
    Span::from_days(n / 24.0)
}

fn entry(id: &str, at: Timestamp, act: &Value) -> Entry {
    serde_json::from_value(json!({"id": id, "happened_at": at, "who": "kim", "act": act})).unwrap()
}

/// A take with more said about it.
fn take(name: &str, at: Timestamp, more: &Value) -> Entry {
    let mut act = json!({"kind": "take", "take": name, "species": "walleye", "water": "Heron Lake",
        "fertilized_at": at, "females": 20, "males": 40});
    act.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    entry(&format!("take-{name}"), at, &act)
}

fn load(jar: &str, lot: &str, at: Timestamp) -> Entry {
    let act = json!({"kind": "load", "jar": jar, "lot": lot, "volume_l": 1.0});
    entry(&format!("load-{jar}-{lot}"), at, &act)
}

/// A station with these entries; the basket's probe speaks until `probe_until`.
fn station(entries: Vec<Entry>, probe_until: Timestamp) -> Progress {
    let config = config::parse(STATION, "station").unwrap();
    let mut progress = Progress::new(config.rack.clone(), vec![species::find("walleye").unwrap().clone()]);
    progress.set_entries(entries);
    let left_out = progress.books().left_out();
    assert!(left_out.is_empty(), "{left_out:?}");
    let basket = config.rack.sensor_named(BASKET_PROBE).unwrap();
    let jars = config.rack.jars.iter().map(|jar| (jar.temperature.unwrap(), JAR_C));
    for (sensor, celsius) in jars.chain([(basket, BASKET_C)]) {
        let first = begin().ms().div_euclid(3_600_000);
        for hour in first..first + 20 * 24 {
            let samples: Vec<Sample> = (0..3600)
                .step_by(10)
                .map(|s| Timestamp::from_ms(hour * 3_600_000 + s * 1000))
                .filter(|at| sensor != basket || *at <= probe_until)
                .map(|at| Sample::new(at, celsius).unwrap())
                .collect();
            if !samples.is_empty() {
                progress.set_hours(sensor, [hour], samples);
            }
        }
    }
    progress.settle();
    progress
}

fn view(progress: &Progress, jar: u16, as_of: Timestamp) -> ProgressView {
    let futures = Futures {
        from: as_of,
        step: Span::from_hours(24),
        paths: vec![vec![JAR_C - 1.0; 60], vec![JAR_C; 60], vec![JAR_C + 1.0; 60]],
        basis: "steady".into(),
    };
    progress.view(JarIx(jar), as_of, Some(&Courses::new(&futures))).unwrap()
}

/// Half an hour in the pan, hardened to the sixth hour, in the jar at the eighth, looked at a day later.
fn one_take(more: &Value, probe_until: Timestamp) -> ProgressView {
    let mut said = json!({"hardening_from": begin() + hours(0.5), "hardening_to": begin() + hours(6.0)});
    said.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    let entries = vec![take("T-1", begin(), &said), load("01", "T-1", begin() + hours(8.0))];
    view(&station(entries, probe_until), 0, begin() + hours(32.0))
}

/// °C·days of so many hours in the basket, on the way, in the jar.
fn by_hand(basket_h: f64, way_h: f64, way_c: f64) -> f64 {
    (basket_h * BASKET_C + way_h * way_c + 24.0 * JAR_C) / 24.0
}

fn near(got: f64, expected: f64) {
    assert!((got - expected).abs() < 1e-6, "{got} for {expected}");
}

#[test]
fn pan_basket_and_way_count_by_what_was_measured_there() {
    let late = begin() + hours(400.0);
    let probe = json!({"hardening_sensor": BASKET_PROBE, "transport_temp_c": WAY_C});
    let seen = one_take(&probe, late);
    near(seen.c_days, by_hand(6.0, 2.0, WAY_C));
    near(seen.uncounted_h, 0.0);
    // By the probe the basket counts like by a reading of the same temperature.
    let hand = json!({"hardening_temp_c": BASKET_C, "transport_temp_c": WAY_C});
    let by_reading = one_take(&hand, late);
    near(by_reading.c_days, seen.c_days);
    near(by_reading.development, seen.development);
    // A probe is believed before a reading.
    let both = json!({"hardening_sensor": BASKET_PROBE, "hardening_temp_c": 15.0, "transport_temp_c": WAY_C});
    near(one_take(&both, late).c_days, seen.c_days);
}

#[test]
fn what_nobody_measured_is_a_gap_and_what_the_probe_missed_is_the_reading() {
    let late = begin() + hours(400.0);
    // Nothing known before the jar.
    let seen = one_take(&json!({}), late);
    near(seen.c_days, by_hand(0.0, 0.0, 0.0));
    near(seen.uncounted_h, 8.0);
    // The way was read, the basket was not.
    let seen = one_take(&json!({"transport_temp_c": WAY_C}), late);
    near(seen.c_days, by_hand(0.0, 2.0, WAY_C));
    near(seen.uncounted_h, 6.0);
    // The probe died after three hours: alone, the rest is a gap; with a reading, the reading fills it.
    let died = begin() + hours(3.0);
    let probe = json!({"hardening_sensor": BASKET_PROBE, "transport_temp_c": WAY_C});
    let seen = one_take(&probe, died);
    near(seen.c_days, by_hand(3.0 + HELD_H, 2.0, WAY_C));
    near(seen.uncounted_h, 3.0 - HELD_H);
    let filled =
        json!({"hardening_sensor": BASKET_PROBE, "hardening_temp_c": 8.0, "transport_temp_c": WAY_C});
    let seen = one_take(&filled, died);
    near(seen.c_days, by_hand(3.0 + HELD_H, 2.0, WAY_C) + (3.0 - HELD_H) * 8.0 / 24.0);
    near(seen.uncounted_h, 0.0);
}

#[test]
fn the_basket_of_a_take_must_be_a_thermometer_of_the_rack() {
    let progress = station(Vec::new(), begin());
    let refused = |sensor: &str| {
        let entry = take("T-9", begin(), &json!({"hardening_sensor": sensor}));
        progress.check(&entry).unwrap_err().to_string()
    };
    assert!(refused("J01F").contains("no thermometer"), "{}", refused("J01F"));
    assert!(refused("XYZ").contains("no sensor"), "{}", refused("XYZ"));
}

fn stage<'a>(view: &'a ProgressView, name: &str) -> &'a StageView {
    view.stages.iter().find(|stage| stage.stage == name).unwrap()
}

/// The interval of `shared` is the union of those of the two alone.
fn union(shared: &ProgressView, early: &ProgressView, late: &ProgressView) {
    for name in ["hatch_start", "hatch_peak", "hatch_end"] {
        let (shared, early, late) = (stage(shared, name), stage(early, name), stage(late, name));
        assert_eq!((shared.earliest, shared.latest), (early.earliest, late.latest), "{name}");
        assert!(early.latest < late.latest && early.earliest < late.earliest, "{name}");
    }
    // Hatch begins with the first of them and has ended with the last.
    assert_eq!(stage(shared, "hatch_start").likely, stage(early, "hatch_start").likely);
    assert_eq!(stage(shared, "hatch_end").likely, stage(late, "hatch_end").likely);
    let starts: Vec<Timestamp> = shared.clocks.iter().map(|clock| clock.fertilized_at).collect();
    assert_eq!(starts, [early.fertilized_at, late.fertilized_at]);
    near(shared.clocks[0].c_days, early.c_days);
    near(shared.clocks[1].c_days, late.c_days);
}

#[test]
fn takes_in_one_jar_keep_their_own_clocks() {
    let (first, second) = (begin(), begin() + hours(72.0));
    let basket = json!({"hardening_temp_c": BASKET_C});
    let mut entries = vec![
        take("A", first, &basket),
        take("B", second, &basket),
        entry("lot-both", second, &json!({"kind": "lot", "lot": "AB", "takes": ["A", "B"]})),
    ];
    let loaded = second + hours(12.0);
    entries.extend([load("01", "A", loaded), load("02", "B", loaded), load("03", "AB", loaded)]);
    entries.extend([load("04", "A", loaded), load("05", "B", loaded)]);
    let pool = json!({"kind": "pool", "from": "05", "into": "04"});
    entries.push(entry("pool-of-two", loaded + hours(2.0), &pool));
    let progress = station(entries, begin());
    let as_of = loaded + hours(24.0);
    let (early, late) = (view(&progress, 0, as_of), view(&progress, 1, as_of));
    assert!(early.c_days > late.c_days + 17.0, "three days of 6 °C more");
    // As one lot of two takes, and poured together later.
    union(&view(&progress, 2, as_of), &early, &late);
    union(&view(&progress, 3, as_of), &early, &late);
}

#[test]
fn a_jar_has_hatched_when_its_last_take_has() {
    let (first, second) = (begin(), begin() + hours(120.0));
    let basket = json!({"hardening_temp_c": JAR_C});
    let loaded = second + hours(6.0);
    let entries = vec![
        take("A", first, &basket),
        take("B", second, &basket),
        entry("lot-both", second, &json!({"kind": "lot", "lot": "AB", "takes": ["A", "B"]})),
        load("03", "AB", loaded),
    ];
    let progress = station(entries, begin());
    // The walleye law needs 117 °C·days above 3.3 °C: 15.2 days at 11 °C. The first take is over, the second not.
    let seen = view(&progress, 2, first + hours(24.0 * 18.5));
    assert!(stage(&seen, "hatch_start").at.is_some());
    assert!(seen.clocks[0].stages.iter().all(|stage| stage.at.is_some()));
    let end = stage(&seen, "hatch_end");
    assert!(end.at.is_none() && end.latest > Some(seen.as_of), "{end:?}");
}
