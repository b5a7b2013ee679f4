//! How a departure from the seasonal curve lives on: persistence, and what is known about it.
//!
//! The water on day `t` is `y(t) = m(t) + u(t)`: a seasonal curve `m` and a departure `u`, both in
//! °C or in the logarithmic measure of [`Measure`]. The departure is a sum of parts
//!
//! * `a`: the level of this year, for good; variance `A`,
//! * `b`: an error of the curve's slope, per day, fading over `τb` days (borrowed curves only),
//! * `s`: slow weather, an Ornstein-Uhlenbeck process of variance `S` and memory `τs` days,
//! * `f`: fast weather, the same with variance 1 and `τf` days,
//!
//! and a little noise, variance `N`. All variances are shares of a scale `σ²` (°C²) that is not
//! known beforehand and has an inverse gamma prior; its posterior gives the wide tails that little
//! evidence deserves. From day to day, with `φ = exp(−1/τ)`:
//! `a ← a + b`, `b ← φb b`, `s ← φs s + noise of variance S(1 − φs²)`, `f` likewise.
//! A Kalman filter (R. E. Kalman, 1960, Trans. ASME J. Basic Eng. 82, 35-45) carries mean and
//! covariance along a record with gaps in a few operations a day, and yields the likelihood of the
//! record by the way (prediction error decomposition).

/// Degrees, or degrees on a logarithmic measure in which a departure grows with the season.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Measure {
    /// As it is: `y = T`.
    Plain,
    /// `y = K ln(T + C)`: a snowy spring is colder by a share, not by degrees.
    Proportional,
}

/// Offset of the logarithmic measure, °C: keeps water near freezing finite.
const OFFSET_C: f64 = 1.5;
/// Factor of the logarithmic measure, °C: makes its step equal one degree at 8 °C.
const FACTOR_C: f64 = 9.5;

impl Measure {
    pub(super) fn of(self, celsius: f64) -> f64 {
        match self {
            Self::Plain => celsius,
            // `f64::max` would turn a gap (NaN) into a cold day.
            Self::Proportional if celsius.is_nan() => f64::NAN,
            Self::Proportional => FACTOR_C * (celsius.max(-0.5 * OFFSET_C) + OFFSET_C).ln(),
        }
    }

    pub(super) fn celsius(self, y: f64) -> f64 {
        match self {
            Self::Plain => y,
            // 4 stands for 53 °C: beyond any water, and no overflow.
            Self::Proportional => (y / FACTOR_C).min(4.0).exp() - OFFSET_C,
        }
    }

    /// Degrees for a step of one in this measure, at `celsius`.
    pub(super) fn degrees_per_step(self, celsius: f64) -> f64 {
        match self {
            Self::Plain => 1.0,
            Self::Proportional => (celsius.max(-0.5 * OFFSET_C) + OFFSET_C) / FACTOR_C,
        }
    }
}

/// Parts of the state, in this order: level, slope, slow, fast.
const PARTS: usize = 4;
/// Which parts add up to the departure.
pub(super) const SEEN: [f64; PARTS] = [1.0, 0.0, 1.0, 1.0];

/// One way in which departures may persist. Variances as shares of `σ²`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Persistence {
    pub measure: Measure,
    /// `A`.
    pub level: f64,
    /// Variance of the slope error, per day².
    pub slope: f64,
    /// `τb`, days.
    pub slope_days: f64,
    /// `S`.
    pub slow: f64,
    /// `τs`, days.
    pub slow_days: f64,
    /// `τf`, days.
    pub fast_days: f64,
    /// `N`.
    pub noise: f64,
}

/// What is known of the parts on a day; the covariance in shares of `σ²`.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct State {
    pub mean: [f64; PARTS],
    pub covariance: [[f64; PARTS]; PARTS],
}

/// What a record says about a way of persisting: number of observations, sum of squared
/// prediction errors in units of their share of variance, and sum of the logarithms of those
/// shares (less twice the logarithm of the measure's Jacobian).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Evidence {
    pub n: f64,
    pub squares: f64,
    pub logs: f64,
}

impl Evidence {
    pub(super) fn plus(self, other: Self, weight: f64) -> Self {
        Self {
            n: self.n + weight * other.n,
            squares: self.squares + weight * other.squares,
            logs: self.logs + weight * other.logs,
        }
    }
}

impl Persistence {
    /// `φ` of each part.
    pub(super) fn decay(&self) -> [f64; PARTS] {
        [1.0, (-1.0 / self.slope_days).exp(), (-1.0 / self.slow_days).exp(), (-1.0 / self.fast_days).exp()]
    }

    /// Variance added to each part each day, as a share of `σ²`.
    pub(super) fn shocks(&self) -> [f64; PARTS] {
        let decay = self.decay();
        let variance = [0.0, self.slope, self.slow, 1.0];
        std::array::from_fn(|i| variance[i] * (1.0 - decay[i] * decay[i]))
    }

    /// Share of a departure expected to be left after `days`: the autocorrelation of the parts
    /// without slope, `(A + S e^(−d/τs) + e^(−d/τf)) / (A + S + 1)`.
    pub(super) fn left_after(&self, days: f64) -> f64 {
        (self.level + self.slow * (-days / self.slow_days).exp() + (-days / self.fast_days).exp())
            / (self.level + self.slow + 1.0)
    }

    /// One day on, for the expectation only.
    pub(super) fn advance(mean: &mut [f64; PARTS], decay: &[f64; PARTS]) {
        mean[0] += mean[1];
        for i in 1..PARTS {
            mean[i] *= decay[i];
        }
    }

