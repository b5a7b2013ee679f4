//! Joins the parts of texts that people send.

use crate::clock::Uptime;
use crate::notify::gsm::{Address, CentreTime, Deliver};
use nightjar_calc::time::Span;
use std::collections::BTreeMap;

/// A part that stays missing for this long is not waited for any more.
const PATIENCE: Span = Span::from_minutes(10);
/// Unfinished texts; the oldest is let go first.
const MOST: usize = 16;

/// A text with all its parts, or with those that came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Whole {
    pub from: Address,
    pub at: CentreTime,
    pub body: String,
    /// Places in the modem's store.
    pub indices: Vec<u16>,
}

#[derive(Debug)]
struct Unfinished {
    began: Uptime,
    at: CentreTime,
    parts: BTreeMap<u8, String>,
    indices: Vec<u16>,
}

/// Parts waiting for the others.
#[derive(Debug, Default)]
pub(super) struct Inbox {
    unfinished: BTreeMap<(Address, u16, u8), Unfinished>,
}

impl Inbox {
    /// Takes a text or a part; gives the text that is whole by it.
    pub(super) fn take(&mut self, index: Option<u16>, text: Deliver, now: Uptime) -> Option<Whole> {
        let Some(part) = text.data.part.filter(|part| part.total > 1) else {
            let indices = index.into_iter().collect();
            return Some(Whole { from: text.from, at: text.at, body: text.data.text, indices });
        };
        let key = (text.from, part.reference, part.total);
        let at = text.at;
        let unfinished = self.unfinished.entry(key.clone()).or_insert_with(|| Unfinished {
            began: now,
            at,
            parts: BTreeMap::new(),
            indices: Vec::new(),
        });
        unfinished.parts.insert(part.number, text.data.text);
        if let Some(index) = index.filter(|index| !unfinished.indices.contains(index)) {
            unfinished.indices.push(index);
        }
        if unfinished.parts.len() >= usize::from(part.total) {
            return self.end(&key);
        }
        if self.unfinished.len() > MOST {
            let oldest =
                self.unfinished.iter().min_by_key(|(_, text)| text.began).map(|(key, _)| key.clone());
            return oldest.and_then(|key| self.end(&key));
        }
        None
    }

    /// When patience with some text ends.
    pub(super) fn next_due(&self) -> Option<Uptime> {
        self.unfinished.values().map(|text| text.began.after(PATIENCE)).min()
    }

    /// What came of texts that stayed unfinished for too long.
    pub(super) fn overdue(&mut self, now: Uptime) -> Vec<Whole> {
        let overdue = |text: &Unfinished| text.began.after(PATIENCE) <= now;
        let keys: Vec<_> =
            self.unfinished.iter().filter(|(_, text)| overdue(text)).map(|(key, _)| key.clone()).collect();
        keys.iter().filter_map(|key| self.end(key)).collect()
    }

    fn end(&mut self, key: &(Address, u16, u8)) -> Option<Whole> {
        let text = self.unfinished.remove(key)?;
        let body = text.parts.into_values().collect();
        Some(Whole { from: key.0.clone(), at: text.at, body, indices: text.indices })
    }
}
