//! Amounts and rates.

use super::{DoseError, PEROXIDE_MG_PER_ML, Target};
use crate::quantity::{LITRES_PER_GALLON, Litres, LitresPerMinute};

/// What to measure out and how fast to feed it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dose {
    /// What it is for.
    pub target: Target,
    /// Water that gets the drug, litres.
    pub water_l: f64,
    /// Drug, millilitres of the solution as bought.
    pub drug_ml: f64,
    /// Water to make the stock up with, millilitres.
    pub make_up_water_ml: f64,
    /// Stock, millilitres: drug and make-up water.
    pub stock_ml: f64,
    /// Rate to feed the stock at, mL/min; `None` for a bath, which gets it at once.
    pub feed_ml_per_min: Option<f64>,
    /// Active substance, grams: peroxide; for formalin the solution itself at 1.08 g/mL (memory).
    pub grams: f64,
}

/// Density of formalin for the discharge record, g/mL (memory; the label has it).
const FORMALIN_G_PER_ML: f64 = 1.08;

/// Flow in L/min from US gallons a minute.
///
/// # Errors
/// When it is not a possible flow.
pub fn from_gallons_per_minute(gpm: f64) -> Result<LitresPerMinute, DoseError> {
    Ok(LitresPerMinute::new(gpm * LITRES_PER_GALLON)?)
}

/// Dose into flowing water.
///
/// Formalin `V = 0.001 C Q t` (µL/L, L/min, min; mL), peroxide `V = C Q t / 396.1` (mg/L). The stock is
/// made up to `stock_ml` if given and fed at `V_stock / t`. In US units the first is
/// `V = 0.003785 C Q t` with Q in gallons a minute (DRIP prints 0.00378).
///
/// ```
/// use nightjar_calc::treatment::{Target, flow_through, from_gallons_per_minute};
/// // 5 gpm, 15 min, 1,667 ppm, made up to 946 mL: published 472.6 mL, exact conversion 473.3 mL.
/// let flow = from_gallons_per_minute(5.0).unwrap();
/// let dose = flow_through(Target::Formalin { ul_per_l: 1667.0 }, flow, 15.0, Some(946.0)).unwrap();
/// assert!((dose.drug_ml - 473.3).abs() < 0.05);
/// assert!((dose.make_up_water_ml - 472.7).abs() < 0.05);
/// assert!((dose.feed_ml_per_min.unwrap() - 63.07).abs() < 0.005);
/// ```
///
/// # Errors
/// When a number is not above zero, or the stock is smaller than the drug.
pub fn flow_through(
    target: Target,
    flow: LitresPerMinute,
    minutes: f64,
    stock_ml: Option<f64>,
) -> Result<Dose, DoseError> {
    let water_l = positive("a flow in L/min", flow.get())? * positive("a time in min", minutes)?;
    let dose = into(target, water_l, stock_ml)?;
    Ok(Dose { feed_ml_per_min: Some(dose.stock_ml / minutes), ..dose })
}

/// Dose into standing water: formalin `V = 0.001 C V_vessel`, peroxide `V = C V_vessel / 396.1`. With
/// the flow off the eggs are on an oxygen clock.
///
/// ```
/// use nightjar_calc::quantity::Litres;
/// use nightjar_calc::treatment::{Target, bath};
/// let dose = bath(Target::Formalin { ul_per_l: 1000.0 }, Litres::new(7.0).unwrap(), None).unwrap();
/// assert!((dose.drug_ml - 7.0).abs() < 1e-12);
/// ```
///
/// # Errors
/// When a number is not above zero, or the stock is smaller than the drug.
pub fn bath(target: Target, vessel: Litres, stock_ml: Option<f64>) -> Result<Dose, DoseError> {
    into(target, positive("a vessel volume in L", vessel.get())?, stock_ml)
}

fn into(target: Target, water_l: f64, stock_ml: Option<f64>) -> Result<Dose, DoseError> {
    positive("a concentration", target.value())?;
    let drug_ml = target.ml_per_l() * water_l;
    let stock_ml = stock_ml.map_or(Ok(drug_ml), |ml| positive("a stock volume in mL", ml))?;
    if stock_ml < drug_ml {
        return Err(DoseError::StockTooSmall { drug_ml, stock_ml });
    }
    let grams = match target {
        Target::Formalin { .. } => drug_ml * FORMALIN_G_PER_ML,
        Target::HydrogenPeroxide { .. } => drug_ml * PEROXIDE_MG_PER_ML / 1000.0,
    };
    Ok(Dose {
        target,
        water_l,
        drug_ml,
        make_up_water_ml: stock_ml - drug_ml,
        stock_ml,
        feed_ml_per_min: None,
        grams,
    })
}

fn positive(what: &'static str, value: f64) -> Result<f64, DoseError> {
    if value.is_finite() && value > 0.0 { Ok(value) } else { Err(DoseError::NotPositive { what, value }) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_dosed_into_nothing() {
        let target = Target::HydrogenPeroxide { mg_per_l: 500.0 };
        let flow = LitresPerMinute::new(0.0).unwrap();
        assert!(flow_through(target, flow, 15.0, None).unwrap_err().to_string().contains("flow"));
        let flow = LitresPerMinute::new(4.0).unwrap();
        for minutes in [0.0, -15.0, f64::NAN] {
            assert!(flow_through(target, flow, minutes, None).is_err());
        }
        assert!(flow_through(Target::Formalin { ul_per_l: -1.0 }, flow, 15.0, None).is_err());
        assert!(matches!(
            flow_through(Target::Formalin { ul_per_l: 1000.0 }, flow, 15.0, Some(30.0)),
            Err(DoseError::StockTooSmall { .. })
        ));
        assert!(from_gallons_per_minute(f64::NAN).is_err());
    }
}
