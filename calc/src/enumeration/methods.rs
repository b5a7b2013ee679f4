//! The four methods.

use super::estimate::Estimate;
use super::{CountError, PACKING, SHARED_ERROR, SINGLE_ERROR, VON_BAYER_K};
use crate::proportion::quantile;
use crate::quantity::{LITRES_PER_QUART, MILLIMETRES_PER_INCH};
use std::marker::PhantomData;

/// Most eggs that fit into a litre: those of 0.4 mm.
const MOST_PER_LITRE: f64 = 2.0e7;
/// Extra error when a count by weight is turned into one by volume: grams of drained eggs to the litre
/// were not measured (own choice).
const WEIGHT_TO_VOLUME_ERROR: f64 = 0.08;

/// State of the eggs when they were counted or measured.
pub trait State: Copy {
    /// As shown.
    const NAME: &'static str;
}

/// Before they took up water.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unhardened;
/// After they took up water.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hardened;

impl State for Unhardened {
    const NAME: &'static str = "unhardened";
}
impl State for Hardened {
    const NAME: &'static str = "hardened";
}

/// A settled volume of eggs in litres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settled<S: State> {
    litres: f64,
    state: PhantomData<S>,
}

impl<S: State> Settled<S> {
    /// From litres.
    ///
    /// # Errors
    /// When not above zero.
    pub fn litres(litres: f64) -> Result<Self, CountError> {
        Ok(Self { litres: positive("a volume of eggs", litres)?, state: PhantomData })
    }

    /// From US liquid quarts.
    ///
    /// # Errors
    /// When not above zero.
    pub fn quarts(quarts: f64) -> Result<Self, CountError> {
        Self::litres(quarts * LITRES_PER_QUART)
    }

    /// In litres.
    #[must_use]
    pub const fn get(self) -> f64 {
        self.litres
    }
}

/// Eggs to the litre of settled volume.
///
/// Eggs counted before hardening do not multiply a volume read after it:
///
/// ```compile_fail
/// use nightjar_calc::enumeration::{Hardened, Settled, Unhardened, von_bayer};
/// let green = von_bayer::<Unhardened>(200.0, 12.0).unwrap();
/// let jar = Settled::<Hardened>::litres(2.0).unwrap();
/// let _ = green.per_litre.eggs_in(jar); // refused by the compiler
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EggsPerLitre<S: State> {
    estimate: Estimate,
    state: PhantomData<S>,
}

impl<S: State> EggsPerLitre<S> {
    /// Taken over from elsewhere, with the error of a single count.
    ///
    /// # Errors
    /// When not above zero or more than any egg allows.
    pub fn given(eggs_per_l: f64) -> Result<Self, CountError> {
        Self::new(Estimate::relative(positive("eggs per litre", eggs_per_l)?, SINGLE_ERROR, SHARED_ERROR))
    }

    fn new(estimate: Estimate) -> Result<Self, CountError> {
        if estimate.value > MOST_PER_LITRE {
            return Err(CountError::TooMany(estimate.value));
        }
        Ok(Self { estimate, state: PhantomData })
    }

    /// Eggs to the litre with their error.
    #[must_use]
    pub const fn estimate(self) -> Estimate {
        self.estimate
    }

    /// Eggs to the US liquid quart with their error.
    #[must_use]
    pub fn per_quart(self) -> Estimate {
        self.estimate.scaled(LITRES_PER_QUART)
    }

    /// Eggs in a settled volume of the same state.
    #[must_use]
    pub fn eggs_in(self, volume: Settled<S>) -> Estimate {
        self.estimate.scaled(volume.litres)
    }
}

/// Result of a trough.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trough<S: State> {
    /// Mean diameter of an egg, inches.
    pub diameter_in: f64,
    /// Mean diameter of an egg, mm.
    pub diameter_mm: f64,
    /// Eggs to the litre.
    pub per_litre: EggsPerLitre<S>,
}

