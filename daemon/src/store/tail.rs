//! The newest readings, one packed row a commit, and moving them into chunks once their hour has
//! passed. Moving is one transaction and may be repeated at any time without harm.

use super::chunk::{self, Summary};
use super::error::StoreError;
use super::pack;
use super::sample::{ChannelId, HOUR_MS, Merged, Sample, join};
use nightjar_calc::thermal::hour_of;
use nightjar_calc::time::Timestamp;
use rusqlite::{Connection, OptionalExtension, params};
use std::collections::BTreeMap;

/// Most readings in one row. Keeps a row, and what a reader has to unpack at once, small.
pub(super) const ROW_MOST: usize = 1_024;

/// Most rows moved in one transaction, so that a transition never waits long behind it. Six hours
/// of one row every 10 s.
const MOVE_ROWS: u32 = 2_160;

/// Readings dated up to this far ahead are left in the tail; later ones are nonsense kept for the
/// record, and go into chunks at once.
const AHEAD_HOURS: i64 = 2;

/// Key of a chunk.
pub(super) fn chunk_id(channel: ChannelId, hour: i64) -> i64 {
    (i64::from(channel.0) << 32) | hour
}

/// The inverse of [`chunk_id`].
pub(super) fn chunk_place(id: i64) -> (ChannelId, i64) {
    (ChannelId(u32::try_from(id >> 32).unwrap_or(u32::MAX)), id & 0xffff_ffff)
}

/// Writes readings as rows numbered from `next` on. Answers the next free number.
pub(super) fn append(
    db: &Connection,
    next: i64,
    readings: &[(ChannelId, Sample)],
) -> Result<i64, StoreError> {
    let mut statement = db.prepare_cached("INSERT INTO tail (id, packed) VALUES (?1, ?2)")?;
    let mut next = next;
    for row in readings.chunks(ROW_MOST) {
        statement.execute(params![next, pack::pack(row)])?;
        next += 1;
    }
    Ok(next)
}

/// The first number never given to a row, nor reached by a follower.
pub(super) fn next_number(db: &Connection) -> Result<i64, StoreError> {
    let highest: i64 = db.query_row(
        "SELECT max(coalesce((SELECT max(id) FROM tail), 0), coalesce((SELECT max(upto) FROM chunk), 0),
             coalesce((SELECT max(position) FROM cursor), 0))",
        [],
        |row| row.get(0),
    )?;
    Ok(highest + 1)
}

/// What one pass of moving did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Moved {
    /// Rows looked at.
    pub rows: u64,
    /// Readings moved.
    pub readings: u64,
    /// Chunks written.
    pub chunks: u64,
    /// Rows whose bytes could not be read; they were left alone.
    pub damaged: u64,
    /// The last row looked at; moving goes on after it.
    pub last: i64,
    /// Nothing is left after it.
    pub done: bool,
}

/// Moves readings of hours that ended before `now` out of rows after `after`. `fresh` is a number
/// no row has had.
pub(super) fn compact(db: &Connection, after: i64, now: Timestamp, fresh: i64) -> Result<Moved, StoreError> {
    let open = hour_of(now)..=hour_of(now) + AHEAD_HOURS;
    let mut moved = Moved { last: after, ..Moved::default() };
    let mut leaving: BTreeMap<(ChannelId, i64), (Merged, i64)> = BTreeMap::new();
    let mut staying: Vec<(i64, Vec<(ChannelId, Sample)>)> = Vec::new();
    let mut emptied: Vec<i64> = Vec::new();
    {
        let mut statement =
            db.prepare_cached("SELECT id, packed FROM tail WHERE id > ?1 ORDER BY id LIMIT ?2")?;
        let mut rows = statement.query(params![after, MOVE_ROWS])?;
        while let Some(row) = rows.next()? {
            let id: i64 = row.get(0)?;
            moved.rows += 1;
            moved.last = id;
            let Ok(readings) = pack::unpack(row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?) else {
                moved.damaged += 1;
                continue;
            };
            let all = readings.len();
            let (stays, leaves): (Vec<_>, Vec<_>) =
                readings.into_iter().partition(|(_, sample)| open.contains(&hour_of(sample.at)));
            moved.readings += leaves.len() as u64;
            for (channel, sample) in leaves {
                let (merged, upto) = leaving.entry((channel, hour_of(sample.at))).or_default();
                merged.add(sample);
                *upto = id;
            }
            if stays.is_empty() {
                emptied.push(id);
            } else if stays.len() < all {
                staying.push((id, stays));
            }
        }
    }
    moved.done = moved.rows < u64::from(MOVE_ROWS);
    for (place, (merged, upto)) in leaving {
        moved.chunks += u64::from(merge_into(db, place, merged, upto, fresh)?);
    }
    let mut delete = db.prepare_cached("DELETE FROM tail WHERE id = ?1")?;
    for id in emptied {
        delete.execute([id])?;
    }
    let mut shrink = db.prepare_cached("UPDATE tail SET packed = ?2 WHERE id = ?1")?;
    for (id, stays) in staying {
        shrink.execute(params![id, pack::pack(&stays)])?;
    }
    Ok(moved)
}

