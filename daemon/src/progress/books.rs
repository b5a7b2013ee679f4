//! Which eggs are where and how many, replayed from the logbook.
//!
//! The replay takes all takes first, then all lots, then everything else by the time it happened, so
//! entries written late or out of order give the same books. An entry that makes no sense at its
//! place is left out, with the reason; [`Books::left_out`] names them until they fit.

mod apply;
mod content;
#[cfg(test)]
mod tests;

pub use apply::egg_density;
pub use content::{Content, Seen, Segment, Work};

use crate::ids::{LotId, SensorId, TakeId};
use crate::logbook::{Act, Entry, EntryId, Take, TreatmentPlan, standing};
use crate::rack::{JarIx, Rack};
use nightjar_calc::ledger;
use nightjar_calc::time::Timestamp;
use std::collections::{BTreeMap, BTreeSet};

/// Why an entry cannot stand, for people.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Refusal(pub String);

/// What the books need to know of the station.
#[derive(Clone, Copy)]
pub struct Known<'a> {
    /// The rack.
    pub rack: &'a Rack,
    /// Key of a species by what people call it, or why there is none.
    pub species: &'a dyn Fn(&str) -> Result<String, String>,
}

/// Eggs kept together.
#[derive(Clone, Debug, PartialEq)]
pub struct LotBooks {
    /// Its takes.
    pub takes: Vec<TakeId>,
    /// Key of its species.
    pub species: String,
    /// Strain, if known.
    pub strain: String,
    /// Written as a lot; false for one that is there because a take can be loaded under its own name.
    pub written: bool,
}

/// Place of an entry in the replay: takes, lots, the rest; then time; then what goes first at one
/// moment; then the id.
type Turn = (u8, Timestamp, u8, EntryId);

/// What is where.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Books {
    takes: BTreeMap<TakeId, Take>,
    lots: BTreeMap<LotId, LotBooks>,
    jars: BTreeMap<JarIx, Content>,
    past: Vec<Content>,
    set_flow: BTreeMap<JarIx, f64>,
    ledger: ledger::Books,
    /// Lots the ledger knows.
    accounted: BTreeSet<LotId>,
    /// Litres poured into jars without a count; they are in no account.
    uncounted_l: f64,
    plans: BTreeMap<String, TreatmentPlan>,
    checked: BTreeMap<SensorId, Timestamp>,
    left_out: Vec<(EntryId, Refusal)>,
    latest: [Option<Turn>; 3],
}

