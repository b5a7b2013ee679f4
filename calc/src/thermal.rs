//! Thermal units: accumulated temperature over an uneven record, to the last bit.
//!
//! A *thermal unit* is one degree of mean temperature above the base held for one day: 1 °C·day above
//! 0 °C, or 1 °F·day above 32 °F; 1 °C·day = 1.8 °F·day exactly (common trade definition; written down for
//! salmon eggs in "Predicting the hatch date of salmon using temperature units", 2012, and in the
//! Troutlodge guide to eggs and temperature).
//!
//! ```text
//! TU = ∫ max(T(t), 0) dt        T in °C, t in days, T(t) linear between readings
//! ```
//!
//! The sum has to be the same whatever the order, repetition or delay of the readings, so nothing here
//! adds floating-point numbers: temperatures are whole ten-thousandths of a degree, times are whole
//! milliseconds, and the integral of each pair of neighbouring readings is one whole number. Integers may be
//! added in any order.
//!
//! * [`Record`] holds all readings (files, tests); [`Ledger`] keeps an hour in one small block (a daemon
//!   that runs all season). Both give the same number for the same readings.
//! * [`Rules`] say which spacing is normal, what may be bridged, and what is a gap that is not counted.
//! * [`BestOf`] fills the gaps of one record from another: jar probe, then header, then hand readings.
//!
//! The same machinery integrates a rate of development: see [`crate::development::Development`].
//!
//! ```
//! # use nightjar_calc::thermal::*;
//! # use nightjar_calc::time::{Span, Timestamp};
//! // 10 °C held for ten days make 100 °C·days (worked example of the Troutlodge guide).
//! let start = Timestamp::parse("2026-04-18T00:00:00Z").unwrap();
//! let samples: Vec<Sample> =
//!     (0..=240).map(|h| Sample::new(start + Span::from_hours(h), 10.0).unwrap()).collect();
//! let sum = thermal_units(&samples, start, start + Span::from_days(10.0), &Rules::for_interval(Span::from_hours(1)));
//! assert_eq!(sum.c_days, 100.0);
//! assert_eq!(sum.f_days(), 180.0);
//! assert_eq!(sum.coverage, 1.0);
//! ```

mod best;
mod hour_samples;
mod hours;
mod ledger;
mod pair;
mod record;
mod rules;
mod steady;

pub use best::BestOf;
pub use hour_samples::HourSamples;
pub use ledger::{HourBlock, Ledger, begin_of_hour, hour_of};
pub use pair::{DegreesAboveZero, Integrand, Pair};
pub use record::{Integrated, Record};
pub use rules::{Rules, typical_interval};
pub use steady::Steady;

use crate::quantity::{Celsius, Impossible};
use crate::time::{Span, Timestamp};

/// Whole numbers that make one °C·day: half ten-thousandths of a degree, times milliseconds.
///
/// Half, because the mean of two whole readings may end in a half.
pub const PER_C_DAY: i64 = 2 * 10_000 * 86_400_000;

/// A temperature at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Sample {
    /// When.
    pub at: Timestamp,
    /// Temperature in whole ten-thousandths of a degree Celsius.
    pub ten_thousandths: i32,
}

impl Sample {
    /// From degrees Celsius, rounded to a ten-thousandth.
    ///
    /// # Errors
    /// When the number cannot be the temperature of water.
    pub fn new(at: Timestamp, celsius: f64) -> Result<Self, Impossible> {
        Celsius::new(celsius).map(|t| Self::of(at, t))
    }

    /// From a checked temperature.
    #[must_use]
    pub fn of(at: Timestamp, temperature: Celsius) -> Self {
        #[expect(clippy::cast_possible_truncation, reason = "water is between -5 and 50 °C")]
        let ten_thousandths = (temperature.get() * 10_000.0).round() as i32;
        Self { at, ten_thousandths }
    }

    /// Temperature in °C.
    #[must_use]
    pub fn celsius(self) -> f64 {
        f64::from(self.ten_thousandths) / 10_000.0
    }
}

