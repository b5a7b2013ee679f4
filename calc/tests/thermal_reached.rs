//! The moment at which a sum is reached, against closed forms, and how often the record is summed to find it.

#![expect(clippy::unwrap_used, reason = "a test may stop where it stands")]

use nightjar_calc::thermal::{DegreesAboveZero, PER_C_DAY, Record, Rules, Sample, Tallied, Tally};
use nightjar_calc::time::{Span, Timestamp};
use std::cell::Cell;

fn at(days: f64) -> Timestamp {
    Timestamp::from_ms(1_776_500_000_000) + Span::from_days(days)
}

/// Days and °C.
type Points = [(f64, f64)];

/// Straight lines between so many °C at so many days.
fn water(points: &Points) -> Record {
    let samples: Vec<Sample> = points.iter().map(|(day, t)| Sample::new(at(*day), *t).unwrap()).collect();
    let long = Span::from_days(400.0);
    Record::from_samples(&samples, &Rules { normal: long, bridge_limit: long, edge_hold: Span::ZERO })
}

/// Counts how often a stretch is summed.
struct Counted<T> {
    of: T,
    asked: Cell<u32>,
}

impl<T> Counted<T> {
    const fn new(of: T) -> Self {
        Self { of, asked: Cell::new(0) }
    }
}

impl<T: Tallied> Tallied for Counted<T> {
    fn tally(&self, from: Timestamp, to: Timestamp) -> Tally {
        self.asked.set(self.asked.get() + 1);
        self.of.tally(from, to)
    }
}

#[test]
fn the_ends_of_the_stretch_count_as_they_should() {
    let record = water(&[(0.0, 10.0), (10.0, 10.0)]);
    let sums = record.under(&DegreesAboveZero);
    // Nothing to reach is reached at once, but not in a stretch that ends before it begins.
    assert_eq!(sums.reached(at(4.0), at(4.0), 0), Some(at(4.0)));
    assert_eq!(sums.reached(at(4.0), at(8.0), -1), Some(at(4.0)));
    assert_eq!(sums.reached(at(4.0), at(3.0), 0), None);
    assert_eq!(sums.reached(at(4.0), at(4.0), 1), None);
    // 100 °C·days are there with the last millisecond of the ten days and not before.
    assert_eq!(sums.reached(at(0.0), at(10.0), 100 * PER_C_DAY), Some(at(10.0)));
    assert_eq!(sums.reached(at(0.0), at(10.0) - Span::from_ms(1), 100 * PER_C_DAY), None);
    assert_eq!(sums.reached(at(0.0), at(10.0), 100 * PER_C_DAY + 1), None);
    // A millisecond at 10 °C is 200 000 whole units: the first of them falls into the first millisecond.
    let first = at(0.0) + Span::from_ms(1);
    assert_eq!(sums.reached(at(0.0), at(10.0), 1), Some(first));
    assert_eq!(sums.reached(at(0.0), at(10.0), 200_000), Some(first));
    assert_eq!(sums.reached(at(0.0), at(10.0), 200_001), Some(first + Span::from_ms(1)));
}

#[test]
fn warming_water_reaches_a_sum_where_the_parabola_says() {
    // From 4 to 14 °C in 100 days: 4 t + t²/20 °C·days after t days.
    let record = water(&[(0.0, 4.0), (100.0, 14.0)]);
    let sums = record.under(&DegreesAboveZero);
    for target in [1_i32, 50, 200, 450, 899] {
        let days = 10.0 * ((16.0 + f64::from(target) / 5.0).sqrt() - 4.0);
        let found = sums.reached(at(0.0), at(100.0), i64::from(target) * PER_C_DAY).unwrap();
        assert!((found.since(at(0.0)).days() - days).abs() < 1.5 / 86_400_000.0, "{target} °C·days");
    }
}

#[test]
fn a_reference_finds_what_the_record_itself_finds() {
    fn asked(of: impl Tallied) -> (i64, Option<Timestamp>) {
        (of.amount(at(1.0), at(3.0)), of.reached(at(1.0), at(9.0), 35 * PER_C_DAY))
    }
    let record = water(&[(0.0, 10.0), (10.0, 10.0)]);
    let sums = record.under(&DegreesAboveZero);
    assert_eq!(asked(&sums), (20 * PER_C_DAY, Some(at(4.5))));
}

/// Sums asked for while 1, 2 … 99 % of what the water makes in all are looked for, each found to the millisecond.
fn sums_asked(points: &Points) -> u32 {
    let record = water(points);
    let counted = Counted::new(record.under(&DegreesAboveZero));
    let end = at(points.last().unwrap().0);
    let whole = counted.of.amount(at(0.0), end);
    for share in 1..100 {
        let target = whole / 100 * share;
        let found = counted.reached(at(0.0), end, target).unwrap();
        assert!(counted.of.amount(at(0.0), found) >= target, "{share} %");
        assert!(counted.of.amount(at(0.0), found - Span::from_ms(1)) < target, "{share} %");
    }
    counted.asked.get()
}

/// An outlook looks for each stage of each jar, in a season of 10¹⁰ milliseconds. Halving would take 34 sums a
/// stage, 3,370 for the 99 shares, whatever the water does.
#[test]
fn a_moment_is_found_with_few_sums() {
    let steady = sums_asked(&[(0.0, 10.0), (120.0, 10.0)]);
    assert_eq!(steady, 3 * 99, "the straight line meets it at once");
    let seasons: [(&str, &Points, u32); 7] = [
        ("warming", &[(0.0, 4.0), (100.0, 14.0)], 1_050),
        ("cooling", &[(0.0, 14.0), (100.0, 1.0)], 1_100),
        ("winter between", &[(0.0, 8.0), (30.0, 0.5), (100.0, 0.5), (120.0, 10.0)], 1_180),
        ("ice, then spring", &[(0.0, 0.0), (100.0, 0.0), (101.0, 12.0), (120.0, 14.0)], 1_220),
        ("cold, then at once warm", &[(0.0, 1.0), (60.0, 1.0), (60.01, 20.0), (120.0, 20.0)], 635),
        ("warm, then ice", &[(0.0, 12.0), (20.0, 12.0), (21.0, 0.01), (120.0, 0.01)], 810),
        ("a warm week late", &[(0.0, 1.0), (112.0, 1.0), (113.0, 18.0), (119.0, 18.0), (120.0, 1.0)], 825),
    ];
    for (name, points, most) in seasons {
        let asked = sums_asked(points);
        assert!(asked <= most, "{name}: {asked} sums");
    }
}
