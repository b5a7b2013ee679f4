//! Somebody who writes into the logbook over the JSON interface, one entry after the other, each
//! with a number of its own, sent again until it is answered.

use super::station::{JARS, PIN};
use crate::{http, pace};
use base64::Engine as _;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// What was sent, and what was answered.
#[derive(Debug, Default)]
pub struct Written {
    /// Entry by number, as sent.
    pub sent: BTreeMap<String, Value>,
    /// Numbers answered 2xx, each with what the marker said then.
    pub safe: Vec<(String, u64)>,
    /// Answers that entries were there already.
    pub repeats: u64,
    /// Answers neither 2xx nor 5xx: the entry was refused.
    pub refused: Vec<String>,
}

/// The keeper at work. Ends with it.
pub struct Keeper {
    written: Arc<Mutex<Written>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

/// Sends one entry once. Gives status and body.
///
/// # Errors
/// When nobody answers.
pub fn send(page: u16, entry: &Value) -> std::io::Result<(u16, String)> {
    let body = entry.to_string();
    let secret = base64::engine::general_purpose::STANDARD.encode(format!("kim:{PIN}"));
    let request = format!(
        "POST /api/v1/entries HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\
         Content-Type: application/json\r\nAuthorization: Basic {secret}\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    );
    http::ask(page, &request)
}

/// An entry of kim's.
#[must_use]
pub fn entry(id: &str, act: &Value) -> Value {
    json!({"id": id, "happened_at": pace::wall().rfc3339(), "who": "kim", "act": act})
}

/// The eggs: one take, poured into every jar, each with its flow set.
///
/// # Errors
/// With what was answered when an entry was refused.
pub fn pour_in(page: u16) -> Result<(), String> {
    let earlier = |hours: i64| (pace::wall() - nightjar_calc::time::Span::from_hours(hours)).rfc3339();
    let mut entries = vec![
        json!({"id": "eggs-take", "happened_at": earlier(30), "who": "kim", "act": {
            "kind": "take", "take": "T1", "species": "walleye", "water": "Alder Lake",
            "fertilized_at": earlier(30), "females": 40, "males": 80, "volume_l": 60.0, "hardened": true,
            "count": {"method": "per_litre", "eggs_per_l": 130_000.0}}}),
        json!({"id": "eggs-lot-1", "happened_at": earlier(29), "who": "kim", "act": {
            "kind": "lot", "lot": "L1", "takes": ["T1"]}}),
    ];
    for jar in 1..=3 * JARS {
        let name = format!("{jar:02}");
        entries.push(json!({"id": format!("eggs-load-{name}"), "happened_at": earlier(28), "who": "kim",
            "act": {"kind": "load", "jar": name, "lot": "L1", "volume_l": 2.0}}));
        entries.push(json!({"id": format!("eggs-flow-{name}"), "happened_at": earlier(28), "who": "kim",
            "act": {"kind": "flow_set_point", "jar": name, "flow_l_per_min": 6.0}}));
    }
    for entry in entries {
        let answer = send(page, &entry).map_err(|error| error.to_string())?;
        if answer.0 != 201 {
            return Err(format!("{entry} was answered {} {}", answer.0, answer.1));
        }
        // Not faster than one address may ask.
        pace::pause(Duration::from_millis(55));
    }
    Ok(())
}

impl Keeper {
    /// Begins, with so much time between two entries. `marker` is asked for a number right after
    /// each answer: how far something else had come by then.
    #[must_use]
    pub fn start(page: u16, every: Duration, marker: Box<dyn Fn() -> u64 + Send>) -> Self {
        let (written, stop) = (Arc::<Mutex<Written>>::default(), Arc::<AtomicBool>::default());
        let (shared, stopped) = (Arc::clone(&written), Arc::clone(&stop));
        let thread = std::thread::spawn(move || {
            for number in 1_u64.. {
                if stopped.load(Ordering::Relaxed) {
                    return;
                }
                write_one(page, number, &shared, &stopped, &marker);
                pace::pause(every);
            }
        });
        Self { written, stop, thread: Some(thread) }
    }

    /// What was sent and answered so far.
    pub fn written(&self) -> MutexGuard<'_, Written> {
        self.written.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Ends; the last entry may stay unanswered.
    pub fn stop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

impl Drop for Keeper {
    fn drop(&mut self) {
        self.stop();
    }
}

/// One entry, until it is answered.
fn write_one(
    page: u16,
    number: u64,
    shared: &Mutex<Written>,
    stop: &AtomicBool,
    marker: &(dyn Fn() -> u64 + Send),
) {
    let id = format!("torture-{number:06}");
    let jar = format!("{:02}", number % (3 * JARS as u64) + 1);
    // Of different lengths, so that pages split where they will.
    let words = "looked at the screen and cleaned it ".repeat(usize::try_from(number % 40).unwrap_or(0));
    let entry = entry(&id, &json!({"kind": "note", "jar": jar, "text": format!("{words}{number}")}));
    let locked = || shared.lock().unwrap_or_else(PoisonError::into_inner);
    locked().sent.insert(id.clone(), entry.clone());
    while !stop.load(Ordering::Relaxed) {
        match send(page, &entry) {
            Ok((200 | 201, body)) => {
                let mark = marker();
                let mut written = locked();
                written.repeats += u64::from(body.contains("\"repeated\":true"));
                written.safe.push((id, mark));
                return;
            }
            Ok((429, _)) => pace::pause(Duration::from_millis(500)),
            Ok((status, body)) if status < 500 => {
                locked().refused.push(format!("{id}: {status} {body}"));
                return;
            }
            Ok(_) | Err(_) => pace::pause(Duration::from_millis(50)),
        }
    }
}