/// A stretch without any usable reading, left out of the sum.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Gap {
    /// Last moment that is counted before it.
    pub from: Timestamp,
    /// First moment that is counted after it.
    pub to: Timestamp,
}

impl Gap {
    /// Its length.
    #[must_use]
    pub const fn length(self) -> Span {
        self.to.since(self.from)
    }
}

/// An integral over a stretch of time, and what it rests on. The four lengths (`measured`, `bridged`,
/// `borrowed` and the gaps) add up to the stretch.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tally {
    /// The integral in the integrand's whole units.
    pub sum: i64,
    /// Time between readings no further apart than normal.
    pub measured: Span,
    /// Time bridged by a straight line over a longer hole.
    pub bridged: Span,
    /// Time measured by another source than the first.
    pub borrowed: Span,
    /// Time not counted at all, in order.
    pub gaps: Vec<Gap>,
    /// Lowest and highest reading used, ten-thousandths of a degree.
    pub extremes: Option<(i32, i32)>,
    /// False when the stretch begins or ends inside an hour whose single readings are no longer kept, so
    /// that the part of that hour is interpolated.
    pub exact: bool,
}

impl Default for Tally {
    fn default() -> Self {
        Self {
            sum: 0,
            measured: Span::ZERO,
            bridged: Span::ZERO,
            borrowed: Span::ZERO,
            gaps: Vec::new(),
            extremes: None,
            exact: true,
        }
    }
}

impl Tally {
    /// Time not counted.
    #[must_use]
    pub fn uncounted(&self) -> Span {
        self.gaps.iter().fold(Span::ZERO, |total, gap| total + gap.length())
    }

    /// Share of the time that was measured, by whichever source; 1 for no time at all.
    #[must_use]
    pub fn coverage(&self) -> f64 {
        let measured = (self.measured + self.borrowed).ms();
        let whole = measured + self.bridged.ms() + self.uncounted().ms();
        if whole == 0 { 1.0 } else { measured as f64 / whole as f64 }
    }

    fn span_temperature(&mut self, low: i32, high: i32) {
        self.extremes = Some(match self.extremes {
            Some((l, h)) => (l.min(low), h.max(high)),
            None => (low, high),
        });
    }

    fn add_gap(&mut self, from: Timestamp, to: Timestamp) {
        if from >= to {
            return;
        }
        match self.gaps.last_mut() {
            Some(last) if last.to == from => last.to = to,
            Some(_) | None => self.gaps.push(Gap { from, to }),
        }
    }
}

/// Something that can be integrated over any stretch of time.
///
/// Sums of adjoining stretches add up exactly: `tally(a, b) + tally(b, c) = tally(a, c)`.
pub trait Tallied {
    /// The integral from `from` to `to`; nothing when `to` is not later.
    fn tally(&self, from: Timestamp, to: Timestamp) -> Tally;

    /// Only the sum.
    fn amount(&self, from: Timestamp, to: Timestamp) -> i64 {
        self.tally(from, to).sum
    }

    /// First millisecond at which the sum since `from` is at least `target`, if that is by `to`.
    fn reached(&self, from: Timestamp, to: Timestamp, target: i64) -> Option<Timestamp> {
        if to < from {
            return None;
        }
        let most = self.amount(from, to);
        if most < target {
            return None;
        }
        if target <= 0 {
            return Some(from);
        }
        // At `low` the sum is too small, at `high` it is not; what lies before `low` is not summed
        // again. Water changes slowly, so a straight line
        // between the two meets the target nearly; a side that stays twice counts half (the Illinois
        // rule), and now and then the middle is tried, so that no record makes the search long.
        let (mut low, mut high) = (from.ms(), to.ms());
        let (mut short, mut over) = (target as f64, most.saturating_sub(target) as f64);
        let (mut before_low, mut turn, mut stayed) = (0, 0_u32, 0_i32);
        while high - low > 1 {
            turn += 1;
            let between = if turn.is_multiple_of(4) {
                (high - low) / 2
            } else {
                #[expect(
                    clippy::cast_possible_truncation,
                    reason = "a share of the way, kept inside it below"
                )]
                let by_line = ((high - low) as f64 * (short / (short + over))) as i64;
                by_line.clamp(1, high - low - 1)
            };
            let (start, end) = (Timestamp::from_ms(low), Timestamp::from_ms(low + between));
            let amount = self.amount(start, end).saturating_add(before_low);
            if amount >= target {
                high = low + between;
                over = (amount - target) as f64;
                short = if stayed > 0 { short / 2.0 } else { short };
                stayed = 1;
            } else {
                low += between;
                before_low = amount;
                short = (target - amount) as f64;
                over = if stayed < 0 { over / 2.0 } else { over };
                stayed = -1;
            }
        }
        Some(Timestamp::from_ms(high))
    }
}

