//! Readings: a scan of temperatures to the broker and one of flows to the serial board, twice a
//! second, each with its own time.

use super::broker::OwnBroker;
use super::station::{JARS, Water};
use crate::pace::{self, Stopwatch};
use serialport::{SerialPort, TTYPort};
use std::io::Write;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// Between two scans.
pub const EVERY: Duration = Duration::from_millis(500);

/// A line that went out whole.
#[derive(Clone, Debug)]
pub struct Written {
    /// `sensor,time` of each reading in it.
    pub keys: Vec<String>,
    /// When.
    pub at: Stopwatch,
}

/// A board at the end of a serial line.
pub struct Board {
    /// The end the station opens.
    pub path: String,
    ours: TTYPort,
    /// Held open, so that the line keeps its settings while the station is away.
    _theirs: TTYPort,
}

impl Board {
    /// A fresh pseudo-terminal.
    ///
    /// # Errors
    /// When the machine gives none.
    pub fn new() -> serialport::Result<Self> {
        let (mut ours, theirs) = TTYPort::pair()?;
        ours.set_timeout(Duration::from_millis(20))?;
        let path = theirs.name().unwrap_or_default();
        Ok(Self { path, ours, _theirs: theirs })
    }

    /// True when all of it went out; a station that does not read leaves the line full.
    fn send(&mut self, line: &str) -> bool {
        self.ours.write_all(line.as_bytes()).is_ok()
    }
}

/// The feed at work. Ends with it.
pub struct Feed {
    written: Arc<Mutex<Vec<Written>>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Feed {
    /// Begins.
    #[must_use]
    pub fn start(broker: Arc<OwnBroker>, mut board: Board, water: Arc<Water>) -> Self {
        let (written, stop) = (Arc::<Mutex<Vec<Written>>>::default(), Arc::<AtomicBool>::default());
        let (lines, stopped) = (Arc::clone(&written), Arc::clone(&stop));
        let thread = std::thread::spawn(move || {
            while !stopped.load(Ordering::Relaxed) {
                let at = pace::wall().rfc3339();
                for jar in 1..=3 * JARS {
                    let sensor = format!("J{jar:02}T");
                    let payload = format!("{{\"value\":{},\"at\":\"{at}\"}}", water.celsius(jar));
                    broker.publish(format!("sensors/{sensor}"), payload, format!("{sensor},{at}"));
                }
                for header in 0..3 {
                    let jars = header * JARS + 1..=(header + 1) * JARS;
                    let members: Vec<String> = jars
                        .clone()
                        .map(|jar| format!("\"J{jar:02}F\":{}", water.litres_per_minute(jar)))
                        .collect();
                    let line = format!("{{{},\"at\":\"{at}\"}}\n", members.join(","));
                    if board.send(&line) {
                        let keys = jars.map(|jar| format!("J{jar:02}F,{at}")).collect();
                        let mut lines = lines.lock().unwrap_or_else(PoisonError::into_inner);
                        lines.push(Written { keys, at: Stopwatch::start() });
                    }
                }
                pace::pause(EVERY);
            }
        });
        Self { written, stop, thread: Some(thread) }
    }

    /// Serial lines since the last time.
    #[must_use]
    pub fn take_written(&self) -> Vec<Written> {
        std::mem::take(&mut self.written.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Drop for Feed {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}
