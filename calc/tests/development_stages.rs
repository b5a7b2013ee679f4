//! Stage dates: order, truth inside the interval, and what sightings do.

#![expect(clippy::unwrap_used, reason = "a test may stop where it stands")]

use nightjar_calc::development::{Development, PER_HATCH, species, species::Species};
use nightjar_calc::outlook::Futures;
use nightjar_calc::stages::{Courses, Done, Lot, Sighting, Stage, Stages, Station, stage_dates, target_date};
use nightjar_calc::thermal::{Record, Rules, Sample, Tallied};
use nightjar_calc::time::{Span, Timestamp};

const START: Timestamp = Timestamp::from_ms(1_776_500_000_000);

fn walleye() -> &'static Species {
    species::find("walleye").unwrap()
}

fn futures(from: Timestamp, paths: Vec<Vec<f64>>) -> Futures {
    Futures { from, step: Span::from_hours(24), paths, basis: "for a test".to_owned() }
}

/// Walleye held at 11 °C for `days`, then along the paths.
fn dates(days: i64, paths: Vec<Vec<f64>>, station: Station, seen: &[Sighting]) -> Stages {
    let fish = walleye();
    let samples: Vec<Sample> =
        (0..=24 * days).map(|h| Sample::new(START + Span::from_hours(h), 11.0).unwrap()).collect();
    let as_of = START + Span::from_hours(24 * days);
    let record = Record::from_samples(&samples, &Rules::for_interval(Span::from_hours(1)));
    let development = Development(fish.model);
    let sums = record.under(&development);
    let when = |share: f64| sums.reached(START, as_of, whole(share));
    let done = Done { amount: sums.amount(START, as_of) as f64 / PER_HATCH as f64, when: &when };
    stage_dates(&Lot { species: fish, station, done, seen }, &Courses::new(&futures(as_of, paths)), 0.8)
}

/// A share of development in whole units.
fn whole(share: f64) -> i64 {
    #[expect(clippy::cast_possible_truncation, reason = "shares are near 1")]
    let whole = (share * PER_HATCH as f64) as i64;
    whole
}

fn days(at: Option<Timestamp>) -> f64 {
    at.unwrap().since(START).days()
}

fn known(factor: f64) -> Station {
    Station { factor, sigma_low: 1e-6, sigma_high: 1e-6, window: 1.0 }
}

#[test]
fn at_constant_water_the_likely_dates_are_shares_of_the_sum() {
    // 117 °C·days above 3.3 °C at 11 °C: 15.19 days.
    let whole = 117.0 / 7.7;
    let dates = dates(5, vec![vec![11.0; 60]], known(1.0), &[]);
    for (date, share) in dates.stages.iter().zip([0.55, 0.92, 1.0, 1.10]) {
        assert!(!date.reached);
        assert!((days(date.likely) - share * whole).abs() < 0.01, "{date:?}");
        assert!(date.earliest <= date.likely && date.likely <= date.latest);
    }
    assert!(dates.stages.windows(2).all(|w| w[0].likely <= w[1].likely));
}

#[test]
fn a_stage_inside_the_record_is_reached_at_its_moment() {
    let dates = dates(12, vec![vec![11.0; 60]], Station::published(walleye()), &[]);
    let eyed = &dates.stages[0];
    assert!(eyed.reached && !eyed.seen);
    assert!((days(eyed.at) - 0.55 * 117.0 / 7.7).abs() < 0.001);
    assert!(!dates.stages[1].reached);
}

#[test]
fn warmer_and_colder_futures_make_the_interval_and_a_short_path_is_held_with_a_warning() {
    let fan = vec![vec![9.0; 4], vec![10.0; 4], vec![11.0; 4], vec![12.0; 4], vec![13.0; 4]];
    let wide = dates(5, fan, known(1.0), &[]);
    let peak = &wide.stages[2];
    let left = 117.0 - 5.0 * 7.7;
    assert!((days(peak.likely) - (5.0 + left / 7.7)).abs() < 0.01);
    assert!((days(peak.earliest) - (5.0 + left / 9.7)).abs() < 0.5);
    assert!((days(peak.latest) - (5.0 + left / 5.7)).abs() < 1.5);
    assert!(wide.warnings.iter().any(|w| w.contains("held")), "{:?}", wide.warnings);
    let cold = dates(5, vec![vec![2.0; 60]], known(1.0), &[]);
    assert_eq!(cold.stages[2].likely, None, "below the zero of walleye nothing hatches");
    assert!(cold.warnings.iter().any(|w| w.contains("too cold")));
}

#[test]
fn less_confidence_makes_wider_dates() {
    let mut sure = walleye().clone();
    sure.confidence = species::Confidence::High;
    let width = |station| {
        let peak = &dates(5, vec![vec![11.0; 60]], station, &[]).stages[2];
        days(peak.latest) - days(peak.earliest)
    };
    let (low, high) = (width(Station::published(walleye())), width(Station::published(&sure)));
    assert!(low > 1.4 * high, "{low} days against {high}");
}

