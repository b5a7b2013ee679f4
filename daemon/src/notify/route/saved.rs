//! What survives a restart. Moments are kept as what is left of their waits, because up-time
//! begins anew with each run.

use super::Router;
use super::ladder::{Ladder, Phase};
use crate::alarm::event::AlarmEvent;
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
        }
    }

    fn ladder(self, now: Now) -> Ladder {
        let at = |left: Option<i64>| left.map(|ms| now.up.after(Span::from_ms(ms)));
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
    /// The state of all ladders, to be written in the transaction of the messages they caused.
    #[must_use]
    pub fn save(&self, now: Now) -> Vec<Saved> {
        self.ladders.values().map(|ladder| Saved::of(ladder, now)).collect()
    }

    /// Takes up where an earlier run stopped. What fell due meanwhile is due now.
    pub fn restore(&mut self, saved: Vec<Saved>, now: Now) {
        for saved in saved {
            let ladder = saved.ladder(now);
            if ladder.phase == Phase::Digest {
                self.schedule_digest(now);
            }
            self.ladders.insert(ladder.latest.event, ladder);
        }
    }
}
