//! When eyes show and hatching starts, peaks and ends: dates with an honest interval.
//!
//! A stage is reached when the development of the lot ([`crate::development`]) comes to
//!
//! ```text
//! P = m · f
//! ```
//!
//! with `f` the share of the stage (eyed 0.55, hatch start 0.92, peak 1, end 1.10 for walleye) and `m` the true sum of these
//! fish on this water as a multiple of the law's. Two things are uncertain, and both are carried through:
//!
//! * **the water to come**: [`Futures`], equally likely paths;
//! * **the fish**: `m` is a two-sided log-normal: median [`Station::factor`], `m = factor · exp(σ z)` with one σ below
//!   and one above, so that the published band (say −15 to +25 %) keeps its lean. The band is read as the narrower
//!   a share of stations the less the law is trusted ([`Confidence::band_deviations`]). Each share `f` has a small
//!   spread of its own.
//!
//! The interval comes from all combinations of paths and evenly spaced quantiles of `m`. A stage whose likely
//! sum is behind is *reached*, at the moment the record went through it. Its neighbours may still be ahead.
//!
//! What people saw narrows `m`: an eye-up or first hatch seen at development `P` says `m ≈ P / f`, weighed against the
//! prior by their variances (of logarithms), and moves every later stage of the lot. A sample of eyed eggs is only a bound: eyes
//! may have been there for days.
//!
//! [`Confidence::band_deviations`]: crate::development::species::Confidence::band_deviations

mod arrivals;
mod dates;
mod hold;
mod normal;
mod reach;
mod station;

pub use dates::{Done, Lot, StageDate, Stages, stage_dates};
pub use hold::hold_last_days;
pub use reach::{Course, Courses, Reach, target_date};
pub use station::{Sighting, Station};

pub(crate) use station::{SIGHTING_SIGMA, share_sigma};

#[cfg(doc)]
use crate::outlook::Futures;

/// A stage people wait for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// Eyes show.
    Eyed,
    /// 5 % have hatched.
    HatchStart,
    /// Half have hatched.
    HatchPeak,
    /// 95 % have hatched.
    HatchEnd,
}

impl Stage {
    /// In the order they come.
    pub const ALL: [Self; 4] = [Self::Eyed, Self::HatchStart, Self::HatchPeak, Self::HatchEnd];

    /// Name in files and interfaces.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Eyed => "eyed",
            Self::HatchStart => "hatch_start",
            Self::HatchPeak => "hatch_peak",
            Self::HatchEnd => "hatch_end",
        }
    }
}
