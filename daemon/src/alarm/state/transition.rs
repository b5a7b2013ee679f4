//! Verdicts and deadlines: how the condition moves, and what that does to recognition.

use super::{
    Alarm, CHATTERING_AT, Condition, Grounds, Recognition, Reported, SAME_EVENT_WITHIN, Step, Tuning,
    UNREAD_FOR, Verdict, What, chattering_window,
};
use crate::alarm::moment::Moment;

impl Alarm {
    /// Takes a verdict. `began` is when what it is about began: now for a sample, earlier for a
    /// common cause that was found out late.
    pub fn handle_verdict(
        &mut self,
        verdict: Verdict,
        began: Moment,
        now: Moment,
        tuning: &Tuning,
        out: &mut Vec<Step>,
    ) {
        // Nearly every call ends here.
        if self.condition == Condition::Normal && matches!(verdict, Verdict::Margin | Verdict::Inside) {
            self.doubt = false;
            return;
        }
        self.handle_timeout(now, tuning, out); // a deadline that has passed comes before the value
        let from = self.reported();
        match verdict {
            Verdict::Beyond => self.handle_beyond(from, began, now, out),
            Verdict::Margin | Verdict::Inside => self.handle_inside(verdict, from, now, out),
            Verdict::Unknown => self.handle_unknown(from, out),
        }
        self.handle_timeout(now, tuning, out); // so that a zero delay takes effect at once
    }

    fn handle_beyond(&mut self, from: Reported, began: Moment, now: Moment, out: &mut Vec<Step>) {
        self.doubt = false;
        self.unverified = false;
        self.condition = match self.condition {
            Condition::Normal => {
                self.since = began.min(now);
                out.push(self.step(What::Pending, from));
                Condition::PendingOn { since: self.since, good: 1 }
            }
            Condition::PendingOn { since, good } => {
                Condition::PendingOn { since, good: good.saturating_add(1) }
            }
            Condition::PendingOff { .. } => {
                out.push(self.step(What::Relapsed, from));
                Condition::Active
            }
            Condition::Active => Condition::Active,
        };
    }

    fn handle_inside(&mut self, verdict: Verdict, from: Reported, now: Moment, out: &mut Vec<Step>) {
        self.doubt = false;
        self.unverified = false;
        self.condition = match self.condition {
            Condition::PendingOn { .. } => {
                out.push(self.step(What::NearMiss, from));
                Condition::Normal
            }
            Condition::Active if verdict == Verdict::Inside => {
                out.push(self.step(What::Returning, from));
                Condition::PendingOff { since: now, good: 1 }
            }
            Condition::PendingOff { .. } if verdict == Verdict::Margin => {
                out.push(self.step(What::Relapsed, from));
                Condition::Active
            }
            Condition::PendingOff { since, good } => {
                Condition::PendingOff { since, good: good.saturating_add(1) }
            }
            unchanged @ (Condition::Normal | Condition::Active) => unchanged,
        };
    }

    fn handle_unknown(&mut self, from: Reported, out: &mut Vec<Step>) {
        self.doubt = true;
        if self.is_on() {
            self.condition = Condition::Active;
            if !self.unverified {
                self.unverified = true;
                out.push(self.step(What::Held, from));
            }
        }
    }

    /// Lets every deadline take effect that has passed.
    pub fn handle_timeout(&mut self, now: Moment, tuning: &Tuning, out: &mut Vec<Step>) {
        // At most one step for each kind of deadline, and a few follow-ups.
        for _ in 0..8 {
            if self.poll_timeout(tuning).is_none_or(|(due, _)| due > now) {
                return;
            }
            self.pass_deadline(now, tuning, out);
        }
    }

    fn pass_deadline(&mut self, now: Moment, tuning: &Tuning, out: &mut Vec<Step>) {
        let from = self.reported();
        let due = |at: Option<Moment>| at.is_some_and(|at| at <= now);
        if due(self.condition_deadline(tuning)) {
            match self.condition {
                Condition::PendingOn { good, .. } if good >= tuning.min_good => {
                    self.activate(from, now, tuning, out);
                }
                Condition::PendingOn { .. } => {
                    self.condition = Condition::Normal;
                    out.push(self.step(What::Dropped, from));
                }
                Condition::PendingOff { .. } => self.clear(from, now, tuning, out),
                Condition::Normal | Condition::Active => {}
            }
        } else if due(self.recognition_deadline(tuning)) {
            self.pass_recognition_deadline(from, now, tuning, out);
        } else if self.wait_for_clearing(now, tuning) {
            // It is about to clear; if it does, nobody needs to be told.
        } else if let Some(what) = self.suppression.pass_deadline(now) {
            if self.is_on() && matches!(what, What::Unshelved | What::Unsuppressed) {
                self.recognition = Recognition::Unacknowledged { since: now };
            }
            out.push(self.step(what, from));
        }
    }

