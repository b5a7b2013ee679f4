//! What watching costs while nothing happens: memory, CPU, bytes written.

use super::process::{Written, cpu_s, memory_mib, written};
use super::station::{Plan, Station, Traffic};
use super::stopwatch;
use super::table::{Goal, Row};
use super::{Effort, pages};
use anyhow::{Context, Result, bail, ensure};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// KiB that 48 packed values cost at least when committed by themselves: one page of the log with
/// its frame header and its share of the checkpoint, measured with SQLite alone.
const PACKED_MINIMUM_KIB: f64 = 4.4;
const VALUES: f64 = 48.0;

/// `mosquitto_sub` on all topics of a station, its messages thrown away.
pub(super) struct Subscriber(pub(super) Child);

impl Subscriber {
    /// Starts one that ends by itself after so many messages, if a number is given.
    pub(super) fn start(port: u16, quality: u8, messages: Option<u64>) -> Result<Self> {
        let mut command = Command::new("mosquitto_sub");
        command.args([
            "-h",
            "127.0.0.1",
            "-t",
            "sensors/#",
            "-p",
            &port.to_string(),
            "-q",
            &quality.to_string(),
        ]);
        if let Some(messages) = messages {
            command.args(["-C", &messages.to_string()]);
        }
        let child = command.stdout(Stdio::null()).spawn().context("mosquitto_sub cannot be started")?;
        Ok(Self(child))
    }
}

