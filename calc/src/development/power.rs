//! A power law with common logarithms.

use super::{BadCoefficient, finite, negative};

/// `log₁₀ D = b log₁₀(T − α) + log₁₀ a`.
///
/// | symbol | meaning | unit |
/// |---|---|---|
/// | D | days to median hatch at constant temperature | d |
/// | T | water temperature | °C |
/// | α | origin; far below freezing in the published fits, so it is no biological zero | °C |
/// | b, log₁₀ a | coefficients; b is negative | |
///
/// Source: Crisp 1981 (Freshwater Biology 11), five species of salmonids. The coefficients used in the
/// species table are from memory; the Atlantic salmon set meets the incubation times of Wallace and Heggberget
/// 1988 near 0 and 1 °C (250-260 and 206-221 days), which a wrong set would hardly do.
///
/// ```
/// # use nightjar_calc::development::Power;
/// let atlantic_salmon = Power::new(-2.6562, 5.1908, -11.0).unwrap();
/// assert!((1.0 / atlantic_salmon.rate(0.16) - 256.0).abs() < 1.0);
/// assert!((1.0 / atlantic_salmon.rate(1.0) - 211.0).abs() < 1.0);
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Power {
    b: f64,
    log10_a: f64,
    alpha: f64,
}

impl Power {
    /// Coefficients b, log₁₀ a and α (°C).
    ///
    /// # Errors
    /// When `b` is not below zero or a number is not finite.
    pub fn new(b: f64, log10_a: f64, alpha: f64) -> Result<Self, BadCoefficient> {
        Ok(Self { b: negative("b", b)?, log10_a: finite("log10a", log10_a)?, alpha: finite("alpha", alpha)? })
    }

    /// α, °C: at and below it the form gives no development.
    #[must_use]
    pub const fn origin(&self) -> f64 {
        self.alpha
    }

    /// Fraction of development per day at `t` °C.
    #[must_use]
    pub fn rate(&self, t: f64) -> f64 {
        let above = t - self.alpha;
        if above <= 0.0 { 0.0 } else { 10_f64.powf(-self.log10_a) * above.powf(-self.b) }
    }

    pub(super) fn describe(&self) -> String {
        format!("log10 days = {} log10(T − {}) + {}", self.b, self.alpha, self.log10_a)
    }
}
