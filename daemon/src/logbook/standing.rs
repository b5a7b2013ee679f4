//! What of the logbook stands: entries that were not taken back, and what was put in their place.

use super::{Act, Entry, EntryId};
use nightjar_calc::time::Timestamp;
use std::collections::BTreeMap;

/// Something done that stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Done<'a> {
    /// The entry that says so: the first one, or the latest that put something in its place.
    pub entry: &'a Entry,
    /// What was done.
    pub act: &'a Act,
    /// When it happened.
    pub at: Timestamp,
}

/// Why a taking back does not stand.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotTakenBack {
    /// It names itself.
    #[error("an entry cannot take itself back")]
    Itself,
    /// There is no such entry.
    #[error("there is no entry {0}")]
    Unknown(String),
    /// It names one that took another back for good.
    #[error("what was taken back cannot be brought back; write it anew")]
    Gone,
    /// Another one took it back.
    #[error("entry {0} has been taken back already")]
    Already(String),
}

/// Everything that stands, by entry, and takings back that do not.
pub fn standing<'a>(
    entries: impl IntoIterator<Item = &'a Entry>,
) -> (Vec<Done<'a>>, Vec<(EntryId, NotTakenBack)>) {
    let entries: BTreeMap<&EntryId, &Entry> = entries.into_iter().map(|e| (&e.id, e)).collect();
    let mut voids: BTreeMap<&EntryId, &Entry> = BTreeMap::new();
    let mut idle = Vec::new();
    for entry in entries.values() {
        let Act::Void(void) = &entry.act else { continue };
        let target = entries.get(&void.entry);
        let fault = if void.entry == entry.id {
            Some(NotTakenBack::Itself)
        } else if let Some(Entry { act: Act::Void(other), .. }) = target
            && other.instead.is_none()
        {
            Some(NotTakenBack::Gone)
        } else if target.is_none() {
            Some(NotTakenBack::Unknown(void.entry.0.clone()))
        } else if voids.contains_key(&void.entry) {
            Some(NotTakenBack::Already(void.entry.0.clone()))
        } else {
            None
        };
        match fault {
            Some(fault) => idle.push((entry.id.clone(), fault)),
            None => drop(voids.insert(&void.entry, entry)),
        }
    }
    let done = entries
        .values()
        .filter(|entry| !matches!(entry.act, Act::Void(_)))
        .filter_map(|entry| {
            let mut holds = *entry;
            // Each step names an earlier target, and a target has one taker: this ends.
            while let Some(by) = voids.get(&holds.id) {
                holds = by;
            }
            let act = if let Act::Void(void) = &holds.act { void.instead.as_deref()? } else { &holds.act };
            Some(Done { entry: holds, act, at: entry.happened_at })
        })
        .collect();
    (done, idle)
}
