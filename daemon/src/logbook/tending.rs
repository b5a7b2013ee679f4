//! Tending jars: flow, readings by hand, siphon, treatments, samples, hatch.

use crate::ids::{JarId, TakeId};
use serde::{Deserialize, Serialize};

/// The flow a jar should have.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FlowSetPoint {
    /// Which.
    pub jar: JarId,
    /// L/min.
    pub flow_l_per_min: f64,
}

/// A temperature or flow read by hand.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HandReading {
    /// In which jar.
    pub jar: JarId,
    /// °C.
    #[serde(default)]
    pub temp_c: Option<f64>,
    /// L/min.
    #[serde(default)]
    pub flow_l_per_min: Option<f64>,
}

/// Dead eggs drawn off.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Siphon {
    /// From which.
    pub jar: JarId,
    /// Millilitres drawn off, settled.
    pub volume_ml: f64,
    /// Share of them dead, 0 to 1.
    #[serde(default = "all")]
    pub dead_share: f64,
}

fn all() -> f64 {
    1.0
}

/// What was dosed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Agent {
    /// Formalin, about 37 % formaldehyde.
    Formalin,
    /// Hydrogen peroxide, 35 %.
    HydrogenPeroxide,
}

/// A treatment against fungus.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Treatment {
    /// Which jar.
    pub jar: JarId,
    /// What was dosed.
    pub agent: Agent,
    /// µL/L for formalin, mg/L for peroxide.
    pub concentration: f64,
    /// For how long.
    pub minutes: f64,
    /// Flow it was dosed into, L/min.
    pub flow_l_per_min: f64,
    /// Amount used, millilitres.
    pub volume_ml: f64,
    /// Name on the bottle: batch of the drug.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub batch: String,
    /// Coldest the formalin store has been, °C, if known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub store_coldest_c: Option<f64>,
    /// Why it was given although a rule speaks against it. Empty when none does.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub despite: String,
}

/// Until when a planned treatment goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PlannedUntil {
    /// Until the eyes show.
    Eyed,
    /// Until the stop before hatch.
    BeforeHatch,
    /// Not at all: ends an earlier plan.
    Never,
}

/// Which treatment is given when, to one species. The latest plan of a species holds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TreatmentPlan {
    /// Key of the species.
    pub species: String,
    /// What is dosed.
    pub agent: Agent,
    /// µL/L for formalin, mg/L for peroxide.
    pub concentration: f64,
    /// For how long.
    pub minutes: f64,
    /// Hours from one to the next.
    pub every_h: f64,
    /// Hours in the jar before the first.
    pub first_after_h: f64,
    /// Until when.
    pub until: PlannedUntil,
    /// Hours before the earliest hatch from which none is given.
    pub stop_before_hatch_h: f64,
}

/// Fertilized eggs counted in dips of a take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FertilizationSample {
    /// Of which take.
    pub take: TakeId,
    /// Each dip by itself.
    pub dips: Vec<FertilizedDip>,
}

/// One dip of eggs looked at for cleavage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FertilizedDip {
    /// Fertilized eggs.
    pub fertilized: u32,
    /// All eggs.
    pub of: u32,
}

/// One dip of eggs out of a jar.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Dip {
    /// Eyed eggs.
    pub eyed: u32,
    /// All eggs.
    pub of: u32,
}

/// Eyed eggs counted in dips.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EyeUpSample {
    /// From which.
    pub jar: JarId,
    /// Each dip by itself.
    pub dips: Vec<Dip>,
}

/// How far hatching had come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HatchPoint {
    /// The first fry.
    First,
    /// Most are hatching.
    Peak,
    /// The last fry.
    Last,
}

/// Hatching seen.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HatchSeen {
    /// In which.
    pub jar: JarId,
    /// How far it had come.
    pub point: HatchPoint,
}
