//! The voltage divider a thermistor is usually read through.

use super::curve::{Curve, ThermistorError};

/// A resistor in series with the thermistor, read by a converter that measures against the same
/// supply.
///
/// With `x = counts / full scale`: thermistor at ground `R = R_ref x/(1−x)`, thermistor at the
/// supply `R = R_ref (1−x)/x` (Ohm's law).
///
/// ```
/// use nightjar_calc::sensor::thermistor::{Curve, Divider};
/// let divider = Divider::new(10_000.0, 4095.0, true).unwrap();
/// // Half scale: the thermistor equals the reference resistor, so it is at 25 °C.
/// let ohm = divider.ohms(2047.5).unwrap();
/// assert!((Curve::TEN_K3.celsius(ohm).unwrap() - 25.0).abs() < 0.01);
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Divider {
    /// The fixed resistor, ohms.
    pub reference_ohm: f64,
    /// Converter reading at full supply.
    pub full_scale: f64,
    /// True when the thermistor is between the reading point and ground.
    pub thermistor_low: bool,
}

impl Divider {
    /// A divider that makes sense.
    ///
    /// # Errors
    /// When the resistor or the full scale is not a number above zero.
    pub fn new(reference_ohm: f64, full_scale: f64, thermistor_low: bool) -> Result<Self, ThermistorError> {
        let positive = |x: f64| x.is_finite() && x > 0.0;
        if positive(reference_ohm) && positive(full_scale) {
            Ok(Self { reference_ohm, full_scale, thermistor_low })
        } else {
            Err(ThermistorError::Divider)
        }
    }

    /// Resistance of the thermistor at a converter reading, ohms.
    ///
    /// # Errors
    /// When the reading is at or beyond an end of the range: the cable is open or shorted.
    pub fn ohms(self, counts: f64) -> Result<f64, ThermistorError> {
        Self::new(self.reference_ohm, self.full_scale, self.thermistor_low)?;
        let x = counts / self.full_scale;
        let at_rail = |meaning| ThermistorError::Rail { counts, full_scale: self.full_scale, meaning };
        let (short, open) = ("the thermistor or its cable is shorted", "the thermistor or its cable is open");
        if x.is_nan() {
            return Err(at_rail("not a number"));
        }
        if x <= 0.0 {
            return Err(at_rail(if self.thermistor_low { short } else { open }));
        }
        if x >= 1.0 {
            return Err(at_rail(if self.thermistor_low { open } else { short }));
        }
        let ratio = if self.thermistor_low { x / (1.0 - x) } else { (1.0 - x) / x };
        Ok(self.reference_ohm * ratio)
    }

    /// Converter reading for a resistance.
    #[must_use]
    pub fn counts(self, ohm: f64) -> f64 {
        let over = if self.thermistor_low { ohm } else { self.reference_ohm };
        self.full_scale * over / (ohm + self.reference_ohm)
    }

    /// Temperature step of one count at a temperature, °C.
    ///
    /// ```
    /// use nightjar_calc::sensor::thermistor::{Curve, Divider};
    /// // A 10-bit converter with 10 k cannot tell 0.1 °C apart in cold water.
    /// let step = Divider::new(10_000.0, 1023.0, true).unwrap().step_c(Curve::TEN_K3, 10.0).unwrap();
    /// assert!(step > 0.09 && step < 0.11);
    /// ```
    ///
    /// # Errors
    /// When the curve does not reach the temperature or the reading is at an end of the range.
    pub fn step_c(self, curve: Curve, celsius: f64) -> Result<f64, ThermistorError> {
        let counts = self.counts(curve.ohms(celsius)?);
        let below = curve.celsius(self.ohms(counts - 0.5)?)?;
        let above = curve.celsius(self.ohms(counts + 0.5)?)?;
        Ok((above - below).abs())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_open_and_a_shorted_cable_are_told_apart_in_both_orientations() {
        for (low, counts, word) in
            [(true, 0.0, "shorted"), (true, 4095.0, "open"), (false, 0.0, "open"), (false, 5000.0, "shorted")]
        {
            let divider = Divider::new(10_000.0, 4095.0, low).unwrap();
            assert!(divider.ohms(counts).unwrap_err().to_string().contains(word), "{low} {counts}");
        }
        assert!(Divider::new(10_000.0, 4095.0, true).unwrap().ohms(f64::NAN).is_err());
    }

    #[test]
    fn counts_and_ohms_are_inverse_in_both_orientations() {
        for low in [true, false] {
            let divider = Divider::new(9_950.0, 65_535.0, low).unwrap();
            for ohm in [500.0, 10_000.0, 32_650.0] {
                assert!((divider.ohms(divider.counts(ohm)).unwrap() - ohm).abs() < 1e-6);
            }
        }
    }
}
