//! What people and rules do to one alarm.

use super::*;

impl Alarm {
    /// Somebody says they know. False when there is nothing to acknowledge.
    pub fn acknowledge(&mut self, by: &PersonId, now: Moment, tuning: &Tuning, out: &mut Vec<Step>) -> bool {
        let from = self.reported();
        if !self.is_unacknowledged() {
            return false;
        }
        if self.is_on() || self.latch {
            let until = now.after(re_alarm_time(self.priority));
            self.recognition = Recognition::Acknowledged { by: by.clone(), until };
            out.push(self.step(What::Acknowledged, from));
        } else {
            self.close(tuning);
            out.push(self.step(What::Closed { unread: false }, from));
        }
        true
    }

    /// Somebody says it is fixed. Resets the latch of an alarm that has returned to normal.
    pub fn confirm(&mut self, tuning: &Tuning, out: &mut Vec<Step>) {
        let from = self.reported();
        out.push(self.step(What::Confirmed, from));
        if self.latch && !self.is_on() {
            self.close(tuning);
            out.push(self.step(What::Closed { unread: false }, from));
        }
    }

    /// A limit of higher priority was passed: an earlier acknowledgment does not cover it.
    pub fn worsen(&mut self, priority: Priority, now: Moment, out: &mut Vec<Step>) {
        if priority >= self.priority {
            return;
        }
        let from = self.reported();
        self.priority = priority;
        if self.is_on() {
            self.recognition = Recognition::Unacknowledged { since: now };
            out.push(self.step(What::Worsened, from));
        }
    }

    /// Turns it on without waiting: what led to it was waited for elsewhere.
    pub fn raise_at_once(&mut self, began: Moment, now: Moment, tuning: &Tuning, out: &mut Vec<Step>) {
        if self.is_on() {
            return;
        }
        let from = self.reported();
        if self.condition == Condition::Normal {
            self.since = began.min(now);
            out.push(self.step(What::Pending, from));
        }
        self.activate(from, now, tuning, out);
    }

    /// Pauses it. The caller has checked the limits. Nothing happens while it is out of service.
    pub fn shelve(&mut self, shelf: Shelf, out: &mut Vec<Step>) {
        let from = self.reported();
        if self.suppression.out.is_none() {
            self.suppression.shelf = Some(shelf);
            out.push(self.step(What::Shelved, from));
        }
    }

    /// Ends a pause before its time.
    pub fn unshelve(&mut self, now: Moment, out: &mut Vec<Step>) {
        let from = self.reported();
        if self.suppression.shelf.take().is_some() {
            if self.is_on() {
                self.recognition = Recognition::Unacknowledged { since: now };
            }
            out.push(self.step(What::Unshelved, from));
        }
    }

    /// Lets another alarm speak for this one.
    pub fn cover(&mut self, cover: Cover, out: &mut Vec<Step>) {
        let from = self.reported();
        let new = self.suppression.cover.as_deref() != Some(&cover);
        self.suppression.cover = Some(Box::new(cover));
        self.suppression.settling = None;
        if new {
            out.push(self.step(What::Suppressed, from));
        }
    }

    /// The alarm that spoke for this one is off: one more wait, then it speaks for itself.
    pub fn uncover(&mut self, now: Moment, tuning: &Tuning) {
        if self.suppression.cover.take().is_some() {
            self.suppression.settling = Some(now.after(tuning.settle));
        }
    }

    /// The jar was emptied or loaded.
    pub fn set_empty(&mut self, empty: bool, now: Moment, tuning: &Tuning, out: &mut Vec<Step>) {
        let from = self.reported();
        if empty && !self.suppression.empty {
            self.suppression.empty = true;
            self.suppression.settling = None;
            out.push(self.step(What::Suppressed, from));
        } else if !empty && self.suppression.empty {
            self.suppression.empty = false;
            self.suppression.settling = Some(now.after(tuning.settle));
        }
    }

    /// The first word after a start: something was in the jar all the time.
    pub fn clear_empty(&mut self) {
        self.suppression.empty = false;
    }

    /// The first word after a start: nothing is known to be in the jar.
    pub fn assume_empty(&mut self) {
        self.suppression.empty = true;
    }

    /// Holds a new alarm back until the water has settled, at most until then.
    pub fn settle_until(&mut self, until: Moment, out: &mut Vec<Step>) {
        let from = self.reported();
        if !self.is_on() && !self.suppression.by_design() {
            self.suppression.settling = Some(until);
            out.push(self.step(What::Suppressed, from));
        }
    }

    /// Takes it out of use.
    pub fn take_out(&mut self, service: OutOfService, out: &mut Vec<Step>) {
        let from = self.reported();
        self.suppression.out = Some(Box::new(service));
        out.push(self.step(What::OutOfService, from));
    }

    /// Puts it back into use: normal, with the full on-delay from fresh samples.
    pub fn return_to_service(&mut self, tuning: &Tuning, out: &mut Vec<Step>) {
        let from = self.reported();
        if self.suppression.out.take().is_none() {
            return;
        }
        self.condition = Condition::Normal;
        self.unverified = false;
        self.grounds = Grounds::default();
        self.chattering = false;
        self.activations.clear();
        self.suppression.shelf = None;
        self.suppression.cover = None;
        self.close(tuning);
        out.push(self.step(What::ReturnedToService, from));
    }
}
