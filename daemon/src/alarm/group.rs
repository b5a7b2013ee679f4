//! Turning many alarms into few events.
//!
//! An *event* is what people are told of and answer to: one alarm, a cause that explains others,
//! or several alarms of one family under one header. Here are its waits and the decision what is
//! worth saying; [`crate::alarm::engine`] keeps the events.

use crate::alarm::condition::Family;
use crate::alarm::event::{Code, EventId, Priority};
use crate::alarm::moment::Moment;
use crate::alarm::record::StoredTold;
use crate::alarm::tree::{AlarmIx, At, Level};
use nightjar_calc::time::{Span, Timestamp};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeSet, VecDeque};

/// Children must have begun within this time of each other to point at their parent.
pub const TOGETHER: Span = Span::from_secs(60);
/// What was in alarm for longer than this before its parent is not its consequence.
pub const BEFORE_PARENT: Span = Span::from_minutes(5);

/// What ties alarms together: family, node, and whether the node itself or its children speak.
pub type GroupKey = (Family, At, Level);

/// Wait before the first message of an event.
#[must_use]
pub const fn first_wait(priority: Priority) -> Span {
    match priority {
        Priority::P1 => Span::from_secs(10),
        Priority::P2 | Priority::P3 => Span::from_secs(60),
    }
}

/// Wait before telling of new members.
#[must_use]
pub const fn member_wait(priority: Priority) -> Span {
    match priority {
        Priority::P1 => Span::from_minutes(5),
        Priority::P2 | Priority::P3 => Span::from_minutes(15),
    }
}

/// Enough further members to say so: at least three, and at least a quarter.
#[must_use]
pub fn has_grown(told: u32, now: u32) -> bool {
    now >= told.saturating_add(told.div_ceil(4).max(3))
}

/// Why an event wants to speak.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// An alarm went on.
    On,
    /// An alarm went on again.
    Again,
    /// A silence ended with the alarm still on.
    SilenceEnded,
}

/// One event.
#[derive(Clone, Debug)]
pub struct Event {
    /// Which.
    pub id: EventId,
    /// What to answer with.
    pub code: Code,
    /// What ties its alarms together.
    pub group: GroupKey,
    /// Its alarms.
    pub members: BTreeSet<AlarmIx>,
    /// Changes said so far.
    pub seq: u32,
    /// What was last said.
    pub told: Option<StoredTold>,
    /// When it wants to speak.
    pub due: Option<Moment>,
    /// When it first wanted to speak.
    pub first_due: Option<Moment>,
    /// Why it wants to speak.
    pub why: Why,
    /// Any member is on.
    pub on: bool,
    /// Made to hold what a person silenced.
    pub held: bool,
    /// Times it went on.
    pub times: u32,
    /// When the condition began, wall time.
    pub since: Timestamp,
    /// The last thing said was that it is off.
    pub over: bool,
    /// Last reminder, so that many members remind once.
    pub reminded_at: Option<Moment>,
}

/// How an event stands at the moment it wants to speak.
#[derive(Clone, Copy, Debug)]
pub struct Standing {
    /// Most urgent priority of the alarms that speak.
    pub priority: Priority,
    /// Members in alarm.
    pub members: u32,
    /// Some of them are acknowledged, others joined since.
    pub partly_acknowledged: bool,
}

/// What an event says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Say {
    /// For the first time.
    Raised,
    /// On again.
    Again,
    /// More urgent.
    Worsened,
    /// A silence ended.
    SilenceEnded,
    /// More members.
    Grew,
}

impl Event {
    /// What is worth saying; `None` leaves the new count to the next step of the ladder.
    #[must_use]
    pub fn say(&self, standing: &Standing) -> Option<Say> {
        let Some(told) = self.told else { return Some(Say::Raised) };
        if standing.priority < told.priority {
            return Some(Say::Worsened);
        }
        match self.why {
            Why::Again => Some(Say::Again),
            Why::SilenceEnded => Some(Say::SilenceEnded),
            // A cause has said what is wrong; that its consequences follow is no news.
            Why::On if self.group.2 == Level::Cause => None,
            Why::On => (standing.partly_acknowledged || has_grown(told.members, standing.members))
                .then_some(Say::Grew),
        }
    }

