//! Runs of the program, steps of the wall clock, settings, sessions, cursors, lines set aside and
//! incoming texts.

use super::error::{Damage, StoreError};
use crate::clock::{Now, Uptime};
use crate::ids::PersonId;
use nightjar_calc::time::{Span, Timestamp};
use rusqlite::{Connection, OptionalExtension, params};

/// Most lines kept in `set_aside`; older ones make room.
const SET_ASIDE_MOST: u32 = 1_000;
/// Most bytes kept of one line set aside.
const SET_ASIDE_BYTES: usize = 4_096;

/// A start of the program.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Run {
    /// Counts the starts.
    pub id: i64,
    /// The machine's own name for the time since it was switched on.
    pub boot: String,
    /// Wall clock at the start.
    pub started_at: Timestamp,
    /// Whether it could be trusted.
    pub trusted: bool,
}

pub(super) fn start_run(db: &Connection, boot: &str, now: Now) -> Result<i64, StoreError> {
    db.execute(
        "INSERT INTO run (boot, started_at, trusted) VALUES (?1, ?2, ?3)",
        params![boot, now.utc.ms(), now.trusted],
    )?;
    Ok(db.last_insert_rowid())
}

/// The run goes on in a file that may not know it yet: a fresh one, or one that could not be
/// opened when the program started.
pub(super) fn continue_run(db: &Connection, id: i64, boot: &str, now: Now) -> Result<(), StoreError> {
    db.execute(
        "INSERT INTO run (id, boot, started_at, trusted) VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO NOTHING",
        params![id, boot, now.utc.ms(), now.trusted],
    )?;
    Ok(())
}

/// Starts of the program, newest first.
pub(super) fn runs(db: &Connection, limit: u32) -> Result<Vec<Run>, StoreError> {
    let mut statement =
        db.prepare_cached("SELECT id, boot, started_at, trusted FROM run ORDER BY id DESC LIMIT ?1")?;
    let rows = statement.query_map([limit], |row| {
        Ok(Run {
            id: row.get(0)?,
            boot: row.get(1)?,
            started_at: Timestamp::from_ms(row.get(2)?),
            trusted: row.get(3)?,
        })
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The wall clock was set while the program ran. Records are corrected by it when they are read,
/// never rewritten.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockStep {
    /// In which run.
    pub run: i64,
    /// At which up-time of that run.
    pub up: Uptime,
    /// What the clock said just before.
    pub old_at: Timestamp,
    /// What it said just after.
    pub new_at: Timestamp,
}

/// The wall time of a record, corrected by every later step of the same run.
#[must_use]
pub fn corrected(at: Timestamp, run: i64, up: Uptime, steps: &[ClockStep]) -> Timestamp {
    let later = steps.iter().filter(|step| step.run == run && step.up > up);
    later.fold(at, |at, step| at + step.new_at.since(step.old_at))
}

pub(super) fn record_step(db: &Connection, step: &ClockStep) -> Result<(), StoreError> {
    db.execute(
        "INSERT INTO clock_step (run, up, old_at, new_at) VALUES (?1, ?2, ?3, ?4)",
        params![
            step.run,
            i64::try_from(step.up.ms()).unwrap_or(i64::MAX),
            step.old_at.ms(),
            step.new_at.ms()
        ],
    )?;
    Ok(())
}

pub(super) fn clock_steps(db: &Connection) -> Result<Vec<ClockStep>, StoreError> {
    let mut statement = db.prepare_cached("SELECT run, up, old_at, new_at FROM clock_step ORDER BY id")?;
    let rows = statement.query_map([], |row| {
        let up: i64 = row.get(1)?;
        Ok(ClockStep {
            run: row.get(0)?,
            up: Uptime::from_ms(u64::try_from(up).unwrap_or(0)),
            old_at: Timestamp::from_ms(row.get(2)?),
            new_at: Timestamp::from_ms(row.get(3)?),
        })
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}

pub(super) fn set_setting(
    db: &Connection,
    key: &str,
    body: Option<&serde_json::Value>,
) -> Result<(), StoreError> {
    match body {
        Some(body) => db.execute(
            "INSERT INTO setting (key, body) VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET body = excluded.body",
            params![key, body.to_string()],
        )?,
        None => db.execute("DELETE FROM setting WHERE key = ?1", [key])?,
    };
    Ok(())
}

pub(super) fn setting(db: &Connection, key: &str) -> Result<Option<serde_json::Value>, StoreError> {
    let body: Option<String> = db
        .prepare_cached("SELECT body FROM setting WHERE key = ?1")?
        .query_row([key], |r| r.get(0))
        .optional()?;
    body.map(|body| {
        serde_json::from_str(&body).map_err(|e| StoreError::Damaged {
            place: format!("setting {key}"),
            damage: Damage::Text(e.to_string()),
        })
    })
    .transpose()
}

/// Somebody signed in. Only the hash of the token is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Session {
    /// Who.
    pub person: PersonId,
    /// What they may do, in a word.
    pub role: String,
    /// When they signed in.
    pub created_at: Timestamp,
    /// When the session was last used.
    pub used_at: Timestamp,
}

pub(super) fn put_session(db: &Connection, token_hash: &[u8], session: &Session) -> Result<(), StoreError> {
    db.execute(
        "INSERT INTO session (token_hash, person, role, created_at, used_at) VALUES (?1, ?2, ?3, ?4, ?5)",
        params![
            token_hash,
            session.person.as_str(),
            session.role,
            session.created_at.ms(),
            session.used_at.ms()
        ],
    )?;
    Ok(())
}

pub(super) fn session(db: &Connection, token_hash: &[u8]) -> Result<Option<Session>, StoreError> {
    let found: Option<(String, String, i64, i64)> = db
        .prepare_cached("SELECT person, role, created_at, used_at FROM session WHERE token_hash = ?1")?
        .query_row([token_hash], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?)))
        .optional()?;
    found
        .map(|(person, role, created, used)| {
            let person = PersonId::new(&person).map_err(|e| StoreError::Damaged {
                place: "a session".into(),
                damage: Damage::Text(e.to_string()),
            })?;
            Ok(Session {
                person,
                role,
                created_at: Timestamp::from_ms(created),
                used_at: Timestamp::from_ms(used),
            })
        })
        .transpose()
}

pub(super) fn touch_session(db: &Connection, token_hash: &[u8], at: Timestamp) -> Result<(), StoreError> {
    db.execute("UPDATE session SET used_at = ?2 WHERE token_hash = ?1", params![token_hash, at.ms()])?;
    Ok(())
}

pub(super) fn end_session(db: &Connection, token_hash: &[u8]) -> Result<(), StoreError> {
    db.execute("DELETE FROM session WHERE token_hash = ?1", [token_hash])?;
    Ok(())
}

pub(super) fn end_sessions(db: &Connection, now: Now, idle: Span, oldest: Span) -> Result<usize, StoreError> {
    let (idle, oldest) = ((now.utc - idle).ms(), (now.utc - oldest).ms());
    Ok(db.execute("DELETE FROM session WHERE used_at < ?1 OR created_at < ?2", [idle, oldest])?)
}

pub(super) fn end_sessions_of(db: &Connection, person: &PersonId) -> Result<usize, StoreError> {
    Ok(db.execute("DELETE FROM session WHERE person = ?1", [person.as_str()])?)
}

pub(super) fn set_cursor(db: &Connection, name: &str, position: i64) -> Result<(), StoreError> {
    db.prepare_cached(
        "INSERT INTO cursor (name, position) VALUES (?1, ?2)
         ON CONFLICT (name) DO UPDATE SET position = excluded.position",
    )?
    .execute(params![name, position])?;
    Ok(())
}

pub(super) fn cursor(db: &Connection, name: &str) -> Result<Option<i64>, StoreError> {
    Ok(db
        .prepare_cached("SELECT position FROM cursor WHERE name = ?1")?
        .query_row([name], |row| row.get(0))
        .optional()?)
}

/// Something that could not be used and is kept for a person to look at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAside {
    /// When.
    pub at: Timestamp,
    /// Where it came from or was going.
    pub source: String,
    /// The thing itself, cut to 4,096 bytes.
    pub raw: String,
    /// Why it could not be used.
    pub reason: String,
}

