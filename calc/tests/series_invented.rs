//! Fault marks on invented series: each kind of fault put into water whose truth is known.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use nightjar_calc::series::{Detector, Mark, Quality, Reason, Settings, mark_all};
use nightjar_calc::time::{Span, Timestamp};
use std::f64::consts::TAU;
use std::io::Write as _;

/// A small generator with a fixed start, so that every run sees the same noise.
struct Noise(u64);

impl Noise {
    /// Evenly spread over −1 to 1.
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let top = u32::try_from(self.0 >> 33).unwrap();
        f64::from(top) / f64::from(1_u32 << 30) - 1.0
    }
}

/// Invented water: level, slow rise, daily wave, noise, rounded to the resolution.
#[derive(Clone, Copy)]
struct Water {
    step: i64,
    days: i64,
    level: f64,
    rise_per_day: f64,
    wave: f64,
    noise: f64,
    resolution: f64,
}

const CREEK: Water =
    Water { step: 900, days: 14, level: 9.0, rise_per_day: 0.1, wave: 1.5, noise: 0.03, resolution: 0.01 };
const TANK: Water =
    Water { step: 10, days: 4, level: 8.0, rise_per_day: 0.1, wave: 0.3, noise: 0.02, resolution: 0.01 };
const HOURLY: Water =
    Water { step: 3600, days: 40, level: 6.0, rise_per_day: 0.1, wave: 1.0, noise: 0.05, resolution: 0.01 };
const COARSE: Water =
    Water { step: 60, days: 6, level: 7.0, rise_per_day: 0.1, wave: 0.4, noise: 0.03, resolution: 0.0625 };

impl Water {
    fn len(self) -> usize {
        usize::try_from(self.days * 86_400 / self.step).unwrap()
    }
    fn samples(self, hours: f64) -> usize {
        let step = f64::from(i32::try_from(self.step).unwrap());
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "small and positive")]
        let n = (hours * 3600.0 / step).round() as usize;
        n.max(1)
    }
    fn values(self) -> Vec<f64> {
        let mut noise = Noise(7);
        (0..self.len())
            .map(|i| {
                let day = f64::from(i32::try_from(i).unwrap()) * f64::from(i32::try_from(self.step).unwrap())
                    / 86_400.0;
                let v = self.level
                    + self.rise_per_day * day
                    + self.wave * (TAU * day).sin()
                    + self.noise * noise.next();
                (v / self.resolution).round() * self.resolution
            })
            .collect()
    }
    fn rows(self, values: &[f64]) -> Vec<(Timestamp, Option<f64>)> {
        values
            .iter()
            .enumerate()
            .map(|(i, v)| (Timestamp::from_ms(i64::try_from(i).unwrap() * self.step * 1000), Some(*v)))
            .collect()
    }
    fn marks(self, values: &[f64]) -> Vec<Mark> {
        mark_all(self.rows(values), Settings::default())
    }
}

const WATERS: [(&str, Water); 4] =
    [("creek 15 min", CREEK), ("tank 10 s", TANK), ("hourly", HOURLY), ("coarse 1 min", COARSE)];

fn say(text: &str) {
    writeln!(std::io::stdout().lock(), "{text}").unwrap();
}

fn count(marks: &[Mark], quality: Quality) -> usize {
    marks.iter().filter(|m| m.quality == quality).count()
}

/// Puts a fault at two thirds of the series; gives caught, bad outside, uncertain outside.
fn with_fault(water: Water, samples: usize, fault: impl Fn(usize, f64) -> f64) -> (usize, usize, usize) {
    let mut values = water.values();
    let start = water.len() * 2 / 3;
    for (k, v) in values.iter_mut().skip(start).take(samples).enumerate() {
        *v = fault(k, *v);
    }
    let marks = water.marks(&values);
    let inside = &marks[start..start + samples];
    let caught = samples - count(inside, Quality::Good);
    let outside = |q| count(&marks, q) - count(inside, q);
    (caught, outside(Quality::Bad), outside(Quality::Uncertain))
}

