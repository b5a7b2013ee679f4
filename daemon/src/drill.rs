//! A drill: a P1 that nobody need fear goes through ladder and routes, so that it is known which
//! phones ring and how soon somebody answers.
//!
//! [`Drill`] is pure: it is told what was seen and when, and says what to do. [`request`] is how a
//! drill is asked for, [`watch`] the task that carries it out. What came of the last drill is kept
//! as [`Record`] in the store, under [`KEY`].

pub mod request;
pub mod watch;

use crate::alarm::event::EventId;
use crate::clock::{Now, Uptime};
use crate::ids::PersonId;
use nightjar_calc::time::{Span, Timestamp};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, VecDeque};

/// Where the record is kept among the stored states.
pub const KEY: &str = "drill";
/// A drill that nobody answers ends after this long.
pub const LONGEST: Span = Span::from_minutes(30);
/// Once somebody has answered, the others who were told get this much longer.
pub const OTHERS: Span = Span::from_minutes(2);

/// How a drill ended, or that it has not.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// It goes on.
    Running,
    /// Somebody answered.
    Answered,
    /// Nobody did.
    Unanswered,
    /// The program ended meanwhile.
    CutShort,
    /// It was not begun.
    Refused(String),
}

/// What is known of a drill.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Name its request gave it.
    pub id: String,
    /// When it began.
    pub began_at: Timestamp,
    /// The event people were told of.
    pub event: Option<EventId>,
    /// Seconds until a route took the first message, by person and route.
    pub taken_after_s: BTreeMap<PersonId, BTreeMap<String, f64>>,
    /// Seconds until the first acknowledgment of each person.
    pub answered_after_s: BTreeMap<PersonId, f64>,
    /// Seconds it took in all.
    pub took_s: Option<f64>,
    /// How it ended.
    pub outcome: Outcome,
}

impl Record {
    /// One that was not begun.
    #[must_use]
    pub fn refused(id: &str, why: &str, now: Now) -> Self {
        Self { outcome: Outcome::Refused(why.to_owned()), ..Self::new(id, now) }
    }

    fn new(id: &str, now: Now) -> Self {
        Self {
            id: id.to_owned(),
            began_at: now.utc,
            event: None,
            taken_after_s: BTreeMap::new(),
            answered_after_s: BTreeMap::new(),
            took_s: None,
            outcome: Outcome::Running,
        }
    }

    /// How it went, in one line; `name` says what people are called.
    #[must_use]
    pub fn words(&self, name: impl Fn(&PersonId) -> String) -> String {
        let mut answers: Vec<(&PersonId, f64)> =
            self.answered_after_s.iter().map(|(person, after)| (person, *after)).collect();
        answers.sort_by(|a, b| a.1.total_cmp(&b.1));
        let answered: Vec<String> = answers
            .iter()
            .map(|(person, after)| format!("{} answered after {after:.0} s", name(person)))
            .collect();
        let silent: Vec<String> = self
            .taken_after_s
            .keys()
            .filter(|person| !self.answered_after_s.contains_key(*person))
            .map(&name)
            .collect();
        let silent =
            if silent.is_empty() { String::new() } else { format!("no answer from {}", silent.join(", ")) };
        match &self.outcome {
            Outcome::Running => "goes on".to_owned(),
            Outcome::Refused(why) => format!("not begun: {why}"),
            Outcome::CutShort => "cut short, the program ended".to_owned(),
            Outcome::Unanswered if self.taken_after_s.is_empty() => {
                "nobody answered: no route took a message".to_owned()
            }
            Outcome::Unanswered => format!("nobody answered: {silent}"),
            Outcome::Answered if silent.is_empty() => answered.join(", "),
            Outcome::Answered => format!("{}, {silent}", answered.join(", ")),
        }
    }
}

/// What can be seen of a drill from outside.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Seen {
    /// The event people are told of, once it is on.
    pub event: Option<EventId>,
    /// Messages that routes took: to whom, by which route.
    pub taken: Vec<(PersonId, String)>,
    /// Who acknowledged, in whichever way and however late.
    pub answered: Vec<PersonId>,
}

/// What is to be done.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// Raise the alarm of the drill, or clear it.
    Alarm(bool),
    /// Keep this.
    Keep(Box<Record>),
}

/// A drill under way.
#[derive(Clone, Debug)]
pub struct Drill {
    record: Record,
    began: Uptime,
    first_answer: Option<Uptime>,
    output: VecDeque<Output>,
}

impl Drill {
    /// Begins.
    #[must_use]
    pub fn begin(id: &str, now: Now) -> Self {
        let record = Record::new(id, now);
        let output = VecDeque::from([Output::Alarm(true), Output::Keep(Box::new(record.clone()))]);
        Self { record, began: now.up, first_answer: None, output }
    }

    /// Takes what was seen.
    pub fn handle_seen(&mut self, seen: &Seen, now: Now) {
        if self.record.outcome != Outcome::Running {
            return;
        }
        let before = self.record.clone();
        let after = now.up.since(self.began).secs();
        self.record.event = self.record.event.or(seen.event);
        for (person, route) in &seen.taken {
            let routes = self.record.taken_after_s.entry(person.clone()).or_default();
            routes.entry(route.clone()).or_insert(after);
        }
        for person in &seen.answered {
            self.record.answered_after_s.entry(person.clone()).or_insert(after);
            self.first_answer.get_or_insert(now.up);
        }
        let everybody =
            self.record.taken_after_s.keys().all(|p| self.record.answered_after_s.contains_key(p));
        if self.first_answer.is_some() && everybody {
            self.end(now);
        } else if self.record != before {
            self.output.push_back(Output::Keep(Box::new(self.record.clone())));
        }
    }

