//! The trace of all writes and syncs of the database's files, and the disk a power cut would leave.
//!
//! What was synced is there. Of what was not, each write may be lost, kept, torn or garbled, alone or
//! with the others; names made or taken away since the folder was last synced may be so or not, in
//! their order. That is at least as bad as a disk that honours a sync and nothing else.

use super::chance::Chance;
use super::inspect::DATABASE;
use std::path::Path;

/// Files of a database, as the shim numbers them from 1.
const NAMES: [&str; 3] = ["", "-wal", "-journal"];
/// Number of the log.
const LOG: usize = 1;
/// The shim's number of the folder.
const FOLDER: u8 = 6;
/// A disk writes whole sectors.
const SECTOR: usize = 512;
/// Bytes of a record before its data.
const HEAD: usize = 16;

/// One call.
#[derive(Clone, Debug)]
enum Step {
    Write { file: usize, offset: usize, bytes: Vec<u8> },
    Truncate { file: usize, length: usize },
    Sync { file: usize },
    SyncFolder,
    Unlink { file: usize },
    Create { file: usize },
}

/// A trace with the files it began from.
#[derive(Clone, Debug)]
pub struct Trace {
    base: [Option<Vec<u8>>; 3],
    steps: Vec<Step>,
    /// Bytes of the trace up to the end of each step.
    ends: Vec<u64>,
}

/// The bytes of one file, and what has been done to them since the last sync.
#[derive(Clone, Debug, Default)]
struct Content {
    safe: Vec<u8>,
    since: Vec<Step>,
}

/// The disk at one moment.
#[derive(Clone, Debug)]
pub struct Disk {
    contents: Vec<Content>,
    /// What each name stands for on disk.
    safe_names: [Option<usize>; 3],
    /// Names since the folder was synced, in order.
    names_since: Vec<(usize, Option<usize>)>,
}

/// What a power cut does to what was not synced.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Damage {
    /// Nothing is lost: as after a kill.
    None,
    /// All of it is lost.
    Lost,
    /// The later part is lost.
    Prefix,
    /// Any of it is lost, so that later writes are there and earlier ones not.
    Reordered,
    /// As before, and each write may stop within.
    Torn,
    /// As before, and sectors may hold anything.
    Garbled,
}

impl Damage {
    /// All that lose something.
    pub const ALL: [Self; 5] = [Self::Lost, Self::Prefix, Self::Reordered, Self::Torn, Self::Garbled];
}

/// Copies of the files.
///
/// # Errors
/// When they cannot be read.
pub fn base(folder: &Path) -> std::io::Result<[Option<Vec<u8>>; 3]> {
    let mut files = [None, None, None];
    for (file, name) in files.iter_mut().zip(NAMES) {
        let path = folder.join(format!("{DATABASE}{name}"));
        if path.is_file() {
            *file = Some(std::fs::read(path)?);
        }
    }
    Ok(files)
}

impl Trace {
    /// Reads a trace.
    ///
    /// # Errors
    /// When it is not one.
    pub fn read(base: [Option<Vec<u8>>; 3], bytes: &[u8]) -> Result<Self, String> {
        let mut trace = Self { base, steps: Vec::new(), ends: Vec::new() };
        let mut at = 0;
        while let Some(head) = bytes.get(at..at + HEAD) {
            let number = |range: std::ops::Range<usize>| {
                head[range].iter().rev().fold(0_u64, |sum, byte| sum << 8 | u64::from(*byte))
            };
            let length = usize::try_from(number(4..8)).map_err(|error| error.to_string())?;
            let offset = usize::try_from(number(8..16)).map_err(|error| error.to_string())?;
            let file = usize::from(head[1]).wrapping_sub(1);
            at += HEAD;
            let step = match (head[0], head[1]) {
                (2, FOLDER) => Step::SyncFolder,
                (kind, 1..=3) => match kind {
                    1 => {
                        let Some(data) = bytes.get(at..at + length) else { break };
                        at += length;
                        Step::Write { file, offset, bytes: data.to_vec() }
                    }
                    2 => Step::Sync { file },
                    3 => Step::Truncate { file, length: offset },
                    4 => Step::Unlink { file },
                    5 => Step::Create { file },
                    other => return Err(format!("byte {at} of the trace: unknown call {other}")),
                },
                (kind, file) => return Err(format!("byte {at} of the trace: call {kind} on file {file}")),
            };
            trace.steps.push(step);
            trace.ends.push(at as u64);
        }
        Ok(trace)
    }

    /// Calls in it.
    #[must_use]
    pub fn steps(&self) -> usize {
        self.steps.len()
    }

    /// Bytes of the trace after so many calls.
    #[must_use]
    pub fn bytes_after(&self, steps: usize) -> u64 {
        steps.checked_sub(1).and_then(|last| self.ends.get(last).copied()).unwrap_or(0)
    }

