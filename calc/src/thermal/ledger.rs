//! A record in bounded memory: one small block for each hour.

use super::hours::Hours;
use super::record::in_order;
use super::rules::Class;
use super::{HourSamples, Integrand, Pair, Record, Rules, Sample, Tallied, Tally};
use crate::time::{Span, Timestamp};

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
/// from all of them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HourBlock {
    first: Sample,
    last: Sample,
    inner: Tally,
    /// The single readings, while they are kept.
    detail: Option<Box<HourSamples>>,
}

impl HourBlock {
    /// From all readings of one hour, in any order; nothing when there are none.
    #[must_use]
    pub fn from_samples<I: Integrand>(samples: &[Sample], integrand: &I, rules: &Rules) -> Option<Self> {
        let sorted = in_order(samples);
        let (first, last) = (*sorted.first()?, *sorted.last()?);
        let detail = Some(Box::new(HourSamples::from_ordered(hour_of(first.at), &sorted)));
        let mut inner = Record::inner(&sorted, rules).under(integrand).tally(first.at, last.at);
        for sample in &sorted {
            inner.span_temperature(sample.ten_thousandths, sample.ten_thousandths);
        }
        Some(Self { first, last, inner, detail })
    }

    /// Forgets the single readings. Sums that begin or end between them are then interpolated.
    pub fn condense(&mut self) {
        self.detail = None;
    }

    /// The single readings, while they are kept.
    #[must_use]
    pub fn samples(&self) -> Option<Vec<Sample>> {
        self.detail.as_ref().map(|detail| detail.iter().collect())
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

    /// Sets an hour from all its readings, replacing what was there. Readings of other hours are ignored.
    pub fn put(&mut self, hour: i64, samples: &[Sample]) {
        let own: Vec<Sample> = samples.iter().copied().filter(|s| hour_of(s.at) == hour).collect();
        match HourBlock::from_samples(&own, &self.integrand, &self.rules) {
            Some(block) => self.put_hour(hour, block),
            None => self.hours.remove(hour),
        }
    }

    /// Sets an hour from a block made with the same integrand and rules.
    pub fn put_hour(&mut self, hour: i64, block: HourBlock) {
        self.hours.insert(hour, block);
    }

    /// Adds one reading to its hour, if that hour's readings are still kept (or there were none).
    ///
    /// Returns false when they are not: the hour must then be [`put`](Self::put) with all its readings.
    pub fn add(&mut self, sample: Sample) -> bool {
        let hour = hour_of(sample.at);
        let Some(block) = self.hours.get_mut(hour) else {
            self.put(hour, &[sample]);
            return true;
        };
        let Some(detail) = &mut block.detail else { return false };
        if sample.at > block.last.at {
            // The usual case: the newest reading only adds one pair.
            detail.insert(sample, Span::from_ms(1));
            let pair = Pair { start: block.last, end: sample };
            let class = self.rules.class(sample.at.since(block.last.at));
            add_pair(&self.integrand, &mut block.inner, &pair, class, (pair.start.at, pair.end.at));
            block.inner.span_temperature(sample.ten_thousandths, sample.ten_thousandths);
            block.last = sample;
        } else {
            let samples: Vec<Sample> = detail.iter().chain([sample]).collect();
            self.put(hour, &samples);
        }
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
        let first = self.hours.all().first()?.1.first;
        let last = self.hours.all().last()?.1.last;
        Some((first, last))
    }

    /// Adds the inside of an hour to a tally.
    fn add_block(&self, tally: &mut Tally, block: &HourBlock, window: (Timestamp, Timestamp)) {
        let from = window.0.max(block.first.at);
        let to = window.1.min(block.last.at);
        if from >= to {
            return;
        }
        let part;
        let inner = if from == block.first.at && to == block.last.at {
            &block.inner
        } else if let Some(samples) = block.samples() {
            part = Record::inner(&samples, &self.rules).under(&self.integrand).tally(from, to);
            &part
        } else {
            part = interpolated(block, from, to);
            &part
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

/// Part of an hour whose single readings are gone: evenly spread over the hour.
fn interpolated(block: &HourBlock, from: Timestamp, to: Timestamp) -> Tally {
    let whole = i128::from(block.last.at.since(block.first.at).ms());
    let share = |amount: i64, at: Timestamp| {
        let part = i128::from(amount) * i128::from(at.since(block.first.at).ms()) / whole;
        i64::try_from(part).unwrap_or(i64::MAX)
    };
    let between = |amount: i64| share(amount, to) - share(amount, from);
    let measured = between(block.inner.measured.ms());
    let bridged = between(block.inner.bridged.ms());
    let mut tally = Tally {
        sum: between(block.inner.sum),
        measured: Span::from_ms(measured),
        bridged: Span::from_ms(bridged),
        extremes: block.inner.extremes,
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
        let mut previous = self.hours.before(hour).last().map(|(_, block)| block.last);
        for block in self.hours.from(hour).iter().map(|(_, block)| block) {
            if let Some(start) = previous {
                let class = self.rules.class(block.first.at.since(start.at));
                add_pair(&self.integrand, &mut tally, &Pair { start, end: block.first }, class, window);
            }
            if block.first.at >= to {
                break;
            }
            self.add_block(&mut tally, block, window);
            previous = Some(block.last);
        }

        let after = Sample { at: last.at + self.rules.edge_hold, ..last };
        add_pair(&self.integrand, &mut tally, &Pair { start: last, end: after }, Class::Measured, window);
        tally.add_gap(from.max(after.at), to);
        tally
    }
}
