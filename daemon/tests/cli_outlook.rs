//! The outlook command on invented records, through the binary as people call it.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use serde_json::Value;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn nightjar(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightjar")).args(arguments).output().unwrap()
}

fn json(arguments: &[&str]) -> Value {
    let out = nightjar(&[&["outlook", "--format", "json"], arguments].concat());
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

fn refused(arguments: &[&str], code: i32, expected: &str) {
    let out = nightjar(&[&["outlook"], arguments].concat());
    let told = String::from_utf8(out.stderr).unwrap();
    assert_eq!(out.status.code(), Some(code), "{told}");
    assert!(told.contains(expected), "{told}");
    assert_eq!(told.lines().count(), 1, "{told}");
    assert!(out.stdout.is_empty());
}

fn write(folder: &Path, name: &str, text: &str) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path
}

/// 10 °C every hour from 18 April, 00:00 at UTC-5, for so many hours; other values where `other` says so.
fn steady(hours: u32, other: impl Fn(u32) -> Option<f64>) -> String {
    let mut text = String::from("# invented\ntime,temp_c\n");
    for h in 0..=hours {
        let value = other(h).unwrap_or(10.0);
        writeln!(text, "2026-04-{:02}T{:02}:00:00-05:00,{value}", 18 + h / 24, h % 24).unwrap();
    }
    text
}

/// Daily means that warm by 0.15 °C a day from 6 °C on 10 April, each year a little different.
fn springs(years: &[i32]) -> String {
    let mut text = String::from("date,temp_c\n");
    for year in years {
        for (month, days) in [(3, 31), (4, 30), (5, 31), (6, 30)] {
            for day in 1..=days {
                let n = f64::from((month - 4) * 30 + day - 10);
                let value = 6.0 + 0.15 * n + f64::from(year % 3) * 0.4 - 0.4;
                writeln!(text, "{year}-{month:02}-{day:02},{:.2}", value.max(0.5)).unwrap();
            }
        }
    }
    text
}

#[test]
fn the_keys_are_those_of_the_stable_interface_and_the_sum_is_right() {
    let folder = tempfile::tempdir().unwrap();
    let temps = write(folder.path(), "t.csv", &steady(240, |_| None));
    let past = write(folder.path(), "past.csv", &springs(&[2022, 2023, 2024, 2025]));
    let out = nightjar(&[
        "outlook",
        "--species",
        "walleye",
        "--fertilized",
        "2026-04-18T14:00:00-05:00",
        "--temps",
        temps.to_str().unwrap(),
        "--history",
        past.to_str().unwrap(),
        "--as-of",
        "2026-04-25T00:00:00-05:00",
        "--format",
        "json",
    ]);
    let text = String::from_utf8(out.stdout).unwrap();
    let places: Vec<usize> = [
        "\"species\":\"walleye\"",
        "\"fertilized_at\":\"2026-04-18T14:00:00-05:00\"",
        "\"as_of\":\"2026-04-25T00:00:00-05:00\"",
        "\"thermal_units\":{\"c_days\":",
        "\"f_days\":",
        "\"coverage\":",
        "\"bridged_hours\":",
        "\"stages\":[{\"stage\":\"eyed\",\"reached\":false,\"earliest\":",
        "\"likely\":",
        "\"latest\":",
        "\"hatch_start\"",
        "\"hatch_peak\"",
        "\"hatch_end\"",
        "\"interval\":0.8",
        "\"temperature_basis\":\"station history, 4 springs\"",
        "\"confidence\":\"low\"",
        "\"warnings\":[",
    ]
    .iter()
    .map(|part| text.find(part).unwrap_or_else(|| panic!("{part} is missing in {text}")))
    .collect();
    assert!(places.is_sorted(), "{text}");
    // 10 °C for six days and ten hours.
    let value: Value = serde_json::from_str(&text).unwrap();
    let sum = value["thermal_units"]["c_days"].as_f64().unwrap();
    assert!((sum - 10.0 * (6.0 + 10.0 / 24.0)).abs() < 0.001, "{sum}");
    assert!((value["thermal_units"]["f_days"].as_f64().unwrap() - 1.8 * sum).abs() < 0.001);
}