    /// Number of calls after which the log was last synced, up to a moment.
    #[must_use]
    pub fn last_sync(&self, steps: usize) -> usize {
        let synced = |step: &Step| matches!(step, Step::Sync { file } if *file == LOG);
        self.steps[..steps].iter().rposition(synced).map_or(0, |at| at + 1)
    }

    /// Syncs in it.
    #[must_use]
    pub fn syncs(&self) -> usize {
        self.steps.iter().filter(|step| matches!(step, Step::Sync { .. })).count()
    }

    /// The disk before the first call.
    #[must_use]
    pub fn begin(&self) -> Disk {
        let mut disk = Disk { contents: Vec::new(), safe_names: [None; 3], names_since: Vec::new() };
        for (file, bytes) in self.base.iter().enumerate() {
            if let Some(bytes) = bytes {
                disk.safe_names[file] = Some(disk.contents.len());
                disk.contents.push(Content { safe: bytes.clone(), since: Vec::new() });
            }
        }
        disk
    }

    /// Takes a disk on by some calls.
    pub fn advance(&self, disk: &mut Disk, from: usize, to: usize) {
        for step in &self.steps[from..to] {
            disk.step(step);
        }
    }
}

impl Disk {
    fn name(&self, file: usize) -> Option<usize> {
        let newest = self.names_since.iter().rev().find(|(name, _)| *name == file);
        newest.map_or(self.safe_names[file], |(_, content)| *content)
    }

    fn step(&mut self, step: &Step) {
        match step {
            Step::Write { file, .. } | Step::Truncate { file, .. } => {
                if let Some(content) = self.name(*file) {
                    self.contents[content].since.push(step.clone());
                }
            }
            Step::Sync { file } => {
                if let Some(content) = self.name(*file) {
                    let content = &mut self.contents[content];
                    for step in std::mem::take(&mut content.since) {
                        apply(&mut content.safe, &step);
                    }
                }
            }
            Step::SyncFolder => {
                for (name, content) in std::mem::take(&mut self.names_since) {
                    self.safe_names[name] = content;
                }
            }
            Step::Unlink { file } => self.names_since.push((*file, None)),
            Step::Create { file } => {
                self.names_since.push((*file, Some(self.contents.len())));
                self.contents.push(Content::default());
            }
        }
    }

    /// Writes what is left of it after a power cut.
    ///
    /// # Errors
    /// When the folder cannot be written to.
    pub fn write(&self, folder: &Path, damage: Damage, chance: &mut Chance) -> std::io::Result<()> {
        let mut names = self.safe_names;
        let kept = match damage {
            Damage::None => self.names_since.len(),
            Damage::Lost => 0,
            Damage::Prefix | Damage::Reordered | Damage::Torn | Damage::Garbled => {
                chance.position(self.names_since.len() + 1)
            }
        };
        for (name, content) in &self.names_since[..kept] {
            names[*name] = *content;
        }
        drop(std::fs::remove_file(folder.join(format!("{DATABASE}-shm"))));
        for (name, content) in NAMES.iter().zip(names) {
            let path = folder.join(format!("{DATABASE}{name}"));
            match content {
                Some(content) => std::fs::write(path, self.contents[content].after(damage, chance))?,
                None => drop(std::fs::remove_file(path)),
            }
        }
        Ok(())
    }
}

impl Content {
    fn after(&self, damage: Damage, chance: &mut Chance) -> Vec<u8> {
        let mut bytes = self.safe.clone();
        let prefix = match damage {
            Damage::None | Damage::Reordered | Damage::Torn | Damage::Garbled => self.since.len(),
            Damage::Lost => 0,
            Damage::Prefix => chance.position(self.since.len() + 1),
        };
        for step in &self.since[..prefix] {
            let whole = matches!(damage, Damage::None | Damage::Prefix) || chance.once_in(2);
            match (step, damage) {
                _ if whole => apply(&mut bytes, step),
                (Step::Write { offset, bytes: data, .. }, Damage::Torn) => {
                    // Whole sectors, mostly; now and then within one.
                    let cut = chance.position(data.len() + 1);
                    let cut = if chance.once_in(4) { cut } else { cut / SECTOR * SECTOR };
                    put(&mut bytes, *offset, &data[..cut]);
                }
                (Step::Write { offset, bytes: data, .. }, Damage::Garbled) => {
                    let mut data = data.clone();
                    for sector in data.chunks_mut(SECTOR) {
                        if chance.once_in(3) {
                            sector.fill_with(|| chance.any().to_le_bytes()[0]);
                        }
                    }
                    put(&mut bytes, *offset, &data);
                }
                _ => {}
            }
        }
        bytes
    }
}

