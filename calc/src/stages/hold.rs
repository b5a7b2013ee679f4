//! The simplest future: the water stays as it was.

use crate::outlook::Futures;
use crate::thermal::{DegreesAboveZero, PER_C_DAY, Record, Tallied};
use crate::time::{Span, Timestamp};

/// Length of the past the mean is taken over.
const LOOK_BACK: Span = Span::from_hours(72);

/// One future that holds the mean of the last three days before `as_of` (or of as much of them as there is) for
/// `days` days. Used when nothing better is known; it carries no uncertainty of the water, and says so.
///
/// Nothing when the three days hold no reading. The mean counts water below 0 °C as 0 °C.
///
/// ```
/// # use nightjar_calc::thermal::*;
/// # use nightjar_calc::stages::hold_last_days;
/// # use nightjar_calc::time::{Span, Timestamp};
/// let start = Timestamp::parse("2026-04-18T00:00:00Z").unwrap();
/// let samples: Vec<_> =
///     (0..=120).map(|h| Sample::new(start + Span::from_hours(h), if h < 48 { 6.0 } else { 9.0 }).unwrap()).collect();
/// let record = Record::from_samples(&samples, &Rules::for_interval(Span::from_hours(1)));
/// let futures = hold_last_days(&record, start + Span::from_hours(120), 30).unwrap();
/// assert!((futures.paths[0][0] - 9.0).abs() < 1e-9);
/// ```
#[must_use]
pub fn hold_last_days(record: &Record, as_of: Timestamp, days: usize) -> Option<Futures> {
    let tally = record.under(&DegreesAboveZero).tally(as_of - LOOK_BACK, as_of);
    let counted = (tally.measured + tally.bridged).days();
    if counted <= 0.0 {
        return None;
    }
    let mean = tally.sum as f64 / PER_C_DAY as f64 / counted;
    Some(Futures {
        from: as_of,
        step: Span::from_hours(24),
        paths: vec![vec![mean; days.max(1)]],
        basis: "held at the mean of the last three days".to_owned(),
    })
}
