//! The source: a lake in spring, drawn from a few metres down.
//!
//! Season (steady warming), weather (taken up slowly), the day (larger under a clear sky) and warm
//! spells. A warm spell here is wind that pushes the warm surface layer down to the intake: within
//! three quarters of a day the intake draws surface water, and it stays so until the wind turns.
//! An optional heater and chiller hold the supply inside limits.

use crate::weather::{Sky, day_wave};
use serde::{Deserialize, Serialize};

/// Shape of the season.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Season {
    /// Source water at the start, °C.
    pub start_c: f64,
    /// Warming of the season, °C a day.
    pub warming_c_per_day: f64,
    /// Standard deviation of the source water about the season, °C.
    pub weather_sd_c: f64,
    /// Half of the daily swing under a clear sky, °C.
    pub day_swing_c: f64,
    /// The heater keeps the supply at or above this, °C.
    pub heater_c: Option<f64>,
    /// The chiller keeps the supply at or below this, °C.
    pub chiller_c: Option<f64>,
}

impl Default for Season {
    /// A mid-western lake after ice-out, as the open spring records of such lakes run: about a
    /// degree a week, a weather spread of somewhat under one degree at a few metres' depth.
    fn default() -> Self {
        Self {
            start_c: 9.8,
            warming_c_per_day: 0.14,
            weather_sd_c: 0.6,
            day_swing_c: 0.3,
            heater_c: None,
            chiller_c: None,
        }
    }
}

/// How far a warm spell has the intake.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spell {
    /// Share of surface water drawn, 0 to 1.
    pub share: f64,
    /// Temperature of the surface layer, °C.
    pub surface_c: f64,
}

impl Season {
    /// Season alone, °C, `days` after the start.
    #[must_use]
    pub fn climate_c(&self, days: f64) -> f64 {
        self.start_c + self.warming_c_per_day * days
    }

    /// Water at the intake, °C.
    #[must_use]
    pub fn intake_c(&self, days: f64, solar_hour: f64, sky: Sky, spell: Option<Spell>) -> f64 {
        // `soaked` has passed a lag of half the memory of the weather, which leaves
        // sqrt(3 / (3 + 1.5)) of its spread.
        let weather = self.weather_sd_c * sky.soaked / (3.0_f64 / 4.5).sqrt();
        let day = self.day_swing_c * sky.clear * day_wave(solar_hour, 17.0);
        let usual = self.climate_c(days) + weather + day;
        let drawn = spell.map_or(usual, |spell| {
            // The surface layer keeps a little of the weather and of the day.
            let surface = spell.surface_c + 0.25 * (weather + day);
            usual + (surface - usual) * spell.share
        });
        drawn.max(0.1)
    }

    /// After heater and chiller, °C.
    #[must_use]
    pub fn conditioned_c(&self, intake_c: f64, working: bool) -> f64 {
        if !working {
            return intake_c;
        }
        let heated = self.heater_c.map_or(intake_c, |low| intake_c.max(low));
        self.chiller_c.map_or(heated, |high| heated.min(high))
    }
}

/// Temperature of a well-stirred body of water after `dt_s`, and nothing but mixing and the air.
///
/// `V dT/dt = q (T_in − T) + g (T_air − T)`, solved exactly for constant surroundings. Volumes in
/// litres, flows in L/s; `g` is the heat exchange with the air as a flow of water that would carry
/// the same heat (UA over density times heat capacity).
#[must_use]
pub fn stirred(temp_c: f64, litres: f64, inflow: (f64, f64), air: (f64, f64), dt_s: f64) -> f64 {
    let ((q, t_in), (g, t_air)) = (inflow, air);
    let turnover = q + g;
    if turnover <= 0.0 || litres <= 0.0 {
        return temp_c;
    }
    let goal = (q * t_in + g * t_air) / turnover;
    goal + (temp_c - goal) * (-turnover * dt_s / litres).exp()
}

/// Rises smoothly from 0 to 1 while `x` goes from 0 to 1.
#[must_use]
pub fn ramp(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x * x * (3.0 - 2.0 * x)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand: half of 6 L exchanged in a time constant of 120 s.
    #[test]
    fn a_stirred_jar_follows_its_inflow_with_its_residence_time() {
        let after = stirred(10.0, 6.0, (0.05, 12.0), (0.0, 20.0), 120.0);
        assert!((after - (12.0 - 2.0 / std::f64::consts::E)).abs() < 1e-12);
        let still = stirred(10.0, 6.0, (0.0, 12.0), (0.0, 20.0), 120.0);
        assert!((still - 10.0).abs() < 1e-12);
    }

    #[test]
    fn heater_and_chiller_hold_their_limits_while_they_work() {
        let season = Season { heater_c: Some(9.0), chiller_c: Some(13.0), ..Season::default() };
        for (intake, working, expected) in
            [(8.0, true, 9.0), (11.0, true, 11.0), (15.0, true, 13.0), (15.0, false, 15.0)]
        {
            assert!((season.conditioned_c(intake, working) - expected).abs() < 1e-12);
        }
    }
}
