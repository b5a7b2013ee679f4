//! A power of the temperature above a biological zero.

use super::{BadCoefficient, finite, negative};

/// `ln D = a + b ln(T − c)`, the log-inverse Bělehrádek form.
///
/// | symbol | meaning | unit |
/// |---|---|---|
/// | D | days to the stage at constant temperature | d |
/// | T | water temperature | °C |
/// | c | scale correction, near the biological zero or below it | °C |
/// | a, b | coefficients; b is negative | |
///
/// Form and the example's coefficients: Beacham and Murray 1990 (Can. J. Zool. 68), from memory; the example is
/// *emergence* of Chinook salmon, not hatch. The widest published case is the equation for 65 temperate freshwater
/// species by egg diameter O in mm (J. Fish Biol. 74, 2009): `log₁₀ t = 3.002 + 0.599 log₁₀ O − 1.91 log₁₀(T + 2)`.
///
/// ```
/// # use nightjar_calc::development::Belehradek;
/// let emergence = Belehradek::new(10.404, -2.043, -7.575).unwrap();
/// assert!((1.0 / emergence.rate(10.0) - 94.4).abs() < 0.1);
///
/// // A walleye egg of 1.75 mm at 10 °C: 12.20 days (the value is arithmetic).
/// let ln10 = std::f64::consts::LN_10;
/// let law = Belehradek::new((3.002 + 0.599 * 1.75_f64.log10()) * ln10, -1.91, -2.0).unwrap();
/// assert!((1.0 / law.rate(10.0) - 12.20).abs() < 0.01);
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Belehradek {
    a: f64,
    b: f64,
    c: f64,
}

impl Belehradek {
    /// Coefficients a, b and c (°C).
    ///
    /// # Errors
    /// When `b` is not below zero or a number is not finite.
    pub fn new(a: f64, b: f64, c: f64) -> Result<Self, BadCoefficient> {
        Ok(Self { a: finite("a", a)?, b: negative("b", b)?, c: finite("c", c)? })
    }

    /// c, °C: at and below it there is no development.
    #[must_use]
    pub const fn origin(&self) -> f64 {
        self.c
    }

    /// Fraction of development per day at `t` °C.
    #[must_use]
    pub fn rate(&self, t: f64) -> f64 {
        let above = t - self.c;
        if above <= 0.0 { 0.0 } else { (-self.a).exp() * above.powf(-self.b) }
    }

    pub(super) fn describe(&self) -> String {
        format!("ln days = {} + {} ln(T − {})", self.a, self.b, self.c)
    }
}
