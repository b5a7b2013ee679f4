//! Where frames go: the other end of a pseudo-terminal, a serial port, a CSV file.

use crate::pace;
use anyhow::Context;
use nightjar_simulator::frame::{Scan, plain_number};
use nightjar_simulator::station::Sensor;
use serialport::{SerialPort, TTYPort};
use std::io::{BufWriter, ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A serial line.
pub struct Wire {
    port: TTYPort,
    /// The other end, held open so that its settings stay when the reader closes it.
    _other: Option<TTYPort>,
    link: Option<PathBuf>,
    /// Wait for a slow reader instead of losing bytes as a real wire does.
    patient: bool,
    lost: u64,
}

impl Wire {
    /// A fresh pseudo-terminal and the path of its other end, which `link` will point to.
    pub fn pseudo_terminal(link: Option<&Path>, patient: bool) -> anyhow::Result<(Self, String)> {
        let (port, mut other) = TTYPort::pair().context("cannot make a pseudo-terminal")?;
        other.set_exclusive(false).context("cannot share the pseudo-terminal")?;
        let path = other.name().context("the pseudo-terminal has no name")?;
        if let Some(link) = link {
            if link.is_symlink() {
                std::fs::remove_file(link).with_context(|| format!("cannot replace {}", link.display()))?;
            }
            std::os::unix::fs::symlink(&path, link)
                .with_context(|| format!("cannot link {}", link.display()))?;
        }
        let link = link.map(Path::to_owned);
        Ok((Self { port, _other: Some(other), link, patient, lost: 0 }, path))
    }

    /// A real port.
    pub fn serial(path: &str, baud: u32, patient: bool) -> anyhow::Result<Self> {
        let port = TTYPort::open(&serialport::new(path, baud).timeout(Duration::from_millis(200)))
            .with_context(|| format!("cannot open serial port {path}"))?;
        Ok(Self { port, _other: None, link: None, patient, lost: 0 })
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

    /// Bytes that nobody took.
    pub fn lost(&self) -> u64 {
        self.lost
    }
}

impl Drop for Wire {
    fn drop(&mut self) {
        if let Some(link) = &self.link {
            // It points nowhere now; whoever made another in its place has replaced it already.
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
