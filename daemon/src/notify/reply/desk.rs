//! What is done about a text: who sent it, what it means, which alarm it is about.

use super::words::{Meant, understand};
use crate::alarm::event::{Code, EventId};
use crate::clock::{Now, Uptime};
use crate::ids::PersonId;
use crate::notify::gsm::{Address, CentreTime, plain, septets};
use crate::notify::route::WORD;
use nightjar_calc::time::{Span, Timestamp};
use std::collections::{BTreeMap, VecDeque};

/// A text that took longer than this says nothing about now.
const TOO_OLD: Span = Span::from_hours(12);
/// A text without a code is about an alarm sent within this time.
const BARE_COUNTS: Span = Span::from_hours(12);
const CODES_AGAIN: Span = Span::from_minutes(1);
const HELP_AGAIN: Span = Span::from_minutes(60);
/// So many texts of strangers in an hour are worth a word.
const MANY_STRANGERS: usize = 5;
const STRANGERS_WITHIN: Span = Span::from_minutes(60);
/// Texts remembered, to tell one that comes again.
const REMEMBERED: usize = 1000;
/// One part.
const LONGEST_ANSWER: usize = 160;
const HELP: &str =
    "Answer ACK and the code of an alarm to say you know. STATUS, WHO and HIST with a code tell you more.";

/// A text as it came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Incoming {
    /// From whom, as the network says.
    pub from: Address,
    /// When the service centre took it.
    pub at: CentreTime,
    /// Its words.
    pub body: String,
}

/// An alarm somebody may answer to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OpenAlarm {
    /// Which.
    pub event: EventId,
    /// What people answer with.
    pub code: Code,
    /// Who was told, and when last.
    pub told: BTreeMap<PersonId, Timestamp>,
}

/// How things stand when a text comes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct View {
    /// Numbers of people, in full.
    pub phones: BTreeMap<PersonId, String>,
    /// Prefix of national numbers, digits only.
    pub country_code: String,
    /// Alarms that are open.
    pub open: Vec<OpenAlarm>,
    /// Who was asked whether they are on call and has not answered.
    pub asked: Option<PersonId>,
}

/// What is to be done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Act {
    /// Acknowledge an alarm.
    Acknowledge {
        /// Which.
        event: EventId,
        /// Who.
        by: PersonId,
    },
    /// Somebody is on call, as they were asked.
    OnCall {
        /// Who.
        by: PersonId,
    },
    /// Send these words.
    Answer {
        /// To whom.
        to: PersonId,
        /// At most one part.
        text: String,
    },
    /// Tell somebody how things stand.
    Status {
        /// Whom.
        to: PersonId,
    },
    /// Tell somebody who is on call.
    Who {
        /// Whom.
        to: PersonId,
    },
    /// Tell somebody what happened to an alarm.
    History {
        /// Whom.
        to: PersonId,
        /// Which alarm.
        event: EventId,
    },
    /// Somebody who is not on the list wrote: nothing is answered.
    Stranger {
        /// The number but for its end.
        masked: String,
        /// So many that people should know.
        many: bool,
    },
}

/// Remembers what was answered to whom.
#[derive(Clone, Debug, Default)]
pub struct Desk {
    seen: VecDeque<(Address, String, String)>,
    strangers: VecDeque<Uptime>,
    codes_said: BTreeMap<PersonId, Uptime>,
    help_said: BTreeMap<PersonId, Uptime>,
    strangers_total: u64,
}

impl Desk {
    /// Texts of strangers so far.
    #[must_use]
    pub fn strangers(&self) -> u64 {
        self.strangers_total
    }

