//! Fault marks on open records of river, creek and lake water.
//!
//! Two records carry a technician's labels, the others count as clean (codes far outside the range
//! of water aside). Sources: Logan River Observatory, Utah State University, as distributed with
//! Jones, Jones and Horsburgh (2022), doi:10.1016/j.envsoft.2022.105364; US Geological Survey
//! (public domain); Curtis and Qua Creeks productivity study (CC0 1.0); North Temperate Lakes LTER
//! (CC BY); Marine Institute, Ireland (CC BY 4.0). `NIGHTJAR_SHARED` names the folder of shared
//! reference data; by default it is looked for beside the repository.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use nightjar_calc::series::{Detector, Mark, Quality, Reason, Settings, mark_all};
use nightjar_calc::time::{Timestamp, Zone};
use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};

const LABELLED: [&str; 2] = ["river_blacksmithfork_2019_qc.csv", "river_mainstreet_aug2019_qc.csv"];
const CLEAN: [&str; 8] = [
    "river_mainstreet_15min_raw.csv",
    "creek_curtis_hourly.csv",
    "lake_troutbog_hourly.csv",
    "lake_feeagh_daily.csv",
    "usgs_ausable_daily.csv",
    "usgs_delaware_daily.csv",
    "usgs_madison_daily.csv",
    "usgs_oswego_daily.csv",
];

struct Row {
    at: Timestamp,
    value: Option<f64>,
    faulty: bool,
}

#[derive(Default)]
struct Tally {
    good_rows: usize,
    good_bad: usize,
    good_uncertain: usize,
    faulty: usize,
    caught: usize,
    reasons: BTreeMap<(bool, Quality, Reason), usize>,
}

fn say(text: &str) {
    writeln!(std::io::stdout().lock(), "{text}").unwrap();
}

/// A record, from the copies beside this folder or from the shared reference data.
fn find(name: &str) -> Option<PathBuf> {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut folders = vec![here.join("water")];
    match std::env::var_os("NIGHTJAR_SHARED") {
        Some(shared) => folders.push(PathBuf::from(shared).join("reference/water")),
        None => folders.extend(here.ancestors().skip(2).take(2).map(|up| up.join("shared/reference/water"))),
    }
    let found = folders.into_iter().map(|folder| folder.join(name)).find(|path| path.is_file());
    if found.is_none() {
        say(&format!("passed over: {name} is not here and may not be copied; set NIGHTJAR_SHARED"));
    }
    found
}

fn rows(path: &Path) -> Vec<Row> {
    let text = std::fs::read_to_string(path).unwrap();
    let mut lines = text.lines().filter(|l| !l.starts_with('#'));
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let column = header.iter().position(|c| *c == "raw_c" || *c == "temp_c").unwrap();
    let label = header.iter().position(|c| *c == "label");
    let zone = Zone::named("UTC").unwrap();
    lines
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            let time =
                if cells[0].contains('T') { cells[0].to_owned() } else { format!("{}T12:00", cells[0]) };
            let value: Option<f64> = cells[column].parse().ok();
            let faulty = match label {
                Some(label) => !cells[label].is_empty(),
                None => value.is_some_and(|v| v.abs() > 100.0),
            };
            Row { at: zone.parse(&time).unwrap(), value, faulty }
        })
        .collect()
}

fn tally(rows: &[Row], marks: &[Mark]) -> Tally {
    let mut t = Tally::default();
    assert_eq!(rows.len(), marks.len());
    for (row, mark) in rows.iter().zip(marks) {
        assert_eq!(row.at, mark.at);
        *t.reasons.entry((row.faulty, mark.quality, mark.reason)).or_default() += 1;
        if row.faulty {
            t.faulty += 1;
            t.caught += usize::from(mark.quality != Quality::Good);
        } else if row.value.is_some() {
            t.good_rows += 1;
            t.good_bad += usize::from(mark.quality == Quality::Bad);
            t.good_uncertain += usize::from(mark.quality == Quality::Uncertain);
        }
    }
    t
}

fn share(part: usize, whole: usize) -> f64 {
    let count = |n: usize| f64::from(u32::try_from(n).unwrap());
    if whole == 0 { 0.0 } else { 100.0 * count(part) / count(whole) }
}

fn show(name: &str, t: &Tally) {
    say(&format!(
        "{name:36} faulty {:4} caught {:6.2} % | other {:5} bad {:3} ({:.3} %) uncertain {:4} ({:.2} %)",
        t.faulty,
        share(t.caught, t.faulty),
        t.good_rows,
        t.good_bad,
        share(t.good_bad, t.good_rows),
        t.good_uncertain,
        share(t.good_uncertain, t.good_rows)
    ));
    for ((faulty, quality, reason), n) in &t.reasons {
        if *quality != Quality::Good || *faulty {
            say(&format!("    {} {quality} {reason}: {n}", if *faulty { "faulty" } else { "other " }));
        }
    }
}

