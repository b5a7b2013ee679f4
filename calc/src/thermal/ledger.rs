//! A record in bounded memory: one small block for each hour.

use super::hours::Hours;
use super::record::in_order;
use super::rules::Class;
use super::{Gap, HourSamples, Integrand, Pair, Record, Rules, Sample, Tallied, Tally};
use crate::time::{Span, Timestamp};
use std::sync::Arc;

const HOUR_MS: i64 = 3_600_000;

/// Number of the UTC hour a moment falls into (hours since 1970).
#[must_use]
pub const fn hour_of(at: Timestamp) -> i64 {
    at.ms().div_euclid(HOUR_MS)
}

/// The moment an hour begins, by its number: the reverse of [`hour_of`].
#[must_use]
pub const fn begin_of_hour(hour: i64) -> Timestamp {
    Timestamp::from_ms(hour.saturating_mul(HOUR_MS))
}

/// The readings of one hour, reduced to what the sum needs: the first, the last and the tally between them.
///
/// A block is a function of the *set* of readings of its hour. When a late one arrives, it is made again
/// from all of them. It is small, because a rack keeps tens of thousands: moments and lengths are whole
/// milliseconds of one hour.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HourBlock {
    first: Mark,
    last: Mark,
    sum: i64,
    measured_ms: u32,
    bridged_ms: u32,
    lowest: i32,
    highest: i32,
    #[expect(
        clippy::box_collection,
        reason = "nearly always there is none, and a vector takes three times the room"
    )]
    gaps: Option<Box<Vec<Gap>>>,
    /// The single readings, while they are kept.
    detail: Option<Arc<HourSamples>>,
}

/// A season of 24 jars is eighty thousand of them.
const _: () = assert!(size_of::<HourBlock>() <= 56);

/// A reading of an hour that is known: milliseconds into it; ten-thousandths of a degree.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Mark {
    ms: u32,
    ten_thousandths: i32,
}

impl Mark {
    fn of(hour: i64, sample: &Sample) -> Self {
        Self {
            ms: within_hour(sample.at.since(begin_of_hour(hour))),
            ten_thousandths: sample.ten_thousandths,
        }
    }

    fn at(self, hour: i64) -> Sample {
        let at = begin_of_hour(hour) + Span::from_ms(i64::from(self.ms));
        Sample { at, ten_thousandths: self.ten_thousandths }
    }
}

/// A length of time within one hour, in ms.
fn within_hour(span: Span) -> u32 {
    u32::try_from(span.ms()).unwrap_or(u32::MAX)
}

impl HourBlock {
    /// From all readings of one hour; nothing when there are none.
    #[must_use]
    pub fn from_samples<I: Integrand>(
        samples: &Arc<HourSamples>,
        integrand: &I,
        rules: &Rules,
    ) -> Option<Self> {
        let sorted: Vec<Sample> = samples.iter().collect();
        let (first, last) = (*sorted.first()?, *sorted.last()?);
        let inner = Record::inner(&sorted, rules).under(integrand).tally(first.at, last.at);
        let used = sorted.iter().map(|sample| sample.ten_thousandths);
        Some(Self {
            first: Mark::of(samples.hour(), &first),
            last: Mark::of(samples.hour(), &last),
            sum: inner.sum,
            measured_ms: within_hour(inner.measured),
            bridged_ms: within_hour(inner.bridged),
            lowest: used.clone().min()?,
            highest: used.max()?,
            gaps: (!inner.gaps.is_empty()).then(|| Box::new(inner.gaps)),
            detail: Some(Arc::clone(samples)),
        })
    }

    /// Forgets the single readings. Sums that begin or end between them are then interpolated.
    pub fn condense(&mut self) {
        self.detail = None;
    }

    /// The single readings, while they are kept.
    #[must_use]
    pub const fn samples(&self) -> Option<&Arc<HourSamples>> {
        self.detail.as_ref()
    }

    /// What lies between the first and the last reading.
    fn inner(&self) -> Tally {
        Tally {
            sum: self.sum,
            measured: Span::from_ms(i64::from(self.measured_ms)),
            bridged: Span::from_ms(i64::from(self.bridged_ms)),
            gaps: self.gaps.as_deref().cloned().unwrap_or_default(),
            extremes: Some((self.lowest, self.highest)),
            ..Tally::default()
        }
    }
}

