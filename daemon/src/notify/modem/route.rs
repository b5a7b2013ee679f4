//! The route that sends texts through the modem: from a message to its units, and from what the modem
//! said to what becomes of the message.

use super::Meaning;
use super::machine::{Job, JobId, Verdict};
use crate::alarm::event::Priority;
use crate::notify::gsm::{Address, Submit, Validity, septets, split};
use crate::notify::{Body, Sent};
use nightjar_calc::time::Span;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use tokio::sync::{mpsc, oneshot};

/// Keys remembered of texts that may have gone out.
const MOST_REMEMBERED: usize = 512;
/// One part, with the room for the mark of a repeat.
const ONE_PART: usize = 160;
const REPEAT: &str = " (repeat)";

/// A text on its way to the task of the port.
#[derive(Debug)]
pub(super) struct Ask {
    pub(super) job: Job,
    pub(super) answer: oneshot::Sender<Verdict>,
}

/// Sends texts through the modem.
#[derive(Debug)]
pub struct ModemRoute {
    asks: mpsc::Sender<Ask>,
    next: AtomicU64,
    memory: Mutex<Memory>,
}

#[derive(Debug, Default)]
struct Memory {
    /// Texts that may have gone out: said when they are sent again.
    unknown: BTreeSet<String>,
    /// How often the other side turned a text away.
    turned_away: BTreeMap<String, u32>,
}

impl ModemRoute {
    pub(super) fn new(asks: mpsc::Sender<Ask>) -> Self {
        Self { asks, next: AtomicU64::new(1), memory: Mutex::default() }
    }

    /// Sends one text. `key` is the text of the outbox key.
    pub async fn send(&self, key: &str, body: &Body, priority: Priority) -> Sent {
        let units = match self.units(key, body, priority) {
            Ok(units) => units,
            Err(sent) => return sent,
        };
        let job = Job { id: JobId(self.next.fetch_add(1, Ordering::Relaxed)), units };
        let (answer, verdict) = oneshot::channel();
        if self.asks.send(Ask { job, answer }).await.is_err() {
            return Sent::Retry("the modem's task has ended".into());
        }
        match verdict.await {
            Ok(verdict) => self.judge(key, &body.to, verdict),
            Err(_) => Sent::Retry("the modem's task has ended".into()),
        }
    }

    fn units(&self, key: &str, body: &Body, priority: Priority) -> Result<Vec<(String, usize)>, Sent> {
        let to = Address::from_number(&body.to)
            .map_err(|_| Sent::AddressDead(format!("\"{}\" is not a telephone number", body.to)))?;
        let mut text = body.text.clone();
        let fits = septets(&text).is_some_and(|count| count + REPEAT.len() <= ONE_PART);
        if self.memory().unknown.contains(key) && fits && !text.ends_with(REPEAT) {
            text.push_str(REPEAT);
        }
        // A text that waits longer in the network has been overtaken by the ladder.
        let validity = Validity::at_least(match priority {
            Priority::P1 => Span::from_hours(1),
            Priority::P2 => Span::from_hours(4),
            Priority::P3 => Span::from_hours(24),
        });
        let reference = key.bytes().fold(0_u8, |sum, byte| sum.wrapping_mul(31).wrapping_add(byte));
        let refused = |error| Sent::MessageRefused(format!("cannot be written as a text: {error}"));
        let parts = split(&text, reference).map_err(refused)?;
        parts
            .into_iter()
            .map(|data| {
                let (to, validity) = (to.clone(), Some(validity));
                Submit { to, validity, report: true, reject_duplicates: false, data }.hex().map_err(refused)
            })
            .collect()
    }

    fn judge(&self, key: &str, to: &str, verdict: Verdict) -> Sent {
        let mut memory = self.memory();
        match verdict {
            Verdict::Accepted(references) => {
                memory.unknown.remove(key);
                memory.turned_away.remove(key);
                Sent::Accepted(references.last().map(|reference| name(to, *reference)))
            }
            Verdict::NotNow(words) => Sent::Retry(words),
            Verdict::Blocked(words) => Sent::ChannelRefused(words),
            Verdict::Unknown(words) => {
                while memory.unknown.len() >= MOST_REMEMBERED {
                    memory.unknown.pop_first();
                }
                memory.unknown.insert(key.to_owned());
                Sent::Retry(format!("{words}; it may have gone out"))
            }
            Verdict::Refused(fault) => match fault.meaning() {
                Meaning::NumberDead => Sent::AddressDead(fault.to_string()),
                Meaning::Refused | Meaning::Card => Sent::ChannelRefused(fault.to_string()),
                Meaning::TurnedAway => {
                    while memory.turned_away.len() >= MOST_REMEMBERED {
                        memory.turned_away.pop_first();
                    }
                    let times = memory.turned_away.entry(key.to_owned()).or_default();
                    *times += 1;
                    if *times > 2 {
                        memory.turned_away.remove(key);
                        Sent::AddressDead(fault.to_string())
                    } else {
                        Sent::Retry(fault.to_string())
                    }
                }
                Meaning::Later
                | Meaning::Network
                | Meaning::CardBusy
                | Meaning::Setup
                | Meaning::Full
                | Meaning::Nothing => Sent::Retry(fault.to_string()),
            },
        }
    }

    fn memory(&self) -> std::sync::MutexGuard<'_, Memory> {
        self.memory.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What a text is called until its delivery report comes.
pub(super) fn name(to: &str, reference: u8) -> String {
    format!("{to}#{reference}")
}
