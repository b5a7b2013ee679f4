//! From a sensor's bad samples to a message in the outbox, beyond the delays that are meant: with
//! nothing else to do, and with a node babbling and sixty-four clients of the page.

use super::Effort;
use super::publish::Publisher;
use super::station::{Plan, Station, plain, value};
use super::stopwatch::{now, pause, pause_until, share_below};
use super::table::{Goal, Row};
use crate::torture::receiver::Receiver;
use anyhow::{Context, Result, ensure};
use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// On-delays as short as they go: the three samples an alarm is verified by.
const MORE: &str = "[alarm.delay.no-flow]\non = \"0s\"\noff = \"0s\"\n[alarm.delay.temperature-outer]\non = \"0s\"\noff = \"0s\"";
/// First words about an urgent alarm wait so long for its group, counted from the end of the
/// configured on-delay, which is nothing here; the three samples that verify it fall into that time.
const GROUP_WAIT: Duration = Duration::from_secs(10);
/// Babble.
const BABBLED_PER_S: u32 = 20_000;
/// Clients of the page: eight addresses with eight connections each, half of them live pages.
const ADDRESSES: u8 = 8;
const EACH: u8 = 8;

/// Headers in trouble in one wave.
const HEADERS: usize = 12;
/// One jar of each header in each of these troubles, so that each is an event of its own.
const TROUBLES: [(&str, &str); 3] = [("F", "0.0"), ("T", "25.0"), ("T", "0.5")];

/// What sensors say instead of the usual, and when they first said so.
type Bad = Arc<Mutex<BTreeMap<usize, (&'static str, Option<Instant>)>>>;

/// Every sensor at its own moment of each second.
fn speak(
    station: &Station,
    bad: &Bad,
    stop: &Arc<AtomicBool>,
) -> Result<std::thread::JoinHandle<Result<()>>> {
    let mut publisher = Publisher::connect(station.broker.port, "nodes")?;
    let (sensors, bad, stop) = (station.plan.sensors(), Arc::clone(bad), Arc::clone(stop));
    Ok(std::thread::spawn(move || {
        let step = Duration::from_secs(1) / u32::try_from(sensors.len()).unwrap_or(1);
        let mut turn = now();
        for scan in 0.. {
            for (at, sensor) in sensors.iter().enumerate() {
                if stop.load(Ordering::Relaxed) {
                    return Ok(());
                }
                pause_until(turn);
                let topic = format!("sensors/{sensor}");
                let mut table = bad.lock().unwrap_or_else(PoisonError::into_inner);
                let said = match table.get_mut(&at) {
                    Some((text, since)) => {
                        since.get_or_insert_with(now);
                        (*text).to_owned()
                    }
                    None => value(sensor, at, scan),
                };
                drop(table);
                publisher.send_surely(std::iter::once((topic.as_str(), said.as_str())))?;
                turn += step;
            }
        }
        Ok(())
    }))
}

/// Rows of the outbox as they become visible to another program.
fn read_outbox(station: &Station, last: &mut i64, db: &rusqlite::Connection) -> Result<Vec<String>> {
    let mut statement = db.prepare_cached("SELECT id, body FROM outbox WHERE id > ?1 ORDER BY id")?;
    let rows = statement.query_map([*last], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, String>(1)?)))?;
    let mut bodies = Vec::new();
    for row in rows {
        let (id, body) = row.with_context(|| format!("the outbox of {}", station.database().display()))?;
        *last = id;
        bodies.push(body);
    }
    Ok(bodies)
}

/// Milliseconds beyond the delays that are meant, of each alarm.
#[derive(Default)]
struct Waited {
    /// Until its message was in the outbox.
    to_outbox: Vec<f64>,
    /// Until the receiver of web calls had it.
    to_receiver: Vec<f64>,
}

impl Waited {
    fn add(&mut self, more: Self) {
        self.to_outbox.extend(more.to_outbox);
        self.to_receiver.extend(more.to_receiver);
    }
}

