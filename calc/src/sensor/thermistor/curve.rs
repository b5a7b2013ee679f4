//! Resistance-temperature curves.

use super::ZERO_CELSIUS_K;

/// Lowest and highest temperature a curve is asked for, °C.
const RANGE_C: (f64, f64) = (-80.0, 150.0);
/// Lowest and highest resistance any thermistor in water can have, ohms.
const RANGE_OHM: (f64, f64) = (0.1, 1.0e9);
/// Span over which an own curve must fall steadily, °C: frost to a hot shed.
const MUST_FALL_C: (i32, i32) = (-20, 60);
/// Resistance at 0 °C over that at 25 °C of any thermistor: β from 1000 to 7000 K, rounded outward.
const FALLS_BY: (f64, f64) = (1.35, 8.6);
/// Temperature at which a thermistor's nominal resistance is stated, K.
const NOMINAL_K: f64 = 298.15;

/// Resistance-temperature curve of a thermistor.
///
/// Steinhart and Hart: `1/T = A + B ln R + C (ln R)³ [+ D (ln R)⁵]`, T in kelvin, R in ohms.
///
/// ```
/// use nightjar_calc::sensor::thermistor::Curve;
/// // The table of the 10K3 curve gives 32 650.9 Ω at 0 °C.
/// let t = Curve::TEN_K3.celsius(32_650.9).unwrap();
/// assert!(t.abs() < 0.001);
/// // A beta formula of 3950 K on the same probe is half a degree off in ice.
/// let beta = Curve::beta(10_000.0, 3950.0).unwrap();
/// assert!((beta.celsius(32_649.9).unwrap() - 0.554).abs() < 0.001);
/// ```
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

/// Why there is no temperature, resistance or curve.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ThermistorError {
    /// No thermistor has this resistance.
    #[error("{0} ohm is not the resistance of a thermistor; an open or shorted cable?")]
    Resistance(f64),
    /// Outside what curves are asked for.
    #[error("{0} °C is outside the curves, which go from -80 to 150 °C")]
    Temperature(f64),
    /// The curve has no temperature for this resistance.
    #[error("the curve gives no temperature between -80 and 150 °C for {0} ohm; is it the right curve?")]
    OffCurve(f64),
    /// The resistance does not fall with temperature.
    #[error(
        "with these coefficients the resistance does not fall steadily from -20 to 60 °C; check their order and exponents"
    )]
    NotFalling,
    /// Points that do not make a curve.
    #[error(
        "a curve needs three points at different temperatures with the resistance falling as it gets warmer"
    )]
    Points,
    /// Nominal resistance or beta that no part has.
    #[error("{r25_ohm} ohm at 25 °C with a beta of {beta_k} K is no thermistor (beta 1000 to 10000 K)")]
    Beta {
        /// Resistance at 25 °C.
        r25_ohm: f64,
        /// Beta.
        beta_k: f64,
    },
    /// No such name.
    #[error(
        "no thermistor curve is called \"{0}\"; known are 10K3, 103JL1A and 44031, or give the coefficients"
    )]
    UnknownName(String),
    /// The converter reads one end of its range.
    #[error("{counts} counts of {full_scale} is an end of the converter's range: {meaning}")]
    Rail {
        /// What the converter said.
        counts: f64,
        /// Its full scale.
        full_scale: f64,
        /// What that means at this divider.
        meaning: &'static str,
    },
    /// A divider without sense.
    #[error("a divider needs a reference resistor and a full scale above zero")]
    Divider,
}

