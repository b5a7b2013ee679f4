//! What is known about the fish of one station: the law's sum, and how far it may be off.

use super::Stage;
use crate::development::species::{Figure, Species};
use crate::time::Timestamp;

/// The true sum as a multiple of the law's, with its uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Station {
    /// Median of the multiple: 1 by the table, other when the station has been learnt.
    pub factor: f64,
    /// Standard deviation of its logarithm below the median.
    pub sigma_low: f64,
    /// Standard deviation of its logarithm above the median.
    pub sigma_high: f64,
    /// Width of the hatch window as a multiple of the table's.
    pub window: f64,
}

impl Station {
    /// Nothing known but the table: the published band, wider the less it is trusted.
    ///
    /// The multiple `m` of the law's sum is log-normal on each side of its median 1: `σ_low = −ln(b_low)/z`,
    /// `σ_high = ln(b_high)/z`, with the band `b` of the table as a share of the sum and `z` the standard deviations the
    /// band is taken to span, fewer the lower the confidence (assumption of this work, no source).
    ///
    /// ```
    /// # use nightjar_calc::development::species;
    /// # use nightjar_calc::stages::{Stage, Station};
    /// let walleye = species::find("walleye").unwrap();
    /// let table = Station::published(walleye);
    /// assert_eq!((table.factor, table.share(walleye, Stage::HatchPeak)), (1.0, 1.0));
    /// let share = |stage| table.share(walleye, stage);
    /// assert!(share(Stage::Eyed) < share(Stage::HatchStart) && share(Stage::HatchEnd) > 1.0);
    /// assert!(table.sigma() > 0.02 && table.sigma() < 0.5);
    /// ```
    #[must_use]
    pub fn published(species: &Species) -> Self {
        let z = species.confidence.band_deviations();
        Self {
            factor: 1.0,
            sigma_low: -species.band.low.ln() / z,
            sigma_high: species.band.high.ln() / z,
            window: 1.0,
        }
    }

    /// The multiple at `z` standard deviations.
    pub(super) fn multiple(&self, z: f64) -> f64 {
        self.factor * (z * if z < 0.0 { self.sigma_low } else { self.sigma_high }).exp()
    }

    /// Standard deviation of the logarithm, both sides together.
    #[must_use]
    pub fn sigma(&self) -> f64 {
        f64::midpoint(self.sigma_low, self.sigma_high)
    }

    /// Share of the development to median hatch at which a stage comes, with the station's window.
    #[must_use]
    pub fn share(&self, species: &Species, stage: Stage) -> f64 {
        let widened = |figure: &Figure| 1.0 + (figure.likely - 1.0) * self.window;
        match stage {
            Stage::Eyed => species.eyed.likely,
            Stage::HatchStart => widened(&species.hatch_start).max(species.eyed.likely),
            Stage::HatchPeak => 1.0,
            Stage::HatchEnd => widened(&species.hatch_end),
        }
    }

    /// Combines with an observation of ln(multiple) of standard deviation `sigma`, by their variances.
    pub(super) fn with(self, observed: f64, sigma: f64) -> Self {
        let prior = self.factor.ln();
        let side = if observed < prior { self.sigma_low } else { self.sigma_high };
        let trust = side * side / (side * side + sigma * sigma);
        let left = sigma * trust.sqrt();
        Self {
            factor: (prior + trust * (observed - prior)).exp(),
            sigma_low: left.min(self.sigma_low),
            sigma_high: left.min(self.sigma_high),
            ..self
        }
    }
}

/// Standard deviation of the logarithm of a stage's share: its range is taken as holding 80 % of stations (1.2816 standard
/// deviations each way). The peak is the law itself.
#[must_use]
pub(crate) fn share_sigma(species: &Species, stage: Stage) -> f64 {
    let width = |f: &Figure| (f.high / f.low).ln() / (2.0 * 1.281_6);
    match stage {
        Stage::Eyed => width(&species.eyed),
        Stage::HatchStart => width(&species.hatch_start),
        Stage::HatchPeak => 0.0,
        Stage::HatchEnd => width(&species.hatch_end),
    }
}

/// How far people are off when they say a stage is there, as standard deviation of the logarithm of development: jars
/// are looked at once or twice in fifteen days of incubation (a choice of ours, no source).
pub(crate) const SIGHTING_SIGMA: f64 = 0.03;

/// A stage seen by a person.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sighting {
    /// Which stage.
    pub stage: Stage,
    /// When it was seen.
    pub at: Timestamp,
    /// Development by the law at that moment (1 at the law's median hatch).
    pub development: f64,
    /// It may have come at any time before: a sample of eyed eggs says that eyes are there, not since
    /// when. Such a sighting is an upper bound only.
    pub or_before: bool,
}