/// The hours of one sensor, integrated by one function of temperature.
///
/// `put` takes the full set of readings of an hour, as often as it changes; the sum depends on the sets
/// alone. Readings older than needed are dropped by [`Ledger::condense_before`]; hours in which a stretch
/// begins (fertilization) should be kept whole. [`Tally::exact`] tells when such an hour is missing.
///
/// ```
/// # use nightjar_calc::thermal::*;
/// # use nightjar_calc::time::{Span, Timestamp};
/// let start = Timestamp::parse("2026-04-18T00:00:00Z").unwrap();
/// let samples: Vec<Sample> =
///     (0..8640).map(|i| Sample::new(start + Span::from_secs(10 * i), 9.0 + (i % 7) as f64 * 0.01).unwrap()).collect();
/// let mut ledger = Ledger::new(DegreesAboveZero, Rules::default());
/// for hour in samples.chunks(360).rev() {
///     ledger.put(hour_of(hour[0].at), hour);
/// }
/// let end = samples[8639].at;
/// let all = Record::from_samples(&samples, &Rules::default());
/// assert_eq!(ledger.tally(start, end), all.under(&DegreesAboveZero).tally(start, end));
/// ```
#[derive(Clone, Debug)]
pub struct Ledger<I> {
    integrand: I,
    rules: Rules,
    hours: Hours<HourBlock>,
}

impl<I: Integrand> Ledger<I> {
    /// An empty one.
    #[must_use]
    pub const fn new(integrand: I, rules: Rules) -> Self {
        Self { integrand, rules, hours: Hours::new() }
    }

    /// Sets an hour from all its readings, in any order, replacing what was there. Readings of other hours
    /// are ignored.
    pub fn put(&mut self, hour: i64, samples: &[Sample]) {
        self.put_shared(&Arc::new(HourSamples::from_ordered(hour, &in_order(samples))));
    }

    /// The same from readings that others keep, too: they are not copied.
    pub fn put_shared(&mut self, samples: &Arc<HourSamples>) {
        match HourBlock::from_samples(samples, &self.integrand, &self.rules) {
            Some(block) => self.hours.insert(samples.hour(), block),
            None => self.hours.remove(samples.hour()),
        }
    }

    /// Adds one reading to its hour, if that hour's readings are still kept (or there were none).
    ///
    /// Returns false when they are not: the hour must then be [`put`](Self::put) with all its readings.
    pub fn add(&mut self, sample: Sample) -> bool {
        let hour = hour_of(sample.at);
        let mut samples = match self.hours.get(hour).map(HourBlock::samples) {
            None => HourSamples::new(hour),
            Some(Some(kept)) => (**kept).clone(),
            Some(None) => return false,
        };
        samples.insert(sample, Span::from_ms(1));
        self.put_shared(&Arc::new(samples));
        true
    }

    /// Forgets the single readings of hours before `hour`, except those in `keep`.
    pub fn condense_before(&mut self, hour: i64, keep: &[i64]) {
        for (number, block) in self.hours.before_mut(hour) {
            if !keep.contains(number) {
                block.condense();
            }
        }
    }

    /// The block of an hour.
    #[must_use]
    pub fn hour(&self, hour: i64) -> Option<&HourBlock> {
        self.hours.get(hour)
    }

    /// Hours before one, with their blocks, in order.
    pub fn hours_before(&self, hour: i64) -> impl DoubleEndedIterator<Item = (i64, &HourBlock)> {
        self.hours.before(hour).iter().map(|(hour, block)| (*hour, block))
    }

    /// Hours from one on, with their blocks, in order.
    pub fn hours_from(&self, hour: i64) -> impl DoubleEndedIterator<Item = (i64, &HourBlock)> {
        self.hours.from(hour).iter().map(|(hour, block)| (*hour, block))
    }

    /// First and last reading.
    #[must_use]
    pub fn bounds(&self) -> Option<(Sample, Sample)> {
        let ((first_hour, first), (last_hour, last)) = (self.hours.all().first()?, self.hours.all().last()?);
        Some((first.first.at(*first_hour), last.last.at(*last_hour)))
    }

