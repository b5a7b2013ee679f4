//! The books of a season: every egg from the pan to the stocked lake.
//!
//! [`Books`] is fed with what was done, in the order it happened, and answers how many eggs went in,
//! how many were removed, how many are alive by two estimates, and how many fry there will be or were.
//! It holds no dates and asks no clock. Eggs are exact thousandths ([`Eggs`]): splitting and pooling
//! create and lose nothing, and [`Books::audit`] proves it. What is only sampled carries its error.
//!
//! Words: an *origin* is the eggs of one take in one lot. Eggs of one origin that were poured apart
//! still share the errors of their count, so their errors add plainly; those of different takes add
//! like the sides of a right angle, except the error of the method, which all counts share.
//!
//! ```
//! use nightjar_calc::breeders::Spawners;
//! use nightjar_calc::enumeration::Estimate;
//! use nightjar_calc::ledger::{Books, Level, TakeRecord};
//! use nightjar_calc::proportion::Sample;
//!
//! let mut books = Books::default();
//! let spawners = Spawners { females: 10, males: 20, males_reused: 0 };
//! let (species, water) = ("walleye".to_owned(), "Heron Lake".to_owned());
//! books.take("T1", TakeRecord { season: 2026, species, water, spawners, eggs: None }).unwrap();
//! books.lot("A", &["T1".to_owned()]).unwrap();
//! books.load("J01", "A", 2.366, Estimate::relative(312_500.0, 0.03, 0.04)).unwrap();
//! books.split("J01", "J02", 0.25).unwrap();
//! books.eye_up("J01", &[Sample::new(183, 200).unwrap()]).unwrap();
//! let jars = books.report(Level::Jar);
//! assert_eq!(jars["J02"].eggs_in_exact.get(), 78_125.0);
//! assert_eq!(jars["J01"].eggs_in_exact + jars["J02"].eggs_in_exact, books.report(Level::Lot)["A"].eggs_in_exact);
//! assert!((jars["J01"].alive_by_eye_up.unwrap().likely - 234_375.0 * 0.915).abs() < 0.01);
//! ```

mod account;
mod books;
mod disposal;
mod eggs;
mod error;
mod fry;
mod report;

pub use account::Origin;
pub use books::{Books, TakeRecord};
pub use eggs::{Eggs, apportion};
pub use error::BookError;
pub use fry::{FRY_SAMPLE_ML, FRY_SAMPLES, FryError, fry_count};
pub use report::{Gap, Level, Line, Meaning};

use crate::proportion::Interval;

/// Error of a siphoned volume read on a jar or bucket, as a share (own assumption).
pub const SIPHON_ERROR: f64 = 0.10;
/// Share of eyed eggs that hatch, when the station has no own number: average hatch of 50 % (ABN13)
/// over eye-up of 63.5 % (GONS24), two different stations, so the bounds are wide (own choice).
pub const EYED_TO_HATCH: Interval = Interval { low: 0.60, likely: 0.79, high: 0.95 };

#[cfg(test)]
mod tests;
