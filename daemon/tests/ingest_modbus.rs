//! The Modbus source against a slave written by others (pymodbus), over TCP and RTU, and against
//! scripted ones that are silent, late or answer with exceptions.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]
#![allow(clippy::float_cmp, reason = "numbers are sent and read back unchanged")]

mod ingest_peers;

use ingest_peers::{Core, LIMIT, core, free_port};
use nightjar::ingest::modbus::{self, Bus, Coding, Register, Table};
use nightjar::ingest::serial::Parity;
use nightjar::ingest::{ModbusSettings, Refusal};
use nightjar::reading::FromSource;
use nightjar_calc::time::Span;
use serialport::{SerialPort, TTYPort};
use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

const TIMEOUT: Duration = Duration::from_millis(250);

fn register(sensor: &str, unit: u8, table: Table, address: u16, coding: Coding) -> Register {
    Register {
        sensor: sensor.to_owned(),
        unit,
        table,
        address,
        coding,
        low_word_first: false,
        low_byte_first: false,
        scale: 1.0,
        offset: 0.0,
    }
}

/// What the third-party slave holds, and the value each should have.
fn known_registers() -> Vec<(Register, f64)> {
    use Coding::{F32, I16, I32, U16, U32};
    use Table::{Holding, Input};
    vec![
        (Register { scale: 0.01, ..register("u16", 1, Holding, 0, U16) }, 11.42),
        (Register { scale: 0.01, ..register("i16", 1, Holding, 1, I16) }, -0.31),
        (register("f32", 1, Holding, 2, F32), 3.198),
        (register("u32", 1, Holding, 4, U32), 123_456.0),
        (Register { low_word_first: true, ..register("f32-low", 1, Input, 0, F32) }, -0.25),
        (Register { offset: 1.0, ..register("i32", 1, Input, 2, I32) }, -69_999.0),
        (Register { low_byte_first: true, ..register("f32-bytes", 1, Input, 4, F32) }, 9.5),
        (register("other", 2, Holding, 0, U16), 77.0),
    ]
}

struct Running {
    core: Core,
    stop: CancellationToken,
    task: JoinHandle<()>,
}

fn run(bus: Bus, registers: Vec<Register>) -> Running {
    let names: Vec<String> = registers.iter().map(|r| r.sensor.clone()).collect();
    let (core, feed) = core(256, &names.iter().map(String::as_str).collect::<Vec<_>>());
    let settings = ModbusSettings {
        bus,
        interval: Span::from_secs(10),
        timeout: TIMEOUT,
        pause: Duration::from_millis(5),
        registers,
    };
    let stop = CancellationToken::new();
    let task = tokio::spawn(modbus::run(settings, feed, stop.clone()));
    Running { core, stop, task }
}

impl Running {
    async fn end(self) {
        self.stop.cancel();
        tokio::time::timeout(LIMIT, self.task).await.expect("it does not stop").expect("it has panicked");
    }

    /// Lets the next round begin once this one has dealt with so many devices in all.
    async fn next_round(&self, devices: u64) {
        self.core.until("the round is over", |c| c.frames_taken() >= devices).await;
        let before = self.core.counters.frames_taken();
        self.rounds_until("the next round has begun", async || self.core.counters.frames_taken() > before)
            .await;
    }

    /// Moves the clock by a round, and by another one whenever nothing has come of it for a
    /// second: a clock moved while a round was ending makes the source leave one out.
    async fn rounds_until(&self, what: &str, holds: impl AsyncFn() -> bool) {
        for _ in 0..30 {
            self.core.clock.advance(Span::from_secs(10));
            let wait = async {
                while !holds().await {
                    tokio::task::yield_now().await;
                }
            };
            if tokio::time::timeout(Duration::from_secs(1), wait).await.is_ok() {
                return;
            }
        }
        panic!("never {what}: {:?}", self.core.counters);
    }

    fn drain(&mut self) -> Vec<(String, f64)> {
        let mut values = Vec::new();
        while let Ok(message) = self.core.inbox.try_recv() {
            if let FromSource::Readings { readings, .. } = message {
                values.extend(readings.into_iter().map(|r| (r.name, r.value)));
            }
        }
        values
    }
}

/// An interpreter that has pymodbus.
fn python() -> Option<PathBuf> {
    let found = ["python3", "/usr/bin/python3"].into_iter().map(PathBuf::from).find(|python| {
        Command::new(python)
            .args(["-c", "import pymodbus, serial"])
            .stderr(Stdio::null())
            .status()
            .is_ok_and(|status| status.success())
    });
    if found.is_none() {
        println!(
            "skipped: no Python with pymodbus and pyserial (apt install python3-pymodbus python3-serial)"
        );
    }
    found
}

struct Peer(Child);

impl Peer {
    fn start(command: &mut Command) -> Self {
        Self(command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap())
    }

