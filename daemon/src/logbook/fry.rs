//! Fry: counted, held, stocked, dead.

use crate::ids::{JarId, LotId};
use serde::{Deserialize, Serialize};

/// Fry counted in sub-samples.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FryCount {
    /// Of which lot.
    pub lot: LotId,
    /// Out of which jar, when kept apart.
    #[serde(default)]
    pub jar: Option<JarId>,
    /// Fry in each sub-sample.
    pub counts: Vec<f64>,
    /// Millilitres of a sub-sample.
    pub sample_ml: f64,
    /// Litres in the tank.
    pub tank_l: f64,
}

/// Fry held back.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Held {
    /// Of which lot.
    pub lot: LotId,
    /// How many.
    pub fry: f64,
    /// Where or why.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
}

/// Fry put into a water.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stocked {
    /// Of which lot.
    pub lot: LotId,
    /// Into which water.
    pub water: String,
    /// How many.
    pub fry: f64,
    /// Truck or bags.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub truck: String,
    /// Temperature in the truck, °C.
    #[serde(default)]
    pub truck_temp_c: Option<f64>,
    /// Temperature of the water, °C.
    #[serde(default)]
    pub water_temp_c: Option<f64>,
}

/// Eggs or fry found dead.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mortality {
    /// Of which lot.
    pub lot: LotId,
    /// In which jar, if in one.
    #[serde(default)]
    pub jar: Option<JarId>,
    /// How many.
    pub number: f64,
    /// Why, as far as known.
    pub cause: String,
}
