//! Where frames go: the other end of a pseudo-terminal, a serial port, a CSV file.

use crate::pace;
use anyhow::Context;
use nightjar_simulator::frame::{Scan, plain_number};
use nightjar_simulator::station::Sensor;
use rustix::fs::OFlags;
use serialport::{SerialPort, TTYPort};
use std::fs::{File, OpenOptions};
use std::io::{BufWriter, ErrorKind, Write};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A serial line.
pub struct Wire {
    port: TTYPort,
    /// The other end, held open so that its settings stay when the reader closes it. A plain file,
    /// without the lock of a port: the reader wants that for itself.
    other: Option<File>,
    /// The link we made and where it points.
    link: Option<(PathBuf, String)>,
    /// Wait for a slow reader instead of losing bytes as a real wire does.
    patient: bool,
    lost: u64,
}

impl Wire {
    /// A fresh pseudo-terminal and the path of its other end, which `link` will point to.
    pub fn pseudo_terminal(link: Option<&Path>, patient: bool) -> anyhow::Result<(Self, String)> {
        let (port, mut first) = TTYPort::pair().context("cannot make a pseudo-terminal")?;
        first.set_exclusive(false).context("cannot share the pseudo-terminal")?;
        let path = first.name().context("the pseudo-terminal has no name")?;
        let not_ours = i32::try_from((OFlags::NOCTTY | OFlags::NONBLOCK).bits()).unwrap_or(0);
        let other = OpenOptions::new().read(true).write(true).custom_flags(not_ours).open(&path);
        let other = other.with_context(|| format!("cannot hold {path} open"))?;
        if let Some(link) = link {
            if link.is_symlink() {
                std::fs::remove_file(link).with_context(|| format!("cannot replace {}", link.display()))?;
            }
            std::os::unix::fs::symlink(&path, link)
                .with_context(|| format!("cannot link {}", link.display()))?;
        }
        let link = link.map(|link| (link.to_owned(), path.clone()));
        Ok((Self { port, other: Some(other), link, patient, lost: 0 }, path))
    }

    /// A real port.
    pub fn serial(path: &str, baud: u32, patient: bool) -> anyhow::Result<Self> {
        let port = TTYPort::open(&serialport::new(path, baud).timeout(Duration::from_millis(200)))
            .with_context(|| format!("cannot open serial port {path}"))?;
        Ok(Self { port, other: None, link: None, patient, lost: 0 })
    }

    /// Sends bytes.
    pub fn send(&mut self, mut bytes: &[u8]) -> anyhow::Result<()> {
        while !bytes.is_empty() {
            match self.port.write(bytes) {
                Ok(0) => anyhow::bail!("the serial line takes no more bytes"),
                Ok(sent) => bytes = &bytes[sent..],
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                Err(e) if matches!(e.kind(), ErrorKind::TimedOut | ErrorKind::WouldBlock) => {
                    if !self.patient {
                        // Nobody listens: the line goes into the void, as on a wire.
                        self.lost += u64::try_from(bytes.len()).unwrap_or(0);
                        return Ok(());
                    }
                    pace::pause(Duration::from_millis(1));
                }
                Err(e) => return Err(e).context("cannot write to the serial line"),
            }
        }
        Ok(())
    }

    /// Gives a reader of the pseudo-terminal time for what is still in it, then ends the line.
    pub fn close(self) -> u64 {
        let unread =
            || self.other.as_ref().and_then(|other| rustix::io::ioctl_fionread(other).ok()).unwrap_or(0);
        let mut empty_looks = 0;
        for _ in 0..LAST_WAIT_MS / 10 {
            // The kernel hands bytes on in portions, so that one empty look proves nothing.
            empty_looks = if unread() == 0 { empty_looks + 1 } else { 0 };
            if self.other.is_none() || empty_looks > 20 {
                break;
            }
            pace::pause(Duration::from_millis(10));
        }
        self.lost
    }
}

/// How long the end of a season waits for a reader, ms.
const LAST_WAIT_MS: u64 = 3000;

impl Drop for Wire {
    fn drop(&mut self) {
        if let Some((link, path)) = &self.link
            && std::fs::read_link(link).is_ok_and(|target| target == Path::new(path))
        {
            // It points nowhere from here on; that it may stay is no harm.
            drop(std::fs::remove_file(link));
        }
    }
}

/// A table of readings: `time`, then a column for each sensor in °C or L/min.
pub struct Table {
    file: BufWriter<std::fs::File>,
}

impl Table {
    /// Creates the file with its heading.
    pub fn create(path: &Path, sensors: &[Sensor]) -> anyhow::Result<Self> {
        let file =
            std::fs::File::create(path).with_context(|| format!("cannot create {}", path.display()))?;
        let mut file = BufWriter::new(file);
        let names: Vec<&str> = sensors.iter().map(|sensor| sensor.name.as_str()).collect();
        writeln!(file, "time,{}", names.join(",")).context("cannot write the CSV file")?;
        Ok(Self { file })
    }

    /// Adds a line; a silent board leaves none.
    pub fn add(&mut self, scan: &Scan) -> anyhow::Result<()> {
        if scan.readings.is_empty() {
            return Ok(());
        }
        let mut line = scan.at.rfc3339();
        for reading in &scan.readings {
            line.push(',');
            line.extend(reading.value.map(|value| plain_number(reading.measure, value)));
        }
        writeln!(self.file, "{line}").context("cannot write the CSV file")
    }

    /// Makes sure that everything is in the file.
    pub fn close(mut self) -> anyhow::Result<()> {
        self.file.flush().context("cannot write the CSV file")
    }
}
