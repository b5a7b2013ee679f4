//! How long a jar has when its water stops.

use super::OxygenError;
use super::saturation::{Pressure, saturation};
use crate::enumeration::PACKING;
use crate::quantity::{Celsius, Metres};
use std::fmt;

/// Oxygen below which a settled bed is taken to be in trouble, mg/L. Lake herring fry were abnormal
/// below 4 mg/L (CISCO); walleye eggs hatched at 0.9 (NCASI). The cautious one is used.
pub const CRITICAL_MG_PER_L: f64 = 4.0;
/// Uptake of embryos at activation at 10 °C, mg O₂ per kg and hour: 20 mm³/(g h) across fishes
/// (KAM08) at 1.429 mg/mL. The source gives no temperature; 10 °C is assumed.
pub const UPTAKE_MG_PER_KG_H: f64 = 28.6;
/// Temperature for which [`UPTAKE_MG_PER_KG_H`] is taken to hold, °C.
const UPTAKE_AT_C: f64 = 10.0;
/// Factor of the uptake for ten degrees. Atlantic salmon ova took 0.0141 mg/h at 5 °C and 0.027 at
/// 10 °C (ATSAL), which is 3.67 for ten degrees; general physiology says about 2 (memory). Between
/// them lies 2.7; for the short time the one is taken that gives the higher demand.
const Q10_LIKELY: f64 = 2.7;
const Q10_STEEP: f64 = 3.67;
const Q10_FLAT: f64 = 2.0;
/// What the short time assumes on top: demand half as high again, since the uptake of the species is
/// not known; inflow at 90 % of saturation; a bed packed as densely as spheres at random can be.
const SHORT_DEMAND: f64 = 1.5;
const SHORT_INFLOW: f64 = 0.9;
const SHORT_PACKING: f64 = 0.64;
/// Mass of eggs per volume of eggs without the water between, kg/L. Eggs are a little heavier than
/// water; the worked example counts 1.0.
const EGG_DENSITY_KG_PER_L: f64 = 1.0;

/// How far the embryos are, as far as their need of oxygen goes.
///
/// Uptake rises from activation through hatch to a peak at first feeding (KAM08). The multiples are
/// assumptions: the fourfold near hatch is that of the worked example, the others lie on the way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum StageForOxygen {
    /// Fertilized, no eyes yet.
    Green,
    /// Eyes seen.
    Eyed,
    /// Hatching soon or under way.
    NearHatch,
    /// Newly hatched and still in the jar: the worst case.
    Fry,
}

impl StageForOxygen {
    /// Multiple of the uptake of green eggs.
    #[must_use]
    pub const fn demand(self) -> f64 {
        match self {
            Self::Green => 1.0,
            Self::Eyed => 2.0,
            Self::NearHatch => 4.0,
            Self::Fry => 6.0,
        }
    }
}

/// A settled bed of eggs: what lies at the bottom when the water stops.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bed {
    settled_l: f64,
    packing: f64,
}

impl Bed {
    /// From the settled volume, litres. The share of it that is egg is [`PACKING`].
    ///
    /// # Errors
    /// When the volume is not above zero.
    pub fn of_volume(settled_l: f64) -> Result<Self, OxygenError> {
        Ok(Self { settled_l: positive("a settled volume in L", settled_l)?, packing: PACKING })
    }

    /// From a count and eggs per litre, settled.
    ///
    /// # Errors
    /// When one of them is not above zero.
    pub fn of_count(eggs: f64, eggs_per_l: f64) -> Result<Self, OxygenError> {
        Self::of_volume(
            positive("a number of eggs", eggs)? / positive("a number of eggs per litre", eggs_per_l)?,
        )
    }

    /// From a count and the diameter of an egg in mm.
    ///
    /// # Errors
    /// When one of them is not above zero.
    pub fn of_diameter(eggs: f64, diameter_mm: f64) -> Result<Self, OxygenError> {
        let d = positive("an egg diameter in mm", diameter_mm)?;
        let egg_l = std::f64::consts::PI / 6.0 * d * d * d * 1e-6;
        Self::of_volume(positive("a number of eggs", eggs)? * egg_l / PACKING)
    }

    /// Settled volume, litres.
    #[must_use]
    pub const fn settled_l(self) -> f64 {
        self.settled_l
    }

    /// Mass of the eggs, kg.
    #[must_use]
    pub fn mass_kg(self) -> f64 {
        self.settled_l * self.packing * EGG_DENSITY_KG_PER_L
    }

    /// Water between the eggs, litres.
    #[must_use]
    pub fn void_l(self) -> f64 {
        self.settled_l * (1.0 - self.packing)
    }
}

fn positive(what: &'static str, value: f64) -> Result<f64, OxygenError> {
    if value.is_finite() && value > 0.0 { Ok(value) } else { Err(OxygenError::Bed { what, value }) }
}

/// Minutes until the settled bed is low on oxygen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Minutes {
    /// By the middle of the assumptions.
    pub likely: f64,
    /// By the worse end of each assumption; meant to be too short.
    pub short: f64,
}