fn apply(bytes: &mut Vec<u8>, step: &Step) {
    match step {
        Step::Write { offset, bytes: data, .. } => put(bytes, *offset, data),
        Step::Truncate { length, .. } => bytes.resize(*length, 0),
        Step::Sync { .. } | Step::SyncFolder | Step::Unlink { .. } | Step::Create { .. } => {}
    }
}

fn put(bytes: &mut Vec<u8>, offset: usize, data: &[u8]) {
    if data.is_empty() {
        return;
    }
    if bytes.len() < offset + data.len() {
        bytes.resize(offset + data.len(), 0);
    }
    bytes[offset..offset + data.len()].copy_from_slice(data);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A record as the shim writes it.
    fn record(kind: u8, file: u8, offset: u64, bytes: &[u8]) -> Vec<u8> {
        let length = u32::try_from(bytes.len()).expect("short");
        let mut record = vec![kind, file, 0, 0];
        record.extend(length.to_le_bytes());
        record.extend(offset.to_le_bytes());
        record.extend(bytes);
        record
    }

    /// What each name holds after a power cut, of a trace that begins with an empty folder.
    fn left(records: &[Vec<u8>], damage: Damage, seed: u64) -> [Option<Vec<u8>>; 3] {
        let trace = Trace::read([None, None, None], &records.concat()).expect("a trace");
        let mut disk = trace.begin();
        trace.advance(&mut disk, 0, trace.steps());
        let folder = tempfile::tempdir().expect("a folder");
        disk.write(folder.path(), damage, &mut Chance::new(seed, 0)).expect("written");
        base(folder.path()).expect("read")
    }

    #[test]
    fn what_was_synced_stays_and_nothing_else_is_sure() {
        let mut records = vec![
            record(5, 1, 0, b""),
            record(1, 1, 0, b"first"),
            record(2, 1, 0, b""),
            record(2, 6, 0, b""),
            record(1, 1, 0, b"FIRST"),
            record(1, 1, 5, b"second"),
        ];
        assert_eq!(left(&records, Damage::Lost, 1)[0].as_deref(), Some(b"first".as_slice()));
        assert_eq!(left(&records, Damage::None, 1)[0].as_deref(), Some(b"FIRSTsecond".as_slice()));
        let some = |damage| -> std::collections::BTreeSet<Vec<u8>> {
            (0..200).filter_map(|seed| left(&records, damage, seed)[0].clone()).collect()
        };
        let prefixes: Vec<Vec<u8>> = vec![b"FIRST".to_vec(), b"FIRSTsecond".to_vec(), b"first".to_vec()];
        assert_eq!(some(Damage::Prefix).into_iter().collect::<Vec<_>>(), prefixes);
        // The later write without the earlier one.
        assert!(some(Damage::Reordered).contains(b"firstsecond".as_slice()));
        assert!(some(Damage::Torn).iter().any(|bytes| bytes.starts_with(b"firstse") && bytes.len() < 11));
        assert!(some(Damage::Garbled).len() > 10);
        records.push(record(2, 1, 0, b""));
        for damage in Damage::ALL {
            assert_eq!(
                left(&records, damage, 1)[0].as_deref(),
                Some(b"FIRSTsecond".as_slice()),
                "{damage:?}"
            );
        }
    }

    #[test]
    fn a_name_is_sure_once_its_folder_is_synced() {
        let made = [record(5, 2, 0, b""), record(1, 2, 0, b"log"), record(2, 2, 0, b"")];
        assert_eq!(left(&made, Damage::Lost, 1)[1], None);
        let sure = [made.concat(), record(2, 6, 0, b"")];
        assert_eq!(left(&sure, Damage::Lost, 1)[1].as_deref(), Some(b"log".as_slice()));
        // Taken away and made anew: the old one may still be there.
        let anew = [sure.concat(), record(4, 2, 0, b""), record(5, 2, 0, b""), record(1, 2, 0, b"new")];
        assert_eq!(left(&anew, Damage::Lost, 1)[1].as_deref(), Some(b"log".as_slice()));
        assert_eq!(left(&anew, Damage::None, 1)[1].as_deref(), Some(b"new".as_slice()));
        let ends: std::collections::BTreeSet<Option<Vec<u8>>> =
            (0..100).map(|seed| left(&anew, Damage::Prefix, seed)[1].clone()).collect();
        assert!(ends.contains(&None) && ends.contains(&Some(b"log".to_vec())));
    }

    #[test]
    fn half_a_record_at_the_end_is_no_call() {
        let mut bytes = [record(5, 1, 0, b""), record(1, 1, 0, b"whole")].concat();
        bytes.extend(&record(1, 1, 5, b"half")[..18]);
        let trace = Trace::read([None, None, None], &bytes).expect("a trace");
        assert_eq!((trace.steps(), trace.last_sync(2)), (2, 0));
    }
}
