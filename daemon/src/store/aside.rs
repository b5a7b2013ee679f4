//! Using the file from another process than the one that watches: entries of past years.

use super::error::StoreError;
use super::{entries, schema};
use crate::logbook::Entry;
use rusqlite::TransactionBehavior;
use std::path::Path;

/// Writes entries, all or none. One that is there already with the same content changes nothing.
/// Answers how many are new.
///
/// # Errors
/// When the file cannot be written, or an entry of the same id says something else.
pub fn import_entries(path: &Path, new: &[Entry]) -> Result<usize, StoreError> {
    let mut db = schema::open_writer(path, None)?;
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let mut stored = 0;
    for entry in new {
        stored += usize::from(entries::append(&tx, entry)? == entries::Appended::Stored);
    }
    tx.commit()?;
    Ok(stored)
}