impl Curve {
    /// The curve named 10K3 (CAMP): 10 k at 25 °C, 32.65 k at 0 °C.
    pub const TEN_K3: Self =
        Self::SteinhartHart { a: 1.129_241e-3, b: 2.341_077e-4, c: 8.775_468e-8, d: 0.0 };
    /// The curve named 103JL1A; practically that of 10K3. Fitted to its table (GEOK, −30 to 40 °C), which it returns
    /// within 0.004 °C: through its rows at 20, 35 and 40 °C, the three of all that leave the least error elsewhere. The
    /// four coefficients printed beside that table leave it by up to 0.032 °C in frost.
    pub const JL1A_103: Self =
        Self::SteinhartHart { a: 1.126_094e-3, b: 2.345_996e-4, c: 8.598_290e-8, d: 0.0 };
    /// The curve named 44031 (EKO); also 10 k at 25 °C, but another one: −2.2 °C on a 10K3 probe at
    /// 0 °C.
    pub const N44031: Self = Self::SteinhartHart { a: 1.0295e-3, b: 2.3910e-4, c: 1.5680e-7, d: 0.0 };
    /// Names that [`Curve::named`] knows.
    pub const NAMES: [&'static str; 3] = ["10K3", "103JL1A", "44031"];

    /// A curve by the name of its table, in any case.
    ///
    /// # Errors
    /// When no curve has that name.
    pub fn named(name: &str) -> Result<Self, ThermistorError> {
        match name.trim().to_ascii_uppercase().as_str() {
            "10K3" => Ok(Self::TEN_K3),
            "103JL1A" => Ok(Self::JL1A_103),
            "44031" => Ok(Self::N44031),
            _ => Err(ThermistorError::UnknownName(name.chars().take(40).collect())),
        }
    }

    /// Own Steinhart-Hart coefficients; `d` is zero for three terms.
    ///
    /// # Errors
    /// When the resistance does not fall from −20 to 60 °C as that of a thermistor does.
    pub fn steinhart_hart(a: f64, b: f64, c: f64, d: f64) -> Result<Self, ThermistorError> {
        Self::SteinhartHart { a, b, c, d }.falling()
    }

    /// Own nominal resistance at 25 °C (ohms) and β (kelvin).
    ///
    /// # Errors
    /// When no thermistor has them.
    pub fn beta(r25_ohm: f64, beta_k: f64) -> Result<Self, ThermistorError> {
        if (RANGE_OHM.0..=RANGE_OHM.1).contains(&r25_ohm) && (1000.0..=10_000.0).contains(&beta_k) {
            Ok(Self::Beta { r25_ohm, beta_k })
        } else {
            Err(ThermistorError::Beta { r25_ohm, beta_k })
        }
    }

    /// Three-term coefficients through three points of (ohms, °C), in any order.
    ///
    /// With `L = ln R`, `Y = 1/T`, `γ₂ = (Y₂−Y₁)/(L₂−L₁)`, `γ₃ = (Y₃−Y₁)/(L₃−L₁)`:
    /// `C = (γ₃−γ₂)/(L₃−L₂)/(L₁+L₂+L₃)`, `B = γ₂ − C(L₁²+L₁L₂+L₂²)`, `A = Y₁ − (B + C L₁²) L₁`
    /// (solution of three linear equations).
    ///
    /// ```
    /// use nightjar_calc::sensor::thermistor::Curve;
    /// // Three rows of the 103JL1A table return its 10 °C row within 0.01 °C.
    /// let own = Curve::through([(32_650.0, 0.0), (15_712.0, 15.0), (8_057.0, 30.0)]).unwrap();
    /// assert!((own.celsius(19_901.0).unwrap() - 10.0).abs() < 0.01);
    /// ```
    ///
    /// # Errors
    /// When the points do not make a falling curve.
    pub fn through(points: [(f64, f64); 3]) -> Result<Self, ThermistorError> {
        let mut points = points;
        points.sort_by(|p, q| p.1.total_cmp(&q.1));
        for (ohm, celsius) in points {
            resistance(ohm)?;
            temperature(celsius)?;
        }
        let apart = |p: (f64, f64), q: (f64, f64)| q.1 - p.1 >= 0.1 && p.0 > q.0;
        if !(apart(points[0], points[1]) && apart(points[1], points[2])) {
            return Err(ThermistorError::Points);
        }
        let [l1, l2, l3] = points.map(|p| p.0.ln());
        let [y1, y2, y3] = points.map(|p| 1.0 / (p.1 + ZERO_CELSIUS_K));
        let g2 = (y2 - y1) / (l2 - l1);
        let g3 = (y3 - y1) / (l3 - l1);
        let c = (g3 - g2) / (l3 - l2) / (l1 + l2 + l3);
        let b = g2 - c * (l1 * l1 + l1 * l2 + l2 * l2);
        let a = y1 - (b + c * l1 * l1) * l1;
        Self::SteinhartHart { a, b, c, d: 0.0 }.falling()
    }

    /// Temperature of a resistance in ohms, °C.
    ///
    /// # Errors
    /// When no thermistor has that resistance, or the curve no temperature for it.
    pub fn celsius(self, ohm: f64) -> Result<f64, ThermistorError> {
        resistance(ohm)?;
        let celsius = 1.0 / self.reciprocal(ohm.ln()) - ZERO_CELSIUS_K;
        if (RANGE_C.0..=RANGE_C.1).contains(&celsius) {
            Ok(celsius)
        } else {
            Err(ThermistorError::OffCurve(ohm))
        }
    }

    /// Resistance in ohms at a temperature in °C: the same curve backwards, solved by halving.
    ///
    /// ```
    /// use nightjar_calc::sensor::thermistor::Curve;
    /// assert!((Curve::TEN_K3.ohms(10.0).unwrap() - 19_902.9).abs() < 0.1);
    /// ```
    ///
    /// # Errors
    /// When the temperature is outside −80 to 150 °C or the curve does not reach it.
    pub fn ohms(self, celsius: f64) -> Result<f64, ThermistorError> {
        temperature(celsius)?;
        let wanted = 1.0 / (celsius + ZERO_CELSIUS_K);
        if let Self::Beta { r25_ohm, beta_k } = self {
            return Ok(r25_ohm * (beta_k * (wanted - 1.0 / NOMINAL_K)).exp());
        }
        let (mut low, mut high) = (RANGE_OHM.0.ln(), RANGE_OHM.1.ln());
        if !(self.reciprocal(low) <= wanted && wanted <= self.reciprocal(high)) {
            return Err(ThermistorError::Temperature(celsius));
        }
        // 60 halvings of a span of 23 end below what a float can tell apart.
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            if self.reciprocal(middle) < wanted {
                low = middle;
            } else {
                high = middle;
            }
        }
        Ok(f64::midpoint(low, high).exp())
    }

