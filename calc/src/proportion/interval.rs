//! A number with its bounds.

/// A number with the bounds between which it most likely lies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Lower bound.
    pub low: f64,
    /// Best guess.
    pub likely: f64,
    /// Upper bound.
    pub high: f64,
}

impl Interval {
    /// A number known exactly.
    #[must_use]
    pub const fn exactly(value: f64) -> Self {
        Self { low: value, likely: value, high: value }
    }

    /// Product of two independent numbers from zero up: the distances of the bounds, as ratios, add
    /// like the sides of a right angle (propagation of errors on a logarithmic scale).
    ///
    /// ```
    /// use nightjar_calc::proportion::Interval;
    /// let eggs = Interval { low: 90_000.0, likely: 100_000.0, high: 110_000.0 };
    /// let eyed = Interval { low: 0.57, likely: 0.6, high: 0.63 };
    /// let both = eggs.times(eyed);
    /// assert!((both.likely - 60_000.0).abs() < 1e-6);
    /// assert!(both.low < 54_000.0 && both.low > 51_300.0);
    /// ```
    #[must_use]
    pub fn times(self, other: Self) -> Self {
        self.with(other, self.likely * other.likely, (other.low, other.high))
    }

    /// Quotient of two independent numbers, as [`Interval::times`]. Infinite bounds are possible when
    /// the divisor may be zero.
    #[must_use]
    pub fn over(self, other: Self) -> Self {
        self.with(other, self.likely / other.likely, (other.high, other.low))
    }

    /// `toward`: the bounds of the other number that pull the result down and up.
    fn with(self, other: Self, likely: f64, toward: (f64, f64)) -> Self {
        let distance = |own: f64, own_bound: f64, theirs: f64, their_bound: f64| {
            (own / own_bound).ln().hypot((theirs / their_bound).ln())
        };
        if likely <= 0.0 {
            return Self { low: 0.0, likely: 0.0, high: self.high.max(0.0) * other.high.max(0.0) };
        }
        let down = distance(self.likely, self.low, other.likely, toward.0);
        let up = distance(self.likely, self.high, other.likely, toward.1);
        Self { low: likely * (-down).exp(), likely, high: likely * up.exp() }
    }

    /// Sum of numbers whose errors go together; the cautious choice.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        Self { low: self.low + other.low, likely: self.likely + other.likely, high: self.high + other.high }
    }

    /// Each bound multiplied by a factor from zero up.
    #[must_use]
    pub fn scaled(self, factor: f64) -> Self {
        Self { low: self.low * factor, likely: self.likely * factor, high: self.high * factor }
    }

    /// Whether the two have a value in common.
    #[must_use]
    pub fn meets(self, other: Self) -> bool {
        self.low <= other.high && other.low <= self.high
    }
}