#[test]
fn clean_water_gets_no_marks() {
    for (name, water) in WATERS {
        let marks = water.marks(&water.values());
        assert_eq!(marks.len(), water.len());
        let wrong: Vec<_> = marks.iter().filter(|m| m.quality != Quality::Good).take(3).collect();
        assert!(wrong.is_empty(), "{name}: {wrong:?}");
    }
}

/// Checks that at least `least` percent are caught and nothing outside is bad; prints the row.
fn expect(name: &str, fault: &str, n: usize, least: f64, (caught, bad, uncertain): (usize, usize, usize)) {
    say(&format!("{name:14} {fault:22} {caught:5} of {n:5} marked, outside bad {bad} uncertain {uncertain}"));
    let real = |n: usize| f64::from(u32::try_from(n).unwrap());
    assert!(100.0 * real(caught) >= least * real(n), "{name} {fault}");
    assert_eq!(bad, 0, "{name} {fault}");
}

fn real(k: usize) -> f64 {
    f64::from(u32::try_from(k).unwrap())
}

#[test]
fn spikes_and_visits_are_found_at_any_interval() {
    for (name, water) in WATERS {
        for size in [2.0, 5.0, -5.0] {
            expect(name, &format!("spike {size}"), 1, 100.0, with_fault(water, 1, |_, v| v + size));
        }
        let n = water.samples(1.0);
        expect(name, "visit +6 for 1 h", n, 100.0, with_fault(water, n, |_, v| v + 6.0));
    }
    // A probe of five minutes' time constant lifted into air 8 °C warmer: its first sample is water.
    let n = TANK.samples(0.5);
    let slow = |k: usize, v: f64| v + 8.0 * (1.0 - (-real(k) * 10.0 / 300.0).exp());
    expect("tank 10 s", "slow visit", n, 97.0, with_fault(TANK, n, slow));
}

#[test]
fn stuck_values_are_found_at_any_interval() {
    for (name, water) in WATERS {
        // An hourly probe must hold still for six hours, a coarse one for longer than its own runs
        // (a little over two hours here); the wait reaches back two hours.
        let least = match water.step {
            3600 => 85.0,
            60 => 98.0,
            _ => 99.0,
        };
        let n = water.samples(24.0);
        let held = water.values()[water.len() * 2 / 3];
        expect(name, "stuck 24 h", n, least, with_fault(water, n, |_, _| held));
        let n = water.samples(3.0);
        expect(name, "zero 3 h", n, 100.0, with_fault(water, n, |_, _| 0.0));
    }
}

#[test]
fn a_probe_in_the_air_is_found() {
    for (name, water) in WATERS {
        let n = water.samples(24.0);
        let step = f64::from(i32::try_from(water.step).unwrap()) / 3600.0;
        let air = |k: usize, _: f64| 15.0 + 8.0 * (TAU * (real(k) * step + 1.0) / 24.0).sin();
        expect(name, "air 24 h", n, 99.0, with_fault(water, n, air));
    }
}

#[test]
fn an_hour_unchanged_is_allowed_to_a_fast_fine_probe() {
    // Ten seconds, resolution 0.01, calm water: forty minutes at one value are no fault.
    let mut values = TANK.values();
    let start = values.len() / 2;
    let held = values[start];
    values[start..start + 240].fill(held);
    assert_eq!(count(&TANK.marks(&values), Quality::Good), values.len());
    values[start..start + 720].fill(held);
    let marks = TANK.marks(&values);
    assert!(
        marks[start..start + 720]
            .iter()
            .all(|m| m.reason == Reason::Stuck && m.quality == Quality::Uncertain)
    );
}

#[test]
fn freezing_water_may_stay_at_one_value() {
    let mut values = HOURLY.values();
    for (i, v) in values.iter_mut().enumerate() {
        *v = if i < 240 { (*v - 6.0).max(0.0) / 10.0 } else { 0.0 };
    }
    assert_eq!(count(&HOURLY.marks(&values), Quality::Bad), 0);
    assert!(HOURLY.marks(&values)[300..].iter().all(|m| m.quality == Quality::Good));
}

