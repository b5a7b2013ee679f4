//! The integral between two neighbouring readings, as a whole number.

use super::Sample;
use crate::time::Timestamp;

/// Two neighbouring readings, and a straight line between them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pair {
    /// The earlier one.
    pub start: Sample,
    /// The later one.
    pub end: Sample,
}

impl Pair {
    /// Temperature at a moment between the two, °C.
    #[must_use]
    pub fn celsius_at(&self, at: Timestamp) -> f64 {
        let whole = self.end.at.since(self.start.at).ms();
        if whole <= 0 {
            return self.start.celsius();
        }
        let share = at.since(self.start.at).ms() as f64 / whole as f64;
        let (a, b) = (self.start.celsius(), self.end.celsius());
        a + (b - a) * share
    }
}

/// A function of temperature that can be integrated along a straight line.
pub trait Integrand {
    /// The integral from the start of the pair to `at` (inside the pair), in whole units. Must never fall
    /// with `at`, and be a function of its arguments alone.
    fn up_to(&self, pair: &Pair, at: Timestamp) -> i64;

    /// The integral over the whole pair.
    fn whole(&self, pair: &Pair) -> i64 {
        self.up_to(pair, pair.end.at)
    }
}

/// `max(T, 0)`: thermal units, in parts of a °C·day ([`super::PER_C_DAY`]).
///
/// With readings `u₀`, `u₁` (ten-thousandths of a degree) `d` milliseconds apart, twice the integral up to
/// `s` milliseconds is `2 u₀ s + (u₁ − u₀) s² / d` above zero; where the line crosses zero it is the triangle
/// on the warm side, `(u₁ s)² …`, all in whole numbers rounded once. A full pair above zero is exact:
/// `d (u₀ + u₁)`. (Exact integral of a straight line.)
///
/// ```
/// # use nightjar_calc::thermal::*;
/// # use nightjar_calc::time::{Span, Timestamp};
/// // From −4 to 4 °C in a day: half a day above zero at 2 °C on average is 1 °C·day.
/// let start = Timestamp::parse("2026-04-18T00:00:00Z").unwrap();
/// let at = |h, t| Sample::new(start + Span::from_hours(h), t).unwrap();
/// let pair = Pair { start: at(0, -4.0), end: at(24, 4.0) };
/// assert_eq!(DegreesAboveZero.whole(&pair), PER_C_DAY);
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct DegreesAboveZero;

impl Integrand for DegreesAboveZero {
    fn up_to(&self, pair: &Pair, at: Timestamp) -> i64 {
        let d = i128::from(pair.end.at.since(pair.start.at).ms());
        let s = i128::from(at.since(pair.start.at).ms()).clamp(0, d.max(0));
        if s == 0 {
            return 0;
        }
        let (u0, u1) = (i128::from(pair.start.ten_thousandths), i128::from(pair.end.ten_thousandths));
        let du = u1 - u0;
        let doubled = if u0 >= 0 && u1 >= 0 {
            divide(2 * u0 * s * d + du * s * s, d)
        } else if u0 <= 0 && u1 <= 0 {
            0
        } else if u0 < 0 {
            // Warming through zero: a triangle that begins where the line crosses.
            let above = s * du + u0 * d;
            if above <= 0 { 0 } else { divide(above * above, du * d) }
        } else if s * -du <= u0 * d {
            // Cooling, still above zero.
            divide(2 * u0 * s * d + du * s * s, d)
        } else {
            divide(d * u0 * u0, -du)
        };
        i64::try_from(doubled).unwrap_or(i64::MAX)
    }
}

/// Nearest whole number of `n / d`, halves upwards; `n` not negative, `d` positive.
fn divide(n: i128, d: i128) -> i128 {
    (n + d / 2) / d
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::thermal::PER_C_DAY;
    use crate::time::Span;

    fn pair(u0: f64, u1: f64, hours: i64) -> Pair {
        let start = Timestamp::from_ms(1_000_000);
        Pair {
            start: Sample::new(start, u0).unwrap(),
            end: Sample::new(start + Span::from_hours(hours), u1).unwrap(),
        }
    }

    fn check(u0: f64, u1: f64, hours: i64, expected_c_days: f64) {
        let got = DegreesAboveZero.whole(&pair(u0, u1, hours)) as f64 / PER_C_DAY as f64;
        assert!((got - expected_c_days).abs() < 1e-12, "{u0} to {u1}: {got} for {expected_c_days}");
    }

    #[test]
    fn trapezium_and_triangles() {
        check(8.0, 12.0, 24, 10.0);
        check(-4.0, 4.0, 24, 1.0);
        check(4.0, -4.0, 24, 1.0);
        check(-1.0, 3.0, 48, 2.25);
        check(3.0, -1.0, 48, 2.25);
        check(-4.0, -1.0, 24, 0.0);
        check(0.0, 2.0, 24, 1.0);
    }

    #[test]
    fn the_way_up_never_falls_and_ends_at_the_whole() {
        for (u0, u1) in [(-3.0, 2.0), (2.0, -3.0), (5.0, 1.0), (0.0001, 0.0), (-0.0001, 0.0001)] {
            let pair = pair(u0, u1, 1);
            let mut last = 0;
            for ms in (0..=3_600_000).step_by(997) {
                let now = DegreesAboveZero.up_to(&pair, pair.start.at + Span::from_ms(ms));
                assert!(now >= last, "{u0} to {u1} at {ms}");
                last = now;
            }
            assert!(last <= DegreesAboveZero.whole(&pair));
        }
    }
}