/// One wave of alarms on headers that had none before: one that comes back is told ten seconds after
/// it was verified, not after it began.
fn wave(station: &Station, receiver: &Receiver, bad: &Bad, number: usize) -> Result<Waited> {
    let db = station.look()?;
    let mut last = db.query_row("SELECT coalesce(max(id), 0) FROM outbox", [], |row| row.get(0))?;
    let sensors = station.plan.sensors();
    let mut waiting: BTreeMap<String, usize> = BTreeMap::new();
    let jars = station.plan.jars();
    let headers = jars.chunks(station.plan.jars_of_each).skip(number * HEADERS).take(HEADERS);
    for (number, jars) in headers.enumerate() {
        for ((kind, text), jar) in TROUBLES.iter().zip(jars) {
            let name = format!("J{jar}{kind}");
            let at = sensors.iter().position(|sensor| *sensor == name).context("a sensor of the rack")?;
            bad.lock().unwrap_or_else(PoisonError::into_inner).insert(at, (text, None));
            waiting.insert(jar.clone(), at);
        }
        // Headers in trouble at once would be one supply in trouble.
        if number % 2 == 1 {
            pause(Duration::from_millis(700));
        }
    }
    let all = waiting.len();
    let began = now();
    let mut told = waiting.clone();
    let mut waited = Waited::default();
    let beyond = |at: usize, seen: Instant| -> Result<f64> {
        let table = bad.lock().unwrap_or_else(PoisonError::into_inner);
        let first = table.get(&at).and_then(|(_, since)| *since).context("a bad sample was sent")?;
        let meant = first + GROUP_WAIT;
        let early = meant.saturating_duration_since(seen).as_secs_f64();
        Ok((seen.saturating_duration_since(meant).as_secs_f64() - early) * 1_000.0)
    };
    let mut calls = receiver.count();
    while !(waiting.is_empty() && told.is_empty()) && began.elapsed() < Duration::from_secs(40) {
        pause(Duration::from_millis(1));
        let seen = now();
        while let Some(call) = receiver.find(calls, |_| true) {
            calls += 1;
            if let Some(at) = call.asset.strip_prefix("jar/").and_then(|jar| told.remove(jar)) {
                waited.to_receiver.push(beyond(at, seen)?);
            }
        }
        for body in read_outbox(station, &mut last, &db)? {
            let about: Vec<String> =
                waiting.keys().filter(|jar| body.contains(jar.as_str())).cloned().collect();
            for jar in about {
                let Some(at) = waiting.remove(&jar) else { continue };
                waited.to_outbox.push(beyond(at, seen)?);
            }
        }
    }
    ensure!(
        waiting.is_empty() && told.is_empty(),
        "{} of {all} alarms were not announced, {} not received; log: {}",
        waiting.len(),
        told.len(),
        station.daemon.log_tail()
    );
    bad.lock().unwrap_or_else(PoisonError::into_inner).clear();
    // Off again, verified by three good samples.
    pause(Duration::from_secs(5));
    Ok(waited)
}

/// A node that sends as no node should, until told to stop.
fn babble(
    station: &Station,
    stop: &Arc<AtomicBool>,
    sent: &Arc<AtomicU64>,
) -> Result<std::thread::JoinHandle<Result<()>>> {
    let mut publisher = Publisher::connect(station.broker.port, "babbler")?;
    let sensor = station.plan.sensors().into_iter().next_back().context("a sensor")?;
    let per_turn = BABBLED_PER_S / 200;
    let packets: Vec<u8> = (0..per_turn).flat_map(|n| plain(&sensor, &format!("3.{:02}", n % 7))).collect();
    let (stop, sent) = (Arc::clone(stop), Arc::clone(sent));
    Ok(std::thread::spawn(move || {
        let mut turn = now();
        while !stop.load(Ordering::Relaxed) {
            publisher.send(&packets)?;
            sent.fetch_add(per_turn.into(), Ordering::Relaxed);
            turn += Duration::from_millis(5);
            pause_until(turn);
        }
        Ok(())
    }))
}

