//! The logbook on disk: entries in the order they were written, each id once.

use super::error::{Damage, StoreError};
use crate::logbook::{Entry, EntryId};
use rusqlite::{Connection, OptionalExtension, params};

/// What became of an entry.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Appended {
    /// It is in the logbook now.
    Stored,
    /// The same entry was there already.
    AlreadyHave,
}

/// Writes an entry. `written_at` is no part of what must be the same in a repeat.
pub(super) fn append(db: &Connection, entry: &Entry) -> Result<Appended, StoreError> {
    if let Some(there) = get(db, &entry.id)? {
        let same = Entry { written_at: there.written_at, ..entry.clone() } == there;
        return if same {
            Ok(Appended::AlreadyHave)
        } else {
            Err(StoreError::OtherContent { id: entry.id.0.clone() })
        };
    }
    let body = serde_json::to_string(entry).map_err(|e| StoreError::Database(e.to_string()))?;
    db.prepare_cached(
        "INSERT INTO entry (id, happened_at, written_at, who, body) VALUES (?1, ?2, ?3, ?4, ?5)",
    )?
    .execute(params![
        entry.id.0,
        entry.happened_at.ms(),
        entry.written_at.ms(),
        entry.who.as_str(),
        body
    ])?;
    Ok(Appended::Stored)
}

/// One entry.
pub(super) fn get(db: &Connection, id: &EntryId) -> Result<Option<Entry>, StoreError> {
    let body: Option<(i64, String)> = db
        .prepare_cached("SELECT seq, body FROM entry WHERE id = ?1")?
        .query_row([&id.0], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    body.map(|(seq, body)| parse(seq, &body)).transpose()
}

/// Entries in the order they were written, after the one of this number, with their numbers.
pub(super) fn after(db: &Connection, seq: i64, limit: u32) -> Result<Vec<(i64, Entry)>, StoreError> {
    whole(readable_after(db, seq, limit)?)
}

/// Entries newest first, before the one of this number.
pub(super) fn before(db: &Connection, seq: Option<i64>, limit: u32) -> Result<Vec<(i64, Entry)>, StoreError> {
    whole(page(
        db,
        "SELECT seq, body FROM entry WHERE seq < ?1 ORDER BY seq DESC LIMIT ?2",
        seq.unwrap_or(i64::MAX),
        limit,
    )?)
}

/// An entry under its number, or what is wrong with it.
pub type Numbered = (i64, Result<Entry, StoreError>);

/// As [`after`], with those that are damaged named instead of ending it.
pub(super) fn readable_after(db: &Connection, seq: i64, limit: u32) -> Result<Vec<Numbered>, StoreError> {
    page(db, "SELECT seq, body FROM entry WHERE seq > ?1 ORDER BY seq LIMIT ?2", seq, limit)
}

/// All of them, or the first that is damaged.
fn whole(entries: Vec<Numbered>) -> Result<Vec<(i64, Entry)>, StoreError> {
    entries.into_iter().map(|(seq, entry)| Ok((seq, entry?))).collect()
}

fn page(db: &Connection, sql: &str, seq: i64, limit: u32) -> Result<Vec<Numbered>, StoreError> {
    let mut statement = db.prepare_cached(sql)?;
    let mut rows = statement.query(params![seq, limit])?;
    let mut entries = Vec::new();
    while let Some(row) = rows.next()? {
        let seq: i64 = row.get(0)?;
        // What is no text is damaged like text that is no entry.
        let entry = match row.get_ref(1)?.as_str() {
            Ok(body) => parse(seq, body),
            Err(error) => Err(damaged(seq, error.to_string())),
        };
        entries.push((seq, entry));
    }
    Ok(entries)
}

fn parse(seq: i64, body: &str) -> Result<Entry, StoreError> {
    serde_json::from_str(body).map_err(|error| damaged(seq, error.to_string()))
}

fn damaged(seq: i64, text: String) -> StoreError {
    StoreError::Damaged { place: format!("logbook entry {seq}"), damage: Damage::Text(text) }
}
