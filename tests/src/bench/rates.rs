//! How fast readings go from the broker to the disk, beside `mosquitto_sub` throwing them away.

use super::Effort;
use super::publish::{Publisher, message};
use super::station::{Plan, Station};
use super::steady::Subscriber;
use super::stopwatch::{median, now, pause, wall_ms};
use super::table::{Goal, Row};
use crate::daemon::try_for;
use crate::programs::nightjar;
use anyhow::{Context, Result, bail, ensure};
use nightjar_calc::time::Timestamp;
use std::time::Duration;

/// Messages of a round.
const FAST: usize = 200_000;
const SURE: usize = 40_000;
/// Sent behind them, so that what is counted does not wait for its group to grow old.
const BEHIND: usize = 6_000;
const LIMIT: Duration = Duration::from_secs(60);

/// Readings as nodes send them that have a clock: a millisecond from scan to scan, the last of them
/// now, each once. `free` is the first moment no stream has used.
fn stream(sensors: &[String], count: usize, free: &mut i64) -> Vec<(String, String)> {
    let scans = i64::try_from(count / sensors.len()).unwrap_or(0) + 1;
    let begin = (wall_ms() - scans).max(*free);
    *free = begin + scans;
    (0..count)
        .map(|n| {
            let (scan, at) = (n / sensors.len(), n % sensors.len());
            let value = super::station::value(&sensors[at], at, scan as u64);
            let time = Timestamp::from_ms(begin + i64::try_from(scan).unwrap_or(0)).rfc3339();
            (format!("sensors/{}", sensors[at]), format!("{{\"value\":{value},\"at\":\"{time}\"}}"))
        })
        .collect()
}

/// Counts readings on disk as they are committed: rows of the tail begin with a version, a moment
/// and their number, integers of seven bits a byte (`daemon::store::pack`).
struct Counter {
    db: rusqlite::Connection,
    last: i64,
    readings: u64,
}

fn skip_integer(bytes: &[u8]) -> Option<(u64, &[u8])> {
    let end = bytes.iter().position(|byte| byte & 0x80 == 0)?;
    let value = bytes[..=end].iter().rev().fold(0_u64, |sum, byte| sum << 7 | u64::from(byte & 0x7f));
    Some((value, &bytes[end + 1..]))
}

impl Counter {
    fn new(station: &Station) -> Result<Self> {
        let mut counter = Self { db: station.look()?, last: 0, readings: 0 };
        counter.count()?;
        counter.readings = 0;
        Ok(counter)
    }

    fn count(&mut self) -> Result<u64> {
        let mut statement =
            self.db.prepare_cached("SELECT id, substr(packed, 2, 24) FROM tail WHERE id > ?1 ORDER BY id")?;
        let rows = statement.query_map([self.last], |row| Ok((row.get(0)?, row.get::<_, Vec<u8>>(1)?)))?;
        for row in rows {
            let (id, head): (i64, Vec<u8>) = row?;
            let number = skip_integer(&head).and_then(|(_, rest)| skip_integer(rest));
            self.readings += number.context("a row of readings has no number")?.0;
            self.last = id;
        }
        Ok(self.readings)
    }
}

fn publish(port: u16, messages: &[(String, String)], surely: bool) -> Result<()> {
    let mut publisher = Publisher::connect(port, "sender")?;
    if surely {
        return publisher
            .send_surely(messages.iter().map(|(topic, payload)| (topic.as_str(), payload.as_str())));
    }
    let packets: Vec<u8> =
        messages.iter().flat_map(|(topic, payload)| message(topic, payload, None)).collect();
    packets.chunks(65_536).try_for_each(|piece| publisher.send(piece))
}

