//! What survives a restart. Moments are kept as what is left of their waits, because up-time
//! begins anew with each run.

use super::Router;
use super::ladder::{Ladder, Phase};
use crate::alarm::event::{AlarmEvent, EventId};
use crate::clock::{Now, Uptime};
use crate::ids::PersonId;
use nightjar_calc::time::{Span, Timestamp};
use serde::{Deserialize, Serialize};

/// The ladder of one event, for the store.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Saved {
    latest: AlarmEvent,
    phase: Phase,
    step: u32,
    shown: u32,
    due_in_ms: Option<i64>,
    update_in_ms: Option<i64>,
    round: u32,
    told: Vec<(PersonId, String)>,
    dead: Vec<(PersonId, String)>,
    firsts: Vec<(PersonId, String, String)>,
    acknowledged: Option<(PersonId, Timestamp)>,
    /// When this was written; waits go on through the time off when both clocks can be trusted.
    at: Timestamp,
    trusted: bool,
}

impl Saved {
    fn of(ladder: &Ladder, now: Now) -> Self {
        let left = |at: Option<Uptime>| at.map(|at| at.since(now.up).ms());
        let firsts = ladder.firsts.iter().map(|((p, way), key)| (p.clone(), way.clone(), key.clone()));
        Self {
            latest: ladder.latest.clone(),
            phase: ladder.phase,
            step: ladder.step,
            shown: ladder.shown,
            due_in_ms: left(ladder.due),
            update_in_ms: left(ladder.update),
            round: ladder.round,
            told: ladder.told.iter().cloned().collect(),
            dead: ladder.dead.iter().cloned().collect(),
            firsts: firsts.collect(),
            acknowledged: ladder.acknowledged.clone(),
            at: now.utc,
            trusted: now.trusted,
        }
    }

    fn ladder(self, now: Now) -> Ladder {
        let gone = if self.trusted && now.trusted { now.utc.since(self.at).ms().max(0) } else { 0 };
        let at = |left: Option<i64>| left.map(|ms| now.up.after(Span::from_ms((ms - gone).max(0))));
        let mut ladder = Ladder::new(&self.latest);
        ladder.phase = self.phase;
        ladder.step = self.step;
        ladder.shown = self.shown;
        ladder.due = at(self.due_in_ms);
        ladder.update = at(self.update_in_ms);
        ladder.round = self.round;
        ladder.told = self.told.into_iter().collect();
        ladder.dead = self.dead.into_iter().collect();
        ladder.firsts = self.firsts.into_iter().map(|(p, way, key)| ((p, way), key)).collect();
        ladder.acknowledged = self.acknowledged;
        ladder
    }
}

impl Router {
    /// Ladders that are not as they were at the last call, to be written in the transaction of the
    /// messages they caused; `None` for one that is gone.
    pub fn take_changes(&mut self, now: Now) -> Vec<(EventId, Option<Saved>)> {
        if !std::mem::take(&mut self.touched) {
            return Vec::new();
        }
        let mut changes = Vec::new();
        for (event, ladder) in &self.ladders {
            if self.written.get(event) != Some(ladder) {
                self.written.insert(*event, ladder.clone());
                changes.push((*event, Some(Saved::of(ladder, now))));
            }
        }
        let gone: Vec<EventId> =
            self.written.keys().copied().filter(|event| !self.ladders.contains_key(event)).collect();
        for event in gone {
            self.written.remove(&event);
            changes.push((event, None));
        }
        changes
    }

    /// Takes up where an earlier run stopped. What fell due meanwhile is due now.
    pub fn restore(&mut self, saved: Vec<Saved>, now: Now) {
        for saved in saved {
            let ladder = saved.ladder(now);
            self.schedule_digest(now);
            self.written.insert(ladder.latest.event, ladder.clone());
            self.ladders.insert(ladder.latest.event, ladder);
        }
    }
}
