//! Commands that read files of water: fault marks, past springs into the database, hatch plans.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use serde_json::Value;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn nightjar(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightjar")).args(arguments).output().unwrap()
}

fn text(arguments: &[&str]) -> String {
    let out = nightjar(arguments);
    assert!(out.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).unwrap()
}

fn refused(arguments: &[&str], code: i32, expected: &str) {
    let out = nightjar(arguments);
    let told = String::from_utf8(out.stderr).unwrap();
    assert_eq!(out.status.code(), Some(code), "{told}");
    assert!(told.contains(expected), "{told}");
    assert_eq!(told.lines().count(), 1, "{told}");
    assert!(out.stdout.is_empty());
}

fn write(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

/// The folder of shared reference records, if it is here.
fn records() -> Option<PathBuf> {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let set = std::env::var_os("NIGHTJAR_SHARED").map(PathBuf::from);
    let near = here.ancestors().skip(2).take(2).map(|up| up.join("shared"));
    set.into_iter().chain(near).map(|shared| shared.join("reference/water")).find(|folder| folder.is_dir())
}

/// Records labelled by a technician (Logan River Observatory; Jones, Jones and Horsburgh 2022,
/// doi:10.1016/j.envsoft.2022.105364), through the command: at least 95 % of the labelled samples are marked, at most
/// 0.1 % of the others bad, and each row of the file has its row in the answer.
#[test]
fn labelled_faults_are_marked_by_the_command() {
    let Some(folder) = records() else {
        println!("passed over: the labelled records are not here and may not be copied");
        return;
    };
    // The loggers keep the same time all year; a crew may still name its summer-time zone.
    let zones = ["UTC-7", "-07:00", "Etc/GMT+7", "America/Denver"];
    let names = ["river_blacksmithfork_2019_qc.csv", "river_mainstreet_aug2019_qc.csv"];
    for (name, zone) in names.into_iter().flat_map(|name| zones.map(|zone| (name, zone))) {
        let path = folder.join(name);
        let file = std::fs::read_to_string(&path).unwrap();
        let mut lines = file.lines().filter(|line| !line.starts_with('#'));
        let header: Vec<&str> = lines.next().unwrap().split(',').collect();
        let label = header.iter().position(|c| *c == "label").unwrap();
        let raw = header.iter().position(|c| *c == "raw_c").unwrap();
        let rows: Vec<Vec<&str>> = lines.map(|line| line.split(',').collect()).collect();
        let marks = text(&[
            "calc",
            "faults",
            "--readings",
            path.to_str().unwrap(),
            "--time-column",
            header[0],
            "--value-column",
            "raw_c",
            "--tz",
            zone,
            "--format",
            "csv",
        ]);
        let mut marks = marks.lines();
        assert_eq!(marks.next(), Some("time,value,quality,reason"));
        let (mut faulty, mut caught, mut other, mut bad, mut n) = (0_u32, 0_u32, 0_u32, 0_u32, 0);
        for (row, mark) in rows.iter().zip(marks.by_ref()) {
            let cells: Vec<&str> = mark.split(',').collect();
            assert_eq!(cells.len(), 4, "{mark}");
            let (given, said) = (row[raw].parse::<f64>().ok(), cells[1].parse::<f64>().ok());
            assert_eq!(given, said, "{mark}");
            if row[label].is_empty() {
                other += u32::from(said.is_some());
                bad += u32::from(said.is_some() && cells[2] == "bad");
            } else {
                faulty += 1;
                caught += u32::from(cells[2] != "good");
            }
            n += 1;
        }
        assert!(marks.next().is_none() && n == rows.len(), "one row for each row");
        let share = |part: u32, of: u32| 100.0 * f64::from(part) / f64::from(of);
        println!(
            "{name} {zone}: {:.2} % of {faulty} labelled marked, {:.3} % of {other} others bad",
            share(caught, faulty),
            share(bad, other)
        );
        assert!(share(caught, faulty) >= 95.0 && share(bad, other) <= 0.1);
    }
}

#[test]
fn marks_come_in_three_forms_and_only_they_are_a_table() {
    let folder = tempfile::tempdir().unwrap();
    let file =
        write(folder.path(), "r.csv", "timestamp,raw_c\n2026-04-18T00:00,8.1\n2026-04-18T00:15,-9999\n");
    let ask = |format| {
        vec![
            "calc",
            "faults",
            "--readings",
            &file,
            "--time-column",
            "timestamp",
            "--value-column",
            "raw_c",
            "--tz",
            "America/Chicago",
            "--format",
            format,
        ]
    };
    let csv = text(&ask("csv"));
    assert_eq!(csv.lines().nth(2), Some("2026-04-18T00:15:00-05:00,-9999,bad,sentinel"));
    let json: Value = serde_json::from_str(&text(&ask("json"))).unwrap();
    assert_eq!((json["rows"].as_u64(), json["bad"].as_u64()), (Some(2), Some(1)));
    assert!(text(&ask("text")).contains("1 bad, sentinel"));
    // The form may stand before the question too.
    assert!(
        text(&[
            "calc",
            "--format",
            "csv",
            "faults",
            "--readings",
            &file,
            "--time-column",
            "timestamp",
            "--value-column",
            "raw_c"
        ])
        .starts_with("time,value,quality,reason")
    );
    refused(&["calc", "breeders", "--females", "3", "--males", "3", "--format", "csv"], 64, "no table");
}

/// An invented station with its database in a folder of its own.
fn station(folder: &Path) -> String {
    let text = format!(
        "[station]\nname = \"Alder Creek\"\ntime-zone = \"America/Chicago\"\nwater-type = \"lake-fed\"\n\
         [[rack.header]]\nid = \"A\"\nrows = [[\"01\"]]\n[rack]\njar-temperature = \"J{{jar}}T\"\n\
         [[source.serial]]\nid = \"board\"\nport = \"/dev/null\"\nbaud = 115200\nformat = \"xdr\"\ninterval = \"10s\"\n\
         [store]\nfolder = \"{}\"\n",
        folder.display()
    );
    write(folder, "nightjar.toml", &text)
}

fn springs(years: &[i32], shift: f64) -> String {
    let mut text = String::from("# invented\ndate,temp_c\n");
    for year in years {
        for (month, days) in [(3, 31), (4, 30), (5, 31), (6, 30)] {
            for day in 1..=days {
                let n = f64::from((month - 4) * 30 + day - 10);
                writeln!(text, "{year}-{month:02}-{day:02},{:.2}", (6.0 + 0.15 * n + shift).max(0.5))
                    .unwrap();
            }
        }
    }
    text
}

#[test]
fn past_springs_are_taken_over_once_whole_or_not_at_all() {
    let folder = tempfile::tempdir().unwrap();
    let config = station(folder.path());
    let check = nightjar(&["check", "--config", &config]);
    assert!(check.status.success(), "{}", String::from_utf8_lossy(&check.stderr));
    let past = write(folder.path(), "past.csv", &springs(&[2022, 2023], 0.0));
    let ask = |more: &[&'static str], file: &str| -> Value {
        let base = ["import", "--config", &config, "--format", "json", "--temps", file];
        serde_json::from_str(&text(&[&base[..], more].concat())).unwrap()
    };
    let database = folder.path().join("nightjar.sqlite");
    let dry = ask(&["--dry-run"], &past);
    assert_eq!((dry["added"].as_u64(), dry["dry_run"].as_bool()), (Some(244), Some(true)));
    assert!(!database.exists(), "a dry run leaves nothing behind");
    assert_eq!(ask(&[], &past)["added"], 244);
    let again = ask(&[], &past);
    assert_eq!((again["added"].as_u64(), again["same"].as_u64()), (Some(0), Some(244)));
    assert_eq!(ask(&["--dry-run"], &past)["same"], 244);

    // A bad row anywhere: nothing of the file is taken, and the row is named.
    let rows = springs(&[2024], 0.0);
    for (name, row, code, expected) in [
        ("code.csv", "2025-04-01,-9999", 65, "code.csv line 125"),
        ("word.csv", "2025-04-01,warm", 65, "word.csv line 125"),
        ("date.csv", "someday,8.1", 65, "date.csv line 125"),
        ("twice.csv", "2024-04-01,9.9", 65, "twice.csv: 2024-04-01 has both"),
        ("future.csv", "2999-04-01,9.9", 65, "check the year"),
    ] {
        let file = write(folder.path(), name, &format!("{rows}{row}\n"));
        refused(&["import", "--config", &config, "--temps", &file], code, expected);
        // The good file beside it is not taken either.
        let good = write(folder.path(), "good.csv", &springs(&[2021], 0.0));
        refused(&["import", "--config", &config, "--temps", &good, &file], code, expected);
    }
    let code = folder.path().join("code.csv");
    let left = ask(&["--leave-out-bad"], code.to_str().unwrap());
    assert_eq!((left["added"].as_u64(), left["left_out"].as_u64()), (Some(122), Some(1)));

    // Other means for days that are there: refused, or replaced when asked.
    let other = write(folder.path(), "other.csv", &springs(&[2022, 2020], 0.5));
    refused(&["import", "--config", &config, "--temps", &other], 65, "122 days are in the database");
    let count = || -> i64 {
        let db = rusqlite::Connection::open(&database).unwrap();
        db.query_row("SELECT count(*) FROM past_water", [], |row| row.get(0)).unwrap()
    };
    assert_eq!(count(), 366);
    let replaced = ask(&["--replace"], &other);
    assert_eq!((replaced["added"].as_u64(), replaced["replaced"].as_u64()), (Some(122), Some(122)));
    assert_eq!(count(), 488);
    assert_eq!(nightjar(&["import", "--config", "no.toml", "--temps", &past]).status.code(), Some(78));
    refused(&["import", "--config", &config, "--temps", "no.csv"], 74, "no.csv");
    refused(&["import", "--config", &config, "--temps", &past, "--tz", "Mars/Base"], 64, "--tz");
    refused(&["import", "--config", &config], 64, "--temps");
}

fn steady(folder: &Path) -> String {
    let mut rows = String::from("time,temp_c\n");
    for h in 0..120 {
        writeln!(rows, "2026-04-{:02}T{:02}:00:00-05:00,10.0", 18 + h / 24, h % 24).unwrap();
    }
    write(folder, "t.csv", &rows)
}

#[test]
fn a_wanted_hatch_day_is_planned_or_honestly_refused() {
    let folder = tempfile::tempdir().unwrap();
    let file = steady(folder.path());
    let base =
        ["outlook", "--species", "walleye", "--fertilized", "2026-04-18T00:00:00-05:00", "--temps", &file];
    let plan = |more: &[&str]| -> Value {
        let all: Value =
            serde_json::from_str(&text(&[&base[..], more, &["--format", "json"]].concat())).unwrap();
        all["plan"].clone()
    };
    let met = plan(&["--hatch-by", "2026-05-05", "--change-c-per-day", "1"]);
    assert_eq!(met["verdict"], "met");
    assert!(met["hatch_peak"].as_str().unwrap().starts_with("2026-05-05"), "{met}");
    let (low, high) = (met["lowest_allowed_c"].as_f64().unwrap(), met["highest_allowed_c"].as_f64().unwrap());
    let mut before = 10.0;
    for day in met["days"].as_array().unwrap() {
        let set = day["temp_c"].as_f64().unwrap();
        assert!((low - 0.01..=high + 0.01).contains(&set) && (set - before).abs() <= 1.011, "{met}");
        before = set;
    }
    let past = write(folder.path(), "past.csv", &springs(&[2021, 2022, 2023], 0.0));
    let with = text(&[&base[..], &["--history", &past, "--format", "json"]].concat());
    let with: Value = serde_json::from_str(&with).unwrap();
    assert_eq!(with["past_outlooks"]["springs"], 3, "{with}");
    assert_eq!(with["past_outlooks"]["issued"].as_array().unwrap().len(), 4, "{with}");
    let soon = plan(&["--hatch-by", "2026-04-26"]);
    assert_eq!(soon["verdict"], "wanted_too_soon");
    assert!(soon["off_days"].as_f64().unwrap() > 0.5, "{soon}");
    let late = plan(&["--hatch-by", "2026-08-01"]);
    assert_eq!(late["verdict"], "wanted_too_late");
    assert!(late["off_days"].as_f64().unwrap() < -0.5, "{late}");
    // A heater of one degree on water that stays near 10 °C brings less than free choice does.
    let heated = plan(&["--hatch-by", "2026-04-26", "--heater-c", "1"]);
    assert!(heated["off_days"].as_f64().unwrap() > soon["off_days"].as_f64().unwrap());
    assert!(
        text(&[&base[..], &["--hatch-by", "2026-05-05"]].concat()).contains("plan: hatch peaks 2026-05-05")
    );
    for (more, expected) in [
        (&["--hatch-by", "2026-04-20"][..], "are the two swapped"),
        (&["--hatch-by", "soon"], "--hatch-by"),
        (&["--hatch-by", "2026-05-05", "--coldest-c", "12", "--warmest-c", "8"], "are the two swapped"),
        (&["--hatch-by", "2026-05-05", "--change-c-per-day", "0"], "change per day"),
        (&["--hatch-by", "2026-05-05", "--heater-c", "-3"], "heater"),
        (&["--heater-c", "3"], "--hatch-by"),
    ] {
        refused(&[&base[..], more].concat(), 64, expected);
    }
}
