//! The one task that owns all live state: readings, lots, alarms.
//!
//! [`state`] is pure: inputs and a time in, decisions out. [`run`] carries the decisions out. One
//! input is dealt with at a time, so there are no locks around domain state.

pub mod limits;
pub mod picture;
pub mod run;
pub mod state;
pub mod trend;
pub mod wall;
pub mod water;

pub use run::{Core, CoreParts};
