//! How fast embryos develop at a temperature, and what fraction of the way to hatch a record adds up to.
//!
//! Development is counted as a fraction: 0 at fertilization, 1 when half of the eggs have hatched (*median
//! hatch*). A law gives the days `D(T)` to median hatch at a constant temperature; at a changing one the
//! rates add up:
//!
//! ```text
//! P(t) = ∫ dt / D(T(t))        dimensionless; median hatch at P = 1
//! ```
//!
//! With a rate that is linear in temperature this *is* a degree-day sum (Kamler 2002: τ = D_eff / (T − t₀)), so one
//! engine serves every law. Four published forms are here, each in its own file: [`DegreeDay`], [`Power`],
//! [`Exponential`], [`Belehradek`]; a [`Law`] is any one of them and a [`Model`] a law with the range of
//! temperatures it may be trusted in.
//!
//! Outside that range [`DevelopmentModel::rate`] refuses. A record does not stop there, so
//! [`DevelopmentModel::rate_extended`] goes on and says so: below the range along the law's own curve (zero
//! below its biological zero, and no colder than ice water); above it along the straight line that touches
//! the curve at the edge, so that a warm afternoon cannot run away. It is never negative nor infinite.
//!
//! Which law with which numbers belongs to which fish is in [`species`].

mod belehradek;
mod degree_day;
mod exponential;
mod integral;
mod power;
pub mod species;

pub use belehradek::Belehradek;
pub use degree_day::DegreeDay;
pub use exponential::Exponential;
pub use integral::{Development, PER_HATCH};
pub use power::Power;

use crate::quantity::Celsius;

/// A rate of development: fraction of the way to median hatch, per day.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct PerDay(pub f64);

impl PerDay {
    /// Days to median hatch at this rate; nothing when development stands still.
    #[must_use]
    pub fn days(self) -> Option<f64> {
        (self.0 > 0.0).then(|| 1.0 / self.0)
    }
}

/// A temperature outside what a model was fitted to.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{celsius} °C is outside the {low} to {high} °C the development law can be trusted in")]
pub struct OutsideModelRange {
    /// The temperature asked for.
    pub celsius: f64,
    /// Coldest temperature of the range.
    pub low: f64,
    /// Warmest temperature of the range.
    pub high: f64,
}

/// Coefficients that make no law.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{what} = {value} makes no development law: {why}")]
pub struct BadCoefficient {
    /// Which coefficient.
    pub what: &'static str,
    /// Its value.
    pub value: f64,
    /// What it should be.
    pub why: &'static str,
}

pub(crate) fn finite(what: &'static str, value: f64) -> Result<f64, BadCoefficient> {
    if value.is_finite() {
        Ok(value)
    } else {
        Err(BadCoefficient { what, value, why: "it must be a number" })
    }
}

pub(crate) fn positive(what: &'static str, value: f64) -> Result<f64, BadCoefficient> {
    if finite(what, value)? > 0.0 {
        Ok(value)
    } else {
        Err(BadCoefficient { what, value, why: "it must be above zero" })
    }
}

pub(crate) fn negative(what: &'static str, value: f64) -> Result<f64, BadCoefficient> {
    if finite(what, value)? < 0.0 {
        Ok(value)
    } else {
        Err(BadCoefficient {
            what,
            value,
            why: "it must be below zero, or warmer water would slow development",
        })
    }
}

/// On which side of its range a model was asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Colder than the range.
    Cold,
    /// Warmer than the range.
    Warm,
}

/// A rate given for any temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extended {
    /// The rate; never negative, never infinite.
    pub rate: PerDay,
    /// Set when the temperature is outside the range of trust.
    pub outside: Option<Side>,
}

/// Temperature to rate of development.
pub trait DevelopmentModel {
    /// The rate at a temperature inside the range of trust.
    ///
    /// # Errors
    /// When `t` lies outside the temperatures the model was fitted to.
    fn rate(&self, t: Celsius) -> Result<PerDay, OutsideModelRange>;

    /// The rate at any temperature, and whether the range of trust was left.
    fn rate_extended(&self, t: Celsius) -> Extended;
}

/// One of the published forms, with its coefficients.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Law {
    /// A sum of degrees above a base.
    DegreeDay(DegreeDay),
    /// A power of the temperature above an origin, common logarithms.
    Power(Power),
    /// An exponential of temperature.
    Exponential(Exponential),
    /// A power of the temperature above a biological zero, natural logarithms.
    Belehradek(Belehradek),
}

impl Law {
    /// Fraction of development per day at `t` °C by the bare form; 0 at and below its zero.
    #[must_use]
    pub fn bare_rate(&self, t: f64) -> f64 {
        match self {
            Self::DegreeDay(law) => law.rate(t),
            Self::Power(law) => law.rate(t),
            Self::Exponential(law) => law.rate(t),
            Self::Belehradek(law) => law.rate(t),
        }
    }

    /// Temperature at and below which the form stands still, if it has one.
    #[must_use]
    pub fn zero(&self) -> Option<f64> {
        match self {
            Self::DegreeDay(law) => Some(law.base()),
            Self::Power(law) => Some(law.origin()),
            Self::Exponential(_) => None,
            Self::Belehradek(law) => Some(law.origin()),
        }
    }

    /// The law in words and numbers, as `117 °C·days above 3.3 °C`.
    #[must_use]
    pub fn describe(&self) -> String {
        match self {
            Self::DegreeDay(law) => format!("{} °C·days above {} °C", law.sum(), law.base()),
            Self::Power(law) => law.describe(),
            Self::Exponential(law) => law.describe(),
            Self::Belehradek(law) => law.describe(),
        }
    }
}

