//! Counting eggs: von Bayer trough, volume, weight, displacement.
//!
//! A count made before water-hardening is useless after it, because eggs swell to about twice the
//! volume; so volumes and counts carry the state of the eggs in their type and do not mix. Every
//! number carries its error and is shown with no more digits than are known.
//!
//! Words: *settled* volume is eggs with the water between them, as read on a graduated jar;
//! *displaced* volume is that of the eggs alone.

mod estimate;
mod methods;

pub use estimate::{Estimate, group_digits, round_known};
pub use methods::{
    EggsPerGram, EggsPerLitre, Hardened, PerFemale, Settled, State, Subsample, Trough, Unhardened,
    displacement, gravimetric, volumetric, von_bayer,
};

/// Von Bayer's constant: `N = k/d³` eggs to the US liquid quart, d in inches. Fitted to four published
/// pairs of diameter and count (HERR): 67.66, 67.63, 67.70 and an outlier of 68.22 left out.
pub const VON_BAYER_K: f64 = 67.65;
/// Share of a settled bed that is egg: `k π/6 / 57.75`, loose random packing. Not 0.64 or 0.74, which
/// would over-count by 4 or 21 %.
pub const PACKING: f64 = VON_BAYER_K * std::f64::consts::FRAC_PI_6 / 57.75;
/// Error shared by all counts of a method, as standard deviation over the value. Complete counts found
/// +10.0 and +8.6 % (BANISH24), −3.4 and +8.8 % (SHROYER88), 2.6 % (RAZOR); replicates do not show it.
pub const SHARED_ERROR: f64 = 0.04;
/// Error of a single count without replicates beside [`SHARED_ERROR`]; together ±10 % at 95 %.
pub const SINGLE_ERROR: f64 = 0.03;

/// Why there is no count.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum CountError {
    /// Not a positive number.
    #[error("{what} of {value} cannot be; it must be above zero")]
    NotPositive {
        /// What was given.
        what: &'static str,
        /// The number.
        value: f64,
    },
    /// An egg no fish lays.
    #[error(
        "{eggs} eggs in {length_in} inches makes eggs of {diameter_mm:.2} mm; fish eggs have 0.3 to 10 mm: check the length"
    )]
    Diameter {
        /// Eggs in the row.
        eggs: f64,
        /// Length of the row, inches.
        length_in: f64,
        /// Diameter that follows, mm.
        diameter_mm: f64,
    },
    /// No sub-sample.
    #[error("a count needs at least one sub-sample")]
    NoSample,
    /// A fish outside the regression.
    #[error("the regression holds for fish of 172 to 290 mm, not of {0} mm")]
    Length(f64),
    /// Eggs closer than spheres can lie.
    #[error("{0:.0} eggs per litre is more than any egg allows (up to 20 million)")]
    TooMany(f64),
}