    /// Moves the moment it wants to speak, for an alarm of this priority that joined.
    /// `verified` is when its nominal on-delay ended: an alarm that took longer to be sure of waits
    /// the less for its group: an urgent one at least half, others at least a quarter.
    pub fn wants_to_speak(&mut self, why: Why, priority: Priority, verified: Moment, now: Moment) {
        let wait = first_wait(priority);
        let least = Span::from_ms(wait.ms() / if priority == Priority::P1 { 2 } else { 4 });
        let soon = if why == Why::On { verified.after(wait).max(now.after(least)) } else { now.after(wait) };
        let due = match self.told {
            Some(told) if why == Why::On && priority >= told.priority => {
                soon.max(told.at.after(member_wait(priority)))
            }
            Some(_) | None => soon,
        };
        self.why = if self.due.is_some() { self.why.max(why) } else { why };
        let due = self.due.map_or(due, |earlier| earlier.min(due));
        self.due = Some(due);
        self.first_due.get_or_insert(due);
    }
}

/// Announcements within this time count towards a flood.
const FLOOD_WINDOW: Span = Span::from_minutes(10);
/// More than this many begin a flood.
const FLOOD_BEGINS_ABOVE: usize = 10;
/// Fewer than this many end it.
const FLOOD_ENDS_BELOW: usize = 5;

/// Too many alarms at once to be told one by one.
#[derive(Clone, Debug, Default)]
pub struct Flood {
    announced: VecDeque<Moment>,
    on: bool,
    /// When the next summary is due, in a flood.
    summary: Option<Moment>,
}

/// What the end of a wait means in a flood.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FloodStep {
    /// It is over.
    Ended,
    /// One text says what there was in the last ten minutes.
    Summary,
}

impl Flood {
    /// An event was announced. True when that began a flood.
    pub fn handle_announced(&mut self, now: Moment) -> bool {
        self.forget(now);
        self.announced.push_back(now);
        // More than this many are never needed to decide.
        if self.announced.len() > 10 * FLOOD_BEGINS_ABOVE {
            self.announced.pop_front();
        }
        let begins = !self.on && self.announced.len() > FLOOD_BEGINS_ABOVE;
        if begins {
            self.on = true;
            self.summary = Some(now.after(FLOOD_WINDOW));
        }
        begins
    }

    /// Lets time pass.
    pub fn handle_timeout(&mut self, now: Moment) -> Option<FloodStep> {
        self.forget(now);
        if self.on && self.announced.len() < FLOOD_ENDS_BELOW {
            self.on = false;
            self.summary = None;
            return Some(FloodStep::Ended);
        }
        let due = self.summary.filter(|due| *due <= now)?;
        self.summary = Some(due.max(now).after(FLOOD_WINDOW));
        Some(FloodStep::Summary)
    }

    fn forget(&mut self, now: Moment) {
        while self.announced.front().is_some_and(|at| now.since(*at) > FLOOD_WINDOW) {
            self.announced.pop_front();
        }
    }

