//! Messages on their way to people. A row is written in the transaction of the alarm change it
//! belongs to, and every step of its way is written before or after the step is taken such that a
//! crash can repeat a message but never lose it.
//!
//! Delays and lives are measured on the up-time of the run; a step of the wall clock moves none of
//! them. A message of an earlier run is due at once, and its life goes on with what is left of it.

use super::error::{Damage, StoreError};
use crate::alarm::event::{EventId, Priority};
use crate::clock::{Now, Uptime};
use crate::ids::PersonId;
use nightjar_calc::time::{Span, Timestamp};
use rusqlite::{Connection, OptionalExtension, Row, params};

/// Number of a message in the outbox.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct MessageId(pub i64);

/// What makes a message the same message: its idempotency key.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct MessageKey {
    /// What it is about: `event-12`, `all-well`. A newer message about the same thing to the same
    /// person over the same route supersedes an unsent older one.
    pub about: String,
    /// The event, if it is about one.
    pub event: Option<EventId>,
    /// Counts the changes of the event (or the days).
    pub seq: u32,
    /// To whom.
    pub person: PersonId,
    /// Over which route.
    pub route: String,
    /// Step of the ladder, or number of the reminder.
    pub step: u32,
}

impl MessageKey {
    /// Of a message about an alarm event.
    #[must_use]
    pub fn event(event: EventId, seq: u32, person: PersonId, route: &str, step: u32) -> Self {
        Self {
            about: format!("event-{}", event.0),
            event: Some(event),
            seq,
            person,
            route: route.into(),
            step,
        }
    }

    /// As one text, unique in the outbox.
    #[must_use]
    pub fn text(&self) -> String {
        format!("{}/{}/{}/{}/{}", self.about, self.seq, self.person, self.route, self.step)
    }
}

/// A message to be queued.
#[derive(Clone, Debug, PartialEq)]
pub struct NewMessage {
    /// Who gets it, about what.
    pub key: MessageKey,
    /// How urgent.
    pub priority: Priority,
    /// Subject, text and whatever the route needs, as JSON.
    pub body: serde_json::Value,
    /// Not to be sent before this much time has passed.
    pub delay: Span,
    /// Worthless after this much time; `None`: as long as it takes.
    pub life: Option<Span>,
}

/// How far a message has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum MessageState {
    /// Waits for its first or next attempt.
    Queued,
    /// An attempt is under way.
    Sending,
    /// The server or network took it.
    Accepted,
    /// It is known to have arrived.
    Delivered,
    /// It will never be taken.
    Failed,
    /// Its life ended first.
    Expired,
    /// A newer one took its place.
    Superseded,
    /// Handed to the notifier while the store could not write; kept for the record.
    Direct,
}

impl MessageState {
    const ALL: [Self; 8] = [
        Self::Queued,
        Self::Sending,
        Self::Accepted,
        Self::Delivered,
        Self::Failed,
        Self::Expired,
        Self::Superseded,
        Self::Direct,
    ];

    /// As stored.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Queued => "queued",
            Self::Sending => "sending",
            Self::Accepted => "accepted",
            Self::Delivered => "delivered",
            Self::Failed => "failed",
            Self::Expired => "expired",
            Self::Superseded => "superseded",
            Self::Direct => "direct",
        }
    }

    fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.as_str() == text)
    }
}

/// A message as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    /// Its number.
    pub id: MessageId,
    /// Who gets it, about what.
    pub key: MessageKey,
    /// How urgent.
    pub priority: Priority,
    /// Subject, text and whatever the route needs, as JSON.
    pub body: serde_json::Value,
    /// When it was queued.
    pub created_at: Timestamp,
    /// How far it has come.
    pub state: MessageState,
    /// An attempt may have gone out before a crash: the text should say it may be a repeat.
    pub repeated: bool,
    /// Attempts begun.
    pub attempts: u32,
    /// What the last failure said.
    pub last_error: Option<String>,
    /// What the server or network called it.
    pub provider: Option<String>,
    /// When its state last changed.
    pub changed_at: Timestamp,
}