    /// When to call [`Self::handle_timeout`]; `None` once it has ended.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Uptime> {
        let running = self.record.outcome == Outcome::Running;
        let others = self.first_answer.map(|first| first.after(OTHERS));
        running.then(|| self.began.after(LONGEST).min(others.unwrap_or(Uptime::from_ms(u64::MAX))))
    }

    /// Ends it when its time is over.
    pub fn handle_timeout(&mut self, now: Now) {
        if self.poll_timeout().is_some_and(|due| due <= now.up) {
            self.end(now);
        }
    }

    /// What is to be done next.
    pub fn poll_output(&mut self) -> Option<Output> {
        self.output.pop_front()
    }

    /// The event people are told of, once it is on.
    #[must_use]
    pub const fn event(&self) -> Option<EventId> {
        self.record.event
    }

    /// When it began.
    #[must_use]
    pub const fn began_at(&self) -> Timestamp {
        self.record.began_at
    }

    fn end(&mut self, now: Now) {
        let answered = self.first_answer.is_some();
        self.record.outcome = if answered { Outcome::Answered } else { Outcome::Unanswered };
        self.record.took_s = Some(now.up.since(self.began).secs());
        self.output.push_back(Output::Alarm(false));
        self.output.push_back(Output::Keep(Box::new(self.record.clone())));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> Now {
        let span = Span::from_secs(seconds);
        let utc = Timestamp::parse("2026-04-18T02:00:00Z").unwrap() + span;
        Now { up: Uptime::from_ms(0).after(span), utc, trusted: true }
    }

    fn person(name: &str) -> PersonId {
        PersonId::new(name).unwrap()
    }

    fn seen(taken: &[&str], answered: &[&str]) -> Seen {
        Seen {
            event: Some(EventId(7)),
            taken: taken.iter().map(|p| (person(p), "text".to_owned())).collect(),
            answered: answered.iter().map(|p| person(p)).collect(),
        }
    }

    fn outputs(drill: &mut Drill) -> Vec<Output> {
        std::iter::from_fn(|| drill.poll_output()).collect()
    }

    fn last(outputs: &[Output]) -> &Record {
        match outputs.last() {
            Some(Output::Keep(record)) => record,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn it_ends_when_everybody_who_was_told_has_answered() {
        let mut drill = Drill::begin("a", at(0));
        assert_eq!(outputs(&mut drill)[0], Output::Alarm(true));
        drill.handle_seen(&seen(&["kim"], &[]), at(12));
        drill.handle_seen(&seen(&["kim", "lee"], &["kim"]), at(41));
        let so_far = outputs(&mut drill);
        assert!(!so_far.contains(&Output::Alarm(false)), "lee may still answer");
        drill.handle_seen(&seen(&["kim", "lee"], &["kim", "lee"]), at(60));
        let end = outputs(&mut drill);
        assert_eq!(end[0], Output::Alarm(false));
        let record = last(&end);
        assert_eq!(record.outcome, Outcome::Answered);
        assert_eq!(record.answered_after_s, BTreeMap::from([(person("kim"), 41.0), (person("lee"), 60.0)]));
        let taken = record.taken_after_s[&person("kim")]["text"];
        assert!((taken - 12.0).abs() < 1e-9, "{taken}");
        assert_eq!(record.words(ToString::to_string), "kim answered after 41 s, lee answered after 60 s");
        assert_eq!(drill.poll_timeout(), None);
    }

    #[test]
    fn the_others_get_two_minutes_after_the_first_answer() {
        let mut drill = Drill::begin("a", at(0));
        drill.handle_seen(&seen(&["kim", "lee"], &["lee"]), at(30));
        assert_eq!(drill.poll_timeout(), Some(at(150).up));
        drill.handle_timeout(at(149));
        assert!(!outputs(&mut drill).contains(&Output::Alarm(false)));
        drill.handle_timeout(at(150));
        let end = outputs(&mut drill);
        assert_eq!(last(&end).words(ToString::to_string), "lee answered after 30 s, no answer from kim");
        // What comes later changes nothing any more.
        drill.handle_seen(&seen(&["kim", "lee"], &["kim"]), at(200));
        assert_eq!(outputs(&mut drill), []);
    }

    #[test]
    fn without_an_answer_it_ends_after_half_an_hour() {
        let mut drill = Drill::begin("a", at(0));
        drill.handle_seen(&seen(&["kim"], &[]), at(5));
        assert_eq!(drill.poll_timeout(), Some(at(1800).up));
        drill.handle_timeout(at(1800));
        let end = outputs(&mut drill);
        assert_eq!(end[end.len() - 2], Output::Alarm(false));
        assert_eq!(last(&end).outcome, Outcome::Unanswered);
        assert_eq!(last(&end).took_s, Some(1800.0));
    }
}
