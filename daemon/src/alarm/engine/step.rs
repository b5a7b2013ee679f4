//! One step of one alarm: the record of it, and what it sets off.

use super::{Engine, Slot, Timer};
use crate::alarm::event::{AlarmKind, Change};
use crate::alarm::group::Why;
use crate::alarm::moment::Moment;
use crate::alarm::record::{JournalLine, Output, StateDelta};
use crate::alarm::state::{Reported, Step, What};
use crate::alarm::tree::AlarmIx;
use crate::ids::PersonId;

impl Engine {
    /// Lets something happen to one alarm, records every step it took and does what follows.
    pub(super) fn change(
        &mut self,
        ix: AlarmIx,
        m: Moment,
        detail: &str,
        by: Option<&PersonId>,
        happen: impl FnOnce(&mut Slot, &mut Vec<Step>),
    ) {
        let mut steps = std::mem::take(&mut self.scratch);
        steps.clear();
        let quiet = self.slots[ix].alarm.quiet();
        happen(&mut self.slots[ix], &mut steps);
        self.reschedule(ix);
        // A priority that follows what is in the jar, or the end of a wait, is not always a step.
        let moved = quiet != self.slots[ix].alarm.quiet();
        let stepped = !steps.is_empty() && self.follow_all(ix, &steps, m, detail, by);
        if stepped || (moved && !self.slots[ix].alarm.is_only_empty()) {
            self.persist_alarm(ix, m);
        }
        self.scratch = steps;
    }

    /// True when any of the steps is to be stored.
    fn follow_all(
        &mut self,
        ix: AlarmIx,
        steps: &[Step],
        m: Moment,
        detail: &str,
        by: Option<&PersonId>,
    ) -> bool {
        let last = self.slots[ix].alarm.reported();
        let mut worth_storing = false;
        for (n, step) in steps.iter().enumerate() {
            let to = steps.get(n + 1).map_or(last, |next| next.from);
            if step.what == What::Pending {
                self.slots[ix].since = self.wall(self.slots[ix].alarm.since());
            }
            let line = self.outputs.len();
            self.journal(ix, step.what, (step.from, to), m, detail, by);
            self.follow(ix, step.what, m);
            // Only what follows may have given the alarm its event.
            let event = self.slots[ix].event;
            if let Some(Output::Journal(line)) = self.outputs.get_mut(line) {
                line.event = line.event.or(event);
            }
            worth_storing |= !step.what.is_minor();
        }
        worth_storing
    }

    fn journal(
        &mut self,
        ix: AlarmIx,
        what: What,
        (from, to): (Reported, Reported),
        m: Moment,
        detail: &str,
        by: Option<&PersonId>,
    ) {
        let planned = &self.tree.alarms[ix];
        let slot = &self.slots[ix];
        let line = JournalLine {
            at: self.now.utc,
            clock_trusted: self.now.trusted,
            moment: m,
            kind: planned.kind,
            asset: planned.asset.clone(),
            what,
            row: what.row(),
            from,
            to,
            priority: slot.alarm.priority(),
            event: slot.event,
            value: slot.value,
            limit: slot.limit,
            by: by.cloned(),
            detail: if detail.is_empty() { slot.detail.clone() } else { detail.to_owned() },
            minor: what.is_minor(),
        };
        self.outputs.push_back(Output::Journal(Box::new(line)));
    }

    /// A journal line about an alarm that took no step.
    pub(super) fn note(&mut self, ix: AlarmIx, what: What, m: Moment, detail: &str) {
        let reported = self.slots[ix].alarm.reported();
        self.journal(ix, what, (reported, reported), m, detail, None);
    }

    fn follow(&mut self, ix: AlarmIx, what: What, m: Moment) {
        match what {
            // What its off-delay let go counts again when its samples fail: it is on and held on.
            What::Pending | What::Relapsed | What::Held => self.count_in(ix, m),
            What::NearMiss | What::Returning => self.count_out(ix, m),
            What::Dropped => {
                self.count_out(ix, m);
                self.raise_technical(ix, m);
            }
            What::Activated { again } => self.follow_activation(ix, again, m),
            What::Cleared | What::ShelfDone => {
                self.count_out(ix, m);
                self.release_children(ix, m);
                self.member_changed(ix, m);
            }
            What::Reminded => self.remind(ix, m),
            What::Worsened | What::Escalated => self.join(ix, Why::On, m),
            What::Closed { .. } => self.member_changed(ix, m),
            // A pause speaks for the alarm it names and for no other.
            What::Shelved => self.release_children(ix, m),
            What::Unshelved => {
                self.silence_ended(ix, m);
                self.cover_children(ix, m);
                self.member_changed(ix, m);
            }
            What::Unsuppressed => {
                self.silence_ended(ix, m);
                self.member_changed(ix, m);
            }
            What::OutOfService => {
                self.count_out(ix, m);
                self.release_children(ix, m);
            }
            What::PastPlannedEnd | What::ReturnedToService => self.check_out_of_use(m),
            What::Suppressed
            | What::Acknowledged
            | What::Confirmed
            | What::Chattering
            | What::Restored
            | What::ClockStepped => {}
        }
    }