/// How many messages there are in each state, and how long the oldest urgent one waits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OutboxCounts {
    /// Waiting for an attempt.
    pub queued: u64,
    /// Attempt under way.
    pub sending: u64,
    /// Refused for good.
    pub failed: u64,
    /// How long the oldest unsent message of the highest priority has been waiting since it was
    /// first to go out.
    pub oldest_unsent_p1: Option<Span>,
}

const fn rank(priority: Priority) -> i64 {
    match priority {
        Priority::P1 => 1,
        Priority::P2 => 2,
        Priority::P3 => 3,
    }
}

fn up_ms(up: Uptime) -> i64 {
    i64::try_from(up.ms()).unwrap_or(i64::MAX)
}

/// Writes a message with the given first state. A key that is there already is left alone.
pub(super) fn enqueue(
    db: &Connection,
    message: &NewMessage,
    state: MessageState,
    run: i64,
    now: Now,
) -> Result<Option<MessageId>, StoreError> {
    let key = &message.key;
    let up = up_ms(now.up);
    let written = db
        .prepare_cached(
            "INSERT INTO outbox (key, about, event, seq, person, route, step, priority, body, created_at,
                 created_trusted, life, run, wanted_up, due_up, dies_up, state, changed_at)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?14, ?15, ?16, ?10)
             ON CONFLICT (key) DO NOTHING",
        )?
        .execute(params![
            key.text(),
            key.about,
            key.event.map(|e| e.0.cast_signed()),
            key.seq,
            key.person.as_str(),
            key.route,
            key.step,
            rank(message.priority),
            message.body.to_string(),
            now.utc.ms(),
            now.trusted,
            message.life.map(Span::ms),
            run,
            up.saturating_add(message.delay.ms().max(0)),
            message.life.map(|life| up.saturating_add(life.ms())),
            state.as_str(),
        ])?;
    if written == 0 {
        return Ok(None);
    }
    let id = db.last_insert_rowid();
    if state == MessageState::Queued {
        db.prepare_cached(
            "UPDATE outbox SET state = 'superseded', changed_at = ?1
             WHERE about = ?2 AND person = ?3 AND route = ?4 AND id < ?5 AND (seq, step) < (?6, ?7)
               AND state = 'queued'",
        )?
        .execute(params![
            now.utc.ms(),
            key.about,
            key.person.as_str(),
            key.route,
            id,
            key.seq,
            key.step
        ])?;
    }
    Ok(Some(MessageId(id)))
}

/// What the notifier found out about a message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// An attempt begins. Written before the first byte leaves.
    Sending,
    /// The server or network took it, under this name if it said one.
    Accepted(Option<String>),
    /// It is known to have arrived.
    Delivered,
    /// The attempt failed; try again after this long.
    Retry {
        /// What was said.
        error: String,
        /// How long to wait.
        after: Span,
    },
    /// It will never be taken.
    Failed {
        /// What was said.
        error: String,
    },
}

