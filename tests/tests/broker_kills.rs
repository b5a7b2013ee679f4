//! Twenty-four jars over a real broker, while the daemon is killed at random moments and the broker
//! is restarted: every reading the broker was told is safe is in the database.

use nightjar_tests::broker::Broker;
use nightjar_tests::daemon::{Daemon, wait_for};
use nightjar_tests::http;
use nightjar_tests::programs::{free_port, installed, simulator};
use std::collections::BTreeSet;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

/// Kills when no other number is asked for by `NIGHTJAR_KILLS`.
const KILLS: u32 = 10;
/// The broker is restarted after each of so many kills.
const RESTART_EVERY: u32 = 10;

fn configuration(folder: &Path, page: u16, broker: u16) -> String {
    let shipped = include_str!("../../deploy/twenty-four-jars-mqtt.toml");
    // The shipped rack and topics, with the ports of this test and payloads that carry their time.
    let mut text = String::new();
    for line in shipped.lines() {
        let line = line.trim_end();
        if line.starts_with("[[people]]") {
            break;
        }
        text += match line {
            "host = \"localhost\"" => "host = \"127.0.0.1\"",
            _ => line,
        };
        text.push('\n');
        if line.starts_with("host =") {
            text += &format!("port = {broker}\n");
        }
        if line.starts_with("filter =") {
            text += "pointer = \"/value\"\ntime-pointer = \"/at\"\n";
        }
    }
    text + &format!(
        "[[people]]\nid = \"kim\"\nemail = \"kim@station.example\"\n[[people]]\nid = \"lee\"\nemail = \"lee@station.example\"\n\
         [rota]\nweeks = [[\"kim\", \"lee\"]]\n[notify]\nmail-folder = {mail:?}\n\
         [web]\nlisten = \"127.0.0.1:{page}\"\n[store]\nfolder = {data:?}\n",
        mail = folder.join("mail"),
        data = folder.join("data"),
    )
}

/// `sensor,time` of every reading that is stored, by the database's own shell and the daemon's
/// own export of readings.
fn stored(folder: &Path) -> BTreeSet<String> {
    let output = nightjar_tests::programs::nightjar()
        .args(["export", "--data"])
        .arg(folder.join("data"))
        .output()
        .expect("the export can be started");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("text");
    text.lines().skip(1).map(|line| line.splitn(3, ',').take(2).collect::<Vec<_>>().join(",")).collect()
}

/// A whole line about a jar. The simulated station names its headers otherwise than the shipped
/// file; jars are the same.
fn of_a_jar(line: &&str) -> bool {
    line.starts_with('J') && line.matches(',').count() == 2
}

#[test]
fn nothing_the_broker_was_told_is_safe_is_lost() {
    if !installed("mosquitto") {
        return;
    }
    let kills: u32 =
        std::env::var("NIGHTJAR_KILLS").map_or(KILLS, |asked| asked.parse().expect("a number of kills"));
    let folder = tempfile::tempdir().expect("a folder");
    let mut broker = Broker::start_careful(folder.path());
    let page = free_port();
    let mut daemon = Daemon::start(folder.path(), &configuration(folder.path(), page, broker.port), page);
    // What is sent before anybody has subscribed is nobody's.
    wait_for("the subscription", Duration::from_secs(30), || {
        let (_, metrics) = http::get(page, "/metrics").ok()?;
        let up = |line: &str| line.starts_with("nightjar_source_up") && line.ends_with(" 1");
        metrics.lines().any(up).then_some(())
    });
    let acknowledged = folder.path().join("acknowledged.csv");
    // A scan of 24 jars each half second of real time, in stamps ten seconds apart, ending now.
    let mut sender = simulator()
        .args([
            "--scenario",
            "quiet",
            "--jars",
            "24",
            "--speed",
            "20",
            "--stamp",
            "--start",
            "2026-04-16T06:00:00-05:00",
        ])
        .args(["--mqtt", &format!("127.0.0.1:{}", broker.port), "--acked-log"])
        .arg(&acknowledged)
        .stderr(Stdio::null())
        .spawn()
        .expect("the simulator can be started");
    // Moments of killing from a fixed generator: the same program dies at the same waits each time.
    let mut chance: u64 = 0x9e37_79b9_7f4a_7c15;
    for kill in 1..=kills {
        chance = chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let wait = Duration::from_millis(200 + (chance >> 33) % 1_300);
        let until = Command::new("sleep").arg(format!("{:.3}", wait.as_secs_f64())).status();
        assert!(until.is_ok_and(|status| status.success()));
        daemon.kill();
        if kill % RESTART_EVERY == 0 {
            broker.restart();
        }
        daemon.run();
    }
    // A fast machine is through with the kills before much was sent.
    wait_for("a thousand readings sent", Duration::from_secs(120), || {
        let log = std::fs::read_to_string(&acknowledged).ok()?;
        (log.lines().filter(of_a_jar).count() > 1_000).then_some(())
    });
    // The sender stops in the middle of its season; its log is complete up to what it has flushed.
    let asked = Command::new("kill").arg(sender.id().to_string()).status();
    assert!(asked.is_ok_and(|status| status.success()));
    drop(sender.wait());
    let log = std::fs::read_to_string(&acknowledged).expect("the log of acknowledged readings");
    let told: BTreeSet<String> = log
        .lines()
        .filter(of_a_jar)
        .map(|line| line.splitn(3, ',').take(2).collect::<Vec<_>>().join(","))
        .collect();
    // What waits at the broker takes its time; as long as some of it comes, all of it may.
    let mut missing: Vec<String> = told.iter().cloned().collect();
    loop {
        let stored = stored(folder.path());
        let before = missing.len();
        missing.retain(|reading| !stored.contains(reading));
        if missing.is_empty() || missing.len() == before {
            break;
        }
        let rest = Command::new("sleep").arg("20").status();
        assert!(rest.is_ok_and(|status| status.success()));
    }
    let line =
        format!("{} readings acknowledged by the broker, {kills} kills, {} lost", told.len(), missing.len());
    drop(writeln!(std::io::stderr(), "{line}"));
    assert!(missing.is_empty(), "first and last lost: {:?} {:?}", missing.first(), missing.last());
    assert_eq!(daemon.stop(), Some(0), "{}", daemon.log_tail());
}