/// A client of the page from an address of its own: a live page, or the first page every two
/// seconds.
fn client(
    port: u16,
    address: u8,
    live: bool,
    stop: &Arc<AtomicBool>,
    answers: &Arc<AtomicU64>,
) -> Result<std::thread::JoinHandle<()>> {
    let socket = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::STREAM, None)?;
    socket.bind(&SocketAddr::from(([127, 0, 0, address], 0)).into())?;
    socket.connect(&SocketAddr::from(([127, 0, 0, 1], port)).into())?;
    socket.set_read_timeout(Some(Duration::from_millis(500)))?;
    let mut stream = std::net::TcpStream::from(socket);
    let (stop, answers) = (Arc::clone(stop), Arc::clone(answers));
    Ok(std::thread::spawn(move || {
        let path = if live { "/live?view=rack" } else { "/" };
        let request = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nAccept-Encoding: gzip\r\n\r\n");
        let mut some = [0; 65_536];
        let mut asked: Option<Instant> = None;
        while !stop.load(Ordering::Relaxed) {
            let due = asked.is_none_or(|at| !live && at.elapsed() > Duration::from_secs(2));
            if due {
                if stream.write_all(request.as_bytes()).is_err() {
                    return;
                }
                asked = Some(now());
            }
            match stream.read(&mut some) {
                Ok(0) => return,
                Ok(_) => {
                    answers.fetch_add(1, Ordering::Relaxed);
                }
                // Nothing for half a second: a live page may be quiet.
                Err(_) => {}
            }
        }
    }))
}

/// Idle, then under abuse.
///
/// # Errors
/// When an alarm is not announced.
pub fn rows(effort: Effort) -> Result<Vec<Row>> {
    let waves = if effort.rounds > 1 { 2 } else { 1 };
    let receiver = Receiver::start().context("a receiver of web calls")?;
    let plan = Plan {
        headers: 2 * waves * HEADERS,
        jars_of_each: 4,
        more: MORE,
        receiver: Some(receiver.port),
        ..Plan::RACK
    };
    let station = Station::start(&plan, 1)?;
    let (bad, stop) = (Bad::default(), Arc::new(AtomicBool::new(false)));
    let speaker = speak(&station, &bad, &stop)?;
    pause(Duration::from_secs(5));
    let mut idle = Waited::default();
    for number in 0..waves {
        idle.add(wave(&station, &receiver, &bad, number)?);
    }
    let (quiet, babbled, answers) =
        (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)), Arc::new(AtomicU64::new(0)));
    let babbler = babble(&station, &quiet, &babbled)?;
    let clients = (0..ADDRESSES * EACH)
        .map(|n| client(station.daemon.port, 2 + n / EACH, n % 2 == 0, &quiet, &answers))
        .collect::<Result<Vec<_>>>()?;
    pause(Duration::from_secs(3));
    let (before, began) = ((babbled.load(Ordering::Relaxed), answers.load(Ordering::Relaxed)), now());
    let mut abused = Waited::default();
    for number in waves..2 * waves {
        abused.add(wave(&station, &receiver, &bad, number)?);
    }
    let seconds = began.elapsed().as_secs_f64();
    let rate = |after: u64, before: u64| (after - before) as f64 / seconds;
    let (babbled, answers) =
        (rate(babbled.load(Ordering::Relaxed), before.0), rate(answers.load(Ordering::Relaxed), before.1));
    let there = clients.iter().filter(|client| !client.is_finished()).count();
    quiet.store(true, Ordering::Relaxed);
    stop.store(true, Ordering::Relaxed);
    for thread in [speaker, babbler] {
        thread.join().map_err(|_| anyhow::anyhow!("a sender panicked"))??;
    }
    for client in clients {
        drop(client.join());
    }
    let beside = format!("{babbled:.0} msg/s, {there} clients, {answers:.0} answers/s");
    let row = |what: &str, beyond: &[f64], goal: f64, beside: String| {
        let at = |share| share_below(beyond, share);
        Row::plain(format!("bad sample to {what}, p99"), at(0.99), "ms", Goal::AtMost(goal))
            .with(format!("p50 {:.1} ms, most {:.1} ms of {}", at(0.5), at(1.0), beyond.len()), beside)
    };
    Ok(vec![
        row("outbox, idle", &idle.to_outbox, 100.0, String::new()),
        row("receiver, idle", &idle.to_receiver, 1_000.0, "a web call taken".to_owned()),
        row("outbox, abused", &abused.to_outbox, 250.0, beside.clone()),
        row("receiver, abused", &abused.to_receiver, 1_000.0, beside),
    ])
}
