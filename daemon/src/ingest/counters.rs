//! What a source counts: frames taken, frames and numbers refused and why, names nobody knows.
//!
//! Shared between the source and the core; the core copies it into the snapshot and the metrics.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Why a frame, or one number in it, was not used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Refusal {
    /// Longer than a line or a payload may be.
    Overlong,
    /// Bytes that are not text.
    NotText,
    /// The checksum is missing where one is required.
    NoChecksum,
    /// The checksum is wrong.
    Checksum,
    /// Not a frame of the configured form.
    Malformed,
    /// A sound sentence of another kind than XDR.
    OtherSentence,
    /// Other columns than configured.
    Columns,
    /// Text, a list or nothing where a number belongs.
    NotANumber,
    /// The sender had no value: an empty field or `null`.
    NoValue,
    /// A unit nobody gave a meaning.
    UnknownUnit,
    /// The same name twice in one frame.
    DuplicateName,
    /// A time that cannot be read.
    BadTime,
    /// A topic no filter was meant for.
    UnknownTopic,
    /// A name no sensor of this source has.
    UnknownName,
    /// A device answered with an error instead of a value.
    Device,
}

impl Refusal {
    /// All of them, in the order of their counters.
    pub const ALL: [Self; 15] = [
        Self::Overlong,
        Self::NotText,
        Self::NoChecksum,
        Self::Checksum,
        Self::Malformed,
        Self::OtherSentence,
        Self::Columns,
        Self::NotANumber,
        Self::NoValue,
        Self::UnknownUnit,
        Self::DuplicateName,
        Self::BadTime,
        Self::UnknownTopic,
        Self::UnknownName,
        Self::Device,
    ];

    /// As a word for metrics and the page.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Overlong => "overlong",
            Self::NotText => "not-text",
            Self::NoChecksum => "no-checksum",
            Self::Checksum => "checksum",
            Self::Malformed => "malformed",
            Self::OtherSentence => "other-sentence",
            Self::Columns => "columns",
            Self::NotANumber => "not-a-number",
            Self::NoValue => "no-value",
            Self::UnknownUnit => "unknown-unit",
            Self::DuplicateName => "duplicate-name",
            Self::BadTime => "bad-time",
            Self::UnknownTopic => "unknown-topic",
            Self::UnknownName => "unknown-name",
            Self::Device => "device",
        }
    }
}

/// Names kept of those nobody knows; a flood of names must not fill the memory.
pub const UNKNOWN_NAMES_KEPT: usize = 32;

/// Longest example kept of a refused frame, in characters.
pub const EXAMPLE_LENGTH: usize = 80;

/// What one source has counted since the process began.
#[derive(Debug, Default)]
pub struct SourceCounters {
    frames_taken: AtomicU64,
    readings: AtomicU64,
    refused: [AtomicU64; Refusal::ALL.len()],
    dropped: AtomicU64,
    connections: AtomicU64,
    up: AtomicBool,
    lagging: AtomicBool,
    notes: Mutex<Notes>,
}

#[derive(Debug, Default)]
struct Notes {
    last_refused: Option<(Refusal, String)>,
    unknown: BTreeMap<String, u64>,
    unknown_elsewhere: u64,
}

impl SourceCounters {
    /// Lines, messages or polls dealt with to the end: their readings handed to the core, or
    /// refused, or dropped. Whoever writes to the device can wait for this number.
    #[must_use]
    pub fn frames_taken(&self) -> u64 {
        self.frames_taken.load(Ordering::Acquire)
    }
    /// Readings handed to the core.
    #[must_use]
    pub fn readings(&self) -> u64 {
        self.readings.load(Ordering::Relaxed)
    }
    /// Frames or numbers refused for one reason.
    #[must_use]
    pub fn refused(&self, why: Refusal) -> u64 {
        self.refused[slot(why)].load(Ordering::Relaxed)
    }
    /// Frames or numbers refused for any reason.
    #[must_use]
    pub fn refused_total(&self) -> u64 {
        self.refused.iter().map(|count| count.load(Ordering::Relaxed)).sum()
    }
    /// Frames lost because the core did not keep up.
    #[must_use]
    pub fn dropped(&self) -> u64 {
        self.dropped.load(Ordering::Relaxed)
    }
    /// Times the device or broker was reached.
    #[must_use]
    pub fn connections(&self) -> u64 {
        self.connections.load(Ordering::Relaxed)
    }
    /// True while the device or broker is reached.
    #[must_use]
    pub fn is_up(&self) -> bool {
        self.up.load(Ordering::Acquire)
    }
    /// True from a frame dropped to the next one handed over.
    #[must_use]
    pub fn is_lagging(&self) -> bool {
        self.lagging.load(Ordering::Relaxed)
    }
    /// The last frame refused, escaped and shortened, and why.
    #[must_use]
    pub fn last_refused(&self) -> Option<(Refusal, String)> {
        self.notes().last_refused.clone()
    }
    /// The first names nobody knew with how often they came, and how often others did.
    #[must_use]
    pub fn unknown_names(&self) -> (BTreeMap<String, u64>, u64) {
        let notes = self.notes();
        (notes.unknown.clone(), notes.unknown_elsewhere)
    }

