//! Oxygen in the water of the jars: how much there can be, how much a flowing jar uses, and how long
//! the eggs have when the water stops.
//!
//! Saturation is that of Benson and Krause in the form adopted for routine water analysis (read in
//! public source texts that carry its coefficients, BK-CODE). The stopped-flow estimate is rough: the
//! uptake of most jar species was never published, so it says a likely and a short time, and the
//! short one is meant to be too short. It is the time until the *settled bed* reaches
//! [`CRITICAL_MG_PER_L`], not until eggs die.

mod saturation;
mod stopped;

pub use saturation::{Pressure, salinity_from_conductance, saturation};
pub use stopped::{
    Bed, CRITICAL_MG_PER_L, Minutes, StageForOxygen, UPTAKE_MG_PER_KG_H, stopped_minutes, uptake,
};

use crate::quantity::{Impossible, LitresPerMinute};

/// Why there is no answer.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum OxygenError {
    /// Outside the equation.
    #[error("{0} °C is outside the saturation equation, which holds from 0 to 40 °C")]
    Temperature(f64),
    /// Outside the equation.
    #[error("salinity {0} is outside the saturation equation, which holds from 0 to 40")]
    Salinity(f64),
    /// Outside the equation.
    #[error(
        "a station pressure of {0:.3} atm is outside the saturation equation, which holds from 0.5 to 1.1 atm"
    )]
    Pressure(f64),
    /// A quantity that makes no sense.
    #[error(transparent)]
    Impossible(#[from] Impossible),
    /// No eggs, no volume, no size.
    #[error("{what} of {value} is no bed of eggs")]
    Bed {
        /// What was given.
        what: &'static str,
        /// The number.
        value: f64,
    },
    /// No flow to divide by.
    #[error("a flow of {0} L/min is none; ask for the minutes of a stopped jar instead")]
    NoFlow(f64),
}

/// Drop of oxygen from inlet to outlet of a flowing jar, mg/L: `ΔC = M m / (60 Q)`, M egg mass in
/// kg, m uptake in mg/(kg h), Q flow in L/min (conservation of mass).
///
/// ```
/// use nightjar_calc::oxygen::outlet_drop_mg_per_l;
/// use nightjar_calc::quantity::LitresPerMinute;
/// // 312 500 walleye eggs, 1.45 kg, 28.6 mg/(kg h), 2 L/min: 0.35 mg/L. A flowing jar has oxygen to spare.
/// let drop = outlet_drop_mg_per_l(1.45, 28.6, LitresPerMinute::new(2.0).unwrap()).unwrap();
/// assert!((drop - 0.3456).abs() < 0.0001);
/// ```
///
/// # Errors
/// When mass or uptake are not numbers from zero up, or the flow is zero.
pub fn outlet_drop_mg_per_l(
    mass_kg: f64,
    uptake_mg_per_kg_h: f64,
    flow: LitresPerMinute,
) -> Result<f64, OxygenError> {
    for (what, value) in [("a mass in kg", mass_kg), ("an uptake in mg/(kg h)", uptake_mg_per_kg_h)] {
        if !(value.is_finite() && value >= 0.0) {
            return Err(OxygenError::Bed { what, value });
        }
    }
    if flow.get() <= 0.0 {
        return Err(OxygenError::NoFlow(flow.get()));
    }
    Ok(mass_kg * uptake_mg_per_kg_h / (60.0 * flow.get()))
}
