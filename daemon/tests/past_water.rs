//! Past springs of the station's water: imported ones and those it measured itself, and what outlooks make of them.
#![allow(clippy::unwrap_used, clippy::print_stdout, reason = "a test that cannot go on has failed")]

use nightjar::clock::{Clock, ManualClock};
use nightjar::config::{self, checked::WaterType};
use nightjar::core::water::{Water, past_ends};
use nightjar::logbook::Entry;
use nightjar::progress::Progress;
use nightjar::rack::HeaderIx;
use nightjar::reading::{Quality, Reason, Value};
use nightjar::store::{self, ImportRules, Sample, StoreOptions, import_past_water, past_springs};
use nightjar_calc::development::species;
use nightjar_calc::outlook::DailyMeans;
use nightjar_calc::time::{Day, Span, Timestamp};
use serde_json::json;
use std::sync::Arc;

const STATION: &str = include_str!("../../deploy/eight-jars-serial.toml");

fn day(text: &str) -> Day {
    Day::parse(text).unwrap()
}

/// Days of one spring, 0.1 °C warmer each day from 5 °C.
fn spring(year: i32) -> Vec<(Day, f64, String)> {
    let first = Day::from_ymd(year, 3, 15).unwrap();
    (0..100_i32).map(|n| (first.plus(n.into()), 5.0 + 0.1 * f64::from(n), "past.csv".to_owned())).collect()
}

fn steady(temperature: i32, from: Timestamp, hours: i64) -> Vec<Sample> {
    (0..hours * 6)
        .map(|n| Sample {
            at: from + Span::from_minutes(10 * n),
            value: Value(temperature * 10_000),
            quality: Quality::Good,
            reason: Reason::None,
        })
        .collect()
}

#[tokio::test]
async fn imported_and_own_springs_are_the_history_of_the_outlook() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("nightjar.sqlite");
    let rack = config::parse(STATION, "station").unwrap().rack;
    let rules = ImportRules { replace: false, dry_run: false };
    let two: Vec<_> = [2023, 2024].into_iter().flat_map(spring).collect();
    assert_eq!(import_past_water(&path, &two, rules).unwrap().added, 200);

    let now = day("2026-04-20").start(rack.zone) + Span::from_hours(9);
    let clock = Arc::new(ManualClock::new(now));
    let ids = rack.sensors.iter().map(|sensor| sensor.id.clone()).collect();
    let handle = store::open(StoreOptions::new(path.clone(), ids), clock as Arc<dyn Clock>).unwrap();
    // The station itself measured 30 days of 2025, one of 2024 that was imported too, and this season.
    let probe = rack.sensor(rack.headers[0].temperature.unwrap()).id.clone();
    for (first, hours) in [("2025-04-01", 30 * 24), ("2024-04-10", 24), ("2026-04-01", 19 * 24)] {
        let samples = steady(9, day(first).start(rack.zone), hours);
        handle.import(probe.clone(), samples).await.unwrap();
    }
    handle.flush().await.unwrap();
    let ends = past_ends(&rack, now);
    let of = Arc::clone(&rack);
    let past: DailyMeans = handle.read(move |look| past_springs(look, &of, ends)).await.unwrap();
    assert_eq!(past.years(), [2023, 2024, 2025], "nothing of this season");
    assert_eq!(past.len(), 230);
    assert_eq!(past.get(day("2024-04-10")), Some(9.0), "what the station measured itself stands");
    assert!((past.get(day("2023-04-10")).unwrap() - 7.6).abs() < 1e-9);

    // A running program may be written beside; what is there already is left.
    let again = import_past_water(&path, &two, rules).unwrap();
    assert_eq!((again.added, again.same, again.total), (0, 200, 200));
    handle.close().await.unwrap();

    let mut progress = Progress::new(Arc::clone(&rack), vec![species::find("walleye").unwrap().clone()]);
    let start = day("2026-04-10").start(rack.zone);
    let acts = [
        json!({"kind": "take", "take": "T-1", "species": "walleye", "water": "Heron Lake", "fertilized_at": start,
            "females": 20, "males": 40}),
        json!({"kind": "lot", "lot": "L-1", "takes": ["T-1"]}),
        json!({"kind": "load", "jar": "01", "lot": "L-1", "volume_l": 2.0}),
    ];
    let entries: Vec<Entry> = acts
        .iter()
        .enumerate()
        .map(|(n, act)| {
            let id = format!("entry-{n:04}");
            serde_json::from_value(json!({"id": id, "happened_at": start, "who": "kim", "act": act})).unwrap()
        })
        .collect();
    progress.set_entries(entries);
    progress.settle();
    let mut water = Water::new(Arc::clone(&rack), WaterType::LakeFed);
    assert!(water.outlook(&progress, HeaderIx(0), now).is_none(), "nothing is known of this water yet");
    water.set_history(past);
    let futures = water.outlook(&progress, HeaderIx(0), now).unwrap();
    assert!(futures.basis.starts_with("station history"), "{}", futures.basis);
    println!("{}", futures.basis);
    let record = water.past_outlooks().unwrap();
    assert!(record.seasons >= 2 && record.scores.len() == 4, "{record:?}");
    println!("{record}");
}
