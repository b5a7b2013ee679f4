//! What the water will do next: equally likely continuations of its temperature.

use crate::time::{Span, Timestamp};

/// Equally likely continuations of the water temperature from one moment on.
#[derive(Clone, Debug, PartialEq)]
pub struct Futures {
    /// Moment of issue: the first value of each path holds from here for one step.
    pub from: Timestamp,
    /// Length each value holds for (one day unless said otherwise).
    pub step: Span,
    /// One continuation each, °C, all of the same length.
    pub paths: Vec<Vec<f64>>,
    /// What they rest on, for people: `station history, 4 springs`.
    pub basis: String,
}