#[test]
fn a_target_behind_has_its_moment_and_one_ahead_is_met_by_the_plan() {
    let folder = tempfile::tempdir().unwrap();
    let temps = write(folder.path(), "t.csv", &steady(240, |_| None));
    let ask = |target: &str, more: &[&str]| {
        let base = [
            "--target-c-days",
            target,
            "--from",
            "2026-04-18T00:00:00-05:00",
            "--temps",
            temps.to_str().unwrap(),
        ];
        json(&[&base[..], more].concat())
    };
    let behind = ask("70", &[]);
    assert_eq!(behind["species"], Value::Null);
    assert_eq!(behind["stages"].as_array().unwrap().len(), 1);
    assert_eq!(behind["stages"][0]["stage"], "target");
    assert_eq!(behind["stages"][0]["reached"], true);
    assert_eq!(behind["stages"][0]["at"], "2026-04-25T00:00:00-05:00");
    // 100 °C·days are there on 28 April; at 12 °C the other 40 take three days and eight hours.
    let mut plan = String::from("date,temp_c\n");
    for day in (28..=30).map(|d| format!("2026-04-{d}")).chain((1..=20).map(|d| format!("2026-05-{d:02}"))) {
        writeln!(plan, "{day},12").unwrap();
    }
    let plan = write(folder.path(), "plan.csv", &plan);
    let ahead = ask("140", &["--plan", plan.to_str().unwrap()]);
    assert_eq!(ahead["stages"][0]["reached"], false);
    for key in ["earliest", "likely", "latest"] {
        assert_eq!(ahead["stages"][0][key], "2026-05-01T08:00:00-05:00", "{key}");
    }
}

#[test]
fn nothing_after_the_moment_asked_about_changes_the_answer() {
    let folder = tempfile::tempdir().unwrap();
    let hot = |h: u32| (h > 7 * 24).then_some(25.0);
    let now = ["--as-of", "2026-04-25T00:00:00-05:00"];
    let past = springs(&[2023, 2024, 2025]);
    let spoilt =
        past.clone() + &springs(&[2026]).replace("date,temp_c\n", "").replace(",", ",1") + "2027-04-20,30\n";
    let mut answers = Vec::new();
    for (temps, history) in [(steady(168, |_| None), past), (steady(240, hot), spoilt)] {
        let temps = write(folder.path(), "t.csv", &temps);
        let history = write(folder.path(), "past.csv", &history);
        let mut answer = json(
            &[
                &["--species", "yellow perch", "--fertilized", "2026-04-18T00:00:00-05:00", "--temps"],
                &[temps.to_str().unwrap(), "--history", history.to_str().unwrap()][..],
                &now[..],
            ]
            .concat(),
        );
        answer["warnings"] = Value::Null;
        answers.push(answer);
    }
    assert_eq!(answers[0], answers[1]);
}

#[test]
fn daily_means_count_whole_local_days_and_the_day_asked_about_is_held() {
    let folder = tempfile::tempdir().unwrap();
    let temps = write(
        folder.path(),
        "d.csv",
        "date,temp_c\n2026-03-07,10\n2026-03-08,12\n2026-03-09,8\n2026-03-10,30\n",
    );
    let answer = json(&[
        "--target-c-days",
        "200",
        "--from",
        "2026-03-07",
        "--tz",
        "America/Chicago",
        "--temps",
        temps.to_str().unwrap(),
        "--as-of",
        "2026-03-10 06:00",
    ]);
    // 24 h at 10, 23 h at 12 (the clocks go forward on 8 March 2026), 24 h at 8, and 8 held for six hours.
    let sum = answer["thermal_units"]["c_days"].as_f64().unwrap();
    assert!((sum - (10.0 + 11.5 + 8.0 + 2.0)).abs() < 0.001, "{sum}");
    assert_eq!(answer["thermal_units"]["bridged_hours"], 6.0);
    assert_eq!(answer["as_of"], "2026-03-10T06:00:00-05:00");
    assert_eq!(answer["fertilized_at"], "2026-03-07T00:00:00-06:00");
}