    fn slave(kind: &str, place: &str) -> Option<Self> {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/ingest_peers/modbus_slave.py");
        Some(Self::start(Command::new(python()?).arg(script).args([kind, place])))
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        let _gone_already = self.0.kill();
        let _gone_already = self.0.wait();
    }
}

async fn until(what: &str, holds: impl AsyncFn() -> bool) {
    let wait = async {
        while !holds().await {
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(LIMIT, wait).await.unwrap_or_else(|_| panic!("never {what}"));
}

fn check_known(values: &[(String, f64)]) {
    for (register, expected) in known_registers() {
        let found: Vec<f64> = values.iter().filter(|(n, _)| *n == register.sensor).map(|(_, v)| *v).collect();
        assert!(!found.is_empty(), "{} was not read", register.sensor);
        assert!(found.iter().all(|v| (v - expected).abs() < 1e-6), "{}: {found:?}", register.sensor);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_slave_written_by_others_is_read_over_tcp_and_found_again() {
    let port = free_port();
    let Some(slave) = Peer::slave("tcp", &port.to_string()) else { return };
    let listening = || async move { TcpStream::connect(("127.0.0.1", port)).await.is_ok() };
    until("listening", listening).await;
    let registers = known_registers().into_iter().map(|(register, _)| register).collect();
    let mut running = run(Bus::Tcp { address: ([127, 0, 0, 1], port).into() }, registers);
    assert!(running.core.link().await.0);
    for round in 1..=3 {
        running.next_round(round * 2).await;
    }
    check_known(&running.drain());
    assert_eq!(running.core.counters.refused_total(), 0);

    drop(slave);
    running.rounds_until("missed", async || !running.core.counters.is_up()).await;
    let (up, detail) = running.core.link().await;
    assert!(!up, "{detail}");
    let Some(_slave) = Peer::slave("tcp", &port.to_string()) else { return };
    let (up, detail) = running.core.link().await;
    assert!(up, "{detail}");
    running.drain();
    let read = running.core.counters.readings();
    running.rounds_until("read again", async || running.core.counters.readings() >= read + 8).await;
    check_known(&running.drain());
    running.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_slave_written_by_others_is_read_over_rtu() {
    let folder = tempfile::tempdir().unwrap();
    let [ours, theirs] = ["ours", "theirs"].map(|end| folder.path().join(end));
    if python().is_none() {
        return;
    }
    let ends = [&ours, &theirs].map(|end| format!("pty,raw,echo=0,link={}", end.display()));
    if Command::new("socat").arg("-V").stdout(Stdio::null()).status().is_err() {
        println!("skipped: socat is not installed");
        return;
    }
    let _wire = Peer::start(Command::new("socat").args(ends));
    until("wired", async || ours.exists() && theirs.exists()).await;
    let Some(_slave) = Peer::slave("rtu", &theirs.display().to_string()) else { return };
    let registers = known_registers().into_iter().map(|(register, _)| register).collect();
    let mut running = run(Bus::Rtu { path: ours, baud: 19_200, parity: Parity::None }, registers);
    assert!(running.core.link().await.0);
    // The slave may take its time to start; each round asks it again, a dead one more seldom.
    running.rounds_until("answered", async || running.core.counters.readings() >= 8).await;
    check_known(&running.drain());
    running.end().await;
}

/// A scripted TCP slave that keeps count of who is asked how often.
async fn scripted(listener: TcpListener, asked: Arc<Mutex<BTreeMap<u8, u32>>>, connections: Arc<AtomicU32>) {
    loop {
        let Ok((stream, _)) = listener.accept().await else { return };
        connections.fetch_add(1, Ordering::Relaxed);
        tokio::spawn(answer(stream, asked.clone()));
    }
}

/// Unit 1 answers with its address and 40; unit 2 with an exception; unit 3 not at all; unit 4
/// too short; others hang up.
async fn answer(mut stream: TcpStream, asked: Arc<Mutex<BTreeMap<u8, u32>>>) {
    let mut request = [0; 12];
    while stream.read_exact(&mut request).await.is_ok() {
        let unit = request[6];
        *asked.lock().unwrap().entry(unit).or_default() += 1;
        let pdu: &[u8] = match unit {
            1 => &[3, 2, request[9], 40],
            2 => &[0x83, 2],
            3 => continue,
            4 => &[3, 0],
            _ => return,
        };
        let length = u8::try_from(pdu.len() + 1).unwrap();
        let header = [request[0], request[1], 0, 0, 0, length, unit];
        if stream.write_all(&[&header, pdu].concat()).await.is_err() {
            return;
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_dead_device_and_odd_answers_cost_the_others_nothing() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let asked: Arc<Mutex<BTreeMap<u8, u32>>> = Arc::default();
    let connections: Arc<AtomicU32> = Arc::default();
    let slave = tokio::spawn(scripted(listener, Arc::clone(&asked), Arc::clone(&connections)));
    let holding = |sensor: &str, unit, address| register(sensor, unit, Table::Holding, address, Coding::U16);
    let registers = vec![
        holding("exception", 2, 0),
        holding("dead", 3, 0),
        holding("dead-too", 3, 1),
        holding("short", 4, 0),
        holding("rude", 5, 0),
        holding("good", 1, 0),
        holding("good-too", 1, 1),
    ];
    let mut running = run(Bus::Tcp { address }, registers);
    assert!(running.core.link().await.0);
    let asked_of = |unit: u8| asked.lock().unwrap().get(&unit).copied().unwrap_or(0);
    for round in 1..=12 {
        // The last device of a round is the one that hangs up. Two registers make one visit.
        let visits = || u64::from(asked_of(1) / 2 + asked_of(2) + asked_of(3) + asked_of(4) + asked_of(5));
        until("the round is over", async || {
            asked_of(5) >= round && running.core.counters.frames_taken() == visits()
        })
        .await;
        if round < 12 {
            running.rounds_until("the next round has begun", async || asked_of(5) > round).await;
        }
    }
    let opened = connections.load(Ordering::Relaxed);
    println!("asked in 12 rounds, by unit: {:?}; connections: {opened}", asked.lock().unwrap());
    assert!(asked_of(3) <= 6, "a dead device is asked {} times", asked_of(3));
    assert!(asked_of(1) >= 24 && asked_of(2) >= 12);
    let values = running.drain();
    assert!(values.iter().all(|(name, value)| match name.as_str() {
        "good" => *value == 40.0,
        "good-too" => *value == 296.0,
        other => panic!("{other} has no value"),
    }));
    assert!(running.core.counters.refused(Refusal::Device) > 12);
    assert!(running.core.counters.is_up());
    running.end().await;
    slave.abort();
}

/// CRC-16 of Modbus over serial line: polynomial 0xA001, initially all ones, low byte first.
fn crc(frame: &[u8]) -> [u8; 2] {
    let mut crc = 0xffff_u16;
    for byte in frame {
        crc ^= u16::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { crc >> 1 ^ 0xa001 } else { crc >> 1 };
        }
    }
    crc.to_le_bytes()
}

#[test]
fn the_checksum_of_the_scripted_slave_is_that_of_the_standard() {
    // Request for three holding registers from 107 of unit 17: a widely printed example, from memory.
    assert_eq!(crc(&[0x11, 0x03, 0x00, 0x6b, 0x00, 0x03]), [0x76, 0x87]);
}

/// Answers each request with 100 plus its address; every fifth answer comes when the asker has
/// given up already.
fn late_slave(mut wire: TTYPort, over: &AtomicBool) -> u32 {
    let mut late = 0;
    let mut requests = 0;
    let mut pending = Vec::new();
    while !over.load(Ordering::Relaxed) {
        wire.set_timeout(TIMEOUT + TIMEOUT / 4).unwrap();
        let mut bytes = [0; 64];
        match wire.read(&mut bytes) {
            Ok(n) => pending.extend_from_slice(&bytes[..n]),
            // Nobody has the other end open.
            Err(_) => pending.clear(),
        }
        while pending.len() >= 8 {
            let request: Vec<u8> = pending.drain(..8).collect();
            requests += 1;
            let frame = [request[0], 3, 2, 0, 100 + request[3]];
            let answer = [&frame[..], &crc(&frame)].concat();
            if requests % 5 == 0 {
                late += 1;
                // Waits by listening for something that does not come.
                let _silence = wire.read(&mut bytes);
            }
            let _nobody_listens = wire.write_all(&answer);
        }
    }
    late
}

#[tokio::test(flavor = "multi_thread")]
async fn a_late_answer_is_never_taken_for_that_to_another_question() {
    let (wire, port) = TTYPort::pair().unwrap();
    let path = PathBuf::from(port.name().unwrap());
    drop(port);
    let over = Arc::new(AtomicBool::new(false));
    let slave = std::thread::spawn({
        let over = over.clone();
        move || late_slave(wire, &over)
    });
    let registers =
        (0_u8..4).map(|n| register(&format!("r{n}"), 1, Table::Holding, u16::from(n), Coding::U16)).collect();
    let mut running = run(Bus::Rtu { path, baud: 115_200, parity: Parity::None }, registers);
    assert!(running.core.link().await.0);
    for round in 1..=20 {
        running.next_round(round).await;
    }
    running.core.until("done", |c| c.frames_taken() >= 21).await;
    let values = running.drain();
    running.end().await;
    over.store(true, Ordering::Relaxed);
    let late = slave.join().unwrap();
    println!("{} values right, {late} late answers dropped", values.len());
    assert!(late >= 3 && values.len() >= 40);
    for (name, value) in values {
        assert_eq!(format!("r{}", value - 100.0), name);
    }
}
