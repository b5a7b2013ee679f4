//! What keeps texts from running away: at most so many an hour to one person and a day to all, and
//! in a flood one that sums up in place of many.

use crate::alarm::event::{AlarmEvent, Asset, Change, Priority};
use crate::clock::Uptime;
use crate::ids::PersonId;
use nightjar_calc::time::Span;
use std::collections::{BTreeSet, VecDeque};

/// Texts to one person within an hour.
const HOURLY: usize = 30;
const HOUR: Span = Span::from_hours(1);
/// Texts to everybody within a day.
const DAILY: usize = 200;
const DAY: Span = Span::from_hours(24);

/// Whether a text may go out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Allowed {
    /// Yes.
    Yes,
    /// Yes, and no more for now: it must say so.
    Last,
    /// No.
    No,
}

/// Texts that went out lately.
#[derive(Clone, Debug, Default)]
pub(super) struct Texts {
    sent: VecDeque<(Uptime, PersonId)>,
    /// A flood is on; who would have got a text since the last summary.
    flood: Option<BTreeSet<PersonId>>,
    /// Summaries so far, for their keys.
    pub summaries: u32,
}

impl Texts {
    /// Whether a text to somebody may go out; counts it when it may. What concerns many jars at
    /// once and is urgent does not count against the hour.
    pub(super) fn allow(&mut self, person: &PersonId, exempt: bool, up: Uptime) -> Allowed {
        while self.sent.front().is_some_and(|(at, _)| up.since(*at) > DAY) {
            self.sent.pop_front();
        }
        let lately = |(at, to): &&(Uptime, PersonId)| to == person && up.since(*at) <= HOUR;
        if self.sent.len() >= DAILY || (!exempt && self.sent.iter().filter(lately).count() >= HOURLY) {
            return Allowed::No;
        }
        self.sent.push_back((up, person.clone()));
        if self.sent.len() == DAILY { Allowed::Last } else { Allowed::Yes }
    }

    /// A flood began, goes on or ended. Gives those who had no text since the last summary.
    pub(super) fn flood(&mut self, on: bool) -> BTreeSet<PersonId> {
        let silenced = self.flood.take().unwrap_or_default();
        self.flood = on.then(BTreeSet::new);
        silenced
    }

    /// True when a flood keeps a text about this back; the next summary then goes to that person.
    pub(super) fn kept_back(&mut self, event: &AlarmEvent, person: &PersonId) -> bool {
        let Some(silenced) = &mut self.flood else { return false };
        if is_parent(event) && event.change.is_new() {
            return false;
        }
        silenced.insert(person.clone());
        true
    }
}

/// Urgent, and about many jars at once or the monitor itself.
pub(super) fn is_parent(event: &AlarmEvent) -> bool {
    let many = match event.asset {
        Asset::Site | Asset::Supply | Asset::Pump(_) | Asset::Header(_) | Asset::Monitor | Asset::Node(_) => {
            true
        }
        Asset::Jar(_) | Asset::Sensor(_) | Asset::Route(_) => false,
    };
    many && event.priority == Priority::P1
}

impl Change {
    /// Something that was not so before.
    pub(super) fn is_new(&self) -> bool {
        match self {
            Self::Raised | Self::Again { .. } | Self::Worsened | Self::Unsuppressed => true,
            Self::Grew
            | Self::Acknowledged { .. }
            | Self::Reminder
            | Self::Cleared
            | Self::Confirmed { .. }
            | Self::Shelved { .. }
            | Self::Covered { .. }
            | Self::OutOfService { .. } => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn person(name: &str) -> PersonId {
        PersonId::new(name).unwrap()
    }

    fn at(seconds: i64) -> Uptime {
        Uptime::from_ms(0).after(Span::from_secs(seconds))
    }

    #[test]
    fn thirty_an_hour_to_one_person_and_two_hundred_a_day_to_all() {
        let mut texts = Texts::default();
        let (ann, bo) = (person("ann"), person("bo"));
        for second in 0..30 {
            assert_eq!(texts.allow(&ann, false, at(second)), Allowed::Yes);
        }
        assert_eq!(texts.allow(&ann, false, at(30)), Allowed::No);
        assert_eq!(texts.allow(&bo, false, at(30)), Allowed::Yes, "the hour is counted by person");
        assert_eq!(texts.allow(&ann, true, at(30)), Allowed::Yes, "urgent ones about many jars go out");
        assert_eq!(texts.allow(&ann, false, at(3_600 + 31)), Allowed::Yes);
        let mut last = 0;
        for second in 0..400 {
            last += i32::from(texts.allow(&bo, true, at(4_000 + second)) == Allowed::Last);
        }
        assert_eq!(last, 1, "the last one of the day is marked, once");
        assert_eq!(texts.allow(&ann, true, at(5_000)), Allowed::No);
        // The thirty of the first half minute fall out one by one.
        assert_eq!(texts.clone().allow(&ann, true, at(86_400)), Allowed::No, "a day old to the second");
        assert_eq!(texts.clone().allow(&ann, true, at(86_401)), Allowed::Last);
        assert_eq!(texts.allow(&ann, true, at(5_000 + 86_400)), Allowed::Yes);
    }
}
