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

#[test]
fn table_of_faults() {
    for (name, water) in WATERS {
        let row = |fault: &str, n: usize, (caught, bad, uncertain): (usize, usize, usize)| {
            say(&format!(
                "{name:14} {fault:26} {caught:5} of {n:5} caught, outside bad {bad} uncertain {uncertain}"
            ));
        };
        for size in [1.0, 2.0, 5.0, -5.0] {
            row(&format!("spike {size}"), 1, with_fault(water, 1, |_, v| v + size));
        }
        for hours in [0.5, 1.0, 1.5] {
            let n = water.samples(hours);
            row(&format!("visit +6 for {hours} h"), n, with_fault(water, n, |_, v| v + 6.0));
            let step = f64::from(i32::try_from(water.step).unwrap());
            row(
                &format!("slow visit +8 for {hours} h"),
                n,
                with_fault(water, n, |k, v| {
                    v + 8.0 * (1.0 - (-(f64::from(i32::try_from(k).unwrap()) * step) / 300.0).exp())
                }),
            );
        }
        for hours in [3.0, 8.0, 24.0] {
            let n = water.samples(hours);
            let held = water.values()[water.len() * 2 / 3];
            row(&format!("stuck {hours} h"), n, with_fault(water, n, |_, _| held));
            row(&format!("zero {hours} h"), n, with_fault(water, n, |_, _| 0.0));
        }
        let n = water.samples(48.0).min(water.len() / 3 - 1);
        let step = f64::from(i32::try_from(water.step).unwrap());
        row(
            "air, 48 h",
            n,
            with_fault(water, n, |k, _| {
                let hours = f64::from(i32::try_from(k).unwrap()) * step / 3600.0;
                15.0 + 8.0 * (TAU * (hours + 1.0) / 24.0).sin()
            }),
        );
    }
}

#[test]
fn shares_are_kept() {
    let mut detector = Detector::new(Settings { wait: Span::from_hours(1), ..Settings::default() });
    assert!(detector.push(Timestamp::from_ms(0), Some(8.0)).is_empty());
    assert_eq!(detector.finish()[0].reason, Reason::None);
}
