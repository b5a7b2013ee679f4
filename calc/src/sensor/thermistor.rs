//! NTC thermistors: resistance to temperature, and the divider that measures the resistance.

/// Zero of the Celsius scale in kelvin.
pub const ZERO_CELSIUS_K: f64 = 273.15;

/// Resistance-temperature curve of a thermistor.
///
/// Steinhart and Hart: `1/T = A + B ln R + C (ln R)³ [+ D (ln R)⁵]`, T in kelvin, R in ohms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Curve {
    /// Steinhart-Hart coefficients; `d` is zero for the usual three-term form.
    SteinhartHart {
        /// Constant term, 1/K.
        a: f64,
        /// Of ln R.
        b: f64,
        /// Of (ln R)³.
        c: f64,
        /// Of (ln R)⁵.
        d: f64,
    },
    /// `1/T = 1/T₀ + ln(R/R₀)/β`, T₀ = 298.15 K.
    Beta {
        /// Resistance at 25 °C, ohms.
        r25_ohm: f64,
        /// β in kelvin.
        beta_k: f64,
    },
}

/// A resistor in series with the thermistor, read by a converter that measures against the same
/// supply.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Divider {
    /// The fixed resistor, ohms.
    pub reference_ohm: f64,
    /// Converter reading at full supply.
    pub full_scale: f64,
    /// True when the thermistor is between the reading point and ground.
    pub thermistor_low: bool,
}
