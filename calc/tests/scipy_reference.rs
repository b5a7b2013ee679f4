//! Intervals, quantiles, integrals and fits against SciPy, a general-purpose scientific library. The figures are in
//! `data/scipy_reference.csv`; `data/scipy_reference.py` beside it writes them anew.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and prints its table"
)]

#[path = "data/table.rs"]
#[allow(dead_code, reason = "shared with tests that use the rest")]
mod table;

use nightjar_calc::development::{Development, Exponential, Law, Model};
use nightjar_calc::enumeration::{Hardened, Subsample, gravimetric};
use nightjar_calc::proportion::{Sample, quantile, wilson};
use nightjar_calc::sensor::thermistor::Curve;
use nightjar_calc::thermal::{self, Rules, thermal_units};
use nightjar_calc::time::{Span, Timestamp};
use std::collections::BTreeMap;

fn whole(row: &table::Row, column: &str) -> u32 {
    row.text(column).parse().expect("a whole number")
}

/// A day of straight lines between four temperatures, °C·days above 0 °C.
fn one_day(corners: [f64; 4]) -> f64 {
    let start = Timestamp::parse("2026-04-18T00:00:00Z").unwrap();
    let samples: Vec<thermal::Sample> = corners
        .into_iter()
        .zip([0, 8, 16, 24])
        .map(|(c, h)| thermal::Sample::new(start + Span::from_hours(h), c).unwrap())
        .collect();
    let rules = Rules::for_interval(Span::from_hours(8));
    thermal_units(&samples, start, start + Span::from_hours(24), &rules).c_days
}

fn ours(row: &table::Row) -> f64 {
    let (a, b, c, d) = (row.number("a"), row.number("b"), row.number("c"), row.number("d"));
    let interval = || wilson(Sample::new(whole(row, "a"), whole(row, "b")).unwrap(), c).unwrap();
    match row.text("what") {
        "wilson_low" => interval().low,
        "wilson_high" => interval().high,
        "normal_quantile" => quantile::normal(a),
        "student_quantile" => quantile::student(a, b),
        "chi_square_above" => quantile::chi_square_above(a, b),
        "mean_rate_exponential" => {
            let law = Law::Exponential(Exponential::new(196.7, -0.1551).unwrap());
            Development(Model::new(law, 0.5, 10.0).unwrap()).mean_rate(a, b)
        }
        "thermal_units" => one_day([a, b, c, d]),
        "thermistor_through_three" => {
            let points = [(32_650.0, 0.0), (15_712.0, 15.0), (8_057.0, 30.0)];
            Curve::through(points).unwrap().celsius(a).unwrap()
        }
        "eggs_per_gram" => {
            let samples = [(36.0, 1.5), (35.0, 1.6), (41.0, 1.9)];
            let samples = samples.map(|(eggs, amount)| Subsample { eggs, amount });
            gravimetric::<Hardened>(&samples).unwrap().estimate().value
        }
        other => panic!("no check for {other}"),
    }
}

#[test]
fn intervals_quantiles_integrals_and_fits_agree_with_scipy() {
    let mut worst: BTreeMap<String, (usize, f64)> = BTreeMap::new();
    for row in table::rows(include_str!("data/scipy_reference.csv")) {
        let (theirs, ours) = (row.number("value"), ours(&row));
        let off = (ours - theirs).abs() / theirs.abs().max(1.0);
        let entry = worst.entry(row.text("what").to_owned()).or_default();
        *entry = (entry.0 + 1, entry.1.max(off));
        assert!(off < 1e-8, "{}: {ours} against {theirs}", row.text("what"));
    }
    for (what, (rows, off)) in &worst {
        println!("{what:26} {rows:>3} figures, largest relative difference {off:.1e}");
    }
    assert_eq!(worst.len(), 9);
}