impl fmt::Display for Minutes {
    /// As `about 9 min, perhaps only 4`; rounded down.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.likely < 1.0 {
            return f.write_str("less than a minute");
        }
        if self.short < 1.0 {
            return write!(f, "about {:.0} min, perhaps less than one", self.likely.floor());
        }
        write!(f, "about {:.0} min, perhaps only {:.0}", self.likely.floor(), self.short.floor())
    }
}

/// Likely uptake at a stage and temperature, mg O₂ per kg of eggs and hour:
/// `m = 28.6 · stage · 2.7^((t − 10)/10)`.
#[must_use]
pub fn uptake(stage: StageForOxygen, temperature: Celsius) -> f64 {
    UPTAKE_MG_PER_KG_H * stage.demand() * Q10_LIKELY.powf((temperature.get() - UPTAKE_AT_C) / 10.0)
}

/// Minutes until the settled bed of a stopped jar falls to [`CRITICAL_MG_PER_L`].
///
/// `t = 60 Vw (C₀ − Cc) / (M m)`: Vw water between the settled eggs in L, C₀ oxygen at the start (the
/// saturation), Cc the critical one, M egg mass in kg, m uptake in mg/(kg h). The water above the bed
/// is left out: it does not reach into a bed that lies still. Since Vw and M both follow the size of
/// the bed, a larger jar has no longer.
///
/// ```
/// use nightjar_calc::oxygen::{Bed, StageForOxygen, stopped_minutes};
/// use nightjar_calc::quantity::{Celsius, Metres};
/// // 2.5 quarts, 312 500 walleye eggs, green, 10 °C: about ten minutes.
/// let bed = Bed::of_count(312_500.0, 132_086.0).unwrap();
/// let t = Celsius::new(10.0).unwrap();
/// let sea = Metres::new(0.0).unwrap();
/// let green = stopped_minutes(bed, t, sea, StageForOxygen::Green).unwrap();
/// assert!((green.likely - 9.65).abs() < 0.05);
/// assert!(green.short < 0.55 * green.likely);
/// // Near hatch two to three.
/// let late = stopped_minutes(bed, t, sea, StageForOxygen::NearHatch).unwrap();
/// assert!(late.likely > 2.0 && late.likely < 3.0);
/// assert_eq!(late.to_string(), "about 2 min, perhaps only 1");
/// ```
///
/// # Errors
/// When the water is outside the saturation equation (0 to 40 °C) or the station too high.
pub fn stopped_minutes(
    bed: Bed,
    temperature: Celsius,
    altitude: Metres,
    stage: StageForOxygen,
) -> Result<Minutes, OxygenError> {
    let full = saturation(temperature, Pressure::at_altitude(altitude)?, 0.0)?.get();
    let minutes = |bed: Bed, start: f64, uptake: f64| {
        (60.0 * bed.void_l() * (start - CRITICAL_MG_PER_L) / (bed.mass_kg() * uptake)).max(0.0)
    };
    let warmer = (temperature.get() - UPTAKE_AT_C) / 10.0;
    let steep = if warmer > 0.0 { Q10_STEEP } else { Q10_FLAT };
    let most = UPTAKE_MG_PER_KG_H * stage.demand() * SHORT_DEMAND * steep.powf(warmer);
    let dense = Bed { packing: SHORT_PACKING, ..bed };
    Ok(Minutes {
        likely: minutes(bed, full, uptake(stage, temperature)),
        short: minutes(dense, full * SHORT_INFLOW, most),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn ask(settled_l: f64, t: f64, altitude_m: f64, stage: StageForOxygen) -> Minutes {
        let t = Celsius::new(t).unwrap();
        let altitude = Metres::new(altitude_m).unwrap();
        stopped_minutes(Bed::of_volume(settled_l).unwrap(), t, altitude, stage).unwrap()
    }

    #[test]
    fn no_eggs_are_no_bed() {
        for value in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(Bed::of_volume(value).is_err());
            assert!(Bed::of_count(value, 132_000.0).is_err());
            assert!(Bed::of_count(300_000.0, value).is_err());
            assert!(Bed::of_diameter(300_000.0, value).is_err());
        }
    }

    #[test]
    fn warm_mountain_water_that_starts_low_gives_no_time_and_says_so() {
        let none = ask(2.0, 39.0, 4000.0, StageForOxygen::Fry);
        assert!(none.short >= 0.0 && none.likely < 1.0);
        assert_eq!(none.to_string(), "less than a minute");
    }

    proptest! {
        #[test]
        fn the_short_time_is_shorter_and_later_or_warmer_eggs_never_have_longer(
            t in 0.0..30.0f64, altitude in 0.0..3000.0f64, litres in 0.1..6.0f64,
        ) {
            use StageForOxygen::{Eyed, Fry, Green, NearHatch};
            let mut before = f64::INFINITY;
            for stage in [Green, Eyed, NearHatch, Fry] {
                let now = ask(litres, t, altitude, stage);
                prop_assert!(now.short <= 0.8 * now.likely && now.likely < before);
                let warmer = ask(litres, t + 1.0, altitude, stage);
                prop_assert!(warmer.likely < now.likely && warmer.short < now.short);
                before = now.likely;
            }
        }
    }
}
