//! What people write down: the entries of the logbook.
//!
//! The logbook is append-only. An entry is never changed; it is voided by another entry that says
//! why. The id of an entry is chosen by whoever writes it (a phone may have to send it twice), and
//! the same id is taken once.

use crate::ids::{JarId, PersonId, SensorId};
use nightjar_calc::time::Timestamp;
use serde::{Deserialize, Serialize};

mod fry;
mod placing;
mod sound;
mod standing;
mod taking;
mod tending;

pub use fry::*;
pub use placing::*;
pub use sound::Unsound;
pub use standing::{Done, NotTakenBack, standing};
pub use taking::*;
pub use tending::*;

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
    Take(Box<Take>),
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
    Treatment(Box<Treatment>),
    /// Which treatment is given when, by species.
    TreatmentPlan(TreatmentPlan),
    /// Fertilized eggs counted in dips of a take.
    FertilizationSample(FertilizationSample),
    /// Eyed eggs counted in dips.
    EyeUpSample(EyeUpSample),
    /// Hatching seen.
    HatchSeen(HatchSeen),
    /// Fry counted in sub-samples.
    FryCount(FryCount),
    /// Fry held back.
    Held(Held),
    /// Fry put into a water.
    Stocked(Box<Stocked>),
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
    /// What should have been written; it takes the place of the other at the time of the other.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instead: Option<Box<Act>>,
}