    /// Follows departures day by day (`NaN` is a gap); the state is that of the last day.
    pub(super) fn follow(&self, departures: impl Iterator<Item = f64>) -> (State, Evidence) {
        let decay = self.decay();
        let shocks = self.shocks();
        let mut state = State { mean: [0.0; PARTS], covariance: [[0.0; PARTS]; PARTS] };
        for (i, variance) in [self.level, self.slope, self.slow, 1.0].into_iter().enumerate() {
            state.covariance[i][i] = variance;
        }
        let mut evidence = Evidence::default();
        // The product of the variances, whose logarithm is taken now and then: logarithms are slow.
        let mut product = 1.0_f64;
        for departure in departures {
            state.next_day(&decay, &shocks);
            if departure.is_finite() {
                let (error, variance) = state.observe(departure, self.noise);
                evidence.n += 1.0;
                evidence.squares += error * error / variance;
                product *= variance;
                if !(1e-100..=1e100).contains(&product) {
                    evidence.logs += product.ln();
                    product = 1.0;
                }
            }
        }
        evidence.logs += product.ln();
        (state, evidence)
    }
}

impl State {
    fn next_day(&mut self, decay: &[f64; PARTS], shocks: &[f64; PARTS]) {
        Persistence::advance(&mut self.mean, decay);
        let p = &mut self.covariance;
        // F P Fᵀ with F diagonal but for the slope's step into the level.
        let [level, slope, ..] = p;
        for (to, from) in level.iter_mut().zip(slope) {
            *to += *from;
        }
        for row in p.iter_mut() {
            row[0] += row[1];
        }
        for i in 0..PARTS {
            for j in 0..PARTS {
                p[i][j] *= decay[i] * decay[j];
            }
            p[i][i] += shocks[i];
        }
    }

    /// Takes in a departure; prediction error and its variance as a share of `σ²`.
    fn observe(&mut self, departure: f64, noise: f64) -> (f64, f64) {
        let p = &mut self.covariance;
        let gain: [f64; PARTS] = std::array::from_fn(|i| p[i][0] + p[i][2] + p[i][3]);
        let variance = gain[0] + gain[2] + gain[3] + noise;
        let error = departure - (self.mean[0] + self.mean[2] + self.mean[3]);
        for i in 0..PARTS {
            self.mean[i] += gain[i] * error / variance;
            for j in 0..PARTS {
                p[i][j] -= gain[i] * gain[j] / variance;
            }
        }
        (error, variance)
    }

    /// Lower triangle `L` with `L Lᵀ` the covariance, for drawing from it.
    pub(super) fn root(&self) -> [[f64; PARTS]; PARTS] {
        let mut root = [[0.0; PARTS]; PARTS];
        for i in 0..PARTS {
            for j in 0..=i {
                let rest = self.covariance[i][j] - (0..j).map(|k| root[i][k] * root[j][k]).sum::<f64>();
                root[i][j] = if i == j {
                    rest.max(0.0).sqrt()
                } else if root[j][j] > 1e-9 {
                    rest / root[j][j]
                } else {
                    0.0
                };
            }
        }
        root
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn example() -> Persistence {
        Persistence {
            measure: Measure::Plain,
            level: 1.0,
            slope: 0.0,
            slope_days: 40.0,
            slow: 0.5,
            slow_days: 20.0,
            fast_days: 4.0,
            noise: 0.01,
        }
    }

    /// Two observations by hand: covariance `k(0) = A + S + 1 (+ N)`, `k(1)` from the decays; the
    /// filter must agree with the textbook formula of the bivariate normal distribution.
    #[test]
    fn the_filter_agrees_with_the_bivariate_normal_distribution() {
        let p = example();
        let k0 = 2.5;
        let k1 = 1.0 + 0.5 * (-1.0_f64 / 20.0).exp() + (-1.0_f64 / 4.0).exp();
        let v = k0 + 0.01;
        let (x, y) = (0.7, -0.4);
        let (_, evidence) = p.follow([x, y].into_iter());
        let determinant = v * v - k1 * k1;
        let squares = (v * x * x - 2.0 * k1 * x * y + v * y * y) / determinant;
        assert!((evidence.squares - squares).abs() < 1e-12);
        assert!((evidence.logs - determinant.ln()).abs() < 1e-12);
    }

    #[test]
    fn a_gap_costs_certainty_and_nothing_else() {
        let p = example();
        let (state, evidence) = p.follow([1.0, f64::NAN, f64::NAN].into_iter());
        assert!((evidence.n - 1.0).abs() < 1e-12);
        let left = state.mean[0] + state.mean[2] + state.mean[3];
        let k2 = 1.0 + 0.5 * (-2.0_f64 / 20.0).exp() + (-2.0_f64 / 4.0).exp();
        assert!((left - k2 / 2.51).abs() < 1e-12);
    }

    #[test]
    fn the_root_times_itself_is_the_covariance() {
        let p = Persistence { slope: 0.01, ..example() };
        let (state, _) = p.follow([0.3, 0.1, f64::NAN, 0.8].into_iter());
        let root = state.root();
        for i in 0..PARTS {
            for j in 0..PARTS {
                let product: f64 = (0..PARTS).map(|k| root[i][k] * root[j][k]).sum();
                assert!((product - state.covariance[i][j]).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn the_proportional_measure_goes_there_and_back() {
        for celsius in [-0.5, 0.0, 3.0, 8.0, 25.0] {
            let y = Measure::Proportional.of(celsius);
            assert!((Measure::Proportional.celsius(y) - celsius).abs() < 1e-9);
        }
        assert!((Measure::Proportional.degrees_per_step(8.0) - 1.0).abs() < 1e-12);
        assert!(Measure::Proportional.of(f64::NAN).is_nan(), "a gap stays a gap");
    }
}
