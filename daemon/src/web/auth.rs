//! Passwords and PINs: checked off the async threads, one at a time, and never faster for a name
//! that does not exist.

use super::backend::{Hashed, PeerAddress, Person};
use super::throttle::{Culprit, Throttle};
use super::words::refusals;
use crate::clock::Now;
use argon2::Argon2;
use argon2::password_hash::PasswordVerifier;
use argon2::password_hash::phc::PasswordHash;
use std::sync::Arc;
use tokio::sync::Semaphore;

/// Longest secret looked at, in bytes.
const LONGEST_SECRET: usize = 512;

/// A hash of nothing anybody knows, so that an unknown name takes as long as a known one.
/// Argon2id, 19 MiB, 2 passes, 1 lane.
const NOBODY: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$bmlnaHRqYXItbm9ib2R5$7sVv0qkGx8W7yJzZq3nO4m0m2G8Q5r1w9b5Yx1k2cZ4";

/// Why somebody is not let in.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotLetIn {
    /// Name or secret is wrong; which of them is not said.
    #[error("{}", refusals::WRONG)]
    Wrong,
    /// Too many wrong ones before.
    #[error("{}", refusals::wait(*.0))]
    Wait(i64),
    /// Somebody else is being checked.
    #[error("{}", refusals::GATE_BUSY)]
    Busy,
}

/// Which secret.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Secret {
    /// The password.
    Password,
    /// The PIN.
    Pin,
}

/// Checks secrets.
#[derive(Debug)]
pub struct Gate {
    people: Arc<Vec<Person>>,
    one_at_a_time: Semaphore,
    throttle: Arc<Throttle>,
}

impl Gate {
    /// For these people.
    pub fn new(people: Arc<Vec<Person>>, throttle: Arc<Throttle>) -> Self {
        Self { people, one_at_a_time: Semaphore::new(1), throttle }
    }

    /// Somebody by short name.
    pub fn person(&self, id: &str) -> Option<&Person> {
        self.people.iter().find(|p| p.id.as_str() == id)
    }

    /// Checks a secret.
    ///
    /// # Errors
    /// When it is wrong, tried too often, or others are in front for too long.
    pub async fn check(
        &self,
        id: &str,
        secret: &str,
        which: Secret,
        from: PeerAddress,
        now: Now,
    ) -> Result<Person, NotLetIn> {
        let culprits = [Culprit::Address(from.0), Culprit::Name(id.chars().take(64).collect())];
        match which {
            Secret::Password => {
                if let Some(wait) = self.throttle.password_wait(&culprits, now.up) {
                    return Err(NotLetIn::Wait(wait.ms() / 1_000 + 1));
                }
            }
            Secret::Pin => {
                if !self.throttle.pin_allowed(from.0, now.up) {
                    return Err(NotLetIn::Wait(300));
                }
            }
        }
        let person = self.person(id).cloned();
        let hash = person.as_ref().and_then(|p| match which {
            Secret::Password => p.password.clone(),
            Secret::Pin => p.pin.clone(),
        });
        let fits = self.fits(hash, secret).await?;
        match (fits, person) {
            (true, Some(person)) => {
                if which == Secret::Password {
                    self.throttle.password_right(&culprits);
                }
                Ok(person)
            }
            (true | false, _) => {
                match which {
                    Secret::Password => self.throttle.password_failed(&culprits, now.up),
                    Secret::Pin => self.throttle.pin_failed(from.0, now.up),
                }
                Err(NotLetIn::Wrong)
            }
        }
    }

    async fn fits(&self, hash: Option<Hashed>, secret: &str) -> Result<bool, NotLetIn> {
        let turn = self.one_at_a_time.acquire().await.map_err(|_| NotLetIn::Busy)?;
        let secret = secret.as_bytes().to_vec();
        let known = hash.is_some();
        let text = hash.map_or_else(|| NOBODY.to_owned(), |h| h.0);
        let fits = tokio::task::spawn_blocking(move || {
            secret.len() <= LONGEST_SECRET
                && PasswordHash::new(&text)
                    .is_ok_and(|parsed| Argon2::default().verify_password(&secret, &parsed).is_ok())
        })
        .await
        .unwrap_or(false);
        drop(turn);
        Ok(fits && known)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::{ManualClock, Uptime};
    use crate::ids::PersonId;
    use crate::web::backend::Role;
    use argon2::password_hash::PasswordHasher;
    use nightjar_calc::time::Timestamp;
    use std::net::{IpAddr, Ipv4Addr};

    const HERE: PeerAddress = PeerAddress(IpAddr::V4(Ipv4Addr::new(192, 0, 2, 7)));

    fn hash(secret: &str) -> Hashed {
        Hashed(Argon2::default().hash_password(secret.as_bytes()).unwrap().to_string())
    }

    fn gate() -> Gate {
        let kim = Person {
            id: PersonId::new("kim").unwrap(),
            name: "Kim".into(),
            role: Role::Operator,
            password: Some(hash("a long enough secret")),
            pin: Some(hash("135790")),
        };
        Gate::new(Arc::new(vec![kim]), Arc::default())
    }

    #[tokio::test]
    async fn only_the_right_secret_of_the_right_kind_lets_in() {
        let gate = gate();
        let now = crate::clock::Clock::now(&ManualClock::new(Timestamp::from_ms(0)));
        let ok = gate.check("kim", "a long enough secret", Secret::Password, HERE, now).await;
        assert_eq!(ok.unwrap().name, "Kim");
        assert!(gate.check("kim", "135790", Secret::Pin, HERE, now).await.is_ok());
        for (name, secret, which) in [
            ("kim", "135790", Secret::Password),
            ("kim", "a long enough secret", Secret::Pin),
            ("kim", "", Secret::Password),
            ("nobody", "a long enough secret", Secret::Password),
        ] {
            assert_eq!(gate.check(name, secret, which, HERE, now).await.unwrap_err(), NotLetIn::Wrong);
        }
    }

    #[tokio::test]
    async fn the_sixth_try_waits_and_the_right_one_too() {
        let gate = gate();
        let mut now = crate::clock::Clock::now(&ManualClock::new(Timestamp::from_ms(0)));
        for _ in 0..5 {
            let wrong = gate.check("kim", "guess", Secret::Password, HERE, now).await;
            assert_eq!(wrong.unwrap_err(), NotLetIn::Wrong);
        }
        let right = gate.check("kim", "a long enough secret", Secret::Password, HERE, now).await;
        assert!(matches!(right, Err(NotLetIn::Wait(_))));
        now.up = Uptime::from_ms(61_000);
        assert!(gate.check("kim", "a long enough secret", Secret::Password, HERE, now).await.is_ok());
    }

    #[test]
    fn the_hash_of_nobody_is_a_hash() {
        assert!(PasswordHash::new(NOBODY).is_ok());
    }
}
