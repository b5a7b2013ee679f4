//! A record with all its readings at hand.

use super::rules::Class;
use super::{Integrand, Pair, Rules, Sample, Tallied, Tally};
use crate::quantity::{Celsius, Impossible};
use crate::time::{Day, Timestamp, Zone};

/// A temperature record: adjoining straight pieces, each measured, bridged or a gap.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Record {
    pieces: Vec<Piece>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Piece {
    pair: Pair,
    class: Class,
}

impl Record {
    /// From readings in any order. Of several at the same moment the lowest value counts, so that the
    /// record does not depend on which came first.
    #[must_use]
    pub fn from_samples(samples: &[Sample], rules: &Rules) -> Self {
        let mut record = Self::inner(samples, rules);
        record.hold_edges(samples, rules);
        record
    }

    /// Only the pieces between the first and the last reading.
    pub(super) fn inner(samples: &[Sample], rules: &Rules) -> Self {
        let sorted = in_order(samples);
        let pieces = sorted
            .windows(2)
            .map(|w| Piece {
                pair: Pair { start: w[0], end: w[1] },
                class: rules.class(w[1].at.since(w[0].at)),
            })
            .collect();
        Self { pieces }
    }

    /// From daily means: each value holds for its whole local day, be it 23, 24 or 25 hours long. Days that
    /// are missing are bridged or left out by the rules. Of several values for a day the lowest counts.
    ///
    /// # Errors
    /// When a value cannot be the temperature of water.
    ///
    /// ```
    /// # use nightjar_calc::thermal::*;
    /// # use nightjar_calc::time::{Day, Zone};
    /// // The day the clocks go forward has 23 hours: 12 °C make 11.5 °C·days.
    /// let zone = Zone::named("America/Chicago").unwrap();
    /// let day = Day::parse("2026-03-08").unwrap();
    /// let record = Record::from_daily(&[(day, 12.0)], zone, &Rules::default()).unwrap();
    /// let sum: ThermalSum = record.under(&DegreesAboveZero).tally(day.start(zone), day.end(zone)).into();
    /// assert!((sum.c_days - 11.5).abs() < 1e-12);
    /// ```
    pub fn from_daily(days: &[(Day, f64)], zone: Zone, rules: &Rules) -> Result<Self, Impossible> {
        let mut sorted = Vec::with_capacity(days.len());
        for &(day, celsius) in days {
            sorted.push((day, Sample::of(day.start(zone), Celsius::new(celsius)?)));
        }
        sorted.sort_unstable();
        sorted.dedup_by_key(|(day, _)| *day);
        let mut pieces: Vec<Piece> = Vec::with_capacity(sorted.len());
        for (day, start) in sorted {
            if let Some(last) = pieces.last().map(|p| p.pair.end)
                && last.at < start.at
            {
                let class = rules.class(start.at.since(last.at));
                pieces.push(Piece { pair: Pair { start: last, end: start }, class });
            }
            let end = Sample { at: day.end(zone), ..start };
            pieces.push(Piece { pair: Pair { start, end }, class: Class::Measured });
        }
        Ok(Self { pieces })
    }

    fn hold_edges(&mut self, samples: &[Sample], rules: &Rules) {
        // The pieces know the outermost readings unless there is only one.
        let Some(first) = samples.iter().min().copied() else { return };
        let first = self.pieces.first().map_or(first, |p| p.pair.start);
        let last = self.pieces.last().map_or(first, |p| p.pair.end);
        let before = Sample { at: first.at - rules.edge_hold, ..first };
        let after = Sample { at: last.at + rules.edge_hold, ..last };
        let held = |start, end| Piece { pair: Pair { start, end }, class: Class::Measured };
        self.pieces.insert(0, held(before, first));
        self.pieces.push(held(last, after));
    }

    /// First and last moment covered.
    #[must_use]
    pub fn bounds(&self) -> Option<(Timestamp, Timestamp)> {
        Some((self.pieces.first()?.pair.start.at, self.pieces.last()?.pair.end.at))
    }