/// Von Bayer's trough: `d = L/n`, `N = k/d³` eggs to the quart, n touching eggs in a row of L inches,
/// k = 67.65 (VB1910 for the method, HERR for the pairs k is fitted to).
///
/// ```
/// use nightjar_calc::enumeration::{Hardened, Settled, von_bayer};
/// let trough = von_bayer::<Hardened>(150.0, 12.0).unwrap();
/// assert!((trough.diameter_in - 0.0800).abs() < 1e-12);
/// assert!((trough.per_litre.per_quart().value - 132_129.0).abs() < 1.0);
/// assert!((trough.per_litre.estimate().value - 139_619.0).abs() < 1.0);
/// let jar = trough.per_litre.eggs_in(Settled::quarts(2.5).unwrap());
/// assert_eq!(jar.to_string(), "330,000 (300,000 to 360,000)");
/// ```
///
/// # Errors
/// When a number is not above zero, or the eggs would be of no fish.
pub fn von_bayer<S: State>(eggs: f64, length_in: f64) -> Result<Trough<S>, CountError> {
    let diameter_in = positive("a row length in inches", length_in)? / positive("a number of eggs", eggs)?;
    let diameter_mm = diameter_in * MILLIMETRES_PER_INCH;
    if !(0.3..=10.0).contains(&diameter_mm) {
        return Err(CountError::Diameter { eggs, length_in, diameter_mm });
    }
    let per_quart = VON_BAYER_K / diameter_in.powi(3);
    // A third of a per cent in the row is one per cent in the count: half an egg at each end.
    let row = 3.0 * 0.5 / eggs;
    let random = SINGLE_ERROR.hypot(row);
    let per_litre =
        EggsPerLitre::new(Estimate::relative(per_quart / LITRES_PER_QUART, random, SHARED_ERROR))?;
    Ok(Trough { diameter_in, diameter_mm, per_litre })
}

/// Eggs counted in a small amount: millilitres or grams, as the method says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Subsample {
    /// Eggs counted.
    pub eggs: f64,
    /// Amount they were in.
    pub amount: f64,
}

/// Eggs per amount from pooled sub-samples: `Σ eggs / Σ amount` (pooled, not the mean of the ratios).
/// The error is that of a ratio: `√(Σ(eᵢ − r aᵢ)²/(m−1)/m) / mean amount`, widened by Student's
/// quantile for few sub-samples; with one sub-sample [`SINGLE_ERROR`].
fn pooled(samples: &[Subsample], what: &'static str) -> Result<Estimate, CountError> {
    if samples.is_empty() {
        return Err(CountError::NoSample);
    }
    let (mut eggs, mut amount) = (0.0, 0.0);
    for sample in samples {
        eggs += positive("a number of eggs", sample.eggs)?;
        amount += positive(what, sample.amount)?;
    }
    let ratio = eggs / amount;
    let m = samples.len() as f64;
    let random = if samples.len() < 2 {
        SINGLE_ERROR
    } else {
        let spread: f64 = samples.iter().map(|s| (s.eggs - ratio * s.amount).powi(2)).sum();
        let error = (spread / (m - 1.0) / m).sqrt() / (amount / m);
        error / ratio * quantile::student(0.975, m - 1.0) / quantile::normal(0.975)
    };
    Ok(Estimate::relative(ratio, random, SHARED_ERROR))
}

/// Volumetric: eggs counted in small settled volumes (mL), filled the same way as the large one.
///
/// ```
/// use nightjar_calc::enumeration::{Hardened, Settled, Subsample, volumetric};
/// let per_litre = volumetric::<Hardened>(&[Subsample { eggs: 1321.0, amount: 10.0 }]).unwrap();
/// let jar = per_litre.eggs_in(Settled::litres(2.366).unwrap());
/// assert!((jar.value - 312_549.0).abs() < 1.0);
/// ```
///
/// # Errors
/// When there is no sub-sample or a number is not above zero.
pub fn volumetric<S: State>(samples: &[Subsample]) -> Result<EggsPerLitre<S>, CountError> {
    EggsPerLitre::new(pooled(samples, "a sample volume in mL")?.scaled(1000.0))
}

/// Displacement: eggs counted and the water they displaced (mL). Voids are excluded there, so
/// `settled = displaced · 0.613` per volume ([`PACKING`]).
///
/// ```
/// use nightjar_calc::enumeration::{Hardened, Subsample, displacement};
/// // Eggs of 2.07 mm displace 4.64 µL each: 215 to the mL, 132 to the settled mL.
/// let per_litre = displacement::<Hardened>(&[Subsample { eggs: 2153.0, amount: 10.0 }]).unwrap();
/// assert!((per_litre.estimate().value - 132_061.0).abs() < 20.0);
/// ```
///
/// # Errors
/// When there is no sub-sample or a number is not above zero.
pub fn displacement<S: State>(samples: &[Subsample]) -> Result<EggsPerLitre<S>, CountError> {
    EggsPerLitre::new(pooled(samples, "a displaced volume in mL")?.scaled(1000.0 * PACKING))
}

/// Eggs to the gram, drained.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EggsPerGram<S: State> {
    estimate: Estimate,
    state: PhantomData<S>,
}

/// Gravimetric: eggs counted in small drained weights (g). Surface water is the main source of error
/// (PIPER82).
///
/// ```
/// use nightjar_calc::enumeration::{Hardened, Subsample, gravimetric};
/// let samples = [(36.0, 1.5), (35.0, 1.6), (41.0, 1.9)].map(|(eggs, amount)| Subsample { eggs, amount });
/// let per_gram = gravimetric::<Hardened>(&samples).unwrap();
/// assert!((per_gram.estimate().value - 22.4).abs() < 1e-9);
/// assert!((per_gram.eggs_in_grams(316.8).unwrap().value - 7_096.32).abs() < 1e-6);
/// ```
///
/// # Errors
/// When there is no sub-sample or a number is not above zero.
pub fn gravimetric<S: State>(samples: &[Subsample]) -> Result<EggsPerGram<S>, CountError> {
    Ok(EggsPerGram { estimate: pooled(samples, "a sample weight in g")?, state: PhantomData })
}

