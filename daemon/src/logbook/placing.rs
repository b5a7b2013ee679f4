//! Putting eggs into jars, and pouring them from jar to jar.

use crate::ids::{JarId, LotId};
use serde::{Deserialize, Serialize};

/// Eggs poured into a jar.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Load {
    /// Into which.
    pub jar: JarId,
    /// Of which lot.
    pub lot: LotId,
    /// Litres of settled eggs.
    pub volume_l: f64,
    /// Eggs, if counted for this jar.
    #[serde(default)]
    pub eggs: Option<f64>,
}

/// A whole jar's eggs poured into another.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Move {
    /// From.
    pub from: JarId,
    /// To; must be empty.
    pub to: JarId,
}

/// Part of a jar's eggs poured into another.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Split {
    /// From.
    pub from: JarId,
    /// To; must be empty.
    pub to: JarId,
    /// Share moved, 0 to 1.
    pub share: f64,
}

/// A jar's eggs added to those of another jar.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pool {
    /// Emptied.
    pub from: JarId,
    /// Receives them.
    pub into: JarId,
}

/// A jar emptied.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Empty {
    /// Which.
    pub jar: JarId,
    /// Why.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub reason: String,
}
