//! Taking eggs: takes with their parents and counts, and the lots made of them.

use crate::ids::{LotId, SensorId, TakeId};
use nightjar_calc::time::Timestamp;
use serde::{Deserialize, Serialize};

/// How the eggs of a take or load were counted.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "method", rename_all = "snake_case", deny_unknown_fields)]
pub enum CountMethod {
    /// Eggs in a trough of known length.
    VonBayer {
        /// Eggs in the row.
        eggs: f64,
        /// Length of the row, inches.
        length_in: f64,
    },
    /// Eggs counted in a small settled volume.
    Volumetric {
        /// Eggs counted.
        eggs: f64,
        /// Millilitres they filled.
        sample_ml: f64,
    },
    /// Eggs counted in a small weight.
    Gravimetric {
        /// Eggs counted.
        eggs: f64,
        /// Grams they weighed.
        sample_g: f64,
    },
    /// Eggs counted in a displaced volume.
    Displacement {
        /// Eggs counted.
        eggs: f64,
        /// Millilitres of water they displaced.
        displaced_ml: f64,
    },
    /// A count per litre taken over from elsewhere.
    PerLitre {
        /// Eggs per litre, settled.
        eggs_per_l: f64,
    },
}

/// Stripped and fertilized eggs of one day, species and water.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Take {
    /// Its name.
    pub take: TakeId,
    /// Key of the species table.
    pub species: String,
    /// Lake or river the parents came from.
    pub water: String,
    /// Net or trap.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub gear: String,
    /// Moment of fertilization.
    pub fertilized_at: Timestamp,
    /// Females stripped.
    pub females: u32,
    /// Males used.
    pub males: u32,
    /// Males of these that had been used for an earlier take.
    #[serde(default)]
    pub males_reused: u32,
    /// Single fish, if written down.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parents: Vec<Parent>,
    /// Who was crossed, if written down.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub crosses: Vec<Cross>,
    /// Litres of eggs, settled.
    #[serde(default)]
    pub volume_l: Option<f64>,
    /// True once the eggs had taken up water when the volume was read.
    #[serde(default)]
    pub hardened: bool,
    /// How they were counted.
    #[serde(default)]
    pub count: Option<CountMethod>,
    /// Pans it was fertilized in.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub pan: String,
    /// Minutes in the clay suspension.
    #[serde(default)]
    pub clay_minutes: Option<f64>,
    /// When the eggs went into the hardening basket; right after fertilization when not given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hardening_from: Option<Timestamp>,
    /// When they came out of it; until they were loaded when not given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hardening_to: Option<Timestamp>,
    /// Temperature of the hardening basket by hand, °C.
    #[serde(default)]
    pub hardening_temp_c: Option<f64>,
    /// Probe in the hardening basket.
    #[serde(default)]
    pub hardening_sensor: Option<SensorId>,
    /// Temperature on the way from basket to jar by hand, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub transport_temp_c: Option<f64>,
    /// Disinfection, in words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub disinfection: String,
}

/// One parent fish.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Parent {
    /// As marked that day: F1, M3.
    pub mark: String,
    /// Total length in millimetres.
    #[serde(default)]
    pub length_mm: Option<f64>,
}

/// Milt of these males on the eggs of this female.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cross {
    /// The female.
    pub female: String,
    /// The males.
    pub males: Vec<String>,
    /// The pan it was done in.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub pan: String,
}

/// Eggs kept together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lot {
    /// Its name.
    pub lot: LotId,
    /// Takes pooled into it.
    pub takes: Vec<TakeId>,
    /// Strain, if known.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub strain: String,
}
