//! Who is sitting at the other end, remembered between requests.
//!
//! A session is a random token in a cookie; the server keeps only its SHA-256, so that a copy of
//! the database lets nobody in. Password sessions are also kept in a [`SessionBook`] and survive a
//! restart, PIN sessions do not. Lengths are measured on the monotonic clock; what lies before a
//! restart is taken from the wall clock, and only when that can be trusted.

use super::backend::{KeptSession, SessionBook};
use crate::clock::{Now, Uptime};
use crate::ids::PersonId;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use nightjar_calc::time::Span;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

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
/// A session in use is written down so often; each time costs a commit.
const WRITTEN: Span = Span::from_minutes(30);

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
    /// Age it had when this program began with it.
    older_by: Span,
    seen: Uptime,
    /// Last written down.
    written: Uptime,
    proved: Option<Uptime>,
}

impl Session {
    fn alive(&self, now: Uptime) -> bool {
        let idle = match self.proof {
            Proof::Password => IDLE,
            Proof::Pin => PIN_IDLE,
        };
        now.since(self.seen) <= idle && now.since(self.began) + self.older_by <= LONGEST
    }

    /// True while the password is fresh enough for pausing alarms.
    pub fn freshly_proved(&self, now: Uptime) -> bool {
        self.proof == Proof::Password && self.proved.is_some_and(|proved| now.since(proved) <= PROOF)
    }
}

/// All sessions.
pub struct Sessions {
    table: Mutex<BTreeMap<[u8; 32], Session>>,
    book: Option<Arc<dyn SessionBook>>,
}

impl Sessions {
    /// Kept in this book beyond a restart, when there is one.
    pub fn new(book: Option<Arc<dyn SessionBook>>) -> Self {
        Self { table: Mutex::default(), book }
    }

    fn table(&self) -> std::sync::MutexGuard<'_, BTreeMap<[u8; 32], Session>> {
        self.table.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins a session and returns its token; `None` when the system gives no random numbers.
    pub fn open(&self, person: PersonId, proof: Proof, now: Now) -> Option<String> {
        let token = random_text()?;
        let key = digest(&token);
        if let Some(book) = self.book.as_ref().filter(|_| proof == Proof::Password) {
            book.put(key, KeptSession { person: person.clone(), created_at: now.utc, used_at: now.utc });
        }
        let up = now.up;
        let session = Session {
            person,
            proof,
            began: up,
            older_by: Span::ZERO,
            seen: up,
            written: up,
            proved: Some(up),
        };
        self.insert(key, session, up);
        Some(token)
    }

    fn insert(&self, key: [u8; 32], session: Session, now: Uptime) {
        let mut table = self.table();
        table.retain(|_, session| session.alive(now));
        if table.len() >= MOST
            && let Some(oldest) = table.iter().min_by_key(|(_, s)| s.seen).map(|(key, _)| *key)
        {
            table.remove(&oldest);
        }
        table.insert(key, session);
    }

    /// The session of a token, which counts as a sign of life.
    pub fn find(&self, token: &str, now: Now) -> Option<Session> {
        // Only what this program made is looked up: 32 bytes as text.
        if token.len() != 43 {
            return None;
        }
        let key = digest(token);
        let mut table = self.table();
        let Some(session) = table.get_mut(&key) else {
            drop(table);
            return self.revive(key, now);
        };
        if !session.alive(now.up) {
            table.remove(&key);
            return None;
        }
        session.seen = now.up;
        let mut found = session.clone();
        if found.proof == Proof::Password && now.up.since(found.written) >= WRITTEN {
            session.written = now.up;
            found.written = now.up;
            drop(table);
            if let Some(book) = &self.book {
                book.touch(key, now.utc);
            }
        }
        Some(found)
    }

    /// A session from before the last start.
    fn revive(&self, key: [u8; 32], now: Now) -> Option<Session> {
        let kept = self.book.as_ref().filter(|_| now.trusted)?.find(&key)?;
        let (age, idle) = (now.utc.since(kept.created_at), now.utc.since(kept.used_at));
        // It was used up to half an hour later than is written down.
        if age > LONGEST || idle > IDLE + WRITTEN {
            return None;
        }
        let session = Session {
            person: kept.person,
            proof: Proof::Password,
            began: now.up,
            older_by: age.max(Span::ZERO),
            seen: now.up,
            written: now.up,
            proved: None,
        };
        self.insert(key, session.clone(), now.up);
        Some(session)
    }

    /// Whether a token still stands for somebody, without counting as a sign of life.
    pub fn stands(&self, token: &str, now: Uptime) -> bool {
        self.table().get(&digest(token)).is_some_and(|session| session.alive(now))
    }

    /// The password was typed again.
    pub fn prove(&self, token: &str, now: Uptime) {
        if let Some(session) = self.table().get_mut(&digest(token)) {
            session.proved = Some(now);
        }
    }

