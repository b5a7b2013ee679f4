//! The rate of development integrated along a record of temperature.

use super::{Law, Model};
use crate::thermal::{Integrand, Pair};
use crate::time::Timestamp;

/// Whole numbers that make one full development to median hatch.
///
/// Fine enough that rounding a pair of readings ten seconds apart changes it by less than one part in 10¹⁰, and
/// still 900 hatches fit into the sum.
pub const PER_HATCH: i64 = 10_000_000_000_000_000;

/// Longest stretch of temperature one quadrature rule spans, °C.
const STRETCH: f64 = 2.0;

/// Nodes and weights of Gauss-Legendre quadrature with five points on −1 to 1 (Abramowitz and Stegun, table
/// 25.4); exact for polynomials to degree 9.
const GAUSS: [(f64, f64); 5] = [
    (-0.906_179_845_938_664, 0.236_926_885_056_189_1),
    (-0.538_469_310_105_683_1, 0.478_628_670_499_366_5),
    (0.0, 0.568_888_888_888_888_9),
    (0.538_469_310_105_683_1, 0.478_628_670_499_366_5),
    (0.906_179_845_938_664, 0.236_926_885_056_189_1),
];

/// Development along a record, in parts of [`PER_HATCH`]: `∫ rate(T(t)) dt`.
///
/// Temperature is linear between two readings, so the integral over the pair is the mean rate between the two
/// temperatures times the time. Degree-day laws have it in closed form; the others by quadrature over stretches
/// of at most 2 °C between the corners of the rate, which is exact to the last few bits. Each pair is rounded to a
/// whole number once, so sums do not depend on the order of the readings.
///
/// ```
/// # use nightjar_calc::development::*;
/// # use nightjar_calc::thermal::*;
/// # use nightjar_calc::time::{Span, Timestamp};
/// // Lake whitefish at a constant 10 °C: 41.7 days to median hatch (Brooke 1975), so half the way in 20.85.
/// let law = Law::Exponential(Exponential::new(196.7, -0.1551).unwrap());
/// let development = Development(Model::new(law, 0.5, 10.0).unwrap());
/// let start = Timestamp::parse("2026-01-01T00:00:00Z").unwrap();
/// let samples: Vec<_> = (0..=24 * 60).map(|h| Sample::new(start + Span::from_hours(h), 10.0).unwrap()).collect();
/// let record = Record::from_samples(&samples, &Rules::for_interval(Span::from_hours(1)));
/// let half = record.under(&development).reached(start, start + Span::from_days(60.0), PER_HATCH / 2).unwrap();
/// assert!((half.since(start).days() - 20.85).abs() < 0.02);
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Development(pub Model);

impl Development {
    /// Mean rate per day while the temperature goes evenly from `a` to `b` °C.
    #[must_use]
    pub fn mean_rate(&self, a: f64, b: f64) -> f64 {
        let (low, high) = if a <= b { (a, b) } else { (b, a) };
        let width = high - low;
        if width < 1e-9 {
            return self.0.rate_at(low);
        }
        if let Law::DegreeDay(law) = self.0.law() {
            // The range of trust makes no corner in a straight rate; ice does only for a base below it.
            if law.base() >= 0.0 {
                let (x, y) = ((low - law.base()).max(0.0), high - law.base());
                return if y <= 0.0 { 0.0 } else { (y - x) * (x + y) / (2.0 * width * law.sum()) };
            }
        }
        let mut corners = self.0.corners();
        corners.sort_by(f64::total_cmp);
        let mut total = 0.0;
        let mut from = low;
        for to in corners.into_iter().filter(|c| (low..high).contains(c)).chain([high]) {
            total += self.smooth(from, to);
            from = to;
        }
        total / width
    }

    /// Integral of the rate over temperature, without corners in between.
    fn smooth(&self, from: f64, to: f64) -> f64 {
        let mut total = 0.0;
        let mut start = from;
        while start < to {
            let end = if to - start <= STRETCH { to } else { start + STRETCH };
            let (middle, half) = ((start + end) / 2.0, (end - start) / 2.0);
            total += half * GAUSS.iter().map(|(x, w)| w * self.0.rate_at(middle + half * x)).sum::<f64>();
            start = end;
        }
        total
    }
}

impl Integrand for Development {
    fn up_to(&self, pair: &Pair, at: Timestamp) -> i64 {
        let days = at.since(pair.start.at).days();
        if days <= 0.0 {
            return 0;
        }
        let mean = self.mean_rate(pair.start.celsius(), pair.celsius_at(at));
        #[expect(clippy::cast_possible_truncation, reason = "a float cast saturates, which is what we want")]
        let whole = (mean * days * PER_HATCH as f64).round() as i64;
        whole
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::development::{Belehradek, DegreeDay, Exponential, Power};

    fn check(law: Law, a: f64, b: f64) {
        let development = Development(Model::new(law, 4.0, 12.0).unwrap());
        // Midpoint rule with very fine steps, the slow and obvious way.
        let n = 200_000;
        let slow = (0..n)
            .map(|i| development.0.rate_at(a + (b - a) * (f64::from(i) + 0.5) / f64::from(n)))
            .sum::<f64>()
            / f64::from(n);
        let quick = development.mean_rate(a, b);
        assert!(
            (quick - slow).abs() < 1e-9 * slow.max(1e-3),
            "{} {a} to {b}: {quick} for {slow}",
            law.describe()
        );
    }

    #[test]
    fn the_mean_rate_agrees_with_fine_steps_over_all_corners() {
        for law in [
            Law::DegreeDay(DegreeDay::new(3.3, 117.0).unwrap()),
            Law::DegreeDay(DegreeDay::new(-1.0, 117.0).unwrap()),
            Law::Power(Power::new(-2.0961, 4.0313, -6.0).unwrap()),
            Law::Exponential(Exponential::new(252.3, -0.182).unwrap()),
            Law::Belehradek(Belehradek::new(7.7, -1.91, 2.0).unwrap()),
        ] {
            for (a, b) in [(8.0, 8.5), (12.0, 2.0), (-2.0, 20.0), (5.0, 11.0), (1.0, 3.0), (11.9, 12.3)] {
                check(law, a, b);
            }
        }
    }
}
