//! The machine of one alarm: three independent regions and the state people see.
//!
//! *Condition* is evaluated always, whatever the other regions say. *Recognition* is what people
//! have done about it. *Suppression* is who has asked for silence, and until when. Keeping them
//! apart is what keeps a pause from losing an acknowledgment, and an acknowledgment from hiding
//! a condition.
//!
//! A measure never reaches this module, only a [`Verdict`] about it. Three of them move the
//! condition; the fourth, [`Verdict::Unknown`], can hold an alarm but never clear one.

mod step;
mod suppression;

pub use step::{Step, What};
pub use suppression::{Cover, OutOfService, Shelf, Suppression};

use crate::alarm::event::Priority;
use crate::alarm::moment::Moment;
use crate::ids::PersonId;
use nightjar_calc::time::Span;
use serde::{Deserialize, Serialize};

/// A cleared alarm that comes back within this time is the same event.
pub const SAME_EVENT_WITHIN: Span = Span::from_minutes(30);
/// A cleared alarm that nobody acknowledged is closed after this time.
pub const UNREAD_FOR: Span = Span::from_hours(24);
/// Activations inside the chattering window that make an alarm chatter.
pub const CHATTERING_AT: usize = 3;
/// Shortest chattering window, and longest off-delay chattering leads to.
const CHATTERING_SPAN: Span = Span::from_minutes(10);

/// What one look at the water says about one limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Verdict {
    /// Beyond the limit.
    Beyond,
    /// Back inside the limit, not yet past the deadband.
    Margin,
    /// Inside the limit by more than the deadband.
    Inside,
    /// Bad, uncertain, stale or missing.
    Unknown,
}

/// Whether the alarm condition is true.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Condition {
    /// It is not.
    Normal,
    /// The on-delay runs.
    PendingOn {
        /// Since when.
        since: Moment,
        /// Good samples beyond the limit so far.
        good: u8,
    },
    /// It is.
    Active,
    /// The off-delay runs.
    PendingOff {
        /// Since when.
        since: Moment,
        /// Good samples inside so far.
        good: u8,
    },
}

/// What people have done about it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Recognition {
    /// There is nothing to be done.
    None,
    /// Nothing yet.
    Unacknowledged {
        /// Since when.
        since: Moment,
    },
    /// Somebody knows.
    Acknowledged {
        /// Who.
        by: PersonId,
        /// Until when the nagging stops.
        until: Moment,
    },
}

/// The state people see, derived from the regions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Reported {
    /// A.
    Normal,
    /// B: on, nobody has answered.
    Unacknowledged,
    /// C: on, somebody knows.
    Acknowledged,
    /// D: off, nobody has answered.
    Returned,
    /// E: off but latched, nobody has answered.
    LatchedUnacknowledged,
    /// F: off but latched, somebody knows.
    LatchedAcknowledged,
    /// G: paused by a person.
    Shelved,
    /// H: covered by a rule.
    Suppressed,
    /// I: out of use.
    OutOfService,
}

impl Reported {
    /// The letter it is known by.
    #[must_use]
    pub const fn letter(self) -> char {
        match self {
            Self::Normal => 'A',
            Self::Unacknowledged => 'B',
            Self::Acknowledged => 'C',
            Self::Returned => 'D',
            Self::LatchedUnacknowledged => 'E',
            Self::LatchedAcknowledged => 'F',
            Self::Shelved => 'G',
            Self::Suppressed => 'H',
            Self::OutOfService => 'I',
        }
    }
}

/// The numbers of one alarm. Configuration: not stored with its state.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tuning {
    /// Time the condition must hold before it counts.
    pub on_delay: Span,
    /// Time it must be gone before that counts.
    pub off_delay: Span,
    /// Good samples needed to go on, and to go off.
    pub min_good: u8,
    /// Stays until a person resets it.
    pub latched: bool,
    /// Priority it starts with.
    pub priority: Priority,
    /// Becomes this priority when unacknowledged for this long.
    pub escalates: Option<(Span, Priority)>,
    /// Wait after a cover or an empty jar ends.
    pub settle: Span,
}

/// Length of an acknowledgment.
#[must_use]
pub const fn re_alarm_time(priority: Priority) -> Span {
    match priority {
        Priority::P1 => Span::from_minutes(30),
        Priority::P2 => Span::from_hours(2),
        Priority::P3 => Span::from_hours(24),
    }
}

/// Longest time a person may shelve for.
#[must_use]
pub const fn longest_shelving(priority: Priority) -> Span {
    match priority {
        Priority::P1 => Span::from_minutes(30),
        Priority::P2 => Span::from_hours(4),
        Priority::P3 => Span::from_hours(24),
    }
}

/// Longest planned time out of service.
pub const LONGEST_OUT: Span = Span::from_hours(7 * 24);

/// One alarm.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Alarm {
    condition: Condition,
    recognition: Recognition,
    suppression: Suppression,
    priority: Priority,
    /// When the condition that led to the last activation began.
    since: Moment,
    /// When it last cleared, while that can still matter.
    cleared: Option<Moment>,
    /// Latest activations, oldest first, at most [`CHATTERING_AT`].
    activations: Vec<Moment>,
    chattering: bool,
    latch: bool,
    unverified: bool,
    /// Last input was [`Verdict::Unknown`].
    doubt: bool,
    /// Activations within the present event.
    times: u32,
    /// What it rests on while it is on.
    #[serde(default)]
    grounds: Grounds,
}

