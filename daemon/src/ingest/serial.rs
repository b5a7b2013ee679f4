//! Serial ports: one thread each, which opens the port by its path, reads lines, and opens it
//! again when the device has gone.
//!
//! A thread and not a task: a stuck driver then blocks one thread and not the runtime, and the
//! process can end while it hangs. Silence is no fault of the port; only the age of the readings
//! tells a dead board on a living adapter.

use super::backoff::{Backoff, wait_blocking};
use super::counters::Refusal;
use super::decode::LineFormat;
use super::feed::{Feed, Link};
use super::frame::{LineSplitter, Piece};
use crate::reading::FromSource;
use serialport::{ClearBuffer, SerialPort, TTYPort};
use std::io::{self, ErrorKind, Read};
use std::path::PathBuf;
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::sync::mpsc::error::TrySendError;
use tokio_util::sync::CancellationToken;

/// Longest silence of a read before the stop flag is looked at.
const READ_TIMEOUT: Duration = Duration::from_millis(250);
/// Bytes taken from the driver at once; its own buffer has as many.
const READ_SIZE: usize = 4096;

/// Parity bit of a character.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Parity {
    /// No parity bit.
    None,
    /// Odd.
    Odd,
    /// Even.
    Even,
}

impl From<Parity> for serialport::Parity {
    fn from(parity: Parity) -> Self {
        match parity {
            Parity::None => Self::None,
            Parity::Odd => Self::Odd,
            Parity::Even => Self::Even,
        }
    }
}

/// A serial port and what comes over it.
#[derive(Clone, Debug, PartialEq)]
pub struct SerialSettings {
    /// Stable path of the device, best below `/dev/serial/by-id`.
    pub path: PathBuf,
    /// Bits a second. Eight data bits, one stop bit, no flow control.
    pub baud: u32,
    /// Parity bit.
    pub parity: Parity,
    /// What a line looks like.
    pub format: LineFormat,
}

/// Starts the thread of one port. It runs until `stop` is cancelled, seen within 250 ms.
///
/// # Errors
/// When the system cannot start a thread.
pub fn spawn(settings: SerialSettings, feed: Feed, stop: CancellationToken) -> io::Result<JoinHandle<()>> {
    std::thread::Builder::new()
        .name(format!("serial-{}", feed.source.0))
        .spawn(move || Port { settings, feed, stop, link: Link::default() }.run())
}

struct Port {
    settings: SerialSettings,
    feed: Feed,
    stop: CancellationToken,
    link: Link,
}

impl Port {
    fn run(&mut self) {
        let mut backoff = Backoff::new(u64::from(self.feed.source.0));
        while !self.stop.is_cancelled() {
            let path = self.settings.path.display().to_string();
            let mut absent = false;
            match self.open() {
                Ok(port) => {
                    self.link
                        .set(&self.feed, true, || format!("{path} opened at {} baud", self.settings.baud));
                    let frames_before = self.feed.counters.frames_taken();
                    let lost = self.read_until_lost(port);
                    if self.feed.counters.frames_taken() != frames_before {
                        backoff.reset();
                    }
                    if let Some(lost) = lost {
                        self.link.set(&self.feed, false, || format!("{path} lost: {lost}"));
                    }
                }
                Err(error) => {
                    // Looking whether a path exists disturbs nobody.
                    absent = error.kind() == serialport::ErrorKind::NoDevice
                        || error.kind() == serialport::ErrorKind::Io(ErrorKind::NotFound);
                    self.link.set(&self.feed, false, || format!("failed to open {path}: {error}"));
                }
            }
            self.link.try_say(&self.feed);
            wait_blocking(backoff.next_wait(absent), &self.stop);
        }
        self.feed.counters.set_up(false);
    }

    /// Opens the port for us alone and forgets what lay in its buffer: nobody knows how old it is.
    fn open(&self) -> serialport::Result<TTYPort> {
        // The path may be a link that points to another device each time.
        let port = serialport::new(self.settings.path.to_string_lossy(), self.settings.baud)
            .parity(self.settings.parity.into())
            .timeout(READ_TIMEOUT)
            .open_native()?;
        port.clear(ClearBuffer::Input)?;
        Ok(port)
    }

    /// Reads lines until the device is lost (then says how) or until told to stop. The port is
    /// closed on return: while it is open, a returning device gets another number.
    fn read_until_lost(&mut self, mut port: TTYPort) -> Option<String> {
        let mut splitter = LineSplitter::default();
        let mut bytes = [0; READ_SIZE];
        while !self.stop.is_cancelled() {
            self.link.try_say(&self.feed);
            match port.read(&mut bytes) {
                // The device is gone, but the driver does not say so.
                Ok(0) => return Some("end of file".to_owned()),
                Ok(n) => splitter.push(&bytes[..n], |piece| take(&self.settings.format, &self.feed, piece)),
                Err(error) if matches!(error.kind(), ErrorKind::TimedOut | ErrorKind::Interrupted) => {}
                Err(error) => return Some(error.to_string()),
            }
        }
        None
    }
}

/// One line: decoded, counted, handed over. Never waits.
fn take(format: &LineFormat, feed: &Feed, piece: Piece<'_>) {
    match piece {
        Piece::Overlong(line) => feed.counters.refuse(Refusal::Overlong, line),
        Piece::Line(line) => match format.decode(line) {
            Err(why) => feed.counters.refuse(why, line),
            Ok(decoded) => {
                for why in decoded.refused {
                    feed.counters.refuse(why, line);
                }
                let mut readings = decoded.readings;
                feed.keep_known(&mut readings);
                hand_over(feed, readings);
            }
        },
    }
    feed.counters.frame_taken();
}

fn hand_over(feed: &Feed, readings: Vec<crate::reading::RawReading>) {
    if readings.is_empty() {
        return;
    }
    let count = readings.len();
    let message =
        FromSource::Readings { source: feed.source, arrived: feed.clock.now(), readings, receipt: None };
    match feed.to_core.try_send(message) {
        Ok(()) => feed.counters.handed_over(count),
        // Waiting would leave the bytes to the driver, which drops them without telling anybody.
        Err(TrySendError::Full(_) | TrySendError::Closed(_)) => feed.counters.drop_frame(),
    }
}
