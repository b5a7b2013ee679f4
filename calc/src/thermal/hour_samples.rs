//! The readings of one hour, eight bytes each: a rack read every second keeps a quarter of a million
//! of them in memory.

use super::Sample;
use super::ledger::{begin_of_hour, hour_of};
use crate::time::Span;

/// Readings of one hour in the order of their times, one a moment.
///
/// ```
/// # use nightjar_calc::thermal::{HourSamples, Sample};
/// # use nightjar_calc::time::{Span, Timestamp};
/// let at = Timestamp::parse("2026-04-18T06:15:00.250Z").unwrap();
/// let mut hour = HourSamples::new(nightjar_calc::thermal::hour_of(at));
/// hour.insert(Sample::new(at, 9.5).unwrap(), Span::from_ms(100));
/// hour.insert(Sample::new(at + Span::from_ms(20), 9.6).unwrap(), Span::from_ms(100));
/// assert_eq!(hour.iter().collect::<Vec<_>>(), [Sample::new(at, 9.5).unwrap()]);
/// ```
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HourSamples {
    hour: i64,
    /// Milliseconds into the hour; ten-thousandths of a degree.
    readings: Vec<(u32, i32)>,
}

impl HourSamples {
    /// None, of the hour with this number (see [`hour_of`]).
    #[must_use]
    pub const fn new(hour: i64) -> Self {
        Self { hour, readings: Vec::new() }
    }

    /// Those of `sorted` that fall into the hour. They are in the order of their times, one a moment.
    pub(super) fn from_ordered(hour: i64, sorted: &[Sample]) -> Self {
        let mut readings = Vec::with_capacity(sorted.len());
        readings.extend(sorted.iter().filter_map(|sample| packed(hour, sample)));
        Self { hour, readings }
    }

    /// Number of the hour.
    #[must_use]
    pub const fn hour(&self) -> i64 {
        self.hour
    }

    /// Adds a reading; one of another hour is ignored. Of two in one slot the earlier stays, of two at
    /// one moment the lower, whichever came first. Slots are counted from the beginning of the hour.
    pub fn insert(&mut self, sample: Sample, slot: Span) {
        let Some(new) = packed(self.hour, &sample) else { return };
        let slot = u32::try_from(slot.ms()).unwrap_or(u32::MAX).max(1);
        let place = self.readings.partition_point(|there| there.0 / slot < new.0 / slot);
        match self.readings.get_mut(place) {
            Some(there) if there.0 / slot == new.0 / slot => *there = new.min(*there),
            _ => {
                if self.readings.len() == self.readings.capacity() {
                    // Twice the room, as a vector takes by itself, would stay half empty for hours.
                    self.readings.reserve_exact((self.readings.len() / 8).max(16));
                }
                self.readings.insert(place, new);
            }
        }
    }

    /// The readings, in order.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = Sample> {
        let begin = begin_of_hour(self.hour);
        self.readings.iter().map(move |(ms, ten_thousandths)| Sample {
            at: begin + Span::from_ms(i64::from(*ms)),
            ten_thousandths: *ten_thousandths,
        })
    }

    /// Number of readings.
    #[must_use]
    pub const fn len(&self) -> usize {
        self.readings.len()
    }

    /// True when there is none.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.readings.is_empty()
    }
}

/// `None` for a reading of another hour.
fn packed(hour: i64, sample: &Sample) -> Option<(u32, i32)> {
    (hour_of(sample.at) == hour)
        .then(|| u32::try_from(sample.at.since(begin_of_hour(hour)).ms()).ok())
        .flatten()
        .map(|ms| (ms, sample.ten_thousandths))
}