    /// Counts a refusal and keeps the frame as the example of it.
    pub fn refuse(&self, why: Refusal, frame: &[u8]) {
        self.refused[slot(why)].fetch_add(1, Ordering::Relaxed);
        self.notes().last_refused = Some((why, escaped(frame)));
    }

    /// Counts a name no sensor has.
    pub fn refuse_name(&self, name: &str) {
        self.refused[slot(Refusal::UnknownName)].fetch_add(1, Ordering::Relaxed);
        let name = escaped(name.as_bytes());
        let mut notes = self.notes();
        if let Some(count) = notes.unknown.get_mut(&name) {
            *count += 1;
        } else if notes.unknown.len() < UNKNOWN_NAMES_KEPT {
            notes.unknown.insert(name, 1);
        } else {
            notes.unknown_elsewhere += 1;
        }
    }

    pub(super) fn frame_taken(&self) {
        self.frames_taken.fetch_add(1, Ordering::Release);
    }
    pub(super) fn handed_over(&self, readings: usize) {
        self.readings.fetch_add(readings as u64, Ordering::Relaxed);
        self.lagging.store(false, Ordering::Relaxed);
    }
    pub(super) fn drop_frame(&self) {
        self.dropped.fetch_add(1, Ordering::Relaxed);
        self.lagging.store(true, Ordering::Relaxed);
    }
    pub(super) fn set_up(&self, up: bool) {
        let was = self.up.swap(up, Ordering::AcqRel);
        if up && !was {
            self.connections.fetch_add(1, Ordering::Relaxed);
        }
    }

    fn notes(&self) -> MutexGuard<'_, Notes> {
        self.notes.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn slot(why: Refusal) -> usize {
    why as usize
}

/// Printable and short, whatever the bytes were: safe in a log line and on a page.
#[must_use]
pub fn escaped(bytes: &[u8]) -> String {
    // One byte becomes four characters at most, so a short piece is enough to fill the example.
    let mut text = String::with_capacity(EXAMPLE_LENGTH);
    for byte in bytes.iter().take(EXAMPLE_LENGTH) {
        let piece = byte.escape_ascii();
        if text.len() + piece.len() > EXAMPLE_LENGTH {
            break;
        }
        text.extend(piece.map(char::from));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_reason_has_its_own_counter_and_word() {
        let counters = SourceCounters::default();
        let mut words = std::collections::BTreeSet::new();
        for (at, why) in Refusal::ALL.into_iter().enumerate() {
            assert_eq!(slot(why), at);
            assert!(words.insert(why.word()));
            counters.refuse(why, b"x");
            assert_eq!(counters.refused(why), 1);
        }
        assert_eq!(counters.refused_total(), Refusal::ALL.len() as u64);
    }

    #[test]
    fn an_example_is_printable_and_short() {
        assert_eq!(escaped(b"a\x1b[31m\r\n\0\xff"), "a\\x1b[31m\\r\\n\\x00\\xff");
        assert!(escaped(&[0_u8; 5000]).len() <= EXAMPLE_LENGTH);
        assert!(escaped("🐟".repeat(400).as_bytes()).is_ascii());
    }

    #[test]
    fn a_flood_of_names_is_counted_and_not_kept() {
        let counters = SourceCounters::default();
        for n in 0..100_000 {
            counters.refuse_name(&format!("x{n}"));
        }
        counters.refuse_name("x0");
        let (names, others) = counters.unknown_names();
        assert_eq!((names.len(), names["x0"]), (UNKNOWN_NAMES_KEPT, 2));
        assert_eq!(others, 100_000 - UNKNOWN_NAMES_KEPT as u64);
    }
}