/// Adds the samples of one hour, which came in rows up to number `upto`, to its chunk. False when
/// the chunk had them all. When two different samples had the same moment, followers may have been
/// handed the wrong one last: the chunk then counts as new, under the number `fresh`.
fn merge_into(
    db: &Connection,
    (channel, hour): (ChannelId, i64),
    merged: Merged,
    upto: i64,
    fresh: i64,
) -> Result<bool, StoreError> {
    let disputed = merged.had_conflict();
    let samples = merged.into_vec();
    let id = chunk_id(channel, hour);
    let there: Option<(i64, Vec<u8>)> = db
        .prepare_cached("SELECT upto, packed FROM chunk WHERE id = ?1")?
        .query_row([id], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    let (samples, upto) = match there {
        None => (samples, if disputed { fresh } else { upto }),
        Some((before, packed)) => {
            let old = chunk::decode(hour, &packed).map_err(|d| damaged(channel, hour, d))?;
            let joined = join(old, samples);
            if !joined.changed && !joined.conflict && !disputed {
                return Ok(false);
            }
            (joined.samples, if joined.conflict || disputed { fresh } else { upto.max(before) })
        }
    };
    let packed = chunk::encode(hour, &samples).map_err(|d| damaged(channel, hour, d))?;
    let s = Summary::of(&samples);
    db.prepare_cached(
        "INSERT INTO chunk (id, upto, n, used, low, high, total, first_at, last_at, packed)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)
         ON CONFLICT (id) DO UPDATE SET upto = excluded.upto, n = excluded.n, used = excluded.used,
             low = excluded.low, high = excluded.high, total = excluded.total,
             first_at = excluded.first_at, last_at = excluded.last_at, packed = excluded.packed",
    )?
    .execute(params![id, upto, s.n, s.used, s.low, s.high, s.sum, s.first_at, s.last_at, packed])?;
    Ok(true)
}

/// Says which chunk cannot be read.
pub(super) fn damaged(channel: ChannelId, hour: i64, damage: super::error::Damage) -> StoreError {
    let start = Timestamp::from_ms(hour * HOUR_MS);
    StoreError::Damaged { place: format!("the hour {start} of channel {}", channel.0), damage }
}

/// Writes readings of one channel, in any order, straight into chunks: for importing a record.
pub(super) fn import(
    db: &Connection,
    channel: ChannelId,
    samples: &[Sample],
    number: i64,
) -> Result<u64, StoreError> {
    let mut hours: BTreeMap<i64, Merged> = BTreeMap::new();
    for sample in samples {
        hours.entry(hour_of(sample.at)).or_default().add(*sample);
    }
    let mut changed = 0;
    for (hour, merged) in hours {
        changed += u64::from(merge_into(db, (channel, hour), merged, number, number)?);
    }
    Ok(changed)
}

/// Takes away up to `limit` chunks that ended before `before`. Answers how many.
pub(super) fn drop_before(db: &Connection, before: Timestamp, limit: u32) -> Result<usize, StoreError> {
    // Channel by channel, because the key begins with the channel.
    let mut dropped = 0;
    for channel in channels(db)? {
        let left = i64::from(limit) - i64::try_from(dropped).unwrap_or(i64::MAX);
        dropped += db
            .prepare_cached(
                "DELETE FROM chunk WHERE id IN (SELECT id FROM chunk WHERE id >= ?1 AND id < ?2 ORDER BY id LIMIT ?3)",
            )?
            .execute(params![chunk_id(channel, 0), chunk_id(channel, hour_of(before).max(0)), left.max(0)])?;
    }
    Ok(dropped)
}

fn channels(db: &Connection) -> Result<Vec<ChannelId>, StoreError> {
    let mut statement = db.prepare_cached("SELECT id FROM channel ORDER BY id")?;
    let rows = statement.query_map([], |row| Ok(ChannelId(row.get(0)?)))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The number of a channel, given out when it is new.
pub(super) fn channel(db: &Connection, name: &str) -> Result<ChannelId, StoreError> {
    if let Some(id) = find_channel(db, name)? {
        return Ok(id);
    }
    db.execute("INSERT INTO channel (name) VALUES (?1)", [name])?;
    find_channel(db, name)?.ok_or_else(|| StoreError::Missing { what: "channel", id: name.to_owned() })
}

/// The number of a channel, if it ever had readings or was configured.
pub(super) fn find_channel(db: &Connection, name: &str) -> Result<Option<ChannelId>, StoreError> {
    Ok(db
        .prepare_cached("SELECT id FROM channel WHERE name = ?1")?
        .query_row([name], |row| Ok(ChannelId(row.get(0)?)))
        .optional()?)
}