/// Writes an outcome. False when the message was no longer in a state in which it can happen, as
/// when a newer one took its place a moment before.
pub(super) fn mark(
    db: &Connection,
    id: MessageId,
    outcome: &Outcome,
    run: i64,
    now: Now,
) -> Result<bool, StoreError> {
    let at = now.utc.ms();
    let up = up_ms(now.up);
    let changed = match outcome {
        Outcome::Sending => db
            .prepare_cached(
                "UPDATE outbox SET state = 'sending', attempts = attempts + 1, changed_at = ?2
                 WHERE id = ?1 AND state = 'queued'",
            )?
            .execute(params![id.0, at])?,
        Outcome::Accepted(provider) => db
            .prepare_cached(
                "UPDATE outbox SET state = 'accepted', provider = coalesce(?3, provider), changed_at = ?2
                 WHERE id = ?1 AND state IN ('sending', 'queued')",
            )?
            .execute(params![id.0, at, provider])?,
        Outcome::Delivered => db
            .prepare_cached(
                "UPDATE outbox SET state = 'delivered', changed_at = ?2
                 WHERE id = ?1 AND state IN ('accepted', 'sending', 'queued')",
            )?
            .execute(params![id.0, at])?,
        Outcome::Retry { error, after } => {
            let due = up.saturating_add(after.ms().max(0));
            db.prepare_cached(
                "UPDATE outbox SET state = 'queued', last_error = ?3, run = ?4, due_up = ?5, changed_at = ?2
                 WHERE id = ?1 AND state = 'sending'",
            )?
            .execute(params![id.0, at, error, run, due])?
        }
        Outcome::Failed { error } => db
            .prepare_cached(
                "UPDATE outbox SET state = 'failed', last_error = ?3, changed_at = ?2
                 WHERE id = ?1 AND state IN ('sending', 'queued')",
            )?
            .execute(params![id.0, at, error])?,
    };
    if changed > 0 {
        if matches!(outcome, Outcome::Retry { .. }) {
            supersede_if_newer(db, id, at)?;
        }
        return Ok(true);
    }
    match get(db, id)? {
        Some(_) => Ok(false),
        None => Err(StoreError::Missing { what: "message", id: id.0.to_string() }),
    }
}

/// A message that was being sent when a newer one was queued gives way once its attempt failed.
fn supersede_if_newer(db: &Connection, id: MessageId, at: i64) -> Result<(), StoreError> {
    db.prepare_cached(
        "UPDATE outbox AS old SET state = 'superseded', changed_at = ?2
         WHERE id = ?1 AND state = 'queued' AND EXISTS (
             SELECT 1 FROM outbox AS new
             WHERE new.about = old.about AND new.person = old.person AND new.route = old.route
               AND new.id > old.id AND (new.seq, new.step) > (old.seq, old.step))",
    )?
    .execute(params![id.0, at])?;
    Ok(())
}

/// Gives unsent messages about an event no more than `life` from now.
pub(super) fn shorten(db: &Connection, event: EventId, life: Span, now: Now) -> Result<(), StoreError> {
    let dies = up_ms(now.up).saturating_add(life.ms().max(0));
    db.prepare_cached(
        "UPDATE outbox SET dies_up = min(coalesce(dies_up, ?2), ?2),
             life = min(coalesce(life, max(0, ?3 - created_at) + ?4), max(0, ?3 - created_at) + ?4)
         WHERE about = ?1 AND state IN ('queued', 'sending')",
    )?
    .execute(params![format!("event-{}", event.0), dies, now.utc.ms(), life.ms().max(0)])?;
    Ok(())
}

/// Marks as expired what has outlived its use.
pub(super) fn expire(db: &Connection, now: Now) -> Result<usize, StoreError> {
    Ok(db
        .prepare_cached(
            "UPDATE outbox SET state = 'expired', changed_at = ?1 WHERE state = 'queued' AND dies_up <= ?2",
        )?
        .execute(params![now.utc.ms(), up_ms(now.up)])?)
}

/// Makes what failed on a route and waits for its next turn due now. Messages that have not been
/// tried yet keep their delay.
pub(super) fn bring_forward(db: &Connection, route: &str, now: Now) -> Result<usize, StoreError> {
    Ok(db
        .prepare_cached(
            "UPDATE outbox SET due_up = ?2 WHERE state = 'queued' AND route = ?1 AND attempts > 0 AND due_up > ?2",
        )?
        .execute(params![route, up_ms(now.up)])?)
}