impl Books {
    /// Replays the logbook.
    #[must_use]
    pub fn from_entries<'a>(entries: impl IntoIterator<Item = &'a Entry>, known: Known<'_>) -> Self {
        let mut books = Self::default();
        let (done, idle) = standing(entries);
        books.left_out.extend(idle.into_iter().map(|(id, why)| (id, Refusal(why.to_string()))));
        let mut turns: Vec<(Turn, &Act, Timestamp)> = done
            .into_iter()
            .map(|done| (turn(done.act, done.at, &done.entry.id), done.act, done.at))
            .collect();
        turns.sort_by(|(a, ..), (b, ..)| a.cmp(b));
        for (turn, act, at) in turns {
            if let Err(refusal) = books.apply(act, at, known) {
                books.left_out.push((turn.3.clone(), refusal));
            }
            let phase = usize::from(turn.0);
            books.latest[phase] = Some(turn);
        }
        books
    }

    /// Takes one more entry in, when it comes last and nothing is left out, so that the result is
    /// that of a replay. `None` when only a replay can tell; then nothing is changed.
    pub(super) fn take_in(&mut self, entry: &Entry, known: Known<'_>) -> Option<Result<(), Refusal>> {
        let turn = turn(&entry.act, entry.happened_at, &entry.id);
        // A lot that was there under the name of a take would be another one after the replay.
        let settled = !matches!(&entry.act, Act::Void(_))
            && !matches!(&entry.act, Act::Lot(lot) if self.lots.contains_key(&lot.lot));
        let phase = usize::from(turn.0);
        if !settled
            || !self.left_out.is_empty()
            || self.latest[phase].as_ref().is_some_and(|last| *last >= turn)
        {
            return None;
        }
        let done = self.apply(&entry.act, entry.happened_at, known);
        if done.is_ok() {
            self.latest[phase] = Some(turn);
        }
        Some(done)
    }

    /// Entries that do not fit beside the others, and why. They count for nothing until they do.
    #[must_use]
    pub fn left_out(&self) -> &[(EntryId, Refusal)] {
        &self.left_out
    }

    /// Eggs in a jar.
    #[must_use]
    pub fn in_jar(&self, jar: JarIx) -> Option<&Content> {
        self.jars.get(&jar)
    }

    /// Lots that are in a jar now, as often as they are.
    pub fn lots_in_jars(&self) -> impl Iterator<Item = &LotId> {
        self.jars.values().map(|content| &content.lot)
    }

    /// All eggs that are or were in jars, each with its own way.
    pub fn contents(&self) -> impl Iterator<Item = &Content> {
        self.jars.values().chain(&self.past).flat_map(Content::parts)
    }

    /// Eggs that are in jars.
    pub fn present(&self) -> impl Iterator<Item = &Content> {
        self.jars.values()
    }

    /// Flow a jar should have.
    #[must_use]
    pub fn set_flow(&self, jar: JarIx) -> Option<f64> {
        self.set_flow.get(&jar).copied()
    }

    /// Lots by name.
    #[must_use]
    pub const fn lots(&self) -> &BTreeMap<LotId, LotBooks> {
        &self.lots
    }

    /// Takes by name.
    #[must_use]
    pub const fn takes(&self) -> &BTreeMap<TakeId, Take> {
        &self.takes
    }

    /// Takes of a lot that are known.
    pub fn takes_of<'a>(&'a self, lot: &'a LotBooks) -> impl Iterator<Item = &'a Take> {
        lot.takes.iter().filter_map(|id| self.takes.get(id))
    }

    /// The accounts: every counted egg from the pan to the stocked water.
    #[must_use]
    pub const fn ledger(&self) -> &ledger::Books {
        &self.ledger
    }

    /// Litres of eggs that were loaded without a count and are in no account.
    #[must_use]
    pub const fn uncounted_l(&self) -> f64 {
        self.uncounted_l
    }

    /// The treatment plan of a species.
    #[must_use]
    pub fn plan(&self, species: &str) -> Option<&TreatmentPlan> {
        self.plans.get(species)
    }

    /// When a sensor was last checked against something known.
    #[must_use]
    pub fn checked(&self, sensor: &SensorId) -> Option<Timestamp> {
        self.checked.get(sensor).copied()
    }
}

fn turn(act: &Act, happened_at: Timestamp, id: &EntryId) -> Turn {
    if let Act::Take(take) = act {
        (0, take.fertilized_at, 0, id.clone())
    } else {
        (if matches!(act, Act::Lot(_)) { 1 } else { 2 }, happened_at, rank(act), id.clone())
    }
}

/// Acts of the same moment happen in this order.
fn rank(act: &Act) -> u8 {
    match act {
        Act::TreatmentPlan(_) | Act::Calibration(_) | Act::ProbeMove(_) | Act::FertilizationSample(_) => 0,
        Act::Load(_) => 1,
        Act::Move(_) | Act::Split(_) | Act::Pool(_) => 2,
        Act::Take(_)
        | Act::Lot(_)
        | Act::FlowSetPoint(_)
        | Act::HandReading(_)
        | Act::Siphon(_)
        | Act::Treatment(_)
        | Act::Note(_) => 3,
        Act::EyeUpSample(_) => 4,
        Act::HatchSeen(_) => 5,
        Act::FryCount(_) => 6,
        Act::Held(_) | Act::Stocked(_) | Act::Mortality(_) => 7,
        Act::Empty(_) => 8,
        Act::Void(_) => 9,
    }
}