impl<T: Tallied + ?Sized> Tallied for &T {
    fn tally(&self, from: Timestamp, to: Timestamp) -> Tally {
        (**self).tally(from, to)
    }

    fn amount(&self, from: Timestamp, to: Timestamp) -> i64 {
        (**self).amount(from, to)
    }

    fn reached(&self, from: Timestamp, to: Timestamp, target: i64) -> Option<Timestamp> {
        (**self).reached(from, to, target)
    }
}

/// Thermal units and what they rest on, for people.
#[derive(Clone, Debug, PartialEq)]
pub struct ThermalSum {
    /// Accumulated °C·days above 0 °C.
    pub c_days: f64,
    /// Share of the time asked for that was measured, 0 to 1.
    pub coverage: f64,
    /// Hours bridged by a straight line.
    pub bridged_h: f64,
    /// Hours measured by another source than the first.
    pub borrowed_h: f64,
    /// Hours left out.
    pub uncounted_h: f64,
    /// What was left out.
    pub gaps: Vec<Gap>,
}

impl ThermalSum {
    /// Accumulated °F·days above 32 °F: `1.8 × °C·days`.
    #[must_use]
    pub fn f_days(&self) -> f64 {
        f_days(self.c_days)
    }
}

impl From<Tally> for ThermalSum {
    /// Of a tally of [`DegreesAboveZero`].
    fn from(tally: Tally) -> Self {
        Self {
            c_days: tally.sum as f64 / PER_C_DAY as f64,
            coverage: tally.coverage(),
            bridged_h: tally.bridged.hours(),
            borrowed_h: tally.borrowed.hours(),
            uncounted_h: tally.uncounted().hours(),
            gaps: tally.gaps,
        }
    }
}

/// Thermal units of readings in any order, repeated or not, from `from` to `to`.
#[must_use]
pub fn thermal_units(samples: &[Sample], from: Timestamp, to: Timestamp, rules: &Rules) -> ThermalSum {
    Record::from_samples(samples, rules).under(&DegreesAboveZero).tally(from, to).into()
}

/// °F·days above 32 °F from °C·days above 0 °C: `1.8 × °C·days`, exactly.
///
/// ```
/// // 900 °F·days to the first hatch of Chinook salmon are 500 °C·days.
/// assert_eq!(nightjar_calc::thermal::f_days(500.0), 900.0);
/// ```
#[must_use]
pub fn f_days(c_days: f64) -> f64 {
    c_days * 1.8
}

/// °C·days above 0 °C from °F·days above 32 °F: `°F·days / 1.8`, exactly.
///
/// ```
/// // Hatch starts at 900 °F·days, 756 are there, the water is at 50 °F: 144 left at 18 a day are 8 days
/// // ("Predicting the hatch date of salmon using temperature units", 2012).
/// # use nightjar_calc::{quantity::Celsius, thermal::c_days};
/// let left = c_days(900.0 - 756.0);
/// let a_day = Celsius::from_fahrenheit(50.0).unwrap().get();
/// assert!((left / a_day - 8.0).abs() < 1e-12);
/// ```
#[must_use]
pub fn c_days(f_days: f64) -> f64 {
    f_days / 1.8
}
