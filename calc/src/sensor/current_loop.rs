//! Transmitters that send a current of 4 to 20 mA.
//!
//! `value = at 4 mA + (I − 4)/16 · (at 20 mA − at 4 mA)`. Below 3.6 mA or above 21 mA the transmitter
//! reports a fault or the wire is broken; between those and 3.8 or 20.5 mA it is at the end of its
//! range. These limits follow common industry practice for signal levels (NAMUR NE 43, from memory).

/// At or below this a fault, mA.
pub const FAULT_LOW_MA: f64 = 3.6;
/// At or above this a fault, mA.
pub const FAULT_HIGH_MA: f64 = 21.0;
/// Below this the value is the end of the range, mA.
const LOWEST_MA: f64 = 3.8;
/// Above this the value is the end of the range, mA.
const HIGHEST_MA: f64 = 20.5;

/// Why there is no value.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum LoopError {
    /// Wire broken, supply lost or fault signalled.
    #[error("{0} mA is below 3.6: wire broken, supply lost or the transmitter reports a fault")]
    Low(f64),
    /// Shorted, or fault signalled.
    #[error("{0} mA is above 21: short circuit or the transmitter reports a fault")]
    High(f64),
    /// Both ends alike or not numbers.
    #[error("the values at 4 and at 20 mA must be two different numbers")]
    Scale,
}

/// Scale of a transmitter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loop {
    at_4_ma: f64,
    at_20_ma: f64,
}

/// A value, and whether the transmitter was at the end of its range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoopValue {
    /// In the unit of the scale.
    pub value: f64,
    /// The true value may lie further out.
    pub at_end_of_range: bool,
}

impl Loop {
    /// A scale by its two ends; the first may be the larger.
    ///
    /// # Errors
    /// When both are alike or not numbers.
    pub fn new(at_4_ma: f64, at_20_ma: f64) -> Result<Self, LoopError> {
        let width = (at_20_ma - at_4_ma).abs();
        if width.is_finite() && width > 0.0 { Ok(Self { at_4_ma, at_20_ma }) } else { Err(LoopError::Scale) }
    }

    /// Value of a current in mA.
    ///
    /// ```
    /// use nightjar_calc::sensor::current_loop::Loop;
    /// // 0 to 50 °C: 7.2 mA is 10 °C.
    /// let scale = Loop::new(0.0, 50.0).unwrap();
    /// assert!((scale.value(7.2).unwrap().value - 10.0).abs() < 1e-9);
    /// assert!(scale.value(0.0).is_err()); // a broken wire is not 0 °C
    /// ```
    ///
    /// # Errors
    /// When the current means a fault.
    pub fn value(self, milliampere: f64) -> Result<LoopValue, LoopError> {
        if milliampere >= FAULT_HIGH_MA {
            return Err(LoopError::High(milliampere));
        }
        if milliampere.is_nan() || milliampere <= FAULT_LOW_MA {
            return Err(LoopError::Low(milliampere));
        }
        let share = (milliampere - 4.0) / 16.0;
        Ok(LoopValue {
            value: self.at_4_ma + share * (self.at_20_ma - self.at_4_ma),
            at_end_of_range: !(LOWEST_MA..=HIGHEST_MA).contains(&milliampere),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_are_not_values_and_the_ends_are_marked() {
        let scale = Loop::new(0.0, 10.0).unwrap();
        for bad in [f64::NAN, 0.0, 3.6, 21.0, 24.0] {
            assert!(scale.value(bad).is_err(), "{bad}");
        }
        assert!(scale.value(3.7).unwrap().at_end_of_range);
        assert!(scale.value(20.6).unwrap().at_end_of_range);
        assert!(!scale.value(12.0).unwrap().at_end_of_range);
        assert!((scale.value(20.0).unwrap().value - 10.0).abs() < 1e-12);
        assert!(Loop::new(5.0, 5.0).is_err());
    }
}
