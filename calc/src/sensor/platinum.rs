//! Platinum resistance thermometers by IEC 60751.
//!
//! `R = R₀ (1 + A t + B t²)` from 0 °C, `R = R₀ (1 + A t + B t² + C (t − 100) t³)` below, t in °C,
//! −200 to 850 °C. Coefficients as printed in a public copy of the reference tables (PT-A). Parts
//! of another alloy (3789 or 3926 ppm/K) are sold as "100 ohm platinum" too: ask which curve.

/// First coefficient, 1/°C.
const A: f64 = 3.9083e-3;
/// Second coefficient, 1/°C².
const B: f64 = -5.775e-7;
/// Third coefficient, below 0 °C only, 1/°C⁴.
const C: f64 = -4.183e-12;
/// Validity of the equation, °C.
const RANGE_C: (f64, f64) = (-200.0, 850.0);

/// Why there is no temperature or resistance.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum PlatinumError {
    /// Resistance at 0 °C that no part has.
    #[error("{0} ohm is not a resistance at 0 °C; a Pt100 has 100, a Pt1000 has 1000")]
    Nominal(f64),
    /// Outside the equation.
    #[error("{ohm} ohm is outside -200 to 850 °C for {r0_ohm} ohm at 0 °C; an open or shorted cable?")]
    Resistance {
        /// The resistance.
        ohm: f64,
        /// At 0 °C.
        r0_ohm: f64,
    },
    /// Outside the equation.
    #[error("{0} °C is outside the equation, which holds from -200 to 850 °C")]
    Temperature(f64),
}

/// A platinum thermometer.
///
/// ```
/// use nightjar_calc::sensor::platinum::Platinum;
/// let pt100 = Platinum::new(100.0).unwrap();
/// assert!((pt100.ohms(100.0).unwrap() - 138.51).abs() < 0.005);
/// assert!((pt100.celsius(103.9025).unwrap() - 10.0).abs() < 0.001);
/// // Pt1000: the same, times ten.
/// assert!((Platinum::new(1000.0).unwrap().celsius(1039.025).unwrap() - 10.0).abs() < 0.001);
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Platinum {
    r0_ohm: f64,
}

/// How far a new thermometer may be off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    /// ±(0.15 + 0.002 |t|) °C.
    A,
    /// ±(0.30 + 0.005 |t|) °C.
    B,
}

impl Class {
    /// Tolerance at a temperature, °C either way (IEC 60751 classes as printed by PT-A).
    ///
    /// ```
    /// use nightjar_calc::sensor::platinum::Class;
    /// assert!((Class::B.tolerance_c(10.0) - 0.35).abs() < 1e-12);
    /// ```
    #[must_use]
    pub fn tolerance_c(self, celsius: f64) -> f64 {
        match self {
            Self::A => 0.15 + 0.002 * celsius.abs(),
            Self::B => 0.30 + 0.005 * celsius.abs(),
        }
    }
}

impl Platinum {
    /// A thermometer by its resistance at 0 °C, ohms: 100, 500, 1000, or as measured in ice.
    ///
    /// # Errors
    /// When no part has that resistance (1 to 100 000 ohms).
    pub fn new(r0_ohm: f64) -> Result<Self, PlatinumError> {
        if (1.0..=100_000.0).contains(&r0_ohm) {
            Ok(Self { r0_ohm })
        } else {
            Err(PlatinumError::Nominal(r0_ohm))
        }
    }

    /// Resistance at a temperature in °C, ohms.
    ///
    /// # Errors
    /// When the temperature is outside −200 to 850 °C.
    pub fn ohms(self, celsius: f64) -> Result<f64, PlatinumError> {
        if (RANGE_C.0..=RANGE_C.1).contains(&celsius) {
            Ok(self.r0_ohm * ratio(celsius))
        } else {
            Err(PlatinumError::Temperature(celsius))
        }
    }

    /// Temperature at a resistance in ohms, °C. From 0 °C the root of the quadratic; below, Newton
    /// steps on the quartic.
    ///
    /// # Errors
    /// When the resistance is outside that of −200 to 850 °C.
    pub fn celsius(self, ohm: f64) -> Result<f64, PlatinumError> {
        let x = ohm / self.r0_ohm;
        // Printed tables round to the second decimal of an ohm; their ends belong to the range.
        if !(ratio(RANGE_C.0) - 1e-4..=ratio(RANGE_C.1) + 1e-4).contains(&x) {
            return Err(PlatinumError::Resistance { ohm, r0_ohm: self.r0_ohm });
        }
        let mut celsius = (-A + (A * A - 4.0 * B * (1.0 - x)).sqrt()) / (2.0 * B);
        if x < 1.0 {
            for _ in 0..8 {
                celsius -= (ratio(celsius) - x) / slope(celsius);
            }
        }
        Ok(celsius)
    }
}

/// `R/R₀` at a temperature.
fn ratio(t: f64) -> f64 {
    let below = if t < 0.0 { C * (t - 100.0) * t * t * t } else { 0.0 };
    1.0 + A * t + B * t * t + below
}

/// Derivative of [`ratio`].
fn slope(t: f64) -> f64 {
    let below = if t < 0.0 { C * (4.0 * t - 300.0) * t * t } else { 0.0 };
    A + 2.0 * B * t + below
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn there_and_back_is_the_same_temperature(celsius in -200.0..850.0f64, r0 in 50.0..2000.0f64) {
            let part = Platinum::new(r0).unwrap();
            prop_assert!((part.celsius(part.ohms(celsius).unwrap()).unwrap() - celsius).abs() < 1e-7);
        }
    }

    #[test]
    fn cables_and_wrong_parts_are_refused() {
        let pt100 = Platinum::new(100.0).unwrap();
        for ohm in [0.0, 5.0, 1_000.0, f64::NAN, f64::INFINITY] {
            assert!(pt100.celsius(ohm).is_err(), "{ohm}");
        }
        assert!(Platinum::new(0.0).is_err());
        assert!(pt100.ohms(-273.0).is_err());
    }
}