fn series(rows: &[Row]) -> Vec<(Timestamp, Option<f64>)> {
    rows.iter().map(|r| (r.at, r.value)).collect()
}

#[test]
fn labelled_faults_are_caught_and_clean_records_stay_clean() {
    for name in LABELLED {
        let Some(path) = find(name) else { continue };
        let rows = rows(&path);
        let t = tally(&rows, &mark_all(series(&rows), Settings::default()));
        show(name, &t);
        assert!(share(t.caught, t.faulty) >= 95.0, "{name}");
        assert!(share(t.good_bad, t.good_rows) <= 0.1, "{name}");
    }
    let (mut bad, mut all) = (0, 0);
    for name in CLEAN {
        let Some(path) = find(name) else { continue };
        let rows = rows(&path);
        let t = tally(&rows, &mark_all(series(&rows), Settings::default()));
        show(name, &t);
        assert_eq!(t.caught, t.faulty, "{name}");
        bad += t.good_bad;
        all += t.good_rows;
    }
    say(&format!("clean records together: {bad} of {all} bad ({:.4} %)", share(bad, all)));
    assert!(all > 10_000, "the copied records are there");
    assert!(share(bad, all) <= 0.05);
}

#[test]
fn a_mark_given_is_the_same_whatever_comes_later() {
    let Some(path) = find(LABELLED[0]) else { return };
    let rows = rows(&path);
    let whole = mark_all(series(&rows), Settings::default());
    for cut in [200, 5818, 11_300, 11_372, 11_500] {
        let mut detector = Detector::new(Settings::default());
        let given: Vec<Mark> = rows.iter().take(cut).flat_map(|r| detector.push(r.at, r.value)).collect();
        assert_eq!(given[..], whole[..given.len()]);
        assert!(given.len() + 10 > cut, "the wait is short");
    }
}

/// Share of altered samples marked, over many places of a record.
fn injected(rows: &[Row], samples: usize, fault: &dyn Fn(usize, f64, f64) -> f64) -> (f64, usize) {
    // Not a multiple of three: records of three springs would be altered at their very joints.
    let places = 13;
    let (mut caught, mut all, mut bad_outside) = (0, 0, 0);
    for place in 1..places {
        // Only the neighbourhood is marked, for speed: thirty days before, three after.
        let start = rows.len() * place / places;
        let step = rows[start].at.since(rows[start - 1].at).hours();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "small and positive")]
        let day = (24.0 / step).round().max(1.0) as usize;
        let from = start.saturating_sub(30 * day);
        let to = (start + samples + 3 * day).min(rows.len());
        let mut part: Vec<(Timestamp, Option<f64>)> = series(&rows[from..to]);
        let first = part[start - from].1.unwrap_or(5.0);
        let sane = |v: Option<f64>| v.filter(|v| v.abs() < 100.0);
        let before = mark_all(part.clone(), Settings::default());
        for k in 0..samples {
            if let Some(row) = part.get_mut(start - from + k) {
                row.1 = sane(row.1).map(|v| fault(k, v, first));
            }
        }
        let marks = mark_all(part.clone(), Settings::default());
        for (i, mark) in marks.iter().enumerate() {
            if (start - from..start - from + samples).contains(&i) {
                all += usize::from(mark.value.is_some());
                caught += usize::from(mark.value.is_some() && mark.quality != Quality::Good);
            } else if mark.quality == Quality::Bad && before[i].quality != Quality::Bad {
                bad_outside += 1;
            }
        }
    }
    (share(caught, all), bad_outside)
}

#[test]
fn faults_put_into_real_records_are_found() {
    // Quarter-hourly records; hourly ones hold their night values too long for a short stuck run.
    for (name, stuck) in [(CLEAN[0], 95.0), (LABELLED[0], 95.0), (CLEAN[1], 75.0)] {
        let Some(path) = find(name) else { continue };
        let rows = rows(&path);
        let tell = |what: &str, least: f64, (caught, outside): (f64, usize)| {
            say(&format!("{name:34} {what:22} {caught:6.1} % marked, {outside} good ones bad"));
            assert!(caught >= least, "{name} {what}");
            assert!(outside <= 1, "{name} {what}");
        };
        tell("spike 2", 95.0, injected(&rows, 1, &|_, v, _| v + 2.0));
        tell("spike -5", 95.0, injected(&rows, 1, &|_, v, _| v - 5.0));
        tell("visit +5, 4 samples", 95.0, injected(&rows, 4, &|_, v, _| v + 5.0));
        tell("stuck, 24 samples", stuck, injected(&rows, 24, &|_, _, first| first));
        tell(
            "restless air, 96",
            95.0,
            injected(&rows, 96, &|k, v, _| {
                let k = f64::from(u32::try_from(k).unwrap());
                v + 6.0 * (k / 15.0).sin() + 1.5 * (k * 1.7).sin()
            }),
        );
    }
}