    /// When the flood may end or is to be summed up.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Moment> {
        let oldest = self.announced.front().filter(|_| self.on);
        let ends = oldest.map(|at| at.after(FLOOD_WINDOW).after(Span::from_ms(1)));
        ends.into_iter().chain(self.summary).min()
    }

    /// A flood is on.
    #[must_use]
    pub fn is_on(&self) -> bool {
        self.on
    }

    /// Announcements within the last ten minutes.
    #[must_use]
    pub fn announced(&self) -> u32 {
        u32::try_from(self.announced.len()).unwrap_or(u32::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minute(minutes: u64) -> Moment {
        Moment(minutes * 60_000)
    }

    fn second(seconds: u64) -> Moment {
        Moment(seconds * 1000)
    }

    /// An event of the supply, last told as so urgent 100 s after the start, if at all.
    fn event(level: Level, told: Option<Priority>) -> Event {
        Event {
            id: EventId(1),
            code: Code("M4T".into()),
            group: (Family::FlowLow, At::Supply, level),
            members: BTreeSet::new(),
            seq: 0,
            told: told.map(|priority| StoredTold { priority, members: 2, at: second(100) }),
            due: None,
            first_due: None,
            why: Why::On,
            on: true,
            held: false,
            times: 1,
            since: Timestamp::from_ms(0),
            over: false,
            reminded_at: None,
        }
    }

    #[test]
    fn first_words_wait_for_the_group_and_what_came_late_waits_the_less() {
        let due = |priority, verified, now| {
            let mut event = event(Level::Children, None);
            event.wants_to_speak(Why::On, priority, second(verified), second(now));
            event.due.unwrap().0 / 1000
        };
        // Ten seconds after an urgent alarm was sure, but at least five from now; else a minute, at least fifteen
        // seconds.
        assert_eq!([due(Priority::P1, 0, 2), due(Priority::P1, 0, 8)], [10, 13]);
        assert_eq!([due(Priority::P2, 0, 20), due(Priority::P3, 0, 50)], [60, 65]);
    }

    #[test]
    fn new_members_wait_from_the_last_words_on_and_what_is_more_urgent_does_not() {
        let due = |told, priority| {
            let mut event = event(Level::Children, Some(told));
            event.wants_to_speak(Why::On, priority, second(110), second(110));
            event.due.unwrap().0 / 1000
        };
        assert_eq!([due(Priority::P1, Priority::P1), due(Priority::P2, Priority::P2)], [400, 1000]);
        assert_eq!(due(Priority::P2, Priority::P1), 120, "worse than what was said");
    }

    #[test]
    fn that_its_consequences_follow_is_no_news_of_a_cause() {
        let standing = Standing { priority: Priority::P1, members: 20, partly_acknowledged: true };
        let said = |level| event(level, Some(Priority::P1)).say(&standing);
        assert_eq!([said(Level::Cause), said(Level::Children)], [None, Some(Say::Grew)]);
        assert_eq!(event(Level::Cause, None).say(&standing), Some(Say::Raised));
        assert_eq!(event(Level::Cause, Some(Priority::P2)).say(&standing), Some(Say::Worsened));
    }

    #[test]
    fn new_members_of_an_urgent_event_wait_five_minutes_and_of_others_fifteen() {
        let waits = [Priority::P1, Priority::P2, Priority::P3].map(|p| member_wait(p).ms() / 60_000);
        assert_eq!(waits, [5, 15, 15]);
    }

    #[test]
    fn the_eleventh_announcement_in_ten_minutes_begins_a_flood_and_the_seventh_gone_ends_it() {
        let mut flood = Flood::default();
        for n in 0..10 {
            assert!(!flood.handle_announced(Moment(n * 1000)), "{n}");
        }
        assert_eq!(flood.poll_timeout(), None, "nothing to wait for outside a flood");
        assert!(flood.handle_announced(minute(10)), "the first is ten minutes old to the millisecond");
        assert!(!flood.handle_announced(minute(10)), "it begins once");
        assert_eq!((flood.is_on(), flood.announced()), (true, 12));
        // From second 0 to 9 they fall out one by one; with four left it is over.
        assert_eq!(flood.poll_timeout(), Some(Moment(600_001)));
        for gone in 1..=7 {
            assert_eq!(flood.handle_timeout(Moment(600_000 + gone * 1000)), None, "{gone} gone");
        }
        assert_eq!(flood.announced(), 5);
        assert_eq!(flood.handle_timeout(Moment(600_000 + 8000)), Some(FloodStep::Ended));
        assert!(!flood.is_on());
    }

    #[test]
    fn a_flood_that_goes_on_is_summed_up_every_ten_minutes_and_remembers_a_hundred() {
        let mut flood = Flood::default();
        for n in 0..11 {
            flood.handle_announced(Moment(n));
        }
        for n in 0..200 {
            flood.handle_announced(Moment(300_000 + n));
        }
        assert_eq!(flood.announced(), 100);
        let begun = 10;
        assert_eq!(flood.handle_timeout(Moment(begun + 599_999)), None);
        assert_eq!(flood.handle_timeout(Moment(begun + 600_000)), Some(FloodStep::Summary));
        assert_eq!(flood.handle_timeout(Moment(begun + 600_001)), None, "said once");
    }
}
