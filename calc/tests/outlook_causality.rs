//! What an outlook may look at, and what it must survive.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use nightjar_calc::outlook::{Climate, DailyMeans, NoOutlook, Recent, Schedule, WaterKind};
use nightjar_calc::time::{Day, Span, Timestamp, Zone};
use proptest::prelude::*;

fn chicago() -> Zone {
    Zone::named("America/Chicago").unwrap()
}

fn day(text: &str) -> Day {
    Day::parse(text).unwrap()
}

/// Some years of an invented lake: a yearly wave with weather that differs from year to year.
fn lake(years: std::ops::RangeInclusive<i32>) -> DailyMeans {
    let mut means = DailyMeans::default();
    for year in years {
        let first = Day::from_ymd(year, 1, 1).unwrap();
        for n in 0..365 {
            let t = f64::from(n);
            let weather = (t / 5.3 + f64::from(year)).sin() + 0.8 * (f64::from(year) * 1.7).cos();
            let celsius = 11.0 - 10.0 * ((t - 25.0) / 365.0 * std::f64::consts::TAU).cos() + weather;
            means.insert(first.plus(i64::from(n)), celsius.max(0.0));
        }
    }
    means
}

fn mean_of_day(paths: &[Vec<f64>], day: usize) -> f64 {
    paths.iter().map(|path| path[day]).sum::<f64>() / 200.0
}

#[test]
fn nothing_after_the_issue_is_used() {
    let today = day("2026-04-20");
    let record = lake(2021..=2026);
    let mut tampered = record.clone();
    let mut later = today;
    while later < day("2026-12-31") {
        tampered.insert(later, 35.0);
        later = later.plus(1);
    }
    let at = today.start(chicago()) + Span::from_minutes(600);
    let issue = |record: &DailyMeans| {
        let climate = Climate::fit(record, None, today);
        climate.outlook(&Recent::from_days(record.clone()), at, chicago(), 90, None).unwrap()
    };
    assert_eq!(issue(&record), issue(&tampered));
    assert_eq!(issue(&record).futures.basis, "station history, 5 springs");
}

#[test]
fn readings_after_the_issue_are_not_used_either() {
    let today = day("2026-04-20");
    let at = today.start(chicago()) + Span::from_minutes(600);
    let readings = |warm: f64| {
        (0..24 * 6).map(move |h| {
            let time = day("2026-04-16").start(chicago()) + Span::from_minutes(60 * h);
            (time, if time > at { warm } else { 9.0 })
        })
    };
    let cold = Recent::from_readings(chicago(), readings(2.0), at);
    assert_eq!(cold, Recent::from_readings(chicago(), readings(30.0), at));
}

#[test]
fn more_springs_make_narrower_intervals() {
    let today = day("2026-04-20");
    let own = lake(2026..=2026).before(today);
    let width = |history: &DailyMeans| {
        let climate = Climate::fit(history, Some(WaterKind::LakeFed), today);
        let outlook = climate
            .outlook(&Recent::from_days(own.clone()), today.start(chicago()), chicago(), 60, None)
            .unwrap();
        outlook.diagnostics.width_at_7_days_c
    };
    let (many, one) = (width(&lake(2014..=2025)), width(&lake(2025..=2025)));
    assert!(many < one, "{many:.2} {one:.2}");
}

#[test]
fn an_autumn_outlook_runs_over_the_new_year() {
    let today = day("2025-11-10");
    let climate = Climate::fit(&lake(2020..=2025), None, today);
    let recent = Recent::from_days(lake(2025..=2025).before(today));
    let outlook = climate.outlook(&recent, today.start(chicago()), chicago(), 120, None).unwrap();
    // The yearly wave of the invented lake on 12 November and 15 January, °C; weather is ± 2.
    for (ahead, wave) in [(2, 8.2), (66, 1.1)] {
        let mean = mean_of_day(&outlook.futures.paths, ahead);
        assert!((mean - wave).abs() < 2.0, "{ahead} days ahead: {mean:.1}");
    }
}

