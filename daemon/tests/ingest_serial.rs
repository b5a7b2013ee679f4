//! Serial ports over pseudo-terminals: readings, garbage, and a cable pulled and put back.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod ingest_peers;

use ingest_peers::{Core, core, resident_kib, stopwatch};
use nightjar::ingest::decode::{LineFormat, Sentences};
use nightjar::ingest::serial::{self, Parity};
use nightjar::ingest::{Refusal, SerialSettings};
use serialport::{SerialPort, TTYPort};
use std::io::Write;
use std::path::Path;
use std::thread::JoinHandle;
use tokio_util::sync::CancellationToken;

/// A board on a cable: the pseudo-terminal and the stable name that points to it.
struct Cable {
    board: TTYPort,
}

impl Cable {
    fn plug(stable_name: &Path) -> Self {
        let (board, port) = TTYPort::pair().unwrap();
        let device = port.name().unwrap();
        drop(port);
        let _absent = std::fs::remove_file(stable_name);
        std::os::unix::fs::symlink(device, stable_name).unwrap();
        Self { board }
    }

    fn unplug(self, stable_name: &Path) {
        std::fs::remove_file(stable_name).unwrap();
        drop(self);
    }

    fn send(&mut self, bytes: &[u8]) {
        self.board.set_timeout(ingest_peers::LIMIT).unwrap();
        self.board.write_all(bytes).unwrap();
    }
}

/// With its checksum and line end.
fn sentence(body: &str) -> Vec<u8> {
    let sum = body.bytes().fold(0, |sum, byte| sum ^ byte);
    format!("${body}*{sum:02X}\r\n").into_bytes()
}

struct Station {
    core: Core,
    stop: CancellationToken,
    thread: Option<JoinHandle<()>>,
}

impl Station {
    fn start(path: &Path, capacity: usize) -> Self {
        let (core, feed) = core(capacity, &["J07T", "J07F"]);
        let settings = SerialSettings {
            path: path.to_owned(),
            baud: 115_200,
            parity: Parity::None,
            format: LineFormat::Sentences(Sentences::default()),
        };
        let stop = CancellationToken::new();
        let thread = serial::spawn(settings, feed, stop.clone()).unwrap();
        Self { core, stop, thread: Some(thread) }
    }
}

impl Drop for Station {
    fn drop(&mut self) {
        self.stop.cancel();
        let ended = self.thread.take().unwrap().join();
        assert!(ended.is_ok() || std::thread::panicking(), "the source has panicked");
    }
}

#[tokio::test]
async fn lines_become_readings_whatever_pieces_they_come_in() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("board");
    let mut cable = Cable::plug(&name);
    let mut station = Station::start(&name, 256);
    assert!(station.core.link().await.0);
    let line = sentence("NJXDR,C,11.42,C,J07T,R,0.0533,L,J07F,C,9.9,C,J99T");
    for byte in &line {
        cable.send(&[*byte]);
    }
    let (readings, receipt) = station.core.readings().await;
    assert!(receipt.is_none());
    assert_eq!(readings[0].name, "J07T");
    assert!((readings[0].value - 11.42).abs() < 1e-12 && (readings[1].value - 3.198).abs() < 1e-9);
    let counters = station.core.counters.clone();
    assert_eq!((readings.len(), counters.refused(Refusal::UnknownName)), (2, 1));
    assert_eq!(counters.unknown_names().0["J99T"], 1);

    cable.send(b"\0\0\xff\x80garbage\r\n$NJXDR,C,11.42,C,J07T*00\r\n$NJXDR,C,11.\r\n");
    cable.send(&sentence("NJXDR,C,11.43,C,J07T"));
    station.core.readings().await;
    station.core.until("all counted", |c| c.frames_taken() == 5).await;
    assert_eq!(counters.refused(Refusal::NotText), 1);
    assert_eq!(counters.refused(Refusal::Checksum), 1);
    assert_eq!(counters.refused(Refusal::NoChecksum), 1);
    assert_eq!(counters.last_refused().unwrap().1, "$NJXDR,C,11.");
}

#[tokio::test]
async fn pulled_and_put_back_again_and_again() {
    let times: u32 = std::env::var("NIGHTJAR_CUTS").map_or(60, |asked| asked.parse().unwrap());
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("board");
    let mut cable = Cable::plug(&name);
    let mut station = Station::start(&name, 256);
    assert!(station.core.link().await.0);
    let elapsed = stopwatch();
    let mut longest_ms = 0;
    for n in 0..times {
        cable.send(&sentence(&format!("NJXDR,C,{n}.5,C,J07T")));
        assert_eq!(station.core.readings().await.0[0].value.to_bits(), (f64::from(n) + 0.5).to_bits());
        // Half a line is under way when the cable goes.
        cable.send(b"$NJXDR,C,99.");
        cable.unplug(&name);
        let (up, detail) = station.core.link().await;
        assert!(!up && detail.contains("lost"), "{detail}");
        let pulled_at = elapsed();
        cable = Cable::plug(&name);
        let (up, detail) = station.core.link().await;
        assert!(up, "{detail}");
        longest_ms = longest_ms.max(elapsed() - pulled_at);
    }
    println!(
        "{times} times replugged, each time behind another port, longest wait until the port was open again: {longest_ms} ms"
    );
    assert!(longest_ms < 10_000);
    assert_eq!(station.core.counters.connections(), u64::from(times) + 1);
    assert_eq!(station.core.counters.refused_total(), 0);
}

