//! One event on its way up.

use super::plan::{self, EVERYONE};
use crate::alarm::event::AlarmEvent;
use crate::clock::Uptime;
use crate::ids::PersonId;
use crate::notify::WEBHOOK;
use crate::store::MessageKey;
use nightjar_calc::time::{Span, Timestamp};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// What a ladder is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Phase {
    /// Telling more and more people.
    Climbing,
    /// Step 0 waits for the end of quiet hours; mail has gone.
    Quiet,
    /// Somebody knows.
    Acknowledged,
    /// Paused, covered or out of use.
    Paused,
    /// Waits for the daily digest.
    Digest,
    /// Over, and to be mentioned in the next digest.
    Noted,
}

/// One event on its way up.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Ladder {
    pub latest: AlarmEvent,
    pub phase: Phase,
    /// The step to be taken next.
    pub step: u32,
    /// The step taken last, for the words of messages.
    pub shown: u32,
    /// When the next step is due.
    pub due: Option<Uptime>,
    /// When new members are told of.
    pub update: Option<Uptime>,
    /// When something was last said.
    pub said_at: Option<Uptime>,
    /// Counts the rounds of messages, for their keys.
    pub round: u32,
    /// Who was told, by which route.
    pub told: BTreeSet<(PersonId, String)>,
    /// Of these, in the current step.
    pub said: BTreeSet<(PersonId, String)>,
    /// Texts not taken yet, and when patience ends.
    pub awaited: BTreeMap<PersonId, Uptime>,
    /// Ways that failed since the last step that was taken on time.
    pub dead: BTreeSet<(PersonId, String)>,
    /// Keys of the first messages, for threads.
    pub firsts: BTreeMap<(PersonId, String), String>,
    pub acknowledged: Option<(PersonId, Timestamp)>,
}

impl Ladder {
    pub(super) fn new(event: &AlarmEvent) -> Self {
        Self {
            latest: event.clone(),
            phase: Phase::Digest,
            step: 0,
            shown: 0,
            due: None,
            update: None,
            said_at: None,
            round: 0,
            told: BTreeSet::new(),
            said: BTreeSet::new(),
            awaited: BTreeMap::new(),
            dead: BTreeSet::new(),
            firsts: BTreeMap::new(),
            acknowledged: None,
        }
    }

    pub(super) fn take(&mut self, event: &AlarmEvent) {
        self.latest = event.clone();
    }

    /// Back to the foot.
    pub(super) fn start(&mut self, up: Uptime) {
        self.phase = Phase::Climbing;
        self.step = 0;
        self.shown = 0;
        self.due = Some(up);
        self.acknowledged = None;
        self.update = None;
        self.dead.clear();
    }

    /// Stops climbing.
    pub(super) fn rest(&mut self, phase: Phase) {
        self.phase = phase;
        self.due = None;
        self.update = None;
        self.awaited.clear();
    }

    /// A step begins.
    pub(super) fn enter(&mut self) {
        self.shown = self.step;
        self.said.clear();
    }

    /// A step was taken: sets the next. A step taken on time counts from when it was due, one
    /// taken early or after quiet hours from now, so that no wait is ever longer than its step.
    pub(super) fn advance(&mut self, up: Uptime) {
        let held = self.phase == Phase::Quiet;
        self.phase = Phase::Climbing;
        let priority = self.latest.priority;
        let gap = plan::offset(priority, self.step + 1).ms() - plan::offset(priority, self.step).ms();
        let gap = Span::from_ms(gap);
        let base = self.due.filter(|due| *due <= up && !held).unwrap_or(up);
        let next = base.after(gap);
        self.step += 1;
        self.due = Some(if next <= up { up.after(gap) } else { next });
    }

    pub(super) fn at_top(&self) -> bool {
        self.step > EVERYONE
    }

    /// Begins a round of messages.
    pub(super) fn round(&mut self, up: Uptime) {
        self.round += 1;
        self.said_at = Some(up);
        self.update = None;
    }

    /// A message was written.
    pub(super) fn note(&mut self, key: &MessageKey, awaited: bool, until: Uptime) {
        let way = (key.person.clone(), key.route.clone());
        if awaited {
            self.awaited.insert(key.person.clone(), until);
        }
        self.firsts.entry(way.clone()).or_insert_with(|| key.text());
        self.said.insert(way.clone());
        self.told.insert(way);
    }

    /// Somebody whose text was not taken in time, once.
    pub(super) fn overdue(&mut self, up: Uptime) -> Option<PersonId> {
        let person = self.awaited.iter().find(|(_, until)| **until <= up).map(|(p, _)| p.clone())?;
        self.awaited.remove(&person);
        Some(person)
    }

    pub(super) fn people_told(&self) -> Vec<PersonId> {
        let people: BTreeSet<&PersonId> =
            self.told.iter().filter(|(_, way)| way != WEBHOOK).map(|(person, _)| person).collect();
        people.into_iter().cloned().collect()
    }

    /// Somebody was told, and nobody has answered.
    pub(super) fn is_unanswered(&self) -> bool {
        self.acknowledged.is_none() && !self.people_told().is_empty()
    }

    pub(super) fn next_due(&self) -> Option<Uptime> {
        self.due.into_iter().chain(self.update).chain(self.awaited.values().copied()).min()
    }
}
