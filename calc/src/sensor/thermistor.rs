//! NTC thermistors: resistance to temperature, and the divider that measures the resistance.
//!
//! "10 k" is the resistance at 25 °C and not a curve: the coefficients of one 10 k part on another
//! part's probe read up to 2.2 °C wrong at 0 °C. A curve is therefore named by its table.
//!
//! Sources: 10K3, probe manual of a logger maker (CAMP); 103JL1A, table of an instrument
//! manual p. 58 (GEOK), fitted; 44031, instrument manual
//! p. 51 (EKO). Keys as in `tests/data/SOURCES.md`.

mod curve;
mod divider;
mod table;

pub use curve::{Curve, ThermistorError};
pub use divider::Divider;
pub use table::{TableFault, TableRow, check_table};

/// Zero of the Celsius scale in kelvin.
pub const ZERO_CELSIUS_K: f64 = 273.15;