    /// Ends a session.
    pub fn close(&self, token: &str) {
        let key = digest(token);
        self.table().remove(&key);
        if let Some(book) = &self.book {
            book.end(key);
        }
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
    use nightjar_calc::time::Timestamp;

    fn kim() -> PersonId {
        PersonId::new("kim").unwrap()
    }
    fn minutes(n: u64) -> Now {
        let up = n * 60_000;
        Now {
            up: Uptime::from_ms(up),
            utc: Timestamp::from_ms(1_770_000_000_000 + i64::try_from(up).unwrap()),
            trusted: true,
        }
    }

    #[test]
    fn a_pin_lasts_for_a_round_and_a_password_for_a_day_of_work() {
        let sessions = Sessions::new(None);
        let pin = sessions.open(kim(), Proof::Pin, minutes(0)).unwrap();
        let word = sessions.open(kim(), Proof::Password, minutes(0)).unwrap();
        assert!(sessions.find(&pin, minutes(15)).is_some());
        assert!(sessions.find(&pin, minutes(31)).is_none());
        assert!(sessions.find(&word, minutes(12 * 60)).is_some());
        assert!(sessions.find(&word, minutes(12 * 60 + 12 * 60 + 1)).is_none());
    }

    #[test]
    fn no_session_lasts_beyond_thirty_days_however_busy() {
        let sessions = Sessions::new(None);
        let token = sessions.open(kim(), Proof::Password, minutes(0)).unwrap();
        for hour in 1..=720 {
            assert!(sessions.find(&token, minutes(hour * 60)).is_some(), "hour {hour}");
        }
        assert!(sessions.find(&token, minutes(721 * 60)).is_none());
    }

    #[test]
    fn a_password_is_fresh_for_a_quarter_of_an_hour_and_a_pin_never() {
        let sessions = Sessions::new(None);
        let token = sessions.open(kim(), Proof::Password, minutes(0)).unwrap();
        assert!(sessions.find(&token, minutes(15)).unwrap().freshly_proved(minutes(15).up));
        assert!(!sessions.find(&token, minutes(16)).unwrap().freshly_proved(minutes(16).up));
        sessions.prove(&token, minutes(16).up);
        assert!(sessions.find(&token, minutes(17)).unwrap().freshly_proved(minutes(17).up));
        let pin = sessions.open(kim(), Proof::Pin, minutes(17)).unwrap();
        assert!(!sessions.find(&pin, minutes(17)).unwrap().freshly_proved(minutes(17).up));
    }

    #[test]
    fn the_table_does_not_grow_without_end() {
        let sessions = Sessions::new(None);
        for i in 0..600 {
            sessions.open(kim(), Proof::Password, minutes(i)).unwrap();
        }
        assert_eq!(sessions.table().len(), MOST);
    }

    #[test]
    fn a_made_up_or_closed_token_is_nobody() {
        let sessions = Sessions::new(None);
        assert!(sessions.find("made-up", minutes(0)).is_none());
        let token = sessions.open(kim(), Proof::Password, minutes(0)).unwrap();
        sessions.close(&token);
        assert!(sessions.find(&token, minutes(0)).is_none());
    }

    #[derive(Default)]
    struct Paper(Mutex<BTreeMap<[u8; 32], KeptSession>>);
    impl SessionBook for Paper {
        fn put(&self, token_hash: [u8; 32], session: KeptSession) {
            self.0.lock().unwrap().insert(token_hash, session);
        }
        fn find(&self, token_hash: &[u8; 32]) -> Option<KeptSession> {
            self.0.lock().unwrap().get(token_hash).cloned()
        }
        fn touch(&self, token_hash: [u8; 32], at: Timestamp) {
            self.0.lock().unwrap().get_mut(&token_hash).unwrap().used_at = at;
        }
        fn end(&self, token_hash: [u8; 32]) {
            self.0.lock().unwrap().remove(&token_hash);
        }
    }

    #[test]
    fn a_password_session_survives_a_restart_and_a_pin_session_does_not() {
        let book = Arc::new(Paper::default());
        let started = || Sessions::new(Some(Arc::clone(&book) as Arc<dyn SessionBook>));
        let before = started();
        let word = before.open(kim(), Proof::Password, minutes(0)).unwrap();
        let pin = before.open(kim(), Proof::Pin, minutes(0)).unwrap();
        // A new start: the monotonic clock begins anew, the wall clock goes on.
        let at = |hours: u64| Now { up: Uptime::from_ms(1_000), ..minutes(hours * 60) };
        let after = started();
        let found = after.find(&word, at(5)).unwrap();
        assert!(!found.freshly_proved(at(5).up), "the password is asked for again");
        assert!(after.find(&pin, at(0)).is_none());
        assert!(started().find(&word, at(13)).is_none(), "unused for longer than it may be");
        assert!(started().find(&word, Now { trusted: false, ..at(5) }).is_none());
        after.close(&word);
        assert!(started().find(&word, at(5)).is_none(), "signed out for good");
    }

    #[test]
    fn thirty_days_count_across_restarts() {
        let book = Arc::new(Paper::default());
        let first = Sessions::new(Some(Arc::clone(&book) as Arc<dyn SessionBook>));
        let token = first.open(kim(), Proof::Password, minutes(0)).unwrap();
        for hour in 1..720 {
            assert!(first.find(&token, minutes(hour * 60)).is_some(), "hour {hour}");
        }
        let second = Sessions::new(Some(Arc::clone(&book) as Arc<dyn SessionBook>));
        assert!(second.find(&token, minutes(719 * 60 + 30)).is_some());
        assert!(second.find(&token, minutes(721 * 60)).is_none());
    }
}