    /// Decides about one text. One that came before leads to nothing.
    pub fn handle(&mut self, text: &Incoming, view: &View, now: Now) -> Vec<Act> {
        let known = (text.from.clone(), text.at.text(), text.body.clone());
        if self.seen.contains(&known) {
            return Vec::new();
        }
        if self.seen.len() >= REMEMBERED {
            self.seen.pop_front();
        }
        self.seen.push_back(known);
        let Some(person) = sender(&text.from, view) else { return vec![self.stranger(&text.from, now.up)] };
        let old = now.trusted && now.utc.since(text.at.at) > TOO_OLD;
        match understand(&text.body) {
            Meant::Ack(_) | Meant::Bare if old => {
                vec![answer(
                    &person,
                    "That answer is too old to count. Answer STATUS to see how things are now.",
                )]
            }
            Meant::Ack(codes) => self.acknowledge(&person, &codes, view, now.up),
            Meant::Bare => self.bare(&person, view, now),
            Meant::Status => vec![Act::Status { to: person }],
            Meant::Who => vec![Act::Who { to: person }],
            Meant::Hist(code) => match view.open.iter().find(|open| open.code.0 == code) {
                Some(open) => vec![Act::History { to: person, event: open.event }],
                None => self.codes(&person, &format!("No open alarm {}.", short(&code)), view, now.up),
            },
            Meant::Help => vec![answer(&person, HELP)],
            Meant::Other => self.help(&person, now.up),
        }
    }

    fn acknowledge(&mut self, by: &PersonId, codes: &[String], view: &View, up: Uptime) -> Vec<Act> {
        let mut acts = Vec::new();
        let mut unknown = Vec::new();
        for code in codes {
            if code == WORD && view.asked.as_ref() == Some(by) {
                acts.push(Act::OnCall { by: by.clone() });
                continue;
            }
            let open = view.open.iter().find(|open| open.code.0 == *code && open.told.contains_key(by));
            match open {
                Some(open) => {
                    let act = Act::Acknowledge { event: open.event, by: by.clone() };
                    if !acts.contains(&act) {
                        acts.push(act);
                    }
                }
                None => unknown.push(short(code)),
            }
        }
        if !unknown.is_empty() {
            let words = format!("No open alarm of yours is called {}.", unknown.join(", "));
            acts.extend(self.codes(by, &words, view, up));
        }
        acts
    }

    fn bare(&mut self, by: &PersonId, view: &View, now: Now) -> Vec<Act> {
        let recent = |open: &&OpenAlarm| {
            open.told.get(by).is_some_and(|at| !now.trusted || now.utc.since(*at) <= BARE_COUNTS)
        };
        let recent: Vec<&OpenAlarm> = view.open.iter().filter(recent).collect();
        let asked = view.asked.as_ref() == Some(by);
        match recent.as_slice() {
            [] if asked => vec![Act::OnCall { by: by.clone() }],
            [one] if !asked => vec![Act::Acknowledge { event: one.event, by: by.clone() }],
            [] => self.codes(by, "Nothing was sent to you lately that is still open.", view, now.up),
            _ => self.codes(by, "Which one?", view, now.up),
        }
    }

    /// Says which codes there are, at most once a minute.
    fn codes(&mut self, to: &PersonId, words: &str, view: &View, up: Uptime) -> Vec<Act> {
        if !due(&mut self.codes_said, to, CODES_AGAIN, up) {
            return Vec::new();
        }
        let theirs = view.open.iter().filter(|open| open.told.contains_key(to));
        let duty = view.asked.as_ref().filter(|asked| *asked == to).map(|_| WORD);
        let codes: Vec<&str> = theirs.map(|open| open.code.0.as_str()).chain(duty).take(20).collect();
        let open = if codes.is_empty() {
            "None is open.".to_owned()
        } else {
            format!("Open: {}. Answer ACK and the code.", codes.join(" "))
        };
        vec![answer(to, &format!("{words} {open}"))]
    }

    fn help(&mut self, to: &PersonId, up: Uptime) -> Vec<Act> {
        if due(&mut self.help_said, to, HELP_AGAIN, up) { vec![answer(to, HELP)] } else { Vec::new() }
    }

