//! What happened, line by line, and the state that must survive a restart: both are written in
//! the same transaction as the messages they cause.

use super::error::{Damage, StoreError};
use super::outbox::{self, MessageId, MessageState, NewMessage};
use crate::alarm::event::EventId;
use crate::clock::{Now, Uptime};
use nightjar_calc::time::{Span, Timestamp};
use rusqlite::{Connection, OptionalExtension, params, params_from_iter, types::Value as Sql};
use std::collections::BTreeMap;

/// What a line of the journal is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum JournalKind {
    /// An alarm changed.
    Alarm,
    /// The program started or stopped.
    Restart,
    /// The wall clock stepped, or its trust changed.
    Clock,
    /// A port, broker or bus came or went.
    Source,
    /// The store failed or came back.
    Storage,
    /// A message went out, or could not.
    Message,
    /// Somebody answered by text.
    Answer,
    /// Somebody signed in, or tried to.
    SignIn,
    /// The configuration changed.
    Config,
    /// Anything else.
    Other,
}

impl JournalKind {
    const ALL: [Self; 10] = [
        Self::Alarm,
        Self::Restart,
        Self::Clock,
        Self::Source,
        Self::Storage,
        Self::Message,
        Self::Answer,
        Self::SignIn,
        Self::Config,
        Self::Other,
    ];

    /// As stored.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Alarm => "alarm",
            Self::Restart => "restart",
            Self::Clock => "clock",
            Self::Source => "source",
            Self::Storage => "storage",
            Self::Message => "message",
            Self::Answer => "answer",
            Self::SignIn => "sign-in",
            Self::Config => "config",
            Self::Other => "other",
        }
    }
}

/// A line to be written.
#[derive(Clone, Debug, PartialEq)]
pub struct NewLine {
    /// When.
    pub now: Now,
    /// About what.
    pub kind: JournalKind,
    /// The alarm event, if it is about one.
    pub event: Option<EventId>,
    /// The rest, as JSON.
    pub body: serde_json::Value,
}

/// A line as stored.
#[derive(Clone, Debug, PartialEq)]
pub struct JournalLine {
    /// Its number; higher is later.
    pub id: i64,
    /// Wall clock when it was written.
    pub at: Timestamp,
    /// Run of the program it was written in.
    pub run: i64,
    /// Up-time of that run.
    pub up: Uptime,
    /// Whether the wall clock could be trusted.
    pub trusted: bool,
    /// About what.
    pub kind: JournalKind,
    /// The alarm event, if it is about one.
    pub event: Option<EventId>,
    /// The rest, as JSON.
    pub body: serde_json::Value,
}

/// Everything one change causes, written at once or not at all.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Transition {
    /// Lines for the journal.
    pub journal: Vec<NewLine>,
    /// State to be kept under a key; `None` takes it away.
    pub state: Vec<(String, Option<serde_json::Value>)>,
    /// Messages to be queued.
    pub outbox: Vec<NewMessage>,
    /// Unsent messages about these events are worth sending for this much longer only.
    pub shorten: Vec<(EventId, Span)>,
}

/// Writes a transition inside an open transaction. Answers the numbers of the messages that were
/// new, in the order given.
pub(super) fn write(
    db: &Connection,
    transition: &Transition,
    first_state: MessageState,
    run: i64,
    now: Now,
) -> Result<Vec<Option<MessageId>>, StoreError> {
    for line in &transition.journal {
        db.prepare_cached(
            "INSERT INTO journal (at, run, up, trusted, kind, event, body) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )?
        .execute(params![
            line.now.utc.ms(),
            run,
            i64::try_from(line.now.up.ms()).unwrap_or(i64::MAX),
            line.now.trusted,
            line.kind.as_str(),
            line.event.map(|e| e.0.cast_signed()),
            line.body.to_string(),
        ])?;
    }
    for (key, body) in &transition.state {
        match body {
            Some(body) => db
                .prepare_cached(
                    "INSERT INTO state (key, body) VALUES (?1, ?2)
                     ON CONFLICT (key) DO UPDATE SET body = excluded.body",
                )?
                .execute(params![key, body.to_string()])?,
            None => db.prepare_cached("DELETE FROM state WHERE key = ?1")?.execute([key])?,
        };
    }
    // First the old messages, so that the one that says "cleared" keeps its own life.
    for (event, life) in &transition.shorten {
        outbox::shorten(db, *event, *life, now)?;
    }
    let ids = transition
        .outbox
        .iter()
        .map(|message| outbox::enqueue(db, message, first_state, run, now))
        .collect::<Result<Vec<_>, StoreError>>()?;
    Ok(ids)
}

/// Which lines of the journal are wanted. Newest first.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct JournalFilter {
    /// Of this kind only.
    pub kind: Option<JournalKind>,
    /// About this event only.
    pub event: Option<EventId>,
    /// Not before this moment.
    pub from: Option<Timestamp>,
    /// Before this moment.
    pub to: Option<Timestamp>,
    /// Before the line of this number: the last one of the page before.
    pub before: Option<i64>,
}