#[test]
fn marks_of_a_logger_are_left_out_counted_and_gaps_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let mark = |h: u32| match h {
        40 => Some(-9999.0),
        41 => Some(7999.0),
        60..=70 => Some(f64::NAN),
        _ => None,
    };
    let temps = write(folder.path(), "t.csv", &steady(168, mark));
    let answer = json(&[
        "--species",
        "walleye",
        "--fertilized",
        "2026-04-18T00:00:00-05:00",
        "--temps",
        temps.to_str().unwrap(),
    ]);
    let warnings = answer["warnings"].to_string();
    assert!(warnings.contains("13 rows hold no temperature of water"), "{warnings}");
    // Both holes are longer than two hours: 3 h and 12 h.
    assert!(warnings.contains("15.0 hours without readings are not counted"), "{warnings}");
    let sum = answer["thermal_units"]["c_days"].as_f64().unwrap();
    assert!((sum - 10.0 * (168.0 - 15.0) / 24.0).abs() < 0.001, "{sum}");
}

#[test]
fn nonsense_is_refused_with_one_line_and_the_right_code() {
    let folder = tempfile::tempdir().unwrap();
    let temps = write(folder.path(), "t.csv", &steady(48, |_| None));
    let temps = temps.to_str().unwrap();
    let at = "2026-04-18T14:00:00-05:00";
    let ask =
        |species, fertilized, temps| ["--species", species, "--fertilized", fertilized, "--temps", temps];
    refused(&ask("waleye", at, temps), 64, "did you mean \"walleye\"");
    refused(&ask("walleye", "2026-04-18 14:00", temps), 64, "give --tz");
    refused(&ask("walleye", "soon", temps), 64, "write it like");
    refused(&ask("walleye", "2026-06-18T14:00:00-05:00", temps), 65, "is before --fertilized");
    refused(&ask("walleye", "2024-04-18T14:00:00-05:00", temps), 64, "check the year");
    refused(&ask("walleye", at, "no-such-file.csv"), 74, "no-such-file.csv");
    refused(
        &[&ask("walleye", at, temps)[..], &["--as-of", "2026-04-01T00:00:00-05:00"]].concat(),
        64,
        "swapped",
    );
    refused(&[&ask("walleye", at, temps)[..], &["--interval", "1.5"]].concat(), 64, "--interval");
    refused(&[&ask("walleye", at, temps)[..], &["--water-type", "puddle"]].concat(), 64, "lake-fed");
    refused(&[&ask("walleye", at, temps)[..], &["--tz", "Mars/Base"]].concat(), 64, "America/Chicago");
    refused(&["--species", "walleye", "--temps", temps], 64, "--fertilized");
    refused(&["--target-c-days", "-1", "--from", at, "--temps", temps], 64, "--target-c-days");
    let bad = write(
        folder.path(),
        "bad.csv",
        "time,temp_c\n2026-04-18T14:00:00-05:00,8\n2026-04-18T15:00:00-05:00,mild\n",
    );
    refused(&ask("walleye", at, bad.to_str().unwrap()), 65, "bad.csv line 3");
    let empty = write(folder.path(), "empty.csv", "");
    refused(&ask("walleye", at, empty.to_str().unwrap()), 65, "--time-column");
    let noise = folder.path().join("noise.csv");
    std::fs::write(&noise, [b'\xff', b'\xfe', 0, b'\n', 200, 201]).unwrap();
    refused(&ask("walleye", at, noise.to_str().unwrap()), 65, "UTF-8");
}