    fn stranger(&mut self, from: &Address, up: Uptime) -> Act {
        self.strangers_total = self.strangers_total.saturating_add(1);
        self.strangers.retain(|at| up.since(*at) < STRANGERS_WITHIN);
        if self.strangers.len() < MANY_STRANGERS {
            self.strangers.push_back(up);
        }
        Act::Stranger { masked: mask(&from.number()), many: self.strangers.len() >= MANY_STRANGERS }
    }
}

/// Whose number it is. Whole numbers are compared, never their ends.
fn sender(from: &Address, view: &View) -> Option<PersonId> {
    let number = match from {
        Address::International(digits) => format!("+{digits}"),
        Address::Local { digits, .. } => match digits.strip_prefix("00") {
            Some(international) => format!("+{international}"),
            None => format!("+{}{}", view.country_code, digits.trim_start_matches('0')),
        },
        Address::Word(_) => return None,
    };
    let mut people = view.phones.iter().filter(|(_, phone)| **phone == number);
    let found = people.next().map(|(person, _)| person.clone());
    // A phone two people share cannot say which of them it was.
    found.filter(|_| people.next().is_none())
}

fn due(said: &mut BTreeMap<PersonId, Uptime>, to: &PersonId, wait: Span, up: Uptime) -> bool {
    let due = said.get(to).is_none_or(|at| up.since(*at) >= wait);
    if due {
        said.insert(to.clone(), up);
    }
    due
}

fn answer(to: &PersonId, text: &str) -> Act {
    let mut text = plain(text);
    while septets(&text).is_none_or(|count| count > LONGEST_ANSWER) && text.pop().is_some() {}
    Act::Answer { to: to.clone(), text }
}

fn short(code: &str) -> String {
    code.chars().take(8).collect()
}