    /// `1/T` in 1/K at `ln R`.
    fn reciprocal(self, l: f64) -> f64 {
        match self {
            Self::SteinhartHart { a, b, c, d } => {
                let l2 = l * l;
                a + l * (b + l2 * (c + l2 * d))
            }
            Self::Beta { r25_ohm, beta_k } => 1.0 / NOMINAL_K + (l - r25_ohm.ln()) / beta_k,
        }
    }

    fn falling(self) -> Result<Self, ThermistorError> {
        let mut before = f64::INFINITY;
        for celsius in MUST_FALL_C.0..=MUST_FALL_C.1 {
            let celsius = f64::from(celsius);
            let ohm = self.ohms(celsius).map_err(|_| ThermistorError::NotFalling)?;
            let back = self.celsius(ohm).map_err(|_| ThermistorError::NotFalling)?;
            if !(ohm < before && (back - celsius).abs() < 1e-6) {
                return Err(ThermistorError::NotFalling);
            }
            before = ohm;
        }
        let ratio = self.ohms(0.0)? / self.ohms(25.0)?;
        if (FALLS_BY.0..=FALLS_BY.1).contains(&ratio) { Ok(self) } else { Err(ThermistorError::NotFalling) }
    }
}

fn resistance(ohm: f64) -> Result<f64, ThermistorError> {
    if (RANGE_OHM.0..=RANGE_OHM.1).contains(&ohm) { Ok(ohm) } else { Err(ThermistorError::Resistance(ohm)) }
}

fn temperature(celsius: f64) -> Result<f64, ThermistorError> {
    if (RANGE_C.0..=RANGE_C.1).contains(&celsius) {
        Ok(celsius)
    } else {
        Err(ThermistorError::Temperature(celsius))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn swapped_coefficients_are_refused() {
        assert_eq!(Curve::steinhart_hart(2.34e-4, 1.129e-3, 8.8e-8, 0.0), Err(ThermistorError::NotFalling));
        assert_eq!(Curve::steinhart_hart(1.129e-3, -2.34e-4, 8.8e-8, 0.0), Err(ThermistorError::NotFalling));
        assert_eq!(Curve::steinhart_hart(f64::NAN, 2.34e-4, 8.8e-8, 0.0), Err(ThermistorError::NotFalling));
        assert!(Curve::steinhart_hart(1.129_241e-3, 2.341_077e-4, 8.775_468e-8, 0.0).is_ok());
    }

    #[test]
    fn no_resistance_makes_no_temperature() {
        for ohm in [0.0, -5.0, f64::NAN, f64::INFINITY, 1e12] {
            assert!(matches!(Curve::TEN_K3.celsius(ohm), Err(ThermistorError::Resistance(_))), "{ohm}");
        }
        assert!(matches!(Curve::TEN_K3.celsius(1.0), Err(ThermistorError::OffCurve(_))));
    }

    #[test]
    fn points_on_top_of_each_other_make_no_curve() {
        assert_eq!(
            Curve::through([(32_650.0, 0.0), (32_650.0, 0.0), (8_057.0, 30.0)]),
            Err(ThermistorError::Points)
        );
        assert_eq!(
            Curve::through([(8_057.0, 0.0), (15_712.0, 15.0), (32_650.0, 30.0)]),
            Err(ThermistorError::Points)
        );
    }

    #[test]
    fn an_unknown_name_lists_the_known_ones() {
        let said = Curve::named("10K4").unwrap_err().to_string();
        assert!(Curve::NAMES.iter().all(|name| said.contains(name)), "{said}");
        assert_eq!(Curve::named(" 10k3 "), Ok(Curve::TEN_K3));
    }

    proptest! {
        #[test]
        fn there_and_back_is_the_same_temperature(celsius in -40.0..100.0f64) {
            for curve in [Curve::TEN_K3, Curve::JL1A_103, Curve::N44031, Curve::Beta { r25_ohm: 10_000.0, beta_k: 3435.0 }] {
                let back = curve.celsius(curve.ohms(celsius).unwrap()).unwrap();
                prop_assert!((back - celsius).abs() < 1e-9);
            }
        }
    }
}
