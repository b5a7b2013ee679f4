//! Temperatures to keep eggs and fry at, and where they come from.

use super::Provenance;
use std::borrow::Cow;

/// Part of life a limit is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum LifeStage {
    /// Before, during and shortly after fertilization.
    Fertilization,
    /// In the jar, to hatch.
    Incubation,
    /// Hatched.
    Fry,
}

/// What a limit bounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Bound {
    /// Best survival from here, °C.
    OptimumLow,
    /// Best survival up to here, °C.
    OptimumHigh,
    /// Harm below, °C.
    ToleranceLow,
    /// Harm above, °C.
    ToleranceHigh,
    /// Fastest change, °C per hour.
    ChangePerHour,
}

/// One limit.
#[derive(Clone, Debug, PartialEq)]
pub struct TemperatureLimit {
    /// For which part of life.
    pub stage: LifeStage,
    /// What it bounds.
    pub bound: Bound,
    /// °C, or °C per hour.
    pub value: f64,
    /// Kind of evidence.
    pub provenance: Provenance,
    /// Which text.
    pub source: Cow<'static, str>,
}
