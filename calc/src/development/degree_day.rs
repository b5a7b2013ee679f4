//! A constant sum of degrees above a base.

use super::{BadCoefficient, finite, positive};

/// `D = K / (T − t₀)`: development needs a fixed sum of degrees above a base.
///
/// | symbol | meaning | unit |
/// |---|---|---|
/// | D | days to median hatch at constant temperature | d |
/// | T | water temperature | °C |
/// | t₀ | base: 0 for plain thermal units, or the biological zero | °C |
/// | K | effective sum | °C·d |
///
/// Form: Kamler 2002 (Rev. Fish Biol. Fisheries 12:79-103), `V = a + bT`, `t₀ = −a/b`, `K = 1/b`, linear over the
/// range of low mortality. With `t₀ = 0` it is the hatchery's rule of thermal units.
///
/// ```
/// # use nightjar_calc::development::DegreeDay;
/// // Muskellunge: 10 days at 15 °C (a St. Lawrence River study) are 150 °C·days.
/// let law = DegreeDay::new(0.0, 150.0).unwrap();
/// assert!((1.0 / law.rate(15.0) - 10.0).abs() < 1e-12);
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DegreeDay {
    base: f64,
    sum: f64,
}

impl DegreeDay {
    /// Base in °C and sum in °C·days.
    ///
    /// # Errors
    /// When the sum is not above zero or a number is not finite.
    pub fn new(base: f64, sum: f64) -> Result<Self, BadCoefficient> {
        Ok(Self { base: finite("base", base)?, sum: positive("sum", sum)? })
    }

    /// Base t₀, °C.
    #[must_use]
    pub const fn base(&self) -> f64 {
        self.base
    }

    /// Sum K, °C·days.
    #[must_use]
    pub const fn sum(&self) -> f64 {
        self.sum
    }

    /// Fraction of development per day at `t` °C.
    #[must_use]
    pub fn rate(&self, t: f64) -> f64 {
        (t - self.base).max(0.0) / self.sum
    }
}
