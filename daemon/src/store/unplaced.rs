//! Readings taken while nobody could say what time it was. They are safe on disk, but have no place
//! in the record until the clock of their run is set: a machine without a battery clock begins
//! somewhere in the past, and its readings would land among those of yesterday.
//!
//! A step of the wall clock moves all of the run's readings along, for they were taken before it.
//! Once the clock is trusted they are put into the record with the time they really had, still
//! marked. Readings of a run whose clock was never set stay here.

use super::error::{Damage, StoreError};
use super::pack;
use super::sample::{ChannelId, STORABLE_MS, Sample};
use super::tail;
use nightjar_calc::time::Span;
use rusqlite::{Connection, params};

/// Puts readings by.
pub(super) fn append(db: &Connection, run: i64, readings: &[(ChannelId, Sample)]) -> Result<(), StoreError> {
    let mut statement = db.prepare_cached("INSERT INTO unplaced (run, packed) VALUES (?1, ?2)")?;
    for row in readings.chunks(tail::ROW_MOST) {
        statement.execute(params![run, pack::pack(row)])?;
    }
    Ok(())
}

/// Moves the times of a run's readings by the length of a clock step.
pub(super) fn shift(db: &Connection, run: i64, by: Span) -> Result<(), StoreError> {
    if by == Span::ZERO {
        return Ok(());
    }
    let mut update = db.prepare_cached("UPDATE unplaced SET packed = ?2 WHERE id = ?1")?;
    for (id, mut readings) in rows(db, run)? {
        for (_, sample) in &mut readings {
            sample.at = sample.at + by;
        }
        // A time that cannot be stored was nonsense before the step as well.
        readings.retain(|(_, sample)| STORABLE_MS.contains(&sample.at.ms()));
        update.execute(params![id, pack::pack(&readings)])?;
    }
    Ok(())
}

/// Puts a run's readings into the record, as rows of the tail from number `next` on. Answers how
/// many, and the next free number.
pub(super) fn place(db: &Connection, run: i64, next: i64) -> Result<(u64, i64), StoreError> {
    let (mut placed, mut next) = (0, next);
    for (_, readings) in rows(db, run)? {
        placed += readings.len() as u64;
        next = tail::append(db, next, &readings)?;
    }
    db.execute("DELETE FROM unplaced WHERE run = ?1", [run])?;
    Ok((placed, next))
}

type Rows = Vec<(i64, Vec<(ChannelId, Sample)>)>;

fn rows(db: &Connection, run: i64) -> Result<Rows, StoreError> {
    let mut statement = db.prepare_cached("SELECT id, packed FROM unplaced WHERE run = ?1 ORDER BY id")?;
    let mut found = statement.query([run])?;
    let mut all = Vec::new();
    while let Some(row) = found.next()? {
        let (id, packed): (i64, Vec<u8>) = (row.get(0)?, row.get(1)?);
        all.push((id, pack::unpack(&packed).map_err(|damage| damaged(id, damage))?));
    }
    Ok(all)
}

/// How many readings wait for a place, of all runs.
pub(super) fn count(db: &Connection) -> Result<u64, StoreError> {
    let mut statement = db.prepare_cached("SELECT id, packed FROM unplaced")?;
    let mut found = statement.query([])?;
    let mut all = 0;
    while let Some(row) = found.next()? {
        let (id, packed): (i64, Vec<u8>) = (row.get(0)?, row.get(1)?);
        all += pack::unpack(&packed).map_err(|damage| damaged(id, damage))?.len() as u64;
    }
    Ok(all)
}

fn damaged(id: i64, damage: Damage) -> StoreError {
    StoreError::Damaged { place: format!("row {id} of the readings without a time"), damage }
}
