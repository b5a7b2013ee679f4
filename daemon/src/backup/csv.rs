//! Everything in the store as CSV files that any program opens: readings, journal, logbook,
//! messages, starts and clock steps.
//!
//! Values are exact, times RFC 3339 in UTC. Text that a spreadsheet would take for a formula gets an
//! apostrophe in front.

use crate::store::{JournalFilter, Reader, StoreError};
use nightjar_calc::time::Timestamp;
use std::path::{Path, PathBuf};

/// Rows written of each file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CsvReport {
    /// File names and their rows.
    pub files: Vec<(&'static str, u64)>,
}

/// Why a file was not written.
#[derive(Debug, thiserror::Error)]
pub enum CsvError {
    /// The store could not be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A file could not be written.
    #[error("cannot write {path}: {why}")]
    File {
        /// Which file.
        path: PathBuf,
        /// Why not.
        why: String,
    },
}

/// Rows asked for at one time.
const PAGE: u32 = 2_000;

struct File {
    path: PathBuf,
    writer: csv::Writer<std::fs::File>,
    rows: u64,
}

impl File {
    fn create(folder: &Path, name: &str, head: &[&str]) -> Result<Self, CsvError> {
        let path = folder.join(name);
        let writer = csv::Writer::from_path(&path)
            .map_err(|error| CsvError::File { path: path.clone(), why: error.to_string() })?;
        let mut file = Self { path, writer, rows: 0 };
        file.write(head)?;
        file.rows = 0;
        Ok(file)
    }

    fn write<T: AsRef<[u8]>>(&mut self, row: &[T]) -> Result<(), CsvError> {
        self.rows += 1;
        let written = self.writer.write_record(row);
        written.map_err(|error| CsvError::File { path: self.path.clone(), why: error.to_string() })
    }

    fn finish(mut self) -> Result<u64, CsvError> {
        let flushed = self.writer.flush();
        flushed.map_err(|error| CsvError::File { path: self.path.clone(), why: error.to_string() })?;
        Ok(self.rows)
    }
}

/// Writes everything into a folder, which is made when missing; files there are replaced.
///
/// # Errors
/// When the store cannot be read or a file cannot be written.
pub fn write_all(reader: &Reader<'_>, folder: &Path) -> Result<CsvReport, CsvError> {
    std::fs::create_dir_all(folder)
        .map_err(|error| CsvError::File { path: folder.to_owned(), why: error.to_string() })?;
    let files = vec![
        ("readings.csv", readings(reader, folder)?),
        ("journal.csv", journal(reader, folder)?),
        ("logbook.csv", logbook(reader, folder)?),
        ("messages.csv", messages(reader, folder)?),
        ("starts.csv", starts(reader, folder)?),
        ("clock_steps.csv", clock_steps(reader, folder)?),
    ];
    Ok(CsvReport { files })
}

fn readings(reader: &Reader<'_>, folder: &Path) -> Result<u64, CsvError> {
    let mut file = File::create(folder, "readings.csv", &["sensor", "time", "value", "quality", "reason"])?;
    reader.each_reading(Timestamp::from_ms(0), Timestamp::from_ms(i64::MAX), |sensor, sample| {
        let value = exact(sample.value.0);
        let (quality, reason) = (word(&sample.quality), word(&sample.reason));
        file.write(&[sensor.as_str(), &sample.at.rfc3339(), &value, &quality, &reason])
    })?;
    file.finish()
}

fn journal(reader: &Reader<'_>, folder: &Path) -> Result<u64, CsvError> {
    let head = ["number", "time", "run", "clock_trusted", "kind", "event", "body"];
    let mut file = File::create(folder, "journal.csv", &head)?;
    let mut before = None;
    loop {
        let lines = reader.journal(&JournalFilter { before, ..JournalFilter::default() }, PAGE)?;
        let Some(last) = lines.last() else { return file.finish() };
        before = Some(last.id);
        for line in &lines {
            file.write(&[
                line.id.to_string(),
                line.at.rfc3339(),
                line.run.to_string(),
                line.trusted.to_string(),
                line.kind.as_str().to_owned(),
                line.event.map(|event| event.0.to_string()).unwrap_or_default(),
                line.body.to_string(),
            ])?;
        }
    }
}

fn logbook(reader: &Reader<'_>, folder: &Path) -> Result<u64, CsvError> {
    let mut file =
        File::create(folder, "logbook.csv", &["number", "happened_at", "written_at", "who", "entry"])?;
    let mut after = 0;
    loop {
        let entries = reader.entries_after(after, PAGE)?;
        let Some((last, _)) = entries.last() else { return file.finish() };
        after = *last;
        for (number, entry) in &entries {
            let body = serde_json::to_string(entry).unwrap_or_default();
            file.write(&[
                number.to_string(),
                entry.happened_at.rfc3339(),
                entry.written_at.rfc3339(),
                safe(entry.who.as_str()),
                body,
            ])?;
        }
    }
}

fn messages(reader: &Reader<'_>, folder: &Path) -> Result<u64, CsvError> {
    let head = ["number", "created_at", "key", "state", "attempts", "changed_at", "last_error", "body"];
    let mut file = File::create(folder, "messages.csv", &head)?;
    let mut before = None;
    loop {
        let messages = reader.messages(before, PAGE)?;
        let Some(last) = messages.last() else { return file.finish() };
        before = Some(last.id);
        for message in &messages {
            file.write(&[
                message.id.0.to_string(),
                message.created_at.rfc3339(),
                safe(&message.key.text()),
                message.state.as_str().to_owned(),
                message.attempts.to_string(),
                message.changed_at.rfc3339(),
                safe(message.last_error.as_deref().unwrap_or_default()),
                message.body.to_string(),
            ])?;
        }
    }
}

fn starts(reader: &Reader<'_>, folder: &Path) -> Result<u64, CsvError> {
    let mut file = File::create(folder, "starts.csv", &["run", "boot", "started_at", "clock_trusted"])?;
    for run in reader.runs(u32::MAX)? {
        file.write(&[
            run.id.to_string(),
            safe(&run.boot),
            run.started_at.rfc3339(),
            run.trusted.to_string(),
        ])?;
    }
    file.finish()
}

fn clock_steps(reader: &Reader<'_>, folder: &Path) -> Result<u64, CsvError> {
    let mut file = File::create(folder, "clock_steps.csv", &["run", "uptime_ms", "old_time", "new_time"])?;
    for step in reader.clock_steps()? {
        file.write(&[
            step.run.to_string(),
            step.up.ms().to_string(),
            step.old_at.rfc3339(),
            step.new_at.rfc3339(),
        ])?;
    }
    file.finish()
}

/// Ten-thousandths as a decimal number, every digit that was stored and no other.
fn exact(steps: i32) -> String {
    let magnitude = steps.unsigned_abs();
    format!("{}{}.{:04}", if steps < 0 { "-" } else { "" }, magnitude / 10_000, magnitude % 10_000)
}

fn word(value: &impl serde::Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}

/// Text that a spreadsheet would take for a formula, made harmless.
fn safe(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_exact_and_formulas_are_text() {
        assert_eq!(exact(114_200), "11.4200");
        assert_eq!(exact(-5), "-0.0005");
        assert_eq!(exact(i32::MIN), "-214748.3648");
        assert_eq!(safe("=cmd|' /C calc'!A0"), "'=cmd|' /C calc'!A0");
        assert_eq!(safe("siphoned 40"), "siphoned 40");
    }
}