impl<S: State> EggsPerGram<S> {
    /// Eggs to the gram with their error.
    #[must_use]
    pub const fn estimate(self) -> Estimate {
        self.estimate
    }

    /// Eggs in a drained weight.
    ///
    /// # Errors
    /// When the weight is not above zero.
    pub fn eggs_in_grams(self, grams: f64) -> Result<Estimate, CountError> {
        Ok(self.estimate.scaled(positive("a weight of eggs in g", grams)?))
    }

    /// Eggs to the settled litre, if only a volume was read: `N = n · 1000 g/L · 0.613`, eggs taken as
    /// heavy as water. Rougher than the other ways, and its error says so.
    ///
    /// # Errors
    /// When more than any egg allows.
    pub fn per_settled_litre(self) -> Result<EggsPerLitre<S>, CountError> {
        let plain = self.estimate.scaled(1000.0 * PACKING);
        EggsPerLitre::new(Estimate {
            shared: plain.shared.hypot(plain.value * WEIGHT_TO_VOLUME_ERROR),
            ..plain
        })
    }
}

/// Eggs of a female of given length by a published regression.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PerFemale {
    /// `log₁₀F = −4.0396 + 3.5834 log₁₀L`: yellow perch of 172 to 290 mm, volumetric (SHROYER88).
    YellowPerchVolumetric,
    /// `log₁₀F = −3.8258 + 3.5097 log₁₀L`: the same fish, gravimetric (SHROYER88).
    YellowPerchGravimetric,
}

impl PerFemale {
    /// Eggs of a female of so many millimetres total length.
    ///
    /// ```
    /// use nightjar_calc::enumeration::PerFemale;
    /// let eggs = PerFemale::YellowPerchVolumetric.eggs(250.0).unwrap();
    /// assert!((eggs - 35_742.0).abs() < 1.0);
    /// ```
    ///
    /// # Errors
    /// When the fish is outside the lengths the regression was fitted to.
    pub fn eggs(self, length_mm: f64) -> Result<f64, CountError> {
        if !(172.0..=290.0).contains(&length_mm) {
            return Err(CountError::Length(length_mm));
        }
        let (a, b) = match self {
            Self::YellowPerchVolumetric => (-4.0396, 3.5834),
            Self::YellowPerchGravimetric => (-3.8258, 3.5097),
        };
        Ok(10_f64.powf(a + b * length_mm.log10()))
    }
}

fn positive(what: &'static str, value: f64) -> Result<f64, CountError> {
    if value.is_finite() && value > 0.0 { Ok(value) } else { Err(CountError::NotPositive { what, value }) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_counted_or_measured_is_refused() {
        for bad in [0.0, -2.0, f64::NAN, f64::INFINITY] {
            assert!(von_bayer::<Hardened>(bad, 12.0).is_err());
            assert!(von_bayer::<Hardened>(150.0, bad).is_err());
            assert!(Settled::<Hardened>::litres(bad).is_err());
            assert!(volumetric::<Hardened>(&[Subsample { eggs: bad, amount: 10.0 }]).is_err());
            assert!(EggsPerLitre::<Hardened>::given(bad).is_err());
        }
        assert_eq!(volumetric::<Hardened>(&[]), Err(CountError::NoSample));
        assert!(EggsPerLitre::<Hardened>::given(1e9).is_err());
    }

    #[test]
    fn centimetres_given_for_inches_are_noticed_when_no_egg_fits() {
        // 12 eggs in 12 inches is an egg of an inch.
        assert!(matches!(von_bayer::<Hardened>(12.0, 12.0), Err(CountError::Diameter { .. })));
    }

    #[test]
    fn replicates_that_agree_leave_the_error_of_the_method() {
        let same = [Subsample { eggs: 130.0, amount: 1.0 }; 5];
        let estimate = volumetric::<Hardened>(&same).unwrap().estimate();
        assert!(estimate.random < 1e-6 && (estimate.shared / estimate.value - SHARED_ERROR).abs() < 1e-12);
        let apart = [110.0, 130.0, 150.0].map(|eggs| Subsample { eggs, amount: 1.0 });
        let estimate = volumetric::<Hardened>(&apart).unwrap().estimate();
        // 20/√3 of 130 is 8.9 %, and Student's 4.303 for 1.96 makes it 19.5 %.
        assert!((estimate.random / estimate.value - 0.195).abs() < 0.001);
    }
}