    /// Integrates a function of temperature over the record, once; sums of any stretch are then cheap.
    #[must_use]
    pub fn under<'a, I: Integrand>(&'a self, integrand: &'a I) -> Integrated<'a, I> {
        let mut before = Vec::with_capacity(self.pieces.len() + 1);
        let mut so_far = Amounts::default();
        before.push(so_far);
        for piece in &self.pieces {
            so_far = so_far.plus(part(integrand, piece, piece.pair.end.at));
            before.push(so_far);
        }
        Integrated { record: self, integrand, before }
    }
}

/// Readings in order of time, one per moment (the lowest).
pub(super) fn in_order(samples: &[Sample]) -> Vec<Sample> {
    let mut sorted = samples.to_vec();
    sorted.sort_unstable();
    sorted.dedup_by_key(|s| s.at);
    sorted
}

#[derive(Clone, Copy, Debug, Default)]
struct Amounts {
    sum: i64,
    measured: i64,
    bridged: i64,
}

impl Amounts {
    fn plus(self, other: Self) -> Self {
        Self {
            sum: self.sum.saturating_add(other.sum),
            measured: self.measured + other.measured,
            bridged: self.bridged + other.bridged,
        }
    }
}

/// The part of a piece up to `at`.
fn part<I: Integrand>(integrand: &I, piece: &Piece, at: Timestamp) -> Amounts {
    let at = at.clamp(piece.pair.start.at, piece.pair.end.at);
    let length = at.since(piece.pair.start.at).ms();
    match piece.class {
        Class::Gap => Amounts::default(),
        Class::Measured => Amounts { sum: integrand.up_to(&piece.pair, at), measured: length, bridged: 0 },
        Class::Bridged => Amounts { sum: integrand.up_to(&piece.pair, at), measured: 0, bridged: length },
    }
}

/// A record integrated once: see [`Record::under`].
#[derive(Clone, Debug)]
pub struct Integrated<'a, I> {
    record: &'a Record,
    integrand: &'a I,
    /// Amounts before each piece, and at the end.
    before: Vec<Amounts>,
}

impl<I: Integrand> Integrated<'_, I> {
    fn up_to(&self, at: Timestamp) -> Amounts {
        let pieces = &self.record.pieces;
        let index = pieces.partition_point(|p| p.pair.end.at <= at);
        match pieces.get(index) {
            Some(piece) => self.before[index].plus(part(self.integrand, piece, at)),
            None => self.before[index],
        }
    }
}

impl<I: Integrand> Tallied for Integrated<'_, I> {
    fn amount(&self, from: Timestamp, to: Timestamp) -> i64 {
        if to <= from { 0 } else { self.up_to(to).sum - self.up_to(from).sum }
    }

    fn tally(&self, from: Timestamp, to: Timestamp) -> Tally {
        let mut tally = Tally::default();
        if to <= from {
            return tally;
        }
        let (a, b) = (self.up_to(from), self.up_to(to));
        tally.sum = b.sum - a.sum;
        tally.measured = crate::time::Span::from_ms(b.measured - a.measured);
        tally.bridged = crate::time::Span::from_ms(b.bridged - a.bridged);
        let Some((first, last)) = self.record.bounds() else {
            tally.add_gap(from, to);
            return tally;
        };
        tally.add_gap(from, to.min(first));
        let pieces = &self.record.pieces;
        let begin = pieces.partition_point(|p| p.pair.end.at <= from);
        for piece in pieces[begin..].iter().take_while(|p| p.pair.start.at < to) {
            let (u0, u1) = (piece.pair.start.ten_thousandths, piece.pair.end.ten_thousandths);
            match piece.class {
                Class::Gap => tally.add_gap(piece.pair.start.at.max(from), piece.pair.end.at.min(to)),
                Class::Measured | Class::Bridged => tally.span_temperature(u0.min(u1), u0.max(u1)),
            }
        }
        tally.add_gap(from.max(last), to);
        tally
    }
}
