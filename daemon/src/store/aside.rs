//! Using the file from another process than the one that watches: a look, or entries of past years.

use super::error::StoreError;
use super::read::Reader;
use super::{entries, schema};
use crate::logbook::Entry;
use rusqlite::TransactionBehavior;
use std::path::Path;

/// Looks into the file, in one read transaction. Keep it short: a long one keeps the writer from
/// clearing its log.
///
/// # Errors
/// When there is no such file or it cannot be read, and those of `look`.
pub fn look<T>(path: &Path, look: impl FnOnce(&Reader<'_>) -> Result<T, StoreError>) -> Result<T, StoreError> {
    let mut db = schema::open_reader(path)?;
    let tx = db.transaction()?;
    let found = look(&Reader::new(&tx))?;
    tx.finish()?;
    Ok(found)
}

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
