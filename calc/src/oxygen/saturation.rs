//! How much oxygen water holds in equilibrium with moist air.

use super::OxygenError;
use crate::quantity::{Celsius, Metres, MilligramsPerLitre};
use crate::sensor::thermistor::ZERO_CELSIUS_K;

/// Millimetres of mercury in an atmosphere (definition).
const MMHG_PER_ATM: f64 = 760.0;
/// Hectopascals in an atmosphere (definition).
const HPA_PER_ATM: f64 = 1013.25;
/// A probe in ice may read a little below zero; so much is taken as 0 °C.
const ICE_SLACK_C: f64 = 0.5;

/// Station pressure in atmospheres. Weather reports give the pressure reduced to sea level: that is
/// another number.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Pressure(f64);

impl Pressure {
    /// One atmosphere.
    pub const STANDARD: Self = Self(1.0);

    /// From atmospheres.
    ///
    /// # Errors
    /// Outside 0.5 to 1.1 atm, where the saturation equation holds.
    pub fn from_atm(atm: f64) -> Result<Self, OxygenError> {
        if (0.5..=1.1).contains(&atm) { Ok(Self(atm)) } else { Err(OxygenError::Pressure(atm)) }
    }

    /// From millimetres of mercury.
    ///
    /// # Errors
    /// As [`Pressure::from_atm`].
    pub fn from_mmhg(mmhg: f64) -> Result<Self, OxygenError> {
        Self::from_atm(mmhg / MMHG_PER_ATM)
    }

    /// From hectopascals (millibars), as a barometer shows at the station.
    ///
    /// # Errors
    /// As [`Pressure::from_atm`].
    pub fn from_hpa(hpa: f64) -> Result<Self, OxygenError> {
        Self::from_atm(hpa / HPA_PER_ATM)
    }

    /// Mean pressure at a height, by the standard atmosphere: `P = (1 − 6.873·10⁻⁶ h)^5.256` atm, h in
    /// feet (ALT2). Weather moves the true pressure by about 3 per cent either way.
    ///
    /// ```
    /// use nightjar_calc::oxygen::Pressure;
    /// use nightjar_calc::quantity::Metres;
    /// let high = Pressure::at_altitude(Metres::new(1600.0).unwrap()).unwrap();
    /// assert!((high.atm() - 0.824).abs() < 0.002);
    /// ```
    ///
    /// # Errors
    /// As [`Pressure::from_atm`].
    pub fn at_altitude(altitude: Metres) -> Result<Self, OxygenError> {
        let feet = altitude.get() / crate::quantity::METRES_PER_FOOT;
        Self::from_atm((1.0 - 6.873e-6 * feet).powf(5.256))
    }

    /// In atmospheres.
    #[must_use]
    pub const fn atm(self) -> f64 {
        self.0
    }
}

/// Dissolved oxygen at saturation with moist air.
///
/// With T in kelvin and t in °C, P in atm, S practical salinity:
///
/// * `ln C = −139.34411 + 1.575701·10⁵/T − 6.642308·10⁷/T² + 1.243800·10¹⁰/T³ − 8.621949·10¹¹/T⁴`
/// * `ln Fs = −S (0.017674 − 10.754/T + 2140.7/T²)`
/// * `Fp = (P − u)(1 − θP) / ((1 − u)(1 − θ))`, `ln u = 11.8571 − 3840.70/T − 216961/T²`,
///   `θ = 0.000975 − 1.426·10⁻⁵ t + 6.436·10⁻⁸ t²`
///
/// Range 0 to 40 °C, 0 to 40, 0.5 to 1.1 atm. Source: BK-CODE. A reading down to −0.5 °C is taken as
/// 0 °C.
///
/// ```
/// use nightjar_calc::oxygen::{Pressure, saturation};
/// use nightjar_calc::quantity::Celsius;
/// let t = Celsius::new(10.0).unwrap();
/// let at_sea_level = saturation(t, Pressure::STANDARD, 0.0).unwrap();
/// assert!((at_sea_level.get() - 11.288).abs() < 0.001);
/// let at_700_mmhg = saturation(t, Pressure::from_mmhg(700.0).unwrap(), 0.0).unwrap();
/// assert!((at_700_mmhg.get() - 10.387).abs() < 0.001);
/// ```
///
/// # Errors
/// When temperature or salinity are outside the equation.
pub fn saturation(
    temperature: Celsius,
    pressure: Pressure,
    salinity: f64,
) -> Result<MilligramsPerLitre, OxygenError> {
    let t = temperature.get();
    if !(-ICE_SLACK_C..=40.0).contains(&t) {
        return Err(OxygenError::Temperature(t));
    }
    if !(0.0..=40.0).contains(&salinity) {
        return Err(OxygenError::Salinity(salinity));
    }
    let t = t.max(0.0);
    let k = t + ZERO_CELSIUS_K;
    let x = 1.0 / k;
    let ln_c = -139.344_11 + x * (1.575_701e5 + x * (-6.642_308e7 + x * (1.243_800e10 - x * 8.621_949e11)));
    let ln_fs = -salinity * (0.017_674 - 10.754 * x + 2140.7 * x * x);
    let u = (11.8571 - 3840.70 * x - 216_961.0 * x * x).exp();
    let theta = 0.000_975 - 1.426e-5 * t + 6.436e-8 * t * t;
    let p = pressure.atm();
    let fp = (p - u) * (1.0 - theta * p) / ((1.0 - u) * (1.0 - theta));
    Ok(MilligramsPerLitre::new((ln_c + ln_fs).exp() * fp)?)
}

/// Salinity from specific conductance in µS/cm at 25 °C: `S = 5.572·10⁻⁴ κ + 2.02·10⁻⁹ κ²` (BK-CODE).
///
/// ```
/// // River water of 500 µS/cm: next to nothing.
/// assert!((nightjar_calc::oxygen::salinity_from_conductance(500.0) - 0.279).abs() < 0.001);
/// ```
#[must_use]
pub fn salinity_from_conductance(us_per_cm: f64) -> f64 {
    5.572e-4 * us_per_cm + 2.02e-9 * us_per_cm * us_per_cm
}
