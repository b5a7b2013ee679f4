//! What looking costs: pages, charts, live pages.

use super::station::{Station, Traffic};
use super::stopwatch::{pause, pause_until, seconds, share_below};
use super::table::{Goal, Row};
use super::{Effort, stopwatch};
use anyhow::{Context, Result, ensure};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// The page answers twenty requests a second from one address; we ask for less.
const BETWEEN: Duration = Duration::from_millis(70);

/// A browser's connection that stays open.
struct Browser {
    stream: BufReader<TcpStream>,
}

impl Browser {
    fn open(port: u16) -> Result<Self> {
        let stream = TcpStream::connect(("127.0.0.1", port)).context("nobody serves the page")?;
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(Duration::from_secs(10)))?;
        Ok(Self { stream: BufReader::new(stream) })
    }

    /// Asks for a page as browsers do, compressed; gives how many bytes came.
    fn get(&mut self, path: &str) -> Result<usize> {
        let request = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nAccept-Encoding: gzip\r\n\r\n");
        self.stream.get_mut().write_all(request.as_bytes())?;
        let (mut length, mut chunked, mut bytes) = (0, false, 0);
        let mut line = String::new();
        self.stream.read_line(&mut line)?;
        ensure!(line.starts_with("HTTP/1.1 200"), "{path}: {}", line.trim_end());
        loop {
            bytes += line.len();
            line.clear();
            self.stream.read_line(&mut line)?;
            let lower = line.to_ascii_lowercase();
            if let Some(value) = lower.strip_prefix("content-length:") {
                length = value.trim().parse()?;
            }
            chunked |= lower.starts_with("transfer-encoding:") && lower.contains("chunked");
            if line == "\r\n" {
                break;
            }
        }
        if !chunked {
            return Ok(bytes + self.skip(length)?);
        }
        loop {
            line.clear();
            self.stream.read_line(&mut line)?;
            let size = usize::from_str_radix(line.trim(), 16).context("the size of a piece")?;
            bytes += line.len() + self.skip(size + 2)?;
            if size == 0 {
                return Ok(bytes);
            }
        }
    }

    fn skip(&mut self, length: usize) -> Result<usize> {
        let mut body = vec![0; length];
        self.stream.read_exact(&mut body)?;
        Ok(length)
    }
}

/// Pages without charts of a season.
const OTHERS: [&str; 9] = [
    "/days",
    "/today",
    "/logbook",
    "/alarms",
    "/messages",
    "/season",
    "/sensors",
    "/station",
    "/calculators",
];

/// Seconds that each of some requests took, and the bytes of the last answer.
fn ask(port: u16, path: &str, times: usize) -> Result<(Vec<f64>, usize)> {
    let mut browser = Browser::open(port)?;
    let (mut took, mut bytes) = (Vec::new(), 0);
    let mut turn = stopwatch::now();
    for _ in 0..times {
        let (length, got) = seconds(|| browser.get(path));
        bytes = got?;
        took.push(length);
        turn += BETWEEN;
        pause_until(turn);
    }
    Ok((took, bytes))
}

/// A live page that somebody looks at.
#[derive(Debug)]
pub struct Viewer {
    bytes: Arc<AtomicU64>,
    stream: TcpStream,
}

impl Viewer {
    /// Opens one.
    ///
    /// # Errors
    /// When the page does not answer.
    pub fn open(port: u16, view: &str) -> Result<Self> {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).context("nobody serves the page")?;
        let request = format!("GET /live?view={view} HTTP/1.1\r\nHost: localhost\r\n\r\n");
        stream.write_all(request.as_bytes())?;
        let (bytes, mut reading) = (Arc::new(AtomicU64::new(0)), stream.try_clone()?);
        let counted = Arc::clone(&bytes);
        std::thread::spawn(move || {
            let mut some = [0; 16_384];
            while let Ok(length @ 1..) = reading.read(&mut some) {
                counted.fetch_add(length as u64, Ordering::Relaxed);
            }
        });
        Ok(Self { bytes, stream })
    }

    /// Bytes that came so far.
    #[must_use]
    pub fn bytes(&self) -> u64 {
        self.bytes.load(Ordering::Relaxed)
    }
}