pub(super) fn set_aside(db: &Connection, line: &SetAside) -> Result<(), StoreError> {
    let mut end = line.raw.len().min(SET_ASIDE_BYTES);
    while !line.raw.is_char_boundary(end) {
        end -= 1;
    }
    db.execute(
        "INSERT INTO set_aside (at, source, raw, reason) VALUES (?1, ?2, ?3, ?4)",
        params![line.at.ms(), line.source, &line.raw[..end], line.reason],
    )?;
    db.execute("DELETE FROM set_aside WHERE id <= last_insert_rowid() - ?1", [SET_ASIDE_MOST])?;
    Ok(())
}

pub(super) fn lines_set_aside(db: &Connection, limit: u32) -> Result<Vec<SetAside>, StoreError> {
    let mut statement =
        db.prepare_cached("SELECT at, source, raw, reason FROM set_aside ORDER BY id DESC LIMIT ?1")?;
    let rows = statement.query_map([limit], |row| {
        Ok(SetAside {
            at: Timestamp::from_ms(row.get(0)?),
            source: row.get(1)?,
            raw: row.get(2)?,
            reason: row.get(3)?,
        })
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// A text message that came in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct IncomingText {
    /// Number it came from.
    pub sender: String,
    /// The time the service centre put on it, as it wrote it.
    pub centre_time: String,
    /// Its words.
    pub body: String,
    /// When it reached us.
    pub received_at: Timestamp,
}

/// True when it had not come before.
pub(super) fn take_incoming(db: &Connection, text: &IncomingText) -> Result<bool, StoreError> {
    let new = db.execute(
        "INSERT INTO incoming (sender, centre_time, body, received_at) VALUES (?1, ?2, ?3, ?4)
         ON CONFLICT DO NOTHING",
        params![text.sender, text.centre_time, text.body, text.received_at.ms()],
    )?;
    Ok(new > 0)
}