/// Lines, newest first.
pub(super) fn lines(
    db: &Connection,
    filter: &JournalFilter,
    limit: u32,
) -> Result<Vec<JournalLine>, StoreError> {
    let mut sql = String::from("SELECT id, at, run, up, trusted, kind, event, body FROM journal WHERE 1");
    let mut values: Vec<Sql> = Vec::new();
    let mut narrow = |clause: &str, value: Option<Sql>| {
        if let Some(value) = value {
            sql.push_str(clause);
            values.push(value);
        }
    };
    narrow(" AND kind = ?", filter.kind.map(|k| Sql::Text(k.as_str().into())));
    narrow(" AND event = ?", filter.event.map(|e| Sql::Integer(e.0.cast_signed())));
    narrow(" AND at >= ?", filter.from.map(|t| Sql::Integer(t.ms())));
    narrow(" AND at < ?", filter.to.map(|t| Sql::Integer(t.ms())));
    narrow(" AND id < ?", filter.before.map(Sql::Integer));
    narrow(" ORDER BY id DESC LIMIT ?", Some(Sql::Integer(limit.into())));
    let mut statement = db.prepare_cached(&sql)?;
    collect(statement.query(params_from_iter(values))?)
}

/// Lines of one kind with higher numbers than `after`, oldest first.
pub(super) fn lines_after(
    db: &Connection,
    kind: JournalKind,
    after: i64,
    limit: u32,
) -> Result<Vec<JournalLine>, StoreError> {
    let mut statement = db.prepare_cached(
        "SELECT id, at, run, up, trusted, kind, event, body FROM journal
         WHERE id > ?1 AND kind = ?2 ORDER BY id LIMIT ?3",
    )?;
    collect(statement.query(params![after, kind.as_str(), limit])?)
}

fn collect(mut rows: rusqlite::Rows<'_>) -> Result<Vec<JournalLine>, StoreError> {
    let mut lines = Vec::new();
    while let Some(row) = rows.next()? {
        let id: i64 = row.get(0)?;
        let damaged = |text: String| StoreError::Damaged {
            place: format!("journal line {id}"),
            damage: Damage::Text(text),
        };
        let (kind, body): (String, String) = (row.get(5)?, row.get(7)?);
        let up: i64 = row.get(3)?;
        let event: Option<i64> = row.get(6)?;
        lines.push(JournalLine {
            id,
            at: Timestamp::from_ms(row.get(1)?),
            run: row.get(2)?,
            up: Uptime::from_ms(u64::try_from(up).unwrap_or(0)),
            trusted: row.get(4)?,
            kind: JournalKind::ALL
                .into_iter()
                .find(|k| k.as_str() == kind)
                .ok_or_else(|| damaged(format!("kind {kind}")))?,
            event: event.map(|e| EventId(e.cast_unsigned())),
            body: serde_json::from_str(&body).map_err(|e| damaged(e.to_string()))?,
        });
    }
    Ok(lines)
}

/// The highest number an event ever had.
pub(super) fn highest_event(db: &Connection) -> Result<Option<EventId>, StoreError> {
    let highest: Option<i64> = db
        .prepare_cached(
            "SELECT max(n) FROM (SELECT max(event) AS n FROM journal UNION ALL SELECT max(event) AS n FROM outbox)",
        )?
        .query_row([], |row| row.get(0))?;
    Ok(highest.map(|e| EventId(e.cast_unsigned())))
}

/// The state kept under one key.
pub(super) fn state(db: &Connection, key: &str) -> Result<Option<serde_json::Value>, StoreError> {
    let body: Option<String> = db
        .prepare_cached("SELECT body FROM state WHERE key = ?1")?
        .query_row([key], |row| row.get(0))
        .optional()?;
    body.map(|body| parse_state(key, &body)).transpose()
}

/// The state kept under all keys that begin like this.
pub(super) fn states(
    db: &Connection,
    prefix: &str,
) -> Result<BTreeMap<String, serde_json::Value>, StoreError> {
    let mut statement =
        db.prepare_cached("SELECT key, body FROM state WHERE substr(key, 1, length(?1)) = ?1 ORDER BY key")?;
    let mut rows = statement.query([prefix])?;
    let mut states = BTreeMap::new();
    while let Some(row) = rows.next()? {
        let (key, body): (String, String) = (row.get(0)?, row.get(1)?);
        let body = parse_state(&key, &body)?;
        states.insert(key, body);
    }
    Ok(states)
}

fn parse_state(key: &str, body: &str) -> Result<serde_json::Value, StoreError> {
    serde_json::from_str(body).map_err(|e| StoreError::Damaged {
        place: format!("state {key}"),
        damage: Damage::Text(e.to_string()),
    })
}