#[test]
fn a_plan_replaces_the_water_and_says_so() {
    let today = day("2026-04-20");
    let mut plan = Schedule::default();
    plan.hold(today.plus(10), today.plus(20), 12.5);
    let climate = Climate::fit(&lake(2022..=2025), None, today);
    let recent = Recent::from_days(lake(2026..=2026).before(today));
    let outlook = climate.outlook(&recent, today.start(chicago()), chicago(), 40, Some(&plan)).unwrap();
    assert!(outlook.futures.paths.iter().all(|path| path[10..=20].iter().all(|c| (c - 12.5).abs() < 1e-9)));
    assert_eq!(outlook.futures.basis, "planned schedule, other days station history, 4 springs");
    plan.hold(today, today.plus(60), 9.0);
    let nothing = Climate::fit(&DailyMeans::default(), Some(WaterKind::Heated), today);
    let outlook =
        nothing.outlook(&Recent::default(), today.start(chicago()), chicago(), 40, Some(&plan)).unwrap();
    assert_eq!(outlook.futures.basis, "planned schedule");
    assert!((mean_of_day(&outlook.futures.paths, 39) - 9.0).abs() < 1e-9);
}

#[test]
fn a_moment_within_the_day_mixes_its_two_days() {
    let today = day("2026-04-20");
    let mut plan = Schedule::default();
    plan.ramp(today, 8.0, today.plus(40), 28.0);
    let climate = Climate::fit(&DailyMeans::default(), Some(WaterKind::Heated), today);
    let noon = today.start(chicago()) + Span::from_minutes(12 * 60);
    let outlook = climate.outlook(&Recent::default(), noon, chicago(), 20, Some(&plan)).unwrap();
    assert!((outlook.futures.paths[0][0] - 8.25).abs() < 1e-9);
}

#[test]
fn without_any_temperature_it_says_what_to_give() {
    let today = day("2026-04-20");
    let climate = Climate::fit(&DailyMeans::default(), Some(WaterKind::LakeFed), today);
    let ask = |count| climate.outlook(&Recent::default(), today.start(chicago()), chicago(), count, None);
    assert_eq!(ask(60), Err(NoOutlook::NothingKnown));
    assert!(matches!(ask(0), Err(NoOutlook::Days { .. })));
    assert!(ask(2000).unwrap_err().to_string().contains("ask for 1 to"));
}

#[test]
fn one_reading_is_enough_for_a_new_station() {
    let today = day("2026-04-20");
    let mut means = DailyMeans::default();
    means.insert(today.plus(-1), 6.0);
    for kind in WaterKind::ALL {
        let climate = Climate::fit(&DailyMeans::default(), Some(kind), today);
        let outlook = climate
            .outlook(&Recent::from_days(means.clone()), today.start(chicago()), chicago(), 60, None)
            .unwrap();
        assert!((mean_of_day(&outlook.futures.paths, 0) - 6.0).abs() < 0.6, "{kind}");
        assert_eq!(outlook.futures.basis, format!("borrowed curve, {kind}"));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    /// Whatever is missing or absurd in the records, paths are complete, equally long and possible.
    #[test]
    fn any_record_gives_possible_water(
        values in prop::collection::vec(prop_oneof![Just(f64::NAN), -50.0..60.0f64, 0.0..20.0f64], 1..400),
        every in 1..5i64, minute in 0..2879i64,
    ) {
        let mut record = DailyMeans::default();
        let first = day("2024-03-01");
        for (n, value) in (0i64..).zip(&values) {
            record.insert(first.plus(n * every), *value);
        }
        let at: Timestamp = day("2026-04-20").start(chicago()) + Span::from_minutes(minute);
        let climate = Climate::fit(&record, None, chicago().day_of(at));
        match climate.outlook(&Recent::from_days(record.clone()), at, chicago(), 60, None) {
            Err(error) => prop_assert_eq!(error, NoOutlook::NothingKnown),
            Ok(outlook) => {
                prop_assert_eq!(outlook.futures.paths.len(), 200);
                for path in &outlook.futures.paths {
                    prop_assert!(path.len() == 60 && path.iter().all(|c| (-3.0..=40.0).contains(c)));
                }
            }
        }
    }
}