impl Drop for Viewer {
    fn drop(&mut self) {
        drop(self.stream.shutdown(std::net::Shutdown::Both));
    }
}

/// Pages over a stored season while readings come in.
///
/// # Errors
/// When a page does not answer.
pub fn rows(effort: Effort, season: &Station) -> Result<Vec<Row>> {
    let port = season.daemon.port;
    let traffic = Traffic::start(season, "nodes")?;
    pause(Duration::from_secs(2));
    let times = 12 * effort.rounds.max(2);
    let ms = |took: &[f64], share| share_below(took, share) * 1_000.0;
    let jar = season.plan.jars().into_iter().next().context("a jar")?;
    let (first, size) = ask(port, "/", times)?;
    let (season_chart, _) = ask(port, &format!("/jar/{jar}?days=60"), times)?;
    let (tenth_chart, _) = ask(port, &format!("/jar/{jar}?days=3"), times)?;
    let mut slowest = (0.0, "", Vec::new());
    for page in OTHERS {
        let (took, _) = ask(port, page, times / 2)?;
        let late = ms(&took, 0.95);
        if late > slowest.0 {
            slowest = (late, page, took);
        }
    }
    traffic.stop()?;
    let in_words = |took: &[f64]| format!("median {:.1} ms of {}", ms(took, 0.5), took.len());
    Ok(vec![
        Row::plain("first page of 24 jars, p95", ms(&first, 0.95), "ms", Goal::AtMost(15.0))
            .with(in_words(&first), format!("{:.1} kB compressed", size as f64 / 1e3)),
        Row::plain("slowest of the other pages, p95", slowest.0, "ms", Goal::AtMost(15.0))
            .with(in_words(&slowest.2), format!("{}, of {}", slowest.1, OTHERS.len())),
        Row::plain(
            "page of a jar with charts of 60 days, p95",
            ms(&season_chart, 0.95),
            "ms",
            Goal::AtMost(50.0),
        )
        .with(in_words(&season_chart), ""),
        Row::plain(
            "growth: page of a jar, 60 days instead of 3",
            ms(&season_chart, 0.5) / ms(&tenth_chart, 0.5) / 20.0,
            "of linear",
            Goal::AtMost(1.1),
        )
        .with(in_words(&tenth_chart), "work ×20"),
    ])
}

/// What a viewer gets while nothing changes: every sensor says the same again and again.
///
/// # Errors
/// When the page does not answer.
pub fn quiet(effort: Effort, season: &Station) -> Result<Row> {
    let seconds = if effort.rounds > 1 { 30 } else { 12 };
    let packets: Vec<u8> = season
        .plan
        .sensors()
        .iter()
        .flat_map(|sensor| super::station::plain(sensor, if sensor.ends_with('T') { "9.02" } else { "3.02" }))
        .collect();
    let mut publisher = super::publish::Publisher::connect(season.broker.port, "nodes")?;
    publisher.send(&packets)?;
    pause(Duration::from_secs(3));
    let viewer = Viewer::open(season.daemon.port, "rack")?;
    for _ in 0..3 {
        publisher.send(&packets)?;
        pause(Duration::from_secs(1));
    }
    let before = viewer.bytes();
    ensure!(before > 0, "the live page says nothing");
    for _ in 0..seconds {
        publisher.send(&packets)?;
        pause(Duration::from_secs(1));
    }
    let got = (viewer.bytes() - before) as f64 / f64::from(seconds) * 10.0;
    Ok(Row::plain("live page, nothing changes, per viewer and 10 s", got, "B", Goal::AtMost(500.0))
        .with(format!("{seconds} s, a reading of each sensor a second"), ""))
}
