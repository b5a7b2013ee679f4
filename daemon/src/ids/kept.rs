//! Names kept once: a logbook of a hundred thousand entries names the same jars and people over and over.

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, PoisonError};

/// Names kept at most. Beyond them each keeps its own: what is only asked for, from outside, may be anything.
const MOST: usize = 20_000;

static KEPT: Mutex<BTreeSet<Arc<str>>> = Mutex::new(BTreeSet::new());

/// A name, shared with all that have the same text.
pub(super) fn once(text: &str) -> Arc<str> {
    let mut kept = KEPT.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(name) = kept.get(text) {
        return Arc::clone(name);
    }
    let name: Arc<str> = text.into();
    if kept.len() < MOST {
        kept.insert(Arc::clone(&name));
    }
    name
}

#[cfg(test)]
mod tests {
    use super::once;
    use std::sync::Arc;

    #[test]
    fn the_same_text_is_kept_once() {
        assert!(Arc::ptr_eq(&once("a-name-of-this-test"), &once("a-name-of-this-test")));
        assert_eq!(&*once("another-name-of-this-test"), "another-name-of-this-test");
    }
}