    /// Adds what lies between the first and the last reading of an hour to a tally.
    fn add_block(
        &self,
        tally: &mut Tally,
        block: &HourBlock,
        ends: (Sample, Sample),
        window: (Timestamp, Timestamp),
    ) {
        let from = window.0.max(ends.0.at);
        let to = window.1.min(ends.1.at);
        if from >= to {
            return;
        }
        let inner = if from == ends.0.at && to == ends.1.at {
            block.inner()
        } else if let Some(samples) = block.samples() {
            let sorted: Vec<Sample> = samples.iter().collect();
            Record::inner(&sorted, &self.rules).under(&self.integrand).tally(from, to)
        } else {
            interpolated(&block.inner(), ends, from, to)
        };
        tally.sum = tally.sum.saturating_add(inner.sum);
        tally.measured += inner.measured;
        tally.bridged += inner.bridged;
        tally.exact &= inner.exact;
        for gap in &inner.gaps {
            tally.add_gap(gap.from, gap.to);
        }
        if let Some((low, high)) = inner.extremes {
            tally.span_temperature(low, high);
        }
    }
}

/// Adds the stretch between two neighbouring readings to a tally.
fn add_pair<I: Integrand>(
    integrand: &I,
    tally: &mut Tally,
    pair: &Pair,
    class: Class,
    window: (Timestamp, Timestamp),
) {
    let from = window.0.clamp(pair.start.at, pair.end.at);
    let to = window.1.clamp(pair.start.at, pair.end.at);
    if from >= to {
        return;
    }
    let length = to.since(from);
    match class {
        Class::Gap => {
            tally.add_gap(from, to);
            return;
        }
        Class::Measured => tally.measured += length,
        Class::Bridged => tally.bridged += length,
    }
    let sum = integrand.up_to(pair, to) - integrand.up_to(pair, from);
    tally.sum = tally.sum.saturating_add(sum);
    let (u0, u1) = (pair.start.ten_thousandths, pair.end.ten_thousandths);
    tally.span_temperature(u0.min(u1), u0.max(u1));
}

/// Part of an hour whose single readings are gone: evenly spread from the first to the last.
fn interpolated(inner: &Tally, ends: (Sample, Sample), from: Timestamp, to: Timestamp) -> Tally {
    let whole = i128::from(ends.1.at.since(ends.0.at).ms());
    let share = |amount: i64, at: Timestamp| {
        let part = i128::from(amount) * i128::from(at.since(ends.0.at).ms()) / whole;
        i64::try_from(part).unwrap_or(i64::MAX)
    };
    let between = |amount: i64| share(amount, to) - share(amount, from);
    let measured = between(inner.measured.ms());
    let bridged = between(inner.bridged.ms());
    let mut tally = Tally {
        sum: between(inner.sum),
        measured: Span::from_ms(measured),
        bridged: Span::from_ms(bridged),
        extremes: inner.extremes,
        exact: false,
        ..Tally::default()
    };
    tally.add_gap(to - Span::from_ms(to.since(from).ms() - measured - bridged), to);
    tally
}

impl<I: Integrand> Tallied for Ledger<I> {
    fn tally(&self, from: Timestamp, to: Timestamp) -> Tally {
        let mut tally = Tally::default();
        if to <= from {
            return tally;
        }
        let window = (from, to);
        let Some((first, last)) = self.bounds() else {
            tally.add_gap(from, to);
            return tally;
        };
        let before = Sample { at: first.at - self.rules.edge_hold, ..first };
        tally.add_gap(from, to.min(before.at));
        add_pair(&self.integrand, &mut tally, &Pair { start: before, end: first }, Class::Measured, window);

        // The block before the stretch matters only for the pair that reaches into it.
        let hour = hour_of(from);
        let mut previous = self.hours.before(hour).last().map(|(hour, block)| block.last.at(*hour));
        for (hour, block) in self.hours.from(hour) {
            let ends = (block.first.at(*hour), block.last.at(*hour));
            if let Some(start) = previous {
                let class = self.rules.class(ends.0.at.since(start.at));
                add_pair(&self.integrand, &mut tally, &Pair { start, end: ends.0 }, class, window);
            }
            if ends.0.at >= to {
                break;
            }
            self.add_block(&mut tally, block, ends, window);
            previous = Some(ends.1);
        }

        let after = Sample { at: last.at + self.rules.edge_hold, ..last };
        add_pair(&self.integrand, &mut tally, &Pair { start: last, end: after }, Class::Measured, window);
        tally.add_gap(from.max(after.at), to);
        tally
    }
}