/// A law and the temperatures it may be trusted in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Model {
    law: Law,
    low: f64,
    high: f64,
    /// Rate at the warm edge and its slope, per day and per day and °C.
    edge: (f64, f64),
}

impl Model {
    /// A law trusted from `low` to `high` °C.
    ///
    /// # Errors
    /// When the range is empty or the law stands still at its warm edge.
    pub fn new(law: Law, low: f64, high: f64) -> Result<Self, BadCoefficient> {
        finite("low", low)?;
        if finite("high", high)? <= low {
            return Err(BadCoefficient { what: "high", value: high, why: "the range of trust is empty" });
        }
        let rate = law.bare_rate(high);
        if !(rate.is_finite() && rate > 0.0) {
            return Err(BadCoefficient { what: "high", value: high, why: "the law gives no rate there" });
        }
        const STEP: f64 = 1e-3;
        let slope = (law.bare_rate(high) - law.bare_rate(high - STEP)) / STEP;
        Ok(Self { law, low, high, edge: (rate, slope.max(0.0)) })
    }

    /// The law.
    #[must_use]
    pub const fn law(&self) -> &Law {
        &self.law
    }

    /// Coldest and warmest temperature of the range of trust, °C.
    #[must_use]
    pub const fn range(&self) -> (f64, f64) {
        (self.low, self.high)
    }

    /// Fraction of development per day at any temperature in °C; see [`DevelopmentModel::rate_extended`].
    #[must_use]
    pub fn rate_at(&self, t: f64) -> f64 {
        // Water is never colder than ice; a reading below zero is the probe's error.
        let t = t.max(0.0);
        let rate =
            if t > self.high { self.edge.0 + self.edge.1 * (t - self.high) } else { self.law.bare_rate(t) };
        if rate.is_finite() { rate.max(0.0) } else { self.edge.0 }
    }

    /// Days to median hatch at a constant temperature in °C, any temperature; nothing when development
    /// stands still there.
    #[must_use]
    pub fn days_at(&self, t: f64) -> Option<f64> {
        PerDay(self.rate_at(t)).days()
    }

    /// Places where the rate has a corner, and three close to the zero of a power, where it bends sharply; °C.
    fn corners(&self) -> [f64; 6] {
        let zero = self.law.zero().unwrap_or(0.0);
        [zero, zero + 0.03, zero + 0.3, zero + 1.0, 0.0, self.high]
    }
}

impl DevelopmentModel for Model {
    fn rate(&self, t: Celsius) -> Result<PerDay, OutsideModelRange> {
        if (self.low..=self.high).contains(&t.get()) {
            Ok(PerDay(self.rate_at(t.get())))
        } else {
            Err(OutsideModelRange { celsius: t.get(), low: self.low, high: self.high })
        }
    }

    fn rate_extended(&self, t: Celsius) -> Extended {
        let outside = if t.get() < self.low {
            Some(Side::Cold)
        } else if t.get() > self.high {
            Some(Side::Warm)
        } else {
            None
        };
        Extended { rate: PerDay(self.rate_at(t.get())), outside }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn laws() -> Vec<Law> {
        vec![
            Law::DegreeDay(DegreeDay::new(3.3, 117.0).unwrap()),
            Law::Power(Power::new(-2.0961, 4.0313, -6.0).unwrap()),
            Law::Exponential(Exponential::new(196.7, -0.1551).unwrap()),
            Law::Belehradek(Belehradek::new(10.404, -2.043, -7.575).unwrap()),
        ]
    }

    #[test]
    fn outside_its_range_a_model_refuses_and_the_extended_rate_says_so() {
        for law in laws() {
            let model = Model::new(law, 4.0, 12.0).unwrap();
            let cold = Celsius::new(3.9).unwrap();
            assert_eq!(model.rate(cold), Err(OutsideModelRange { celsius: 3.9, low: 4.0, high: 12.0 }));
            assert_eq!(model.rate_extended(cold).outside, Some(Side::Cold));
            assert_eq!(model.rate_extended(Celsius::new(12.1).unwrap()).outside, Some(Side::Warm));
            assert_eq!(model.rate_extended(Celsius::new(12.0).unwrap()).outside, None);
        }
    }

    #[test]
    fn the_extended_rate_is_never_negative_nor_infinite_and_never_falls_with_warmth() {
        for law in laws() {
            let model = Model::new(law, 4.0, 12.0).unwrap();
            let mut last = 0.0;
            for tenth in -50_i32..=500 {
                let t = f64::from(tenth) / 10.0;
                let rate = model.rate_at(t);
                assert!(rate.is_finite() && rate >= last, "{} at {t}", law.describe());
                last = rate;
            }
        }
    }

    #[test]
    fn below_the_biological_zero_development_stands_still() {
        let model = Model::new(laws()[0], 8.0, 18.0).unwrap();
        assert!(model.rate_at(3.3) <= 0.0);
        assert_eq!(model.days_at(2.0), None);
    }

    #[test]
    fn nonsense_makes_no_law() {
        assert!(DegreeDay::new(0.0, -1.0).is_err());
        assert!(DegreeDay::new(f64::NAN, 100.0).is_err());
        assert!(Power::new(2.0, 4.0, -6.0).is_err());
        assert!(Exponential::new(100.0, 0.1).is_err());
        assert!(Belehradek::new(f64::INFINITY, -2.0, 0.0).is_err());
        assert!(Model::new(laws()[0], 18.0, 8.0).is_err());
        assert!(Model::new(laws()[0], 0.0, 3.0).is_err());
    }
}
