//! An exponential of temperature.

use super::{BadCoefficient, negative, positive};

/// `D = a exp(b T)`.
///
/// | symbol | meaning | unit |
/// |---|---|---|
/// | D | days to median hatch at constant temperature | d |
/// | T | water temperature | °C |
/// | a | days at 0 °C | d |
/// | b | change of ln D per degree; negative | 1/°C |
///
/// It has no biological zero: coregonines and chars develop in ice water.
///
/// ```
/// # use nightjar_calc::development::Exponential;
/// // 65 temperate freshwater species together: a = 186.23, b = −0.197, 25.97 days at 10 °C
/// // (J. Fish Biol. 74, 2009; the value is arithmetic).
/// let law = Exponential::new(186.23, -0.197).unwrap();
/// assert!((1.0 / law.rate(10.0) - 25.97).abs() < 0.005);
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exponential {
    a: f64,
    b: f64,
}

impl Exponential {
    /// Coefficients a (days at 0 °C) and b (1/°C).
    ///
    /// # Errors
    /// When `a` is not above zero, `b` not below zero, or a number is not finite.
    pub fn new(a: f64, b: f64) -> Result<Self, BadCoefficient> {
        Ok(Self { a: positive("a", a)?, b: negative("b", b)? })
    }

    /// Fraction of development per day at `t` °C.
    #[must_use]
    pub fn rate(&self, t: f64) -> f64 {
        (-self.b * t).exp() / self.a
    }

    pub(super) fn describe(&self) -> String {
        format!("days = {} exp({} T)", self.a, self.b)
    }
}