/// Messages a second that `mosquitto_sub` takes.
fn theirs(port: u16, messages: &[(String, String)], surely: bool) -> Result<f64> {
    let count = messages.len();
    let mut subscriber = Subscriber::start(port, u8::from(surely), Some(count as u64))?;
    pause(Duration::from_millis(300));
    let began = now();
    publish(port, messages, surely)?;
    let ended = || subscriber.0.try_wait().ok().flatten();
    try_for(LIMIT, ended).with_context(|| format!("mosquitto_sub did not get {count} messages"))?;
    Ok(count as f64 / began.elapsed().as_secs_f64())
}

/// Messages a second that Nightjar takes, evaluates and has on disk.
fn ours(station: &Station, messages: &[(String, String)], counted: usize, surely: bool) -> Result<f64> {
    let mut counter = Counter::new(station)?;
    let began = now();
    publish(station.broker.port, messages, surely)?;
    let mut problem = None;
    let there = || match counter.count() {
        Ok(readings) => (readings >= counted as u64).then_some(()),
        Err(error) => {
            problem = Some(error);
            Some(())
        }
    };
    let found = try_for(LIMIT, there);
    let rate = counted as f64 / began.elapsed().as_secs_f64();
    if let Some(error) = problem {
        return Err(error);
    }
    if found.is_none() {
        bail!("{} of {counted} readings on disk; log: {}", counter.readings, station.daemon.log_tail());
    }
    // The rest of the group that is behind.
    let all = messages.len() as u64;
    try_for(LIMIT, || counter.count().ok().filter(|readings| *readings >= all));
    ensure!(counter.readings == all, "{} of {all} readings are on disk", counter.readings);
    Ok(rate)
}

/// Every reading of the last stream, as the daemon's own export has it.
fn nothing_lost(station: &Station, sent: u64) -> Result<()> {
    let output = nightjar().args(["export", "--data"]).arg(station.folder().join("data")).output()?;
    ensure!(output.status.success(), "export: {}", String::from_utf8_lossy(&output.stderr));
    let lines = output.stdout.iter().filter(|byte| **byte == b'\n').count() as u64 - 1;
    ensure!(lines == sent, "{lines} of {sent} readings are in the record");
    Ok(())
}

/// Both qualities of service, turn by turn.
///
/// # Errors
/// When a reading is lost.
pub fn rows(effort: Effort) -> Result<Vec<Row>> {
    let plan = Plan { stamped: true, commit_every: "1s", ..Plan::RACK };
    let station = Station::start(&plan, 0)?;
    let sensors = plan.sensors();
    let (mut sent, mut free) = (0_u64, 0);
    let mut measured = |count: usize, surely: bool| -> Result<(f64, f64)> {
        let (mut mine, mut beside) = (Vec::new(), Vec::new());
        for _ in 0..effort.rounds {
            // Both get the same stream; that of the subscriber goes past the daemon as well, so it
            // is sent on topics nobody else reads.
            let messages = stream(&sensors, count, &mut free);
            let elsewhere: Vec<(String, String)> =
                messages.iter().map(|(topic, text)| (format!("{topic}/x"), text.clone())).collect();
            beside.push(theirs(station.broker.port, &elsewhere, surely)?);
            let messages = stream(&sensors, count + BEHIND, &mut free);
            mine.push(ours(&station, &messages, count, surely)?);
            sent += messages.len() as u64;
        }
        Ok((median(&mine), median(&beside)))
    };
    let (fast, fast_beside) = measured(FAST, false)?;
    let (sure, sure_beside) = measured(SURE, true)?;
    let (tenth, _) = measured(FAST / 10, false)?;
    nothing_lost(&station, sent)?;
    Ok(vec![
        Row::ratio("receive to disk, QoS 0", fast, fast_beside, "msg/s", Goal::AtLeast(0.8)),
        Row::ratio("receive to disk, QoS 1", sure, sure_beside, "msg/s", Goal::AtLeast(1.0)),
        Row::plain("growth: receiving ten times the messages", tenth / fast, "of linear", Goal::AtMost(1.1))
            .with(format!("{fast:.0} msg/s"), format!("{tenth:.0} msg/s")),
    ])
}
