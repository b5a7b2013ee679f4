//! Who has asked for silence, and until when. Nothing is silent for ever and nothing without a
//! name.

use super::What;
use crate::alarm::event::{AlarmKind, Asset};
use crate::alarm::moment::Moment;
use crate::ids::PersonId;
use serde::{Deserialize, Serialize};

/// The third region. Several may hold at once; people see the strongest.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Suppression {
    /// Out of use by a person.
    pub out: Option<Box<OutOfService>>,
    /// Paused by a person.
    pub shelf: Option<Shelf>,
    /// Covered by another alarm.
    pub cover: Option<Box<Cover>>,
    /// Nothing in the jar: a plant state.
    pub empty: bool,
    /// A wait with a hard end: after a cover, after a jar was loaded, after power came back.
    pub settling: Option<Moment>,
    /// The wait was made longer once, for an alarm that was about to clear.
    pub settling_longer: bool,
}

/// Paused by a person.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shelf {
    /// Who.
    pub by: PersonId,
    /// Until when, at the latest.
    pub until: Moment,
    /// Ends when the alarm clears.
    pub one_shot: bool,
}

/// Covered by another alarm, for as long as that one is on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cover {
    /// Which alarm explains this one.
    pub kind: AlarmKind,
    /// About what.
    pub asset: Asset,
}

/// Out of use by a person.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OutOfService {
    /// Who.
    pub by: PersonId,
    /// Why.
    pub reason: String,
    /// Planned end.
    pub until: Moment,
    /// The planned end has passed and was spoken of.
    pub overdue: bool,
}

impl Suppression {
    /// Any at all.
    #[must_use]
    pub fn any(&self) -> bool {
        self.by_person() || self.by_design()
    }
    /// By a rule of the system.
    #[must_use]
    pub fn by_design(&self) -> bool {
        self.cover.is_some() || self.empty || self.settling.is_some()
    }
    /// By a person.
    #[must_use]
    pub fn by_person(&self) -> bool {
        self.out.is_some() || self.shelf.is_some()
    }

    pub(super) fn deadline(&self) -> Option<Moment> {
        let out = self.out.as_ref().filter(|out| !out.overdue).map(|out| out.until);
        let shelf = self.shelf.as_ref().map(|shelf| shelf.until);
        [out, shelf, self.settling].into_iter().flatten().min()
    }

    /// Ends what has reached its end. `None` when that changed nothing people see.
    pub(super) fn pass_deadline(&mut self, now: Moment) -> Option<What> {
        if self.shelf.as_ref().is_some_and(|shelf| shelf.until <= now) {
            self.shelf = None;
            return Some(What::Unshelved);
        }
        if self.settling.is_some_and(|until| until <= now) {
            self.settling = None;
            self.settling_longer = false;
            return (!self.by_design()).then_some(What::Unsuppressed);
        }
        let out = self.out.as_mut().filter(|out| !out.overdue && out.until <= now)?;
        out.overdue = true;
        Some(What::PastPlannedEnd)
    }
}
