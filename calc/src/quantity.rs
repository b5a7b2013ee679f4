//! Measures with their checks: an instance is proof that the number makes sense.
//!
//! Not for arithmetic between them; formulas live with the subject they belong to.
//! The word *unit* is kept for measures, *thermal units* for accumulated temperature.

use std::fmt;

/// A number that cannot be the measure it claims to be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{value} {unit} is not a possible {what} ({low} to {high} {unit})")]
pub struct Impossible {
    /// What was being measured, in words.
    pub what: &'static str,
    /// The offending number; may be NaN.
    pub value: f64,
    /// Unit of `value`, `low` and `high`.
    pub unit: &'static str,
    /// Lowest value accepted.
    pub low: f64,
    /// Highest value accepted.
    pub high: f64,
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $what:literal, $unit:literal, $low:expr, $high:expr) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// Unit, as shown to people.
            pub const UNIT: &'static str = $unit;
            /// Lowest value accepted.
            pub const LOW: f64 = $low;
            /// Highest value accepted.
            pub const HIGH: f64 = $high;

            /// Checks the number and wraps it.
            ///
            /// # Errors
            /// When the number is not finite or outside what is possible.
            pub fn new(value: f64) -> Result<Self, Impossible> {
                // A NaN fails `contains`, so it is rejected here too.
                if ($low..=$high).contains(&value) {
                    Ok(Self(value))
                } else {
                    Err(Impossible { what: $what, value, unit: $unit, low: $low, high: $high })
                }
            }

            /// The number, in the unit of the type.
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                if let Some(precision) = f.precision() {
                    write!(f, "{:.precision$} {}", self.0, $unit)
                } else {
                    write!(f, "{} {}", self.0, $unit)
                }
            }
        }
    };
}

quantity!(
    /// Water temperature. Finite, and inside what liquid water can be.
    Celsius, "water temperature", "°C", -5.0, 50.0
);
quantity!(
    /// Flow of water.
    LitresPerMinute, "flow", "L/min", 0.0, 100_000.0
);
quantity!(
    /// Dissolved oxygen.
    MilligramsPerLitre, "concentration", "mg/L", 0.0, 1_000_000.0
);
quantity!(
    /// A volume of water, eggs or chemical.
    Litres, "volume", "L", 0.0, 10_000_000.0
);
quantity!(
    /// Height above the sea, from the shore of the Dead Sea to the highest lakes.
    Metres, "altitude", "m", -450.0, 6_000.0
);
quantity!(
    /// A share of a whole.
    Proportion, "share", "", 0.0, 1.0
);

impl Celsius {
    /// From degrees Fahrenheit: `(F − 32) / 1.8` (definition of the scale).
    ///
    /// ```
    /// # use nightjar_calc::quantity::Celsius;
    /// // Formalin must not have been colder than 40 °F, 4.4 °C (21 CFR 529.1030).
    /// assert!((Celsius::from_fahrenheit(40.0).unwrap().get() - 4.444).abs() < 0.001);
    /// assert_eq!(Celsius::new(10.0).unwrap().fahrenheit(), 50.0);
    /// ```
    ///
    /// # Errors
    /// When the result is outside what liquid water can be.
    pub fn from_fahrenheit(fahrenheit: f64) -> Result<Self, Impossible> {
        Self::new((fahrenheit - 32.0) / 1.8)
    }

    /// In degrees Fahrenheit: `1.8 C + 32`.
    #[must_use]
    pub fn fahrenheit(self) -> f64 {
        self.0 * 1.8 + 32.0
    }
}

/// US liquid quart in litres (definition: 57.75 cubic inches of 25.4 mm).
pub const LITRES_PER_QUART: f64 = 0.946_352_946;
/// US gallon in litres (definition: 231 cubic inches).
pub const LITRES_PER_GALLON: f64 = 3.785_411_784;
/// Millimetres in an inch (definition).
pub const MILLIMETRES_PER_INCH: f64 = 25.4;
/// Metres in a foot (definition).
pub const METRES_PER_FOOT: f64 = 0.3048;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn water_is_neither_nan_nor_steam() {
        assert!(Celsius::new(f64::NAN).is_err());
        assert!(Celsius::new(f64::INFINITY).is_err());
        assert!(Celsius::new(85.0).is_err());
        assert!((Celsius::from_fahrenheit(50.0).unwrap().get() - 10.0).abs() < 1e-12);
    }

    #[test]
    fn the_error_names_the_measure_and_its_range() {
        let error = LitresPerMinute::new(-1.0).unwrap_err();
        assert_eq!(error.to_string(), "-1 L/min is not a possible flow (0 to 100000 L/min)");
    }
}