fn mask(number: &str) -> String {
    let kept = number.chars().count().saturating_sub(4).min(6);
    number.chars().enumerate().map(|(at, c)| if at < kept { c } else { '*' }).take(16).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn person(name: &str) -> PersonId {
        PersonId::new(name).unwrap()
    }

    fn utc(text: &str) -> Timestamp {
        Timestamp::parse(text).unwrap()
    }

    fn now(seconds: u64) -> Now {
        let utc = utc("2026-04-12T02:20:00Z") + Span::from_secs(i64::try_from(seconds).unwrap());
        Now { up: Uptime::from_ms(seconds * 1000), utc, trusted: true }
    }

    fn view() -> View {
        let told = |name: &str| BTreeMap::from([(person(name), utc("2026-04-12T02:14:00Z"))]);
        let open =
            |event, code: &str, told| OpenAlarm { event: EventId(event), code: Code(code.into()), told };
        View {
            phones: BTreeMap::from([
                (person("kim"), "+12025550143".to_owned()),
                (person("bo"), "+12025550144".to_owned()),
            ]),
            country_code: "1".into(),
            open: vec![open(1, "M4T", told("kim")), open(2, "K7Q", told("bo"))],
            asked: None,
        }
    }

    fn text(from: &str, body: &str, second: u64) -> Incoming {
        let at = CentreTime { at: now(second).utc, quarters: 0 };
        Incoming { from: Address::from_number(from).unwrap(), at, body: body.into() }
    }

    fn ack(event: u64, by: &str) -> Act {
        Act::Acknowledge { event: EventId(event), by: person(by) }
    }

    #[test]
    fn a_listed_phone_acknowledges_what_it_was_told_and_a_stranger_nothing() {
        let mut desk = Desk::default();
        let kim = "+12025550143";
        assert_eq!(desk.handle(&text(kim, "ack m4t.", 1), &view(), now(1)), [ack(1, "kim")]);
        assert_eq!(desk.handle(&text(kim, "ack m4t.", 1), &view(), now(2)), [], "the same once more");
        assert_eq!(desk.handle(&text(kim, "OK", 3), &view(), now(3)), [ack(1, "kim")]);
        assert_eq!(
            desk.handle(&text("2025550143", "OK", 4), &view(), now(4)),
            [ack(1, "kim")],
            "national form"
        );
        let not_told = desk.handle(&text(kim, "ack k7q", 5), &view(), now(5));
        assert!(
            matches!(&not_told[..], [Act::Answer { text, .. }] if text.contains("Open: M4T")),
            "{not_told:?}"
        );
        assert_eq!(desk.handle(&text(kim, "ack k7q", 6), &view(), now(6)), [], "one answer a minute");
        for (n, from) in ["+442025550143", "+12025550149", "143", "+32025550143"].iter().enumerate() {
            let at = 10 + u64::try_from(n).unwrap();
            let acts = desk.handle(&text(from, "ack m4t", at), &view(), now(at));
            assert!(matches!(&acts[..], [Act::Stranger { many: false, .. }]), "{acts:?}");
        }
        let fifth = desk.handle(&text("+12025550150", "ack m4t", 20), &view(), now(20));
        assert_eq!(fifth, [Act::Stranger { masked: "+12025******".into(), many: true }]);
        let word = Incoming { from: Address::Word("CARRIER".into()), ..text(kim, "OK", 30) };
        assert!(matches!(desk.handle(&word, &view(), now(30))[..], [Act::Stranger { .. }]));
    }

    #[test]
    fn who_was_asked_at_the_hand_over_answers_with_its_word_or_with_a_bare_ok() {
        let mut desk = Desk::default();
        let asked = View { open: Vec::new(), asked: Some(person("kim")), ..view() };
        let on_call = [Act::OnCall { by: person("kim") }];
        assert_eq!(desk.handle(&text("+12025550143", "Ack duty", 1), &asked, now(1)), on_call);
        assert_eq!(desk.handle(&text("+12025550143", "ok", 2), &asked, now(2)), on_call);
        let other = desk.handle(&text("+12025550144", "ack duty", 3), &asked, now(3));
        assert!(matches!(&other[..], [Act::Answer { .. }]), "Bo was not asked: {other:?}");
        // With an alarm open as well, a bare answer could mean either.
        let both = View { asked: Some(person("kim")), ..view() };
        let which = desk.handle(&text("+12025550143", "ok", 4), &both, now(4));
        assert!(matches!(&which[..], [Act::Answer { text, .. }] if text.contains("M4T DUTY")), "{which:?}");
        assert_eq!(desk.handle(&text("+12025550143", "ack duty", 5), &both, now(5)), on_call);
    }

    #[test]
    fn an_old_answer_and_one_that_could_mean_two_alarms_do_not_count() {
        let mut desk = Desk::default();
        let kim = "+12025550143";
        let late = now(13 * 3600);
        let acts = desk.handle(&text(kim, "ack m4t", 1), &view(), late);
        assert!(matches!(&acts[..], [Act::Answer { text, .. }] if text.contains("too old")), "{acts:?}");
        let mut both = view();
        both.open[1].told.insert(person("kim"), utc("2026-04-12T02:15:00Z"));
        let acts = desk.handle(&text(kim, "ok", 2), &both, now(2));
        assert!(matches!(&acts[..], [Act::Answer { text, .. }] if text.contains("M4T K7Q")), "{acts:?}");
        // What was sent more than 12 h ago is not meant by a bare answer.
        both.open[0].told.insert(person("kim"), utc("2026-04-11T02:00:00Z"));
        assert_eq!(desk.handle(&text(kim, "ok", 3), &both, now(3)), [ack(2, "kim")]);
    }

    #[test]
    fn small_talk_is_answered_once_an_hour() {
        let mut desk = Desk::default();
        let kim = "+12025550143";
        let driving = "I am driving and will call you back";
        assert!(matches!(desk.handle(&text(kim, driving, 1), &view(), now(1))[..], [Act::Answer { .. }]));
        assert_eq!(desk.handle(&text(kim, driving, 600), &view(), now(600)), []);
        assert!(matches!(
            desk.handle(&text(kim, driving, 3700), &view(), now(3700))[..],
            [Act::Answer { .. }]
        ));
        assert_eq!(
            desk.handle(&text(kim, "status", 9), &view(), now(9)),
            [Act::Status { to: person("kim") }]
        );
    }
}