#[test]
fn a_first_hatch_seen_moves_and_narrows_the_peak() {
    let before = dates(12, vec![vec![11.0; 60]], Station::published(walleye()), &[]);
    // First fry on day 12: a sum of 12 · 7.7 / 117 = 0.79 where 0.92 was expected.
    let at = START + Span::from_hours(24 * 12);
    let seen = [Sighting { stage: Stage::HatchStart, at, development: 12.0 * 7.7 / 117.0, or_before: false }];
    let after = dates(12, vec![vec![11.0; 60]], Station::published(walleye()), &seen);
    assert!(after.stages[1].reached && after.stages[1].seen && after.stages[1].at == Some(at));
    assert!(after.stages[0].reached, "eye-up lies behind a hatch");
    let (old, new) = (&before.stages[2], &after.stages[2]);
    // Peak at 1/0.92 of what was seen: day 13.04, against 15.2 by the table.
    assert!((days(new.likely) - 13.2).abs() < 0.3, "{}", days(new.likely));
    assert!(days(old.latest) - days(old.earliest) > 2.0 * (days(new.latest) - days(new.earliest)));
}

/// Eyes are sampled when somebody has time: late, and then the sample says only that they were there.
#[test]
fn an_eye_up_sample_is_a_bound_and_not_a_date() {
    let before = dates(12, vec![vec![11.0; 60]], Station::published(walleye()), &[]);
    let sampled = |day: i64| {
        let at = START + Span::from_hours(24 * day);
        Sighting { stage: Stage::Eyed, at, development: day as f64 * 7.7 / 117.0, or_before: true }
    };
    let late = dates(12, vec![vec![11.0; 60]], Station::published(walleye()), &[sampled(11)]);
    assert_eq!(late.stages[2], before.stages[2], "three days after eye-up nothing new is learnt");
    assert!(late.stages[0].seen && late.stages[0].at < Some(START + Span::from_hours(24 * 11)));
    let early = dates(12, vec![vec![11.0; 60]], Station::published(walleye()), &[sampled(6)]);
    assert!(early.stages[2].likely < before.stages[2].likely, "eyes two days early move the hatch");
}

/// The interval keeps its promise when the fish are drawn from the stated spread and the water from the paths.
#[test]
fn four_of_five_truths_lie_inside() {
    let station = Station::published(walleye());
    let fan: Vec<Vec<f64>> = (0..11).map(|i| vec![9.5 + 0.3 * f64::from(i); 90]).collect();
    let peak = &dates(5, fan.clone(), station, &[]).stages[2];
    let mut seed = 12_345_u64;
    let mut uniform = || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 11) as f64 / (1_u64 << 53) as f64
    };
    let (mut inside, n) = (0, 20_000);
    for _ in 0..n {
        // Box and Muller.
        let z = (-2.0 * (1.0 - uniform()).ln()).sqrt() * (std::f64::consts::TAU * uniform()).cos();
        let multiple = (z * if z < 0.0 { station.sigma_low } else { station.sigma_high }).exp();
        let pick = uniform() * 11.0;
        let path = fan.iter().zip(1_u32..).find(|(_, end)| pick < f64::from(*end)).unwrap().0;
        let left = multiple * 117.0 - 5.0 * 7.7;
        let truth = START + Span::from_days(5.0 + left / (path[0] - 3.3));
        inside += usize::from(peak.earliest.unwrap() <= truth && truth <= peak.latest.unwrap());
    }
    let share = inside as f64 / f64::from(n);
    assert!((0.78..0.82).contains(&share), "{share}");
}

#[test]
fn a_bare_target_knows_only_the_water() {
    let when = |_: f64| Some(START);
    let done = Done { amount: 60.0, when: &when };
    let paths = (0..21).map(|i| vec![8.0 + 0.2 * f64::from(i); 40]).collect();
    let (date, _) = target_date(140.0, &done, &|t| t.max(0.0), &futures(START, paths), 0.8);
    assert!((days(date.likely) - 8.0).abs() < 1e-6, "80 °C·days at 10 °C");
    assert!((days(date.earliest) - 80.0 / 11.6).abs() < 0.01);
    assert!((days(date.latest) - 80.0 / 8.4).abs() < 0.01);
    let (behind, _) = target_date(50.0, &done, &|t| t, &futures(START, vec![vec![8.0]]), 0.8);
    assert!(behind.reached && behind.at == Some(START));
}

/// Common practice, no source: walleye hatch 8 to 17 days after going into the jars, a day after fertilization, in a
/// usual warming spring.
#[test]
fn a_usual_spring_hatches_walleye_in_8_to_17_days() {
    for (first, per_day) in [(8.0, 0.35), (9.0, 0.3), (10.0, 0.25), (11.0, 0.2), (12.0, 0.1)] {
        let path: Vec<f64> = (0..60).map(|d| f64::min(first + per_day * f64::from(d), 15.5)).collect();
        let when = |_: f64| None;
        let done = Done { amount: 0.0, when: &when };
        let lot = Lot { species: walleye(), station: Station::published(walleye()), done, seen: &[] };
        let peak = &stage_dates(&lot, &Courses::new(&futures(START, vec![path])), 0.8).stages[2];
        let in_jars = days(peak.likely) - 1.0;
        assert!((8.0..=17.0).contains(&in_jars), "{in_jars:.1} days from {first} °C");
    }
}
