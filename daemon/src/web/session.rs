//! Who is sitting at the other end, remembered between requests.
//!
//! A session is a random token in a cookie; the server keeps only its SHA-256, in memory, so that
//! a restart signs everybody out and a copy of the database lets nobody in. Lengths are measured
//! on the monotonic clock.

use crate::clock::Uptime;
use crate::ids::PersonId;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use nightjar_calc::time::Span;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

/// Sessions kept at one time; the one unused for longest goes first.
const MOST: usize = 256;
/// A password session ends after so long without a request.
const IDLE: Span = Span::from_hours(12);
/// A PIN session ends after so long without a request: long enough for a round of the rack.
const PIN_IDLE: Span = Span::from_minutes(15);
/// Every session ends after so long.
const LONGEST: Span = Span::from_hours(30 * 24);
/// Pausing alarms and taking them out of use needs a password not older than this.
const PROOF: Span = Span::from_minutes(15);

/// How somebody proved who they are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Proof {
    /// A password.
    Password,
    /// A PIN, at the rack.
    Pin,
}

/// One session.
#[derive(Clone, Debug)]
pub struct Session {
    /// Whose.
    pub person: PersonId,
    /// How it began.
    pub proof: Proof,
    began: Uptime,
    seen: Uptime,
    proved: Uptime,
}

impl Session {
    fn alive(&self, now: Uptime) -> bool {
        let idle = match self.proof {
            Proof::Password => IDLE,
            Proof::Pin => PIN_IDLE,
        };
        now.since(self.seen) <= idle && now.since(self.began) <= LONGEST
    }

    /// True while the password is fresh enough for pausing alarms.
    pub fn freshly_proved(&self, now: Uptime) -> bool {
        self.proof == Proof::Password && now.since(self.proved) <= PROOF
    }
}

/// All sessions.
#[derive(Debug, Default)]
pub struct Sessions {
    table: Mutex<BTreeMap<[u8; 32], Session>>,
}

impl Sessions {
    fn table(&self) -> std::sync::MutexGuard<'_, BTreeMap<[u8; 32], Session>> {
        self.table.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins a session and returns its token; `None` when the system gives no random numbers.
    pub fn open(&self, person: PersonId, proof: Proof, now: Uptime) -> Option<String> {
        let token = random_text()?;
        let mut table = self.table();
        table.retain(|_, session| session.alive(now));
        if table.len() >= MOST
            && let Some(oldest) = table.iter().min_by_key(|(_, s)| s.seen).map(|(key, _)| *key)
        {
            table.remove(&oldest);
        }
        table.insert(digest(&token), Session { person, proof, began: now, seen: now, proved: now });
        Some(token)
    }

    /// The session of a token, which counts as a sign of life.
    pub fn find(&self, token: &str, now: Uptime) -> Option<Session> {
        let key = digest(token);
        let mut table = self.table();
        let session = table.get_mut(&key)?;
        if session.alive(now) {
            session.seen = now;
            Some(session.clone())
        } else {
            table.remove(&key);
            None
        }
    }

    /// Whether a token still stands for somebody, without counting as a sign of life.
    pub fn stands(&self, token: &str, now: Uptime) -> bool {
        self.table().get(&digest(token)).is_some_and(|session| session.alive(now))
    }

    /// The password was typed again.
    pub fn prove(&self, token: &str, now: Uptime) {
        if let Some(session) = self.table().get_mut(&digest(token)) {
            session.proved = now;
        }
    }

    /// Ends a session.
    pub fn close(&self, token: &str) {
        self.table().remove(&digest(token));
    }
}

/// The word each form of a session must carry, so that no other site can send one.
pub fn form_word(token: &str) -> String {
    let mut hash = Sha256::new();
    hash.update(b"form of ");
    hash.update(token.as_bytes());
    URL_SAFE_NO_PAD.encode(&hash.finalize()[..18])
}

/// Compares without telling by its time where the difference is.
pub fn same(a: &str, b: &str) -> bool {
    let (a, b) = (Sha256::digest(a.as_bytes()), Sha256::digest(b.as_bytes()));
    a.iter().zip(b.iter()).fold(0, |all, (x, y)| all | (x ^ y)) == 0
}

/// 256 random bits as text.
pub fn random_text() -> Option<String> {
    let mut bytes = [0_u8; 32];
    getrandom::fill(&mut bytes).ok()?;
    Some(URL_SAFE_NO_PAD.encode(bytes))
}

/// A name for a new entry: 26 letters and digits.
pub fn entry_name() -> String {
    let letters = random_text().unwrap_or_default();
    let plain: String = letters.chars().filter(char::is_ascii_alphanumeric).take(25).collect();
    // Without random numbers the name is too short and the entry is refused, not doubled.
    format!("p{plain}")
}

fn digest(token: &str) -> [u8; 32] {
    Sha256::digest(token.as_bytes()).into()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kim() -> PersonId {
        PersonId::new("kim").unwrap()
    }
    fn minutes(n: u64) -> Uptime {
        Uptime::from_ms(n * 60_000)
    }

    #[test]
    fn a_pin_lasts_for_a_round_and_a_password_for_a_day_of_work() {
        let sessions = Sessions::default();
        let pin = sessions.open(kim(), Proof::Pin, minutes(0)).unwrap();
        let word = sessions.open(kim(), Proof::Password, minutes(0)).unwrap();
        assert!(sessions.find(&pin, minutes(15)).is_some());
        assert!(sessions.find(&pin, minutes(31)).is_none());
        assert!(sessions.find(&word, minutes(12 * 60)).is_some());
        assert!(sessions.find(&word, minutes(12 * 60 + 12 * 60 + 1)).is_none());
    }

    #[test]
    fn no_session_lasts_beyond_thirty_days_however_busy() {
        let sessions = Sessions::default();
        let token = sessions.open(kim(), Proof::Password, minutes(0)).unwrap();
        for hour in 1..=720 {
            assert!(sessions.find(&token, minutes(hour * 60)).is_some(), "hour {hour}");
        }
        assert!(sessions.find(&token, minutes(721 * 60)).is_none());
    }

    #[test]
    fn a_password_is_fresh_for_a_quarter_of_an_hour_and_a_pin_never() {
        let sessions = Sessions::default();
        let token = sessions.open(kim(), Proof::Password, minutes(0)).unwrap();
        assert!(sessions.find(&token, minutes(15)).unwrap().freshly_proved(minutes(15)));
        assert!(!sessions.find(&token, minutes(16)).unwrap().freshly_proved(minutes(16)));
        sessions.prove(&token, minutes(16));
        assert!(sessions.find(&token, minutes(17)).unwrap().freshly_proved(minutes(17)));
        let pin = sessions.open(kim(), Proof::Pin, minutes(17)).unwrap();
        assert!(!sessions.find(&pin, minutes(17)).unwrap().freshly_proved(minutes(17)));
    }

    #[test]
    fn the_table_does_not_grow_without_end() {
        let sessions = Sessions::default();
        for i in 0..1_000 {
            sessions.open(kim(), Proof::Password, Uptime::from_ms(i)).unwrap();
        }
        assert_eq!(sessions.table().len(), MOST);
    }

    #[test]
    fn a_made_up_or_closed_token_is_nobody() {
        let sessions = Sessions::default();
        assert!(sessions.find("made-up", minutes(0)).is_none());
        let token = sessions.open(kim(), Proof::Password, minutes(0)).unwrap();
        sessions.close(&token);
        assert!(sessions.find(&token, minutes(0)).is_none());
    }
}