/// What an alarm about a shared place rests on. Stored with it, so that a restart does not look
/// for a cause anew.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Grounds {
    /// Its children point at it.
    pub children: bool,
    /// Its own measure has been beyond since it went on.
    pub measure: bool,
}

/// What can change without a step, and is stored all the same.
pub(crate) type Quiet = (Priority, Option<Moment>, bool);

impl Alarm {
    /// Normal, of the priority of its tuning.
    #[must_use]
    pub fn new(tuning: &Tuning) -> Self {
        Self {
            condition: Condition::Normal,
            recognition: Recognition::None,
            suppression: Suppression::default(),
            priority: tuning.priority,
            since: Moment(0),
            cleared: None,
            activations: Vec::new(),
            chattering: false,
            latch: false,
            unverified: false,
            doubt: false,
            times: 0,
            grounds: Grounds::default(),
        }
    }

    /// As it is stored. A running on-delay starts anew after a restart and a running off-delay
    /// must be earned again by fresh samples, so neither is kept.
    #[must_use]
    pub fn to_stored(&self) -> Self {
        let condition = if self.is_on() { Condition::Active } else { Condition::Normal };
        // What is off has no beginning, and what is on is looked at anew.
        let since = if self.is_on() { self.since } else { Moment(0) };
        Self { condition, since, doubt: false, unverified: false, ..self.clone() }
    }

    /// Nothing about it is worth storing: never on, which leaves its activations, and not silenced.
    #[must_use]
    pub fn is_as_new(&self) -> bool {
        self.activations.is_empty() && !self.suppression.any()
    }

    /// Nothing but that its jar is empty, which the logbook knows better.
    #[must_use]
    pub fn is_only_empty(&self) -> bool {
        let mut plain = self.clone();
        plain.suppression.empty = false;
        plain.is_as_new()
    }

    /// The first region.
    #[must_use]
    pub fn condition(&self) -> Condition {
        self.condition
    }
    /// The second region.
    #[must_use]
    pub fn recognition(&self) -> &Recognition {
        &self.recognition
    }
    /// The third region.
    #[must_use]
    pub fn suppression(&self) -> &Suppression {
        &self.suppression
    }
    /// Present priority.
    #[must_use]
    pub fn priority(&self) -> Priority {
        self.priority
    }
    /// When the condition began, while it is pending or on.
    #[must_use]
    pub fn since(&self) -> Moment {
        self.since
    }
    /// Activations within the present event.
    #[must_use]
    pub fn times(&self) -> u32 {
        self.times
    }
    /// On, and its sensor bad or silent since.
    #[must_use]
    pub fn is_unverified(&self) -> bool {
        self.unverified
    }
    /// On and off so often that it is held on longer.
    #[must_use]
    pub fn is_chattering(&self) -> bool {
        self.chattering
    }
    /// What it rests on.
    #[must_use]
    pub fn grounds(&self) -> Grounds {
        self.grounds
    }
    /// Says what it rests on. True when that is news about an alarm that is on.
    pub(crate) fn rest_on(&mut self, grounds: Grounds) -> bool {
        let news = self.is_on() && self.grounds != grounds;
        if news {
            self.grounds = grounds;
        }
        news
    }
    pub(crate) fn quiet(&self) -> Quiet {
        (self.priority, self.suppression.settling, self.suppression.settling_longer)
    }
    /// Active or Pending-off.
    #[must_use]
    pub fn is_on(&self) -> bool {
        matches!(self.condition, Condition::Active | Condition::PendingOff { .. })
    }
    /// Pending-on or Active: the last good look said beyond.
    #[must_use]
    pub fn is_beyond(&self) -> bool {
        matches!(self.condition, Condition::PendingOn { .. } | Condition::Active)
    }
    /// In B: on and nobody has answered.
    #[must_use]
    pub fn is_unacknowledged(&self) -> bool {
        matches!(self.recognition, Recognition::Unacknowledged { .. })
    }

    /// The state people see.
    #[must_use]
    pub fn reported(&self) -> Reported {
        let acknowledged = matches!(self.recognition, Recognition::Acknowledged { .. });
        if self.suppression.out.is_some() {
            Reported::OutOfService
        } else if self.suppression.shelf.is_some() {
            Reported::Shelved
        } else if self.suppression.by_design() {
            Reported::Suppressed
        } else if self.is_on() {
            if acknowledged { Reported::Acknowledged } else { Reported::Unacknowledged }
        } else if self.latch {
            if acknowledged { Reported::LatchedAcknowledged } else { Reported::LatchedUnacknowledged }
        } else if self.is_unacknowledged() {
            Reported::Returned
        } else {
            Reported::Normal
        }
    }

    /// Off-delay in force.
    #[must_use]
    pub fn off_delay(&self, tuning: &Tuning) -> Span {
        if !self.chattering {
            return tuning.off_delay;
        }
        let longer = tuning.off_delay.ms().saturating_mul(4).min(CHATTERING_SPAN.ms());
        Span::from_ms(longer.max(tuning.off_delay.ms()))
    }

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

    fn activate(&mut self, from: Reported, now: Moment, tuning: &Tuning, out: &mut Vec<Step>) {
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

    fn close(&mut self, tuning: &Tuning) {
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

    fn step(&self, what: What, from: Reported) -> Step {
        Step { what, from }
    }
}

/// Activations closer together than this are chatter.
#[must_use]
pub fn chattering_window(tuning: &Tuning) -> Span {
    let both = tuning.on_delay.ms().saturating_add(tuning.off_delay.ms());
    Span::from_ms(both.saturating_mul(4).max(CHATTERING_SPAN.ms()))
}

mod command;