    /// Makes a settle time that ends during an off-delay as long as that, once.
    fn wait_for_clearing(&mut self, now: Moment, tuning: &Tuning) -> bool {
        let Condition::PendingOff { since, .. } = self.condition else { return false };
        let until = since.after(self.off_delay(tuning));
        let ends = self.suppression.settling.is_some_and(|at| at <= now);
        if !ends || self.suppression.settling_longer || until <= now {
            return false;
        }
        self.suppression.settling = Some(until);
        self.suppression.settling_longer = true;
        true
    }

    fn pass_recognition_deadline(
        &mut self,
        from: Reported,
        now: Moment,
        tuning: &Tuning,
        out: &mut Vec<Step>,
    ) {
        match self.recognition {
            Recognition::Acknowledged { .. } => {
                self.recognition = Recognition::Unacknowledged { since: now };
                out.push(self.step(What::Reminded, from));
            }
            Recognition::Unacknowledged { .. } if self.is_on() => {
                if let Some((_, priority)) = tuning.escalates {
                    self.priority = priority;
                    out.push(self.step(What::Escalated, from));
                }
            }
            Recognition::Unacknowledged { .. } => {
                self.close(tuning);
                out.push(self.step(What::Closed { unread: true }, from));
            }
            Recognition::None => {}
        }
    }

    pub(super) fn activate(&mut self, from: Reported, now: Moment, tuning: &Tuning, out: &mut Vec<Step>) {
        let again = self.is_unacknowledged()
            && self.cleared.is_some_and(|at| self.since.since(at) <= SAME_EVENT_WITHIN);
        self.times = if again { self.times.saturating_add(1) } else { 1 };
        self.condition = Condition::Active;
        self.recognition = Recognition::Unacknowledged { since: now };
        self.cleared = None;
        self.latch = tuning.latched;
        self.unverified = self.doubt;
        if !again {
            self.priority = tuning.priority;
        }
        let window = chattering_window(tuning);
        self.activations.retain(|at| now.since(*at) <= window);
        if self.activations.len() == CHATTERING_AT {
            self.activations.remove(0);
        }
        self.activations.push(now);
        out.push(self.step(What::Activated { again }, from));
        let chattering = self.activations.len() >= CHATTERING_AT;
        if chattering && !self.chattering {
            out.push(self.step(What::Chattering, self.reported()));
        }
        self.chattering = chattering;
    }

    fn clear(&mut self, from: Reported, now: Moment, tuning: &Tuning, out: &mut Vec<Step>) {
        self.condition = Condition::Normal;
        self.unverified = false;
        self.grounds = Grounds::default();
        self.cleared = Some(now);
        if self.latch {
            out.push(self.step(What::Cleared, from));
            return;
        }
        let one_shot = self.suppression.shelf.as_ref().is_some_and(|shelf| shelf.one_shot);
        let quiet = self.suppression.by_design();
        if one_shot {
            self.suppression.shelf = None;
        }
        // Nobody was told of what a rule covers, so there is nothing to answer.
        if one_shot || quiet || !self.is_unacknowledged() {
            self.close(tuning);
        }
        out.push(self.step(if one_shot { What::ShelfDone } else { What::Cleared }, from));
    }

    pub(super) fn close(&mut self, tuning: &Tuning) {
        self.recognition = Recognition::None;
        self.latch = false;
        self.times = 0;
        self.cleared = None;
        self.priority = tuning.priority;
    }

    /// When to be called next, and why.
    #[must_use]
    pub fn poll_timeout(&self, tuning: &Tuning) -> Option<(Moment, &'static str)> {
        let condition = self.condition_deadline(tuning).map(|at| (at, "on- or off-delay"));
        let recognition = self.recognition_deadline(tuning).map(|at| (at, "acknowledgment"));
        let suppression = self.suppression.deadline().map(|at| (at, "pause, cover or planned end"));
        [condition, recognition, suppression].into_iter().flatten().min()
    }

    fn condition_deadline(&self, tuning: &Tuning) -> Option<Moment> {
        match self.condition {
            Condition::PendingOn { since, good } if good >= tuning.min_good => {
                Some(since.after(tuning.on_delay))
            }
            // Too few good samples: one extra on-delay, then the technical alarm.
            Condition::PendingOn { since, .. } if self.doubt => {
                Some(since.after(tuning.on_delay).after(tuning.on_delay))
            }
            Condition::PendingOff { since, good } if good >= tuning.min_good => {
                Some(since.after(self.off_delay(tuning)))
            }
            Condition::PendingOn { .. }
            | Condition::PendingOff { .. }
            | Condition::Normal
            | Condition::Active => None,
        }
    }

    fn recognition_deadline(&self, tuning: &Tuning) -> Option<Moment> {
        match &self.recognition {
            Recognition::None => None,
            Recognition::Acknowledged { until, .. } => self.is_on().then_some(*until),
            Recognition::Unacknowledged { since } if self.is_on() => tuning
                .escalates
                .filter(|(_, priority)| *priority < self.priority)
                .map(|(after, _)| since.after(after)),
            Recognition::Unacknowledged { .. } => {
                self.cleared.filter(|_| !self.latch).map(|at| at.after(UNREAD_FOR))
            }
        }
    }

    pub(super) fn step(&self, what: What, from: Reported) -> Step {
        Step { what, from }
    }
}