#[tokio::test]
async fn a_device_that_is_missing_is_said_once_and_found_when_it_comes() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("board");
    let mut station = Station::start(&name, 256);
    let (up, detail) = station.core.link().await;
    assert!(!up && detail.contains("failed to open"), "{detail}");
    let mut cable = Cable::plug(&name);
    // The next thing said is that it is there: no second complaint came between.
    let (up, detail) = station.core.link().await;
    assert!(up, "{detail}");
    cable.send(&sentence("NJXDR,C,4.0,C,J07T"));
    station.core.readings().await;
}

#[tokio::test]
async fn a_flood_without_a_line_end_costs_no_memory() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("board");
    let mut cable = Cable::plug(&name);
    let mut station = Station::start(&name, 256);
    assert!(station.core.link().await.0);
    let block = [b'U'; 4096];
    for _ in 0..256 {
        cable.send(&block);
    }
    let before = resident_kib();
    let elapsed = stopwatch();
    for _ in 0..64 * 256 {
        cable.send(&block);
    }
    let rate = 64.0 / (elapsed() as f64 / 1000.0);
    cable.send(b"\n");
    cable.send(&sentence("NJXDR,C,4.0,C,J07T"));
    station.core.readings().await;
    let grown = resident_kib().saturating_sub(before);
    println!("64 MiB without a line end at {rate:.0} MiB/s: {grown} KiB more resident");
    assert!(grown <= 1024, "{grown} KiB");
    assert_eq!(station.core.counters.refused(Refusal::Overlong), 1);
}

/// Noise as fast as the port takes it, with a sentence in between now and then, as after a wrong speed.
#[tokio::test]
async fn sentences_among_garbage_are_found() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("board");
    let mut cable = Cable::plug(&name);
    let mut station = Station::start(&name, 256);
    assert!(station.core.link().await.0);
    let (before, elapsed) = (resident_kib(), stopwatch());
    let mut noise: u64 = 0x9e37_79b9_7f4a_7c15;
    for n in 0..50 {
        let mut block = Vec::with_capacity(200_000);
        while block.len() < 200_000 {
            noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            block.extend_from_slice(&noise.to_le_bytes());
        }
        block.push(b'\n');
        cable.send(&block);
        cable.send(&sentence(&format!("NJXDR,C,{n}.25,C,J07T")));
        assert_eq!(station.core.readings().await.0[0].value.to_bits(), (f64::from(n) + 0.25).to_bits());
    }
    let grown = resident_kib().saturating_sub(before);
    let rate = 10.0 / (elapsed() as f64 / 1000.0);
    println!("10 MB of noise at {rate:.1} MB/s: 50 of 50 sentences found, {grown} KiB more resident");
    assert!(grown <= 1024, "{grown} KiB");
    assert_eq!(station.core.counters.connections(), 1);
}

/// A byte a second: a line takes half a minute and is a reading all the same.
#[tokio::test]
async fn a_line_that_trickles_in_is_a_reading() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("board");
    let mut cable = Cable::plug(&name);
    let mut station = Station::start(&name, 256);
    assert!(station.core.link().await.0);
    for byte in sentence("NJXDR,C,4.5,C,J07T") {
        cable.send(&[byte]);
        // The port has it before the clock goes on.
        tokio::time::sleep(std::time::Duration::from_millis(30)).await;
        station.core.clock.advance(nightjar_calc::time::Span::from_secs(1));
    }
    assert_eq!(station.core.readings().await.0[0].value.to_bits(), 4.5_f64.to_bits());
    assert_eq!(station.core.counters.refused_total(), 0);
}

#[tokio::test]
async fn a_core_that_does_not_keep_up_costs_readings_and_never_blocks_the_port() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("board");
    let mut cable = Cable::plug(&name);
    let mut station = Station::start(&name, 4);
    assert!(station.core.link().await.0);
    for n in 0..100 {
        cable.send(&sentence(&format!("NJXDR,C,{n},C,J07T")));
    }
    station.core.until("all read", |c| c.frames_taken() == 100).await;
    let counters = station.core.counters.clone();
    assert_eq!((counters.dropped(), counters.readings()), (96, 4));
    assert!(counters.is_lagging());
    // The newest are dropped: what was taken first is still there.
    assert_eq!(station.core.readings().await.0[0].value.to_bits(), 0.0_f64.to_bits());
    cable.send(&sentence("NJXDR,C,1,C,J07T"));
    station.core.until("it has caught up", |c| !c.is_lagging()).await;
}

#[tokio::test]
async fn a_link_message_waits_for_room_and_is_not_lost() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("board");
    let mut cable = Cable::plug(&name);
    let mut station = Station::start(&name, 1);
    assert!(station.core.link().await.0);
    cable.send(&sentence("NJXDR,C,1,C,J07T"));
    station.core.until("the inbox is full", |c| c.readings() == 1).await;
    cable.unplug(&name);
    station.core.until("the loss is noticed", |c| !c.is_up()).await;
    station.core.readings().await;
    assert!(!station.core.link().await.0);
}
