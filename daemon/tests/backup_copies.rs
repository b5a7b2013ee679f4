//! Copies, their restore drill and CSV, by the commands that people use; and the configuration that
//! is refused while an older one works.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod export_stand;
mod web_stand;

use export_stand::{stand, start, until};
use nightjar::backup::{self, BackupHealth, KEEP, newest, stamp, stamp_of};
use nightjar::clock::Clock as _;
use nightjar_calc::time::Span;
use std::process::{Command, Stdio};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

#[tokio::test(flavor = "multi_thread")]
async fn a_copy_is_made_each_night_seven_are_kept_and_a_missed_one_is_made_up_for() {
    let stand = stand();
    let folder = stand.folder.path().join("second-medium");
    let (health_in, health) = watch::channel(BackupHealth::default());
    let stop = CancellationToken::new();
    let clock: std::sync::Arc<dyn nightjar::clock::Clock> = stand.clock.clone();
    let task = tokio::spawn(backup::run(
        folder.clone(),
        stand.rack.clone(),
        stand.store.clone(),
        clock,
        health_in,
        stop.clone(),
    ));
    stand.append(start(), 1);
    stand.store.flush().await.unwrap();
    let mut names = Vec::new();
    for night in 0..10 {
        let before = health.borrow().last.clone().map(|(at, ..)| at);
        until(&stand.clock, Span::from_minutes(5), "copied", || {
            health.borrow().last.clone().map(|(at, ..)| at) > before
        })
        .await;
        let (_, path, report) = health.borrow().last.clone().unwrap();
        assert_eq!(report.readings, stand.rack.sensors.len() as u64);
        assert_eq!(newest(&folder).unwrap(), Some(path.clone()));
        if night > 0 {
            // When it began: how long it takes in the test's hurried time says nothing.
            let local = stand.rack.zone.local(stamp_of(&path).unwrap()).format("%H:%M").to_string();
            assert!(("03:40".."05:00").contains(&local.as_str()), "{local}");
        }
        names.push(stamp_of(&path).unwrap());
    }
    stop.cancel();
    task.await.unwrap();
    assert!(names.windows(2).all(|pair| pair[1] > pair[0]));
    assert_eq!(std::fs::read_dir(&folder).unwrap().count(), KEEP);
}

#[test]
fn the_name_of_a_copy_tells_when_it_was_made() {
    let path = std::path::PathBuf::from(format!("/x/nightjar-{}.db", stamp(start())));
    assert_eq!(stamp_of(&path), Some(start()));
    assert_eq!(stamp_of(std::path::Path::new("/x/nightjar-old.db")), None);
}

const STATION: &str = r#"
[station]
name = "Kettle Point"
time-zone = "America/Chicago"
altitude-m = 402
[rack]
jar-temperature = "J{jar}T"
jar-flow = "J{jar}F"
[[rack.header]]
id = "A"
rows = [["01", "02"]]
[[source.serial]]
id = "board"
port = "/dev/no-such-port"
format = "xdr"
[[people]]
id = "kim"
email = "kim@home.example"
[rota]
weeks = [["kim"]]
[notify.email]
server = "127.0.0.1"
port = 1
from = "alarms@station.example"
[web]
listen = "127.0.0.1:0"
[store]
folder = "FOLDER"
backup-folder = "FOLDER/copies"
"#;

fn nightjar(arguments: &[&str]) -> (i32, String, String) {
    let done = Command::new(env!("CARGO_BIN_EXE_nightjar")).args(arguments).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (done.status.code().unwrap_or(-1), text(done.stdout), text(done.stderr))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_copy_is_restored_and_everything_comes_out_as_csv_while_the_station_works() {
    let stand = stand();
    stand.minutes(0, 200).await;
    stand.store.compact().await.unwrap();
    stand.minutes(200, 10).await;
    let folder = stand.folder.path().to_str().unwrap().to_owned();
    let config = stand.folder.path().join("nightjar.toml");
    std::fs::write(&config, STATION.replace("FOLDER", &folder)).unwrap();
    let config = config.to_str().unwrap();
    let readings = 210 * stand.rack.sensors.len();

    let (code, out, err) = nightjar(&["backup", "--config", config, "--format", "json"]);
    assert_eq!(code, 0, "{err}");
    let copied: serde_json::Value = serde_json::from_str(&out).unwrap();
    println!("{out}");
    let (code, out, err) = nightjar(&["drill", "restore", "--config", config, "--format", "json"]);
    assert_eq!(code, 0, "{err}");
    let drilled: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(drilled["readings"], copied["readings"]);
    assert!(!stand.folder.path().join("restore-drill").exists(), "a drill leaves nothing behind");
    println!("{out}");

    // Restoring over something is refused, and touches nothing.
    let (code, _, err) = nightjar(&["drill", "restore", "--config", config, "--into", &folder]);
    assert_eq!(code, 74);
    assert!(err.contains("not empty"), "{err}");

    let csv = stand.folder.path().join("csv");
    let (code, _, err) = nightjar(&["backup", "--config", config, "--csv", csv.to_str().unwrap()]);
    assert_eq!(code, 0, "{err}");
    let mut rows = csv::Reader::from_path(csv.join("readings.csv")).unwrap();
    let rows: Vec<csv::StringRecord> = rows.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), readings);
    let sensor = &stand.rack.sensors[5].id;
    let mine: Vec<f64> =
        rows.iter().filter(|row| &row[0] == sensor.as_str()).map(|row| row[2].parse().unwrap()).collect();
    let expected: Vec<f64> = (0..210).map(|n| f64::from(5_000 + n) / 10_000.0).collect();
    assert_eq!(mine, expected);
    for name in ["journal.csv", "logbook.csv", "messages.csv", "starts.csv", "clock_steps.csv"] {
        assert!(csv.join(name).is_file(), "{name}");
    }
    assert!(stand.clock.now().trusted);
}

#[test]
fn a_broken_configuration_does_not_stop_the_watch() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (config, good, data) = (path("nightjar.toml"), path("last-good.toml"), path("data"));
    std::fs::write(&config, "[station]\nnmae = 1\n").unwrap();
    let arguments = ["run", "--fallback", "--config", &config, "--last-good", &good];
    // Nothing worked before: refused, with the problem named.
    let (code, _, err) = nightjar(&arguments);
    assert_eq!(code, 78);
    assert!(err.contains("nmae"), "{err}");
    std::fs::write(&good, STATION.replace("FOLDER", &data)).unwrap();
    let mut station = Command::new(env!("CARGO_BIN_EXE_nightjar"))
        .args(arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    // The alarm stands in its journal.
    let raised = (0..400).any(|_| {
        let wait = Command::new("sleep").arg("0.05").status().unwrap();
        let found = nightjar::store::look_at(&folder.path().join("data/nightjar.sqlite"), |r| {
            r.journal_after(nightjar::store::JournalKind::Alarm, 0, 1_000)
        });
        let is_it = |line: &nightjar::store::JournalLine| line.body.to_string().contains("config_fallback");
        wait.success() && found.is_ok_and(|lines| lines.iter().any(is_it))
    });
    station.kill().unwrap();
    station.wait().unwrap();
    assert!(raised, "no alarm about the older configuration");
}
