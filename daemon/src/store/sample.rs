//! A stored reading, and which of two readings of the same sensor and moment stays.

use crate::reading::{Quality, Reason, Value};
use nightjar_calc::time::Timestamp;
use std::collections::BTreeMap;

/// One stored reading of one sensor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sample {
    /// When it was true.
    pub at: Timestamp,
    /// The measure, in steps of [`Value::STEPS`].
    pub value: Value,
    /// How far it can be believed.
    pub quality: Quality,
    /// Why not further.
    pub reason: Reason,
}

impl Sample {
    /// Whether this one stays when `other` has the same moment: the better quality, then the
    /// smaller value, then the earlier reason. A total order, so that the outcome does not depend
    /// on which came first.
    #[must_use]
    pub fn beats(&self, other: &Self) -> bool {
        (self.quality, self.value, self.reason) < (other.quality, other.value, other.reason)
    }

    /// Whether it counts for charts and sums.
    #[must_use]
    pub fn is_usable(&self) -> bool {
        self.quality != Quality::Bad
    }
}

/// Number of a channel in the database; stable for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct ChannelId(pub u32);

/// Milliseconds of an hour, the length of a chunk.
pub(super) const HOUR_MS: i64 = 3_600_000;

/// Earliest and latest moments a reading may carry to be stored: 1970 and the end of year 9999.
/// Outside them a time is nonsense, and would not fit the key of a chunk.
pub(super) const STORABLE_MS: std::ops::Range<i64> = 0..253_402_300_800_000;

/// A set of samples of one channel, by time, one for each moment.
#[derive(Clone, Debug, Default)]
pub(super) struct Merged {
    by_time: BTreeMap<i64, Sample>,
    conflict: bool,
}

impl Merged {
    /// Adds one; of two with the same moment the better one stays.
    pub(super) fn add(&mut self, sample: Sample) {
        let place = self.by_time.entry(sample.at.ms()).or_insert(sample);
        self.conflict |= *place != sample;
        if sample.beats(place) {
            *place = sample;
        }
    }

    /// Two different samples had the same moment.
    pub(super) fn had_conflict(&self) -> bool {
        self.conflict
    }

    /// In the order of time.
    pub(super) fn into_vec(self) -> Vec<Sample> {
        self.by_time.into_values().collect()
    }
}

/// Two lists made one.
#[derive(Clone, Debug, Default)]
pub(super) struct Joined {
    /// In the order of time, each moment once.
    pub samples: Vec<Sample>,
    /// Something was new or better than in the first list.
    pub changed: bool,
    /// Two different samples had the same moment.
    pub conflict: bool,
}

/// Joins two lists that are each sorted and free of repeats.
pub(super) fn join(old: Vec<Sample>, new: Vec<Sample>) -> Joined {
    let mut joined = Joined { samples: Vec::with_capacity(old.len() + new.len()), ..Joined::default() };
    let (mut old, mut new) = (old.into_iter().peekable(), new.into_iter().peekable());
    loop {
        match (old.peek(), new.peek()) {
            (None, None) => return joined,
            (Some(a), Some(b)) if a.at == b.at => {
                let wins = b.beats(a);
                joined.changed |= wins;
                joined.conflict |= a != b;
                joined.samples.push(if wins { *b } else { *a });
                old.next();
                new.next();
            }
            (Some(a), b) if b.is_none_or(|b| a.at < b.at) => joined.samples.extend(old.next()),
            _ => {
                joined.changed = true;
                joined.samples.extend(new.next());
            }
        }
    }
}
