//! What is stored: a journal line for every step, and the state to go on from after a restart.

use crate::alarm::event::{AlarmEvent, AlarmKind, Asset, Code, EventId, Priority};
use crate::alarm::group::Why;
use crate::alarm::moment::Moment;
use crate::alarm::state::{Alarm, Reported, What};
use crate::ids::PersonId;
use nightjar_calc::time::Timestamp;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What the engine wants done.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// Something people may have to be told. Store it, then route it.
    Event(Box<AlarmEvent>),
    /// A step of one alarm, for the record.
    Journal(Box<JournalLine>),
    /// State to be stored in the same transaction as what came before it.
    Persist(Box<StateDelta>),
    /// Flood mode began, goes on for another ten minutes, or ended. Each is one text that sums up.
    Flood {
        /// It is on.
        on: bool,
        /// Alarms announced within the last ten minutes.
        announced: u32,
    },
}

/// One step of one alarm.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct JournalLine {
    /// Wall time, as far as it is known.
    pub at: Timestamp,
    /// The wall clock could be trusted.
    pub clock_trusted: bool,
    /// Time on the alarms' own line.
    pub moment: Moment,
    /// Which alarm.
    pub kind: AlarmKind,
    /// About what.
    pub asset: Asset,
    /// What happened.
    pub what: What,
    /// Row of the table of transitions; 0 where it has none.
    pub row: u8,
    /// Reported state before.
    pub from: Reported,
    /// Reported state after.
    pub to: Reported,
    /// Priority after.
    pub priority: Priority,
    /// Event it belongs to, if it has one by then.
    pub event: Option<EventId>,
    /// Last value seen.
    pub value: Option<f64>,
    /// Limit in force.
    pub limit: Option<f64>,
    /// Who did it.
    pub by: Option<PersonId>,
    /// Cause, reason or rule, in words.
    pub detail: String,
    /// Noise takes such steps all day: may be written with the next group of samples.
    pub minor: bool,
}

/// An event as stored.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StoredEvent {
    /// Which.
    pub id: EventId,
    /// What to answer with.
    pub code: Code,
    /// Its alarms.
    pub members: Vec<(AlarmKind, Asset)>,
    /// Changes said so far.
    pub seq: u32,
    /// What was last said, if anything.
    pub told: Option<StoredTold>,
    /// It is on.
    pub on: bool,
    /// It was made to hold what a person silenced.
    pub held: bool,
    /// Times it went on.
    pub times: u32,
    /// When the condition began, wall time.
    pub since: Timestamp,
    /// The last thing said was that it is off.
    #[serde(default)]
    pub over: bool,
    /// Why it is about to speak, if it is.
    #[serde(default)]
    pub why: Option<Why>,
}

/// What was last said of an event.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct StoredTold {
    /// Priority then.
    pub priority: Priority,
    /// Members then.
    pub members: u32,
    /// When.
    pub at: Moment,
}

/// One change of stored state.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "of", rename_all = "snake_case")]
pub enum StateDelta {
    /// An alarm; `None` when it is as new.
    Alarm {
        /// Which alarm.
        kind: AlarmKind,
        /// About what.
        asset: Asset,
        /// Its state.
        state: Option<Box<Alarm>>,
    },
    /// An event; `None` when it is closed.
    Event {
        /// Which.
        id: EventId,
        /// Its state.
        state: Option<Box<StoredEvent>>,
    },
    /// A code that rests.
    Code {
        /// Which.
        code: Code,
        /// Free again from here.
        free_at: Moment,
    },
    /// Counters.
    Counters {
        /// Number of the next event.
        next_event: u64,
        /// Starts of the program, latest last.
        starts: Vec<Moment>,
    },
    /// How far the alarms' own time line has come.
    Mark {
        /// Until here.
        moment: Moment,
    },
}

/// Everything stored: what a restart begins from.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Stored {
    /// Alarms that are not as new.
    pub alarms: Vec<(AlarmKind, Asset, Alarm)>,
    /// Events not closed.
    pub events: Vec<StoredEvent>,
    /// Codes that rest.
    pub codes: Vec<(Code, Moment)>,
    /// Number of the next event.
    pub next_event: u64,
    /// Starts of the program, latest last.
    pub starts: Vec<Moment>,
    /// How far the time line had come.
    pub moment: Moment,
}

impl Stored {
    /// Takes a change over, as the store does.
    pub fn apply(&mut self, delta: &StateDelta) {
        match delta {
            StateDelta::Alarm { kind, asset, state } => {
                self.alarms.retain(|(k, a, _)| (k, a) != (kind, asset));
                if let Some(state) = state {
                    self.alarms.push((*kind, asset.clone(), (**state).clone()));
                    self.alarms.sort_by(|a, b| (a.0, &a.1).cmp(&(b.0, &b.1)));
                }
            }
            StateDelta::Event { id, state } => {
                self.events.retain(|event| event.id != *id);
                if let Some(state) = state {
                    self.events.push((**state).clone());
                    self.events.sort_by_key(|event| event.id);
                }
            }
            StateDelta::Code { code, free_at } => {
                let mut codes: BTreeMap<_, _> = std::mem::take(&mut self.codes).into_iter().collect();
                codes.insert(code.clone(), *free_at);
                self.codes = codes.into_iter().collect();
            }
            StateDelta::Counters { next_event, starts } => {
                self.next_event = *next_event;
                self.starts.clone_from(starts);
            }
            StateDelta::Mark { moment } => self.moment = self.moment.max(*moment),
        }
    }
}
