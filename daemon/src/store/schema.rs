//! Opening the file, and the steps that bring it from any earlier schema to this one.
//!
//! A released step is never edited; a change is a new step at the end.

use super::error::{StoreError, Trouble};
use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, TransactionBehavior};
use std::path::Path;

/// Each step brings the schema from its position to the next number.
const STEPS: &[&str] = &[include_str!("schema/v1.sql"), include_str!("schema/v2.sql")];

/// The schema this program writes.
#[must_use]
pub(super) fn newest() -> i64 {
    i64::try_from(STEPS.len()).unwrap_or(i64::MAX)
}

/// How long a connection waits for another one, in ms. One writer and short readers: reached only
/// when a foreign program holds the file.
const BUSY_MS: u64 = 5_000;

/// The log is cut back to this after a checkpoint; without it, it keeps its largest size for ever.
const WAL_LIMIT_BYTES: i64 = 16 * 1024 * 1024;

/// Opens the file for writing and brings it to the newest schema.
///
/// # Errors
/// When it cannot be opened, is damaged, or was written by a newer program.
pub(super) fn open_writer(path: &Path, max_pages: Option<u32>) -> Result<Connection, StoreError> {
    let flags =
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut db = Connection::open_with_flags(path, flags)?;
    common(&db)?;
    // Before anything is written: a file of a newer program stays exactly as it is.
    let found = version(&db)?;
    if found > newest() {
        return Err(StoreError::NewerSchema { path: path.to_owned(), found, known: newest() });
    }
    // Opened read-only although asked otherwise: the file or its folder may not be written.
    if db.is_readonly(rusqlite::MAIN_DB)? {
        return Err(StoreError::Failing(Trouble::ReadOnly("the file may not be written".into())));
    }
    db.pragma_update(None, "page_size", 4096)?;
    db.pragma_update_and_check(None, "journal_mode", "wal", |_| Ok(()))?;
    db.pragma_update(None, "synchronous", "full")?;
    db.pragma_update_and_check(None, "journal_size_limit", WAL_LIMIT_BYTES, |_| Ok(()))?;
    if let Some(pages) = max_pages {
        db.pragma_update_and_check(None, "max_page_count", pages, |_| Ok(()))?;
    }
    migrate(&mut db, STEPS)?;
    Ok(db)
}

/// Opens the file for reading.
///
/// # Errors
/// When it cannot be opened, or was written by another version.
pub(super) fn open_reader(path: &Path) -> Result<Connection, StoreError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags)?;
    common(&db)?;
    db.pragma_update(None, "query_only", true)?;
    let found = version(&db)?;
    if found > newest() {
        return Err(StoreError::NewerSchema { path: path.to_owned(), found, known: newest() });
    }
    Ok(db)
}

fn common(db: &Connection) -> Result<(), StoreError> {
    db.busy_timeout(std::time::Duration::from_millis(BUSY_MS))?;
    db.pragma_update(None, "foreign_keys", true)?;
    db.pragma_update(None, "trusted_schema", false)?;
    db.pragma_update(None, "cell_size_check", true)?;
    // An error on a mapped page is a signal that kills the process, not an error code.
    db.pragma_update_and_check(None, "mmap_size", 0, |_| Ok(())).or_else(no_rows_is_fine)?;
    db.set_prepared_statement_cache_capacity(64);
    // A statement stays prepared when other values are bound to it. Nothing here is planned by values: there
    // are no statistics, and without this each look at the outbox was parsed and planned anew.
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
    // Pages of the file in memory, KiB. The system keeps them, too, and takes them back when it must.
    db.pragma_update(None, "cache_size", -512)?;
    Ok(())
}

/// Some settings answer with a row or with nothing, depending on how SQLite was built.
fn no_rows_is_fine(error: rusqlite::Error) -> Result<(), rusqlite::Error> {
    if matches!(error, rusqlite::Error::QueryReturnedNoRows) { Ok(()) } else { Err(error) }
}

/// The schema of a file.
pub(super) fn version(db: &Connection) -> Result<i64, StoreError> {
    Ok(db.pragma_query_value(None, "user_version", |row| row.get(0))?)
}

fn migrate(db: &mut Connection, steps: &[&str]) -> Result<(), StoreError> {
    let from = version(db)?;
    for (done, step) in (0_i64..).zip(steps) {
        if done < from {
            continue;
        }
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        tx.execute_batch(step)?;
        tx.pragma_update(None, "user_version", done + 1)?;
        tx.commit()?;
        tracing::info!(schema = done + 1, "database brought to a newer schema");
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_that_fails_leaves_the_schema_before_it_whole() {
        let mut db = Connection::open_in_memory().unwrap();
        let broken =
            ["CREATE TABLE a (x); INSERT INTO a VALUES (1)", "CREATE TABLE b (y); DELETE FROM nothing"];
        assert!(migrate(&mut db, &broken).is_err());
        assert_eq!(version(&db).unwrap(), 1);
        assert!(db.prepare("SELECT * FROM b").is_err(), "half of the second step was undone");
        // The mended program goes on from there and does not repeat the first step.
        let mended = [broken[0], "CREATE TABLE b (y)", "INSERT INTO b SELECT x FROM a"];
        migrate(&mut db, &mended).unwrap();
        assert_eq!(version(&db).unwrap(), 3);
        let sum: i64 = db
            .query_row("SELECT (SELECT count(*) FROM a) + (SELECT count(*) FROM b)", [], |r| r.get(0))
            .unwrap();
        assert_eq!(sum, 2);
    }
}