#[test]
fn codes_and_impossible_values_are_told_apart() {
    let cases = [
        (Some(-9999.0), Reason::Sentinel),
        (Some(7999.0), Reason::Sentinel),
        (Some(-99.99), Reason::Sentinel),
        (Some(-127.0), Reason::Sentinel),
        (Some(85.0), Reason::Sentinel),
        (Some(f64::NAN), Reason::Sentinel),
        (Some(f64::INFINITY), Reason::Sentinel),
        (Some(55.3), Reason::Range),
        (Some(-7.2), Reason::Range),
        (None, Reason::Missing),
    ];
    for (value, reason) in cases {
        let mut rows = CREEK.rows(&CREEK.values());
        rows[700].1 = value;
        let marks = mark_all(rows, Settings::default());
        assert_eq!((marks[700].quality, marks[700].reason), (Quality::Bad, reason), "{value:?}");
        assert_eq!(count(&marks, Quality::Good), marks.len() - 1, "{value:?}");
    }
}

#[test]
fn the_first_reading_after_an_interruption_is_uncertain() {
    let mut rows = CREEK.rows(&CREEK.values());
    for row in &mut rows[700..704] {
        row.1 = Some(-9999.0);
    }
    let marks = mark_all(rows, Settings::default());
    assert_eq!((marks[704].quality, marks[704].reason), (Quality::Uncertain, Reason::SiteVisit));
    assert_eq!(marks[705].quality, Quality::Good);
}

#[test]
fn a_slow_departure_from_the_header_is_drift() {
    let values = CREEK.values();
    let mut detector = Detector::new(Settings::default());
    let mut marks = Vec::new();
    for (i, (at, value)) in CREEK.rows(&values).into_iter().enumerate() {
        // From the fifth day the probe departs by 0.3 °C a day.
        let off = 0.3 * (real(i) / 96.0 - 5.0).max(0.0);
        marks.append(&mut detector.push_beside(at, value.map(|v| v + 0.2 + off), value));
    }
    marks.append(&mut detector.finish());
    let first = |q| marks.iter().position(|m| m.quality == q && m.reason == Reason::Drift).unwrap();
    let day = |i: usize| real(i) / 96.0 - 5.0;
    let (uncertain, bad) = (day(first(Quality::Uncertain)), day(first(Quality::Bad)));
    say(&format!("drift of 0.3 °C a day: uncertain after {uncertain:.1} days, bad after {bad:.1}"));
    // 0.5 °C is reached after 1.7 days, 1.5 °C after 5; the middle of a day lags by half a day.
    assert!((1.6..2.6).contains(&uncertain) && (4.9..6.0).contains(&bad));
}

#[test]
fn one_mark_for_each_row_whatever_comes() {
    let mut noise = Noise(3);
    let mut detector = Detector::new(Settings { most_waiting: 50, ..Settings::default() });
    let (mut at, mut given, mut marks) = (0_i64, Vec::new(), Vec::new());
    for i in 0..5000_i64 {
        at += [0, 10_000, 900_000, -5000, 86_400_000][usize::try_from(i % 5).unwrap()];
        let value = match i % 11 {
            0 => None,
            1 => Some(f64::NAN),
            2 => Some(f64::NEG_INFINITY),
            3 => Some(f64::MAX),
            _ => Some(100.0 * noise.next()),
        };
        given.push(Timestamp::from_ms(at));
        marks.append(&mut detector.push(Timestamp::from_ms(at), value));
        assert!(given.len() - marks.len() <= 51);
    }
    marks.append(&mut detector.finish());
    assert_eq!(marks.iter().map(|m| m.at).collect::<Vec<_>>(), given);
}

#[test]
fn a_shorter_wait_gives_marks_sooner() {
    for minutes in [0, 5, 60] {
        let wait = Span::from_minutes(minutes);
        let mut detector = Detector::new(Settings { wait, ..Settings::default() });
        for (at, value) in TANK.rows(&TANK.values()).into_iter().take(2000) {
            for mark in detector.push(at, value) {
                assert!(at.since(mark.at) <= Span::from_ms(wait.ms().max(20_000)));
                assert_eq!(mark.quality, Quality::Good);
            }
        }
        assert_eq!(detector.interval(), Some(Span::from_secs(10)));
    }
}