impl Drop for Subscriber {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// What a while of traffic cost.
#[derive(Clone, Copy, Debug)]
struct Cost {
    memory: f64,
    cpu_s: f64,
    readings: u64,
    seconds: f64,
    broker_memory: f64,
    subscriber_memory: f64,
    subscriber_cpu_s: f64,
}

fn watch(station: &Station, effort: Effort) -> Result<Cost> {
    let subscriber = Subscriber::start(station.broker.port, 1, None)?;
    let traffic = Traffic::start(station, "nodes")?;
    // Somebody looks at the first page all the time.
    let _viewer = pages::Viewer::open(station.daemon.port, "rack")?;
    // Every sensor has spoken and the first group is on disk.
    stopwatch::pause(Duration::from_millis(station.plan.interval_ms.max(2_000) + 1_000));
    let (daemon, broker) = (station.process()?, station.broker.id().context("the broker has ended")?);
    let sub = subscriber.0.id();
    let (sent, began) = (traffic.sent(), stopwatch::now());
    let before = (cpu_s(daemon), cpu_s(sub));
    stopwatch::pause(Duration::from_secs(effort.steady_s));
    let after = (cpu_s(daemon), cpu_s(sub));
    let cost = Cost {
        memory: memory_mib(daemon),
        cpu_s: after.0 - before.0,
        subscriber_cpu_s: after.1 - before.1,
        readings: traffic.sent() - sent,
        seconds: began.elapsed().as_secs_f64(),
        broker_memory: memory_mib(broker),
        subscriber_memory: memory_mib(sub),
    };
    traffic.stop()?;
    Ok(cost)
}

/// Twenty-four jars.
///
/// # Errors
/// When the station cannot be set up.
pub fn rows(effort: Effort, season: &Station) -> Result<Vec<Row>> {
    let mut rows = Vec::new();
    cost_rows("24 jars, a season stored", &watch(season, effort)?, 20.0, &mut rows);
    Ok(rows)
}

/// Ten times as many, beside a rack of now.
///
/// # Errors
/// When a station cannot be set up.
pub fn tenfold(effort: Effort) -> Result<Vec<Row>> {
    let mut rows = Vec::new();
    let small = watch(&Station::start(&Plan::RACK, 7)?, effort)?;
    let ten = Plan { headers: 6, jars_of_each: 40, ..Plan::RACK };
    let large = watch(&Station::start(&ten, 7)?, effort)?;
    cost_rows("240 jars", &large, f64::NAN, &mut rows);
    rows.push(growth("CPU, ten times the messages", large.cpu_s, small.cpu_s, &large, &small));
    Ok(rows)
}

/// Two thousand jars.
///
/// # Errors
/// When the station cannot be set up.
pub fn many(effort: Effort) -> Result<Vec<Row>> {
    let mut rows = Vec::new();
    let many = Plan { headers: 50, jars_of_each: 40, interval_ms: 10_000, ..Plan::RACK };
    cost_rows("2,000 jars", &watch(&Station::start(&many, 1)?, effort)?, 80.0, &mut rows);
    Ok(rows)
}

fn cost_rows(what: &str, cost: &Cost, memory_goal: f64, rows: &mut Vec<Row>) {
    let goal = |number: f64| if number.is_nan() { Goal::None } else { Goal::AtMost(number) };
    let rate = cost.readings as f64 / cost.seconds;
    rows.push(Row::plain(format!("memory, {what}"), cost.memory, "MiB", goal(memory_goal)).with(
        format!("{:.1} MiB", cost.memory),
        format!("mosquitto {:.1}, mosquitto_sub {:.1} MiB", cost.broker_memory, cost.subscriber_memory),
    ));
    let share = |seconds: f64| 100.0 * seconds / cost.seconds;
    rows.push(Row::ratio(
        format!("CPU at {rate:.0} msg/s, {what}"),
        share(cost.cpu_s),
        share(cost.subscriber_cpu_s),
        "% of a core",
        Goal::AtMost(4.0),
    ));
}

fn growth(what: &str, more: f64, less: f64, large: &Cost, small: &Cost) -> Row {
    let work = large.readings as f64 / large.seconds / (small.readings as f64 / small.seconds);
    Row::plain(format!("growth: {what}"), more / less / work, "of linear", Goal::AtMost(1.1))
        .with(format!("×{:.1}", more / less), format!("work ×{work:.1}"))
}

/// Bytes written once the daemon is at rest: at its first start it makes a file to be given up when
/// the disk is full.
fn settled(daemon: u32) -> Result<Written> {
    let mut before = written(daemon);
    for _ in 0..30 {
        stopwatch::pause(Duration::from_secs(1));
        let after = written(daemon);
        if after.calls - before.calls < 4_096.0 {
            return Ok(after);
        }
        before = after;
    }
    bail!("the daemon writes and writes without a reading")
}

/// A scan a second, each committed by itself, with what closing writes.
///
/// # Errors
/// When the station cannot be set up, or a reading is lost.
pub fn bytes(effort: Effort) -> Result<Vec<Row>> {
    let plan = Plan { commit_every: "500ms", ..Plan::RACK };
    let mut station = Station::start(&plan, 0)?;
    let daemon = station.process()?;
    let before = settled(daemon)?;
    let sensors: Vec<String> = plan.sensors();
    let scans = effort.steady_s * 2;
    let mut publisher = super::publish::Publisher::connect(station.broker.port, "nodes")?;
    let mut turn = stopwatch::now();
    for scan in 0..scans {
        let topics: Vec<(String, String)> = (0..sensors.len())
            .map(|at| (format!("sensors/{}", sensors[at]), super::station::value(&sensors[at], at, scan)))
            .collect();
        publisher.send_surely(topics.iter().map(|(topic, value)| (topic.as_str(), value.as_str())))?;
        turn += Duration::from_secs(1);
        stopwatch::pause_until(turn);
    }
    stopwatch::pause(Duration::from_secs(1));
    let after = written(daemon);
    let readings = (scans * sensors.len() as u64) as f64;
    ensure!(station.daemon.stop() == Some(0), "the daemon did not end well: {}", station.daemon.log_tail());
    let minimum = PACKED_MINIMUM_KIB * 1_024.0 / VALUES * readings;
    let calls = after.calls - before.calls;
    let medium = after.medium - before.medium;
    let row = |what: &str, bytes: f64, goal| {
        Row::ratio(what, bytes / readings, minimum / readings, "B/reading", goal)
    };
    Ok(vec![
        row("written, a commit a scan of 54: write calls", calls, Goal::AtMost(1.3)),
        row("the same as sent to the medium, file system included", medium, Goal::None),
    ])
}

/// What a stored season takes in the file.
///
/// # Errors
/// When the file cannot be looked at.
pub fn stored(season: &Station) -> Result<Row> {
    let bytes = std::fs::metadata(season.database())?.len() as f64;
    let readings = season.stored as f64;
    Ok(Row::plain("stored, a season of 60 days", bytes / readings, "B/reading", Goal::AtMost(3.0))
        .with(format!("{:.1} MB", bytes / 1e6), format!("{:.1} million readings", readings / 1e6)))
}