    fn follow_activation(&mut self, ix: AlarmIx, again: bool, m: Moment) {
        self.count_in(ix, m);
        self.rest(ix);
        if let Some(sensor) = self.sensor_of(ix)
            && self.channels[sensor].stale
        {
            self.refresh_blind_priority(sensor, m);
        }
        if !self.slots[ix].alarm.suppression().any() {
            match self.explanation(ix) {
                Some(cause) => self.cover(ix, cause, m),
                None => self.join(ix, if again { Why::Again } else { Why::On }, m),
            }
        }
        self.cover_children(ix, m);
    }

    fn silence_ended(&mut self, ix: AlarmIx, m: Moment) {
        let alarm = &self.slots[ix].alarm;
        if !alarm.is_on() || alarm.suppression().any() {
            return;
        }
        match self.explanation(ix) {
            Some(cause) => self.cover(ix, cause, m),
            None => self.join(ix, Why::SilenceEnded, m),
        }
    }

    /// Samples failed before an alarm could be verified: the failing itself is told, no less
    /// urgently than the alarm would have been.
    fn raise_technical(&mut self, ix: AlarmIx, m: Moment) {
        let Some(sensor) = self.sensor_of(ix) else { return };
        let Some(blind) = self.tree.fed[sensor].blind else { return };
        let priority = self.slots[ix].tuning.priority;
        self.refresh_blind_priority(sensor, m);
        let tuning = &mut self.slots[blind].tuning;
        tuning.priority = tuning.priority.min(priority);
        let detail = "samples failed while an alarm was pending";
        self.change(blind, m, detail, None, |slot, steps| {
            slot.alarm.raise_at_once(m, m, &slot.tuning, steps);
        });
        self.change(blind, m, detail, None, |slot, steps| slot.alarm.worsen(priority, m, steps));
    }

    pub(super) fn reschedule(&mut self, ix: AlarmIx) {
        let slot = &mut self.slots[ix];
        let due = slot.alarm.poll_timeout(&slot.tuning).map(|(at, _)| at);
        if due == slot.deadline {
            return;
        }
        if let Some(old) = slot.deadline {
            self.timers.remove(&(old, Timer::Alarm(ix)));
        }
        if let Some(new) = due {
            self.timers.insert((new, Timer::Alarm(ix)));
        }
        slot.deadline = due;
    }

    pub(super) fn persist_alarm(&mut self, ix: AlarmIx, m: Moment) {
        let planned = &self.tree.alarms[ix];
        let alarm = &self.slots[ix].alarm;
        let state = (!alarm.is_only_empty()).then(|| Box::new(alarm.to_stored()));
        let delta = StateDelta::Alarm { kind: planned.kind, asset: planned.asset.clone(), state };
        self.persist(delta);
        if self.marked != m {
            self.marked = m;
            self.persist(StateDelta::Mark { moment: m });
        }
    }

    pub(super) fn persist(&mut self, delta: StateDelta) {
        self.outputs.push_back(Output::Persist(Box::new(delta)));
    }

    /// How a cause is named in what it covers.
    pub(super) fn cause_name(&self, ix: AlarmIx) -> String {
        let planned = &self.tree.alarms[ix];
        let words = crate::alarm::condition::short_words(planned.kind);
        format!("{words} {}", super::view::asset_words(&planned.asset))
    }

    /// Ends what an event says because of one alarm that leaves it.
    pub(super) fn leave_as_covered(&mut self, ix: AlarmIx, cause: AlarmIx, m: Moment) {
        let by = self.cause_name(cause);
        self.leave(ix, &Change::Covered { by }, m);
    }

    /// The alarm about the node of a source, if it has one.
    pub(super) fn node_of(&self, source: crate::reading::SourceIx) -> Option<AlarmIx> {
        self.tree.find(AlarmKind::BlindHeader, crate::alarm::tree::At::Node(source))
    }
}
