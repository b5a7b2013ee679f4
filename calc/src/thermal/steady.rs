//! One temperature for a whole stretch, as a person read it.

use super::{Integrand, Pair, Sample, Tallied, Tally};
use crate::quantity::{Celsius, Impossible};
use crate::time::Timestamp;

/// Water of one temperature `T` for as long as asked: the integral is that of the integrand at `T` times the
/// time, for thermal units `max(T, 0) · t` (°C·days).
///
/// It stands for a hand reading where no record is. Its time counts as borrowed, never as measured.
///
/// ```
/// # use nightjar_calc::thermal::*;
/// # use nightjar_calc::time::{Span, Timestamp};
/// // Six hours of hardening at 12 °C make 3 °C·days.
/// let start = Timestamp::parse("2026-04-18T00:00:00Z").unwrap();
/// let basket = Steady::new(DegreesAboveZero, 12.0).unwrap();
/// let sum: ThermalSum = basket.tally(start, start + Span::from_hours(6)).into();
/// assert_eq!((sum.c_days, sum.borrowed_h, sum.coverage), (3.0, 6.0, 1.0));
/// ```
#[derive(Clone, Copy, Debug)]
pub struct Steady<I> {
    integrand: I,
    temperature: Celsius,
}

impl<I: Integrand> Steady<I> {
    /// Water of so many °C.
    ///
    /// # Errors
    /// When the number cannot be the temperature of water.
    pub fn new(integrand: I, celsius: f64) -> Result<Self, Impossible> {
        Ok(Self { integrand, temperature: Celsius::new(celsius)? })
    }
}

impl<I: Integrand> Tallied for Steady<I> {
    fn tally(&self, from: Timestamp, to: Timestamp) -> Tally {
        let mut tally = Tally::default();
        if to > from {
            let pair =
                Pair { start: Sample::of(from, self.temperature), end: Sample::of(to, self.temperature) };
            tally.sum = self.integrand.whole(&pair);
            tally.borrowed = to.since(from);
            tally.span_temperature(pair.start.ten_thousandths, pair.start.ten_thousandths);
        }
        tally
    }
}
