//! A number with its error, and how many of its digits are known.

use crate::proportion::{Interval, quantile};
use std::fmt;

/// A number with two kinds of error.
///
/// `random` differs from count to count and averages out in sums; `shared` is that of the method and
/// does not. Both are standard deviations in the unit of the value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// Best guess.
    pub value: f64,
    /// Standard deviation of its own.
    pub random: f64,
    /// Standard deviation in common with all counts of the method.
    pub shared: f64,
}

impl Estimate {
    /// Nothing.
    pub const ZERO: Self = Self::exactly(0.0);

    /// A number known exactly.
    #[must_use]
    pub const fn exactly(value: f64) -> Self {
        Self { value, random: 0.0, shared: 0.0 }
    }

    /// With errors given as shares of the value.
    #[must_use]
    pub fn relative(value: f64, random: f64, shared: f64) -> Self {
        Self { value, random: value.abs() * random, shared: value.abs() * shared }
    }

    /// Both errors together, as a standard deviation.
    #[must_use]
    pub fn error(self) -> f64 {
        self.random.hypot(self.shared)
    }

    /// Sum; own errors add like the sides of a right angle, shared ones plainly.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        Self {
            value: self.value + other.value,
            random: self.random.hypot(other.random),
            shared: self.shared + other.shared,
        }
    }

    /// Difference. Errors shared by the method are kept at their larger side, since the two numbers may
    /// not be of one method.
    #[must_use]
    pub fn minus(self, other: Self) -> Self {
        Self {
            value: self.value - other.value,
            random: self.random.hypot(other.random),
            shared: self.shared.max(other.shared),
        }
    }

    /// Multiplied by an exact factor.
    #[must_use]
    pub fn scaled(self, factor: f64) -> Self {
        Self {
            value: self.value * factor,
            random: self.random * factor.abs(),
            shared: self.shared * factor.abs(),
        }
    }

    /// Bounds at 95 %, not below zero: `value ± 1.96 · error`.
    #[must_use]
    pub fn interval(self) -> Interval {
        let half = quantile::normal(0.975) * self.error();
        Interval {
            low: (self.value - half).max(0.0),
            likely: self.value.max(0.0),
            high: (self.value + half).max(0.0),
        }
    }

    /// The value with the digits that are known.
    ///
    /// ```
    /// use nightjar_calc::enumeration::Estimate;
    /// let eggs = Estimate::relative(330_322.5, 0.03, 0.04);
    /// assert_eq!(eggs.known(), 330_000.0);
    /// assert_eq!(eggs.to_string(), "330,000 (300,000 to 360,000)");
    /// ```
    #[must_use]
    pub fn known(self) -> f64 {
        round_known(self.value, quantile::normal(0.975) * self.error())
    }
}

impl fmt::Display for Estimate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bounds = self.interval();
        let half = quantile::normal(0.975) * self.error();
        let text = |x: f64| group_digits(round_known(x, half));
        if half <= 0.0 {
            return f.write_str(&text(self.value));
        }
        write!(f, "{} ({} to {})", text(bounds.likely), text(bounds.low), text(bounds.high))
    }
}

/// Rounds to the place of the first digit of the uncertainty, one place finer when that digit is a 1 or
/// 2 (common practice, so that rounding adds little), and to whole numbers at least. With no uncertainty
/// only to whole numbers.
///
/// ```
/// use nightjar_calc::enumeration::round_known;
/// assert_eq!(round_known(312_500.0, 31_000.0), 310_000.0);
/// assert_eq!(round_known(7_096.3, 0.0), 7_096.0);
/// ```
#[must_use]
pub fn round_known(value: f64, half_width: f64) -> f64 {
    let place = 10_f64.powf((half_width.max(1.0).log10() + 1e-9).floor());
    let step = if half_width < 3.0 * place { (place / 10.0).max(1.0) } else { place };
    (value / step).round() * step
}

/// A whole number in groups of three, as `312,500`.
#[must_use]
pub fn group_digits(value: f64) -> String {
    let plain = format!("{:.0}", value.abs());
    let mut text = String::with_capacity(plain.len() + plain.len() / 3 + 1);
    if value <= -0.5 {
        text.push('-');
    }
    for (position, digit) in plain.chars().enumerate() {
        if position > 0 && (plain.len() - position) % 3 == 0 {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_are_grouped_from_the_right() {
        for (value, text) in [(0.0, "0"), (999.0, "999"), (1_000.0, "1,000"), (-1_234_567.0, "-1,234,567")] {
            assert_eq!(group_digits(value), text);
        }
    }

    #[test]
    fn the_error_of_a_season_stays_that_of_the_method() {
        let jar = Estimate::relative(300_000.0, 0.03, 0.04);
        let season = (0..100).fold(Estimate::ZERO, |sum, _| sum.plus(jar));
        let relative = season.error() / season.value;
        assert!((0.040..0.041).contains(&relative), "{relative}");
    }
}
