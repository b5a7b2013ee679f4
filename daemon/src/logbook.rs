//! What people write down: the entries of the logbook.
//!
//! The logbook is append-only. An entry is never changed; it is voided by another entry that says
//! why. The id of an entry is chosen by whoever writes it (a phone may have to send it twice), and
//! the same id is taken once.

use crate::ids::{JarId, LotId, PersonId, SensorId, TakeId};
use nightjar_calc::time::Timestamp;
use serde::{Deserialize, Serialize};

/// Identifier of an entry, chosen by the writer: 8 to 64 letters, digits or hyphens.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct EntryId(pub String);

/// One entry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    /// Chosen by the writer; makes a repeat harmless.
    pub id: EntryId,
    /// When it happened.
    pub happened_at: Timestamp,
    /// When it reached the logbook. Filled in by the core.
    #[serde(default = "unwritten")]
    pub written_at: Timestamp,
    /// Who did it.
    pub who: PersonId,
    /// What was done.
    pub act: Act,
}

fn unwritten() -> Timestamp {
    Timestamp::from_ms(0)
}

/// What was done.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Act {
    /// Stripped and fertilized eggs of one day, species and water.
    Take(Take),
    /// Eggs kept together, from one or more takes.
    Lot(Lot),
    /// Eggs poured into a jar.
    Load(Load),
    /// A whole jar's eggs poured into another.
    Move(Move),
    /// Part of a jar's eggs poured into another.
    Split(Split),
    /// A jar's eggs added to those of another jar.
    Pool(Pool),
    /// A jar emptied.
    Empty(Empty),
    /// The flow a jar should have.
    FlowSetPoint(FlowSetPoint),
    /// A temperature or flow read by hand.
    HandReading(HandReading),
    /// Dead eggs drawn off.
    Siphon(Siphon),
    /// A treatment against fungus.
    Treatment(Treatment),
    /// Eyed eggs counted in dips.
    EyeUpSample(EyeUpSample),
    /// Hatching seen.
    HatchSeen(HatchSeen),
    /// Fry counted in sub-samples.
    FryCount(FryCount),
    /// Fry held back.
    Held(Held),
    /// Fry put into a water.
    Stocked(Stocked),
    /// Eggs or fry found dead.
    Mortality(Mortality),
    /// Anything else.
    Note(Note),
    /// A sensor checked against something known.
    Calibration(Calibration),
    /// A probe swapped or moved.
    ProbeMove(ProbeMove),
    /// Takes another entry back.
    Void(Void),
}

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
    /// Minutes in the clay suspension.
    #[serde(default)]
    pub clay_minutes: Option<f64>,
    /// Temperature of the hardening basket by hand, °C.
    #[serde(default)]
    pub hardening_temp_c: Option<f64>,
    /// Probe in the hardening basket.
    #[serde(default)]
    pub hardening_sensor: Option<SensorId>,
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

/// Anything else.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Note {
    /// About which jar, if about one.
    #[serde(default)]
    pub jar: Option<JarId>,
    /// The words.
    pub text: String,
}

/// How a sensor was checked.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "check", rename_all = "snake_case", deny_unknown_fields)]
pub enum Check {
    /// Melting ice: the reading seen, °C.
    IcePoint {
        /// °C.
        reading_c: f64,
    },
    /// A bucket and a watch.
    Bucket {
        /// Litres caught.
        litres: f64,
        /// Seconds it took.
        seconds: f64,
        /// What the meter said meanwhile, L/min.
        reading_l_per_min: f64,
    },
    /// A thermometer held beside it.
    Reference {
        /// What the thermometer said.
        reference: f64,
        /// What the sensor said.
        reading: f64,
    },
}

/// A sensor checked against something known.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// Which.
    pub sensor: SensorId,
    /// How.
    #[serde(rename = "how")]
    pub check: Check,
}

/// A probe swapped or moved.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProbeMove {
    /// Which.
    pub sensor: SensorId,
    /// What was done, in words.
    pub text: String,
}

/// Takes another entry back.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Void {
    /// Which.
    pub entry: EntryId,
    /// Why.
    pub reason: String,
}