/// Takes over what an earlier run left. An attempt that was under way may have gone out: it is
/// queued to be sent once more, marked. Every waiting message is due at once; of its life the time
/// since it was queued is gone, if both clocks could be trusted.
pub(super) fn take_over(db: &Connection, run: i64, now: Now) -> Result<usize, StoreError> {
    let up = up_ms(now.up);
    let repeats = db.execute(
        "UPDATE outbox SET state = 'queued', repeated = 1, changed_at = ?2 WHERE state = 'sending' AND run <> ?1",
        params![run, now.utc.ms()],
    )?;
    db.execute(
        "UPDATE outbox SET run = ?1, due_up = ?2,
             wanted_up = ?2 - CASE WHEN ?3 AND created_trusted THEN max(0, ?4 - created_at) ELSE 0 END,
             dies_up = ?2 + max(0, life - CASE WHEN ?3 AND created_trusted THEN max(0, ?4 - created_at) ELSE 0 END)
         WHERE state = 'queued' AND run <> ?1",
        params![run, up, now.trusted, now.utc.ms()],
    )?;
    Ok(repeats)
}

const COLUMNS: &str =
    "id, about, event, seq, person, route, step, priority, body, created_at, state, repeated,
     attempts, last_error, provider, changed_at";

/// Messages whose moment has come, most urgent first, then oldest.
pub(super) fn due(db: &Connection, route: &str, now: Now, limit: u32) -> Result<Vec<Message>, StoreError> {
    let sql = format!(
        "SELECT {COLUMNS} FROM outbox
         WHERE state = 'queued' AND route = ?1 AND due_up <= ?2 AND (dies_up IS NULL OR dies_up > ?2)
         ORDER BY priority, id LIMIT ?3"
    );
    let mut statement = db.prepare_cached(&sql)?;
    let rows = statement.query_map(params![route, up_ms(now.up), limit], message)?;
    rows.map(|row| row?).collect()
}

/// Messages that were tried in vain and wait for another turn, in the order of [`due`].
pub(super) fn tried(db: &Connection, route: &str, now: Now, limit: u32) -> Result<Vec<Message>, StoreError> {
    let sql = format!(
        "SELECT {COLUMNS} FROM outbox
         WHERE state = 'queued' AND route = ?1 AND attempts > 0 AND (dies_up IS NULL OR dies_up > ?2)
         ORDER BY priority, id LIMIT ?3"
    );
    let mut statement = db.prepare_cached(&sql)?;
    let rows = statement.query_map(params![route, up_ms(now.up), limit], message)?;
    readable(rows)
}

/// When the next message of a route becomes due.
pub(super) fn next_due(db: &Connection, route: &str) -> Result<Option<Uptime>, StoreError> {
    let up: Option<i64> = db
        .prepare_cached("SELECT min(due_up) FROM outbox WHERE state = 'queued' AND route = ?1")?
        .query_row([route], |row| row.get(0))?;
    Ok(up.map(|up| Uptime::from_ms(u64::try_from(up).unwrap_or(0))))
}

/// One message.
pub(super) fn get(db: &Connection, id: MessageId) -> Result<Option<Message>, StoreError> {
    let sql = format!("SELECT {COLUMNS} FROM outbox WHERE id = ?1");
    db.prepare_cached(&sql)?.query_row([id.0], message).optional()?.transpose()
}

/// The message the network called by this name.
pub(super) fn by_provider(db: &Connection, route: &str, name: &str) -> Result<Option<Message>, StoreError> {
    let sql =
        format!("SELECT {COLUMNS} FROM outbox WHERE route = ?1 AND provider = ?2 ORDER BY id DESC LIMIT 1");
    db.prepare_cached(&sql)?.query_row([route, name], message).optional()?.transpose()
}

/// Newest first, before `before` if given.
pub(super) fn newest(
    db: &Connection,
    before: Option<MessageId>,
    limit: u32,
) -> Result<Vec<Message>, StoreError> {
    let sql = format!("SELECT {COLUMNS} FROM outbox WHERE id < ?1 ORDER BY id DESC LIMIT ?2");
    let mut statement = db.prepare_cached(&sql)?;
    let rows = statement.query_map(params![before.map_or(i64::MAX, |id| id.0), limit], message)?;
    readable(rows)
}

