//! The daily text of the modem to its own number: that it comes back proves card, credit and network in
//! both directions. [`OwnNumber`] is pure; `answers` sends what it says and brings what it hears.

use crate::clock::{Now, Uptime};
use crate::notify::gsm::Address;
use nightjar_calc::time::{Span, Timestamp};

/// Where the moment of the last one is kept among the stored states.
pub const KEY: &str = "own-number";
/// How often.
const EVERY: Span = Span::from_hours(24);
/// After a start the modem gets this long to register.
const FIRST: Span = Span::from_minutes(10);
/// The network gets this long to bring it back.
const BACK_WITHIN: Span = Span::from_minutes(30);
/// A path that failed is tried again after this long.
const AGAIN: Span = Span::from_hours(1);

/// What is to be done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Doing {
    /// Send these words to the own number.
    Send(String),
    /// Whether the path by text fails.
    Fails(bool),
}

/// The text under way.
#[derive(Clone, Debug)]
struct UnderWay {
    word: String,
    sent: Uptime,
}

/// When the next one is due, and what came of the last.
#[derive(Clone, Debug)]
pub struct OwnNumber {
    number: String,
    due: Uptime,
    under_way: Option<UnderWay>,
    fails: bool,
}

impl OwnNumber {
    /// `last` is when the last one was sent, in an earlier run too.
    pub fn new(number: String, last: Option<Timestamp>, now: Now) -> Self {
        let rest = last.map_or(Span::ZERO, |last| EVERY - now.utc.since(last));
        // A time that has not come yet is one of a clock set back.
        let rest = if rest > EVERY { Span::ZERO } else { rest };
        Self { number, due: now.up.after(rest.max(FIRST)), under_way: None, fails: false }
    }

    /// Where the text goes.
    pub fn number(&self) -> &str {
        &self.number
    }

    /// When to call [`Self::handle_timeout`].
    pub fn poll_timeout(&self) -> Uptime {
        self.under_way.as_ref().map_or(self.due, |text| text.sent.after(BACK_WITHIN))
    }

    /// Sends the next one, or gives up the one under way.
    pub fn handle_timeout(&mut self, now: Now) -> Option<Doing> {
        if self.poll_timeout() > now.up {
            return None;
        }
        if self.under_way.take().is_some() {
            self.due = now.up.after(AGAIN);
            self.fails = true;
            return Some(Doing::Fails(true));
        }
        // Unlike any other, so that one of yesterday is not taken for today's.
        let word = format!("N{}", now.utc.ms());
        self.due = now.up.after(EVERY);
        self.under_way = Some(UnderWay { word: word.clone(), sent: now.up });
        Some(Doing::Send(format!("Nightjar to itself {word}")))
    }

    /// A text came. `None` when it is not from the own number, so somebody else's business.
    pub fn hear(&mut self, from: &Address, body: &str, now: Now) -> Option<Vec<Doing>> {
        let digits = |text: &str| text.chars().filter(char::is_ascii_digit).collect::<String>();
        let (own, from) = (digits(&self.number), digits(&from.number()));
        if from.is_empty() || own != from {
            return None;
        }
        let ours = self.under_way.take_if(|text| body.split_whitespace().any(|word| word == text.word));
        Some(ours.map_or_else(Vec::new, |_| {
            self.due = now.up.after(EVERY);
            let failed = std::mem::take(&mut self.fails);
            if failed { vec![Doing::Fails(false)] } else { Vec::new() }
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64) -> Now {
        let utc = Timestamp::parse("2026-04-20T10:00:00Z").unwrap() + Span::from_minutes(minutes);
        Now { up: Uptime::from_ms(minutes.unsigned_abs() * 60_000), utc, trusted: true }
    }

    fn own() -> Address {
        Address::from_number("+12025550100").unwrap()
    }

    fn sent(own: &mut OwnNumber, minutes: i64) -> String {
        match own.handle_timeout(at(minutes)) {
            Some(Doing::Send(text)) => text,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn one_that_comes_back_proves_the_path_for_a_day() {
        let mut path = OwnNumber::new("+1 202 555 0100".into(), None, at(0));
        assert_eq!(path.handle_timeout(at(9)), None);
        let text = sent(&mut path, 10);
        assert_eq!(path.hear(&Address::from_number("+12025550143").unwrap(), &text, at(11)), None);
        assert_eq!(path.hear(&own(), "Nightjar to itself N1", at(11)), Some(vec![]), "one of yesterday");
        assert_eq!(path.hear(&own(), &text, at(12)), Some(vec![]));
        assert_eq!(path.poll_timeout(), at(12 + 24 * 60).up);
        assert_ne!(sent(&mut path, 12 + 24 * 60), text);
    }

    #[test]
    fn one_that_stays_out_is_a_failing_path_until_one_comes_back() {
        let mut path = OwnNumber::new("+12025550100".into(), None, at(0));
        sent(&mut path, 10);
        assert_eq!(path.handle_timeout(at(39)), None);
        assert_eq!(path.handle_timeout(at(40)), Some(Doing::Fails(true)));
        let again = sent(&mut path, 100);
        assert_eq!(path.hear(&own(), &again, at(101)), Some(vec![Doing::Fails(false)]));
    }

    #[test]
    fn a_restart_does_not_send_another_on_the_same_day() {
        let last = at(-60).utc;
        let path = OwnNumber::new("+12025550100".into(), Some(last), at(0));
        assert_eq!(path.poll_timeout(), at(23 * 60).up);
        let set_back = OwnNumber::new("+12025550100".into(), Some(at(600).utc), at(0));
        assert_eq!(set_back.poll_timeout(), at(10).up);
    }
}
