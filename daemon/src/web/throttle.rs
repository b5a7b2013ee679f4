//! Slows down those who ask too often: requests per address, and failed secrets per address and
//! per person. Tables are bounded; the entry unused for longest gives way.

use crate::clock::Uptime;
use nightjar_calc::time::Span;
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};

/// Addresses or names remembered at one time.
const MOST: usize = 1_024;
/// Requests a second an address may make for long.
const PER_SECOND: u64 = 20;
/// Requests an address may make at once: a page with all it needs, a few times over.
const BURST: u64 = 60;
/// Failures before the first wait.
const FREE_FAILURES: u32 = 5;
/// First wait; doubles up to [`LONGEST_WAIT`].
const FIRST_WAIT: Span = Span::from_minutes(1);
/// Longest wait.
const LONGEST_WAIT: Span = Span::from_minutes(15);
/// PIN tries of one address in [`PIN_WINDOW`].
const PIN_TRIES: usize = 5;
const PIN_WINDOW: Span = Span::from_minutes(5);
/// Wrong PINs of everybody together in an hour.
const PIN_TRIES_OVERALL: usize = 20;
const PIN_WINDOW_OVERALL: Span = Span::from_hours(1);

/// Whose failures are counted.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Culprit {
    /// Anybody at this address.
    Address(IpAddr),
    /// Anybody giving this name.
    Name(String),
}

#[derive(Clone, Copy, Debug)]
struct Bucket {
    /// Thousandths of a request that may still be made.
    milli: u64,
    at: Uptime,
}

#[derive(Clone, Copy, Debug)]
struct Failures {
    count: u32,
    until: Uptime,
    at: Uptime,
}

/// All counts.
#[derive(Debug, Default)]
pub struct Throttle {
    requests: Mutex<BTreeMap<IpAddr, Bucket>>,
    passwords: Mutex<BTreeMap<Culprit, Failures>>,
    pins: Mutex<Vec<(Uptime, IpAddr)>>,
}

fn locked<T>(table: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    table.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Throttle {
    /// Takes one request of an address; false when it asks too often.
    pub fn request(&self, from: IpAddr, now: Uptime) -> bool {
        let mut table = locked(&self.requests);
        if table.len() >= MOST
            && !table.contains_key(&from)
            && let Some(oldest) = table.iter().min_by_key(|(_, b)| b.at).map(|(key, _)| *key)
        {
            table.remove(&oldest);
        }
        let bucket = table.entry(from).or_insert(Bucket { milli: BURST * 1_000, at: now });
        let gained = now.ms().saturating_sub(bucket.at.ms()).saturating_mul(PER_SECOND);
        bucket.milli = bucket.milli.saturating_add(gained).min(BURST * 1_000);
        bucket.at = now;
        if bucket.milli >= 1_000 {
            bucket.milli -= 1_000;
            true
        } else {
            false
        }
    }

    /// How long somebody has to wait before another password is looked at.
    pub fn password_wait(&self, culprits: &[Culprit], now: Uptime) -> Option<Span> {
        let table = locked(&self.passwords);
        let until = culprits.iter().filter_map(|c| table.get(c)).map(|f| f.until).max()?;
        (until > now).then(|| until.since(now))
    }

    /// Counts a wrong password.
    pub fn password_failed(&self, culprits: &[Culprit], now: Uptime) {
        let mut table = locked(&self.passwords);
        for culprit in culprits {
            if table.len() >= MOST
                && !table.contains_key(culprit)
                && let Some(oldest) = table.iter().min_by_key(|(_, f)| f.at).map(|(key, _)| key.clone())
            {
                table.remove(&oldest);
            }
            let entry = table.entry(culprit.clone()).or_insert(Failures {
                count: 0,
                until: Uptime::from_ms(0),
                at: now,
            });
            entry.count = entry.count.saturating_add(1);
            entry.at = now;
            if entry.count >= FREE_FAILURES {
                let doublings = (entry.count - FREE_FAILURES).min(10);
                let wait = Span::from_ms(FIRST_WAIT.ms() << doublings).min(LONGEST_WAIT);
                entry.until = now.after(wait);
            }
        }
    }

    /// Forgets failures after a right password.
    pub fn password_right(&self, culprits: &[Culprit]) {
        let mut table = locked(&self.passwords);
        for culprit in culprits {
            table.remove(culprit);
        }
    }

    /// True when a PIN of this address may be looked at.
    pub fn pin_allowed(&self, from: IpAddr, now: Uptime) -> bool {
        let mut tries = locked(&self.pins);
        tries.retain(|(at, _)| now.since(*at) <= PIN_WINDOW_OVERALL);
        let recent = tries.iter().filter(|(at, who)| *who == from && now.since(*at) <= PIN_WINDOW).count();
        recent < PIN_TRIES && tries.len() < PIN_TRIES_OVERALL
    }

    /// Counts a wrong PIN.
    pub fn pin_failed(&self, from: IpAddr, now: Uptime) {
        locked(&self.pins).push((now, from));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::net::Ipv4Addr;

    const HERE: IpAddr = IpAddr::V4(Ipv4Addr::new(192, 0, 2, 7));
    const THERE: IpAddr = IpAddr::V4(Ipv4Addr::new(192, 0, 2, 8));

    #[test]
    fn twenty_requests_a_second_for_long_and_a_burst_at_first() {
        let throttle = Throttle::default();
        let served = (0..10_000).filter(|ms| throttle.request(HERE, Uptime::from_ms(*ms))).count();
        // 60 at once, then 20 a second for ten seconds.
        assert!((258..=260).contains(&served), "{served}");
        assert!(throttle.request(THERE, Uptime::from_ms(9_999)), "others are not slowed down");
    }

    #[test]
    fn five_wrong_passwords_cost_a_minute_doubling_to_fifteen() {
        let throttle = Throttle::default();
        let who = [Culprit::Address(HERE), Culprit::Name("kim".into())];
        let mut now = Uptime::from_ms(0);
        let mut waits = Vec::new();
        for _ in 0..11 {
            throttle.password_failed(&who, now);
            let wait = throttle.password_wait(&who, now).unwrap_or(Span::ZERO);
            waits.push(wait.ms() / 60_000);
            now = now.after(wait);
        }
        assert_eq!(waits, [0, 0, 0, 0, 1, 2, 4, 8, 15, 15, 15]);
        assert_eq!(throttle.password_wait(&[Culprit::Address(THERE)], now), None);
        throttle.password_right(&who);
        assert_eq!(throttle.password_wait(&who, now), None);
    }

    #[test]
    fn pins_are_counted_per_address_and_overall() {
        let throttle = Throttle::default();
        for i in 0..5 {
            assert!(throttle.pin_allowed(HERE, Uptime::from_ms(i)));
            throttle.pin_failed(HERE, Uptime::from_ms(i));
        }
        assert!(!throttle.pin_allowed(HERE, Uptime::from_ms(10)));
        assert!(throttle.pin_allowed(THERE, Uptime::from_ms(10)));
        assert!(throttle.pin_allowed(HERE, Uptime::from_ms(6 * 60_000)));
        for i in 0..15_u8 {
            throttle.pin_failed(IpAddr::V4(Ipv4Addr::new(198, 51, 100, i)), Uptime::from_ms(20));
        }
        assert!(!throttle.pin_allowed(THERE, Uptime::from_ms(30)));
    }
}