/// All messages about an event, in the order they were queued.
pub(super) fn about(db: &Connection, event: EventId) -> Result<Vec<Message>, StoreError> {
    let sql = format!("SELECT {COLUMNS} FROM outbox WHERE about = ?1 ORDER BY id");
    let mut statement = db.prepare_cached(&sql)?;
    let rows = statement.query_map([format!("event-{}", event.0)], message)?;
    readable(rows)
}

/// How many messages there are in the states that matter.
pub(super) fn counts(db: &Connection, now: Now) -> Result<OutboxCounts, StoreError> {
    let count = |state: MessageState| -> Result<u64, StoreError> {
        let n: i64 = db
            .prepare_cached("SELECT count(*) FROM outbox WHERE state = ?1")?
            .query_row([state.as_str()], |row| row.get(0))?;
        Ok(n.unsigned_abs())
    };
    let oldest: Option<i64> = db
        .prepare_cached(
            "SELECT min(wanted_up) FROM outbox
             WHERE state IN ('queued', 'sending') AND priority = 1 AND wanted_up <= ?1",
        )?
        .query_row([up_ms(now.up)], |row| row.get(0))?;
    Ok(OutboxCounts {
        queued: count(MessageState::Queued)?,
        sending: count(MessageState::Sending)?,
        failed: count(MessageState::Failed)?,
        oldest_unsent_p1: oldest.map(|wanted| Span::from_ms(up_ms(now.up).saturating_sub(wanted))),
    })
}

/// What is wrong with the waiting messages of a route that cannot be read.
pub(super) fn damaged(db: &Connection, route: &str) -> Result<Vec<(MessageId, StoreError)>, StoreError> {
    let sql = format!("SELECT {COLUMNS} FROM outbox WHERE state = 'queued' AND route = ?1");
    let mut statement = db.prepare_cached(&sql)?;
    let rows = statement.query_map([route], |row| Ok((MessageId(row.get(0)?), message(row)?)))?;
    rows.filter_map(|row| match row {
        Ok((_, Ok(_))) => None,
        Ok((id, Err(error))) => Some(Ok((id, error))),
        Err(error) => Some(Err(error.into())),
    })
    .collect()
}

/// Those that can be read. One that cannot is spoken of, and hides none of the others.
fn readable(
    rows: impl Iterator<Item = rusqlite::Result<Result<Message, StoreError>>>,
) -> Result<Vec<Message>, StoreError> {
    let mut messages = Vec::new();
    for row in rows {
        match row? {
            Ok(message) => messages.push(message),
            Err(error) => tracing::warn!(%error, "a message is left out of a list"),
        }
    }
    Ok(messages)
}

fn message(row: &Row<'_>) -> rusqlite::Result<Result<Message, StoreError>> {
    let id = MessageId(row.get(0)?);
    Ok(parse(id, row).map_err(|error| StoreError::Damaged {
        place: format!("message {}", id.0),
        damage: Damage::Text(error.to_string()),
    }))
}

fn parse(id: MessageId, row: &Row<'_>) -> Result<Message, Box<dyn std::error::Error>> {
    let (person, priority, body, state): (String, i64, String, String) =
        (row.get(4)?, row.get(7)?, row.get(8)?, row.get(10)?);
    let event: Option<i64> = row.get(2)?;
    let key = MessageKey {
        about: row.get(1)?,
        event: event.map(|e| EventId(e.cast_unsigned())),
        seq: row.get(3)?,
        person: PersonId::new(&person)?,
        route: row.get(5)?,
        step: row.get(6)?,
    };
    let priority = match priority {
        1 => Priority::P1,
        2 => Priority::P2,
        3 => Priority::P3,
        other => return Err(format!("priority {other}").into()),
    };
    Ok(Message {
        id,
        key,
        priority,
        body: serde_json::from_str(&body)?,
        created_at: Timestamp::from_ms(row.get(9)?),
        state: MessageState::parse(&state).ok_or_else(|| format!("state {state}"))?,
        repeated: row.get(11)?,
        attempts: row.get(12)?,
        last_error: row.get(13)?,
        provider: row.get(14)?,
        changed_at: Timestamp::from_ms(row.get(15)?),
    })
}
