//! The memory of the station: readings, journal, logbook, outbox, and what must survive a restart.
//!
//! One writer thread owns the only connection that writes; readers open short read-only ones. What
//! leaves this module are verbs, never SQL. Times in the file are milliseconds UTC.
//!
//! *Tail*: the newest readings, one packed row a commit. *Chunk*: one hour of one channel,
//! compressed. *Receipt*: told to a source once its readings are on disk. *Transition*: everything
//! one change causes, committed at once. *Run*: one start of this program.
//!
//! When the file cannot be written, readings and transitions wait in memory within bounds, the
//! caller is told at once, and opening is tried again until it works.

mod aside;
mod ballast;
mod carry;
mod chunk;
mod desk;
mod entries;
mod error;
mod file;
mod health;
mod journal;
mod meta;
mod outbox;
mod pack;
mod past_water;
mod read;
mod sample;
mod schema;
mod tail;
mod unplaced;
mod writer;

pub use aside::import_entries;
pub use entries::Appended;
pub use error::{Damage, Refused, StoreError, Trouble};
pub use file::{BackupReport, backup, check_backup, look_at};
pub use health::{Failing, StoreHealth};
pub use journal::{JournalFilter, JournalKind, JournalLine, NewLine, Transition};
pub use meta::{ClockStep, IncomingText, Run, Session, SetAside, corrected};
pub use outbox::{Message, MessageId, MessageKey, MessageState, NewMessage, OutboxCounts, Outcome};
pub use past_water::{ImportRules, PastImport, import_past_water, past_springs};
pub use read::{Bucket, Following, Reader};
pub use sample::Sample;
pub use tail::Moved;

use crate::alarm::event::EventId;
use crate::clock::{Clock, Now};
use crate::ids::{PersonId, SensorId};
use crate::logbook::Entry;
use crate::reading::{Reading, Receipt};
use desk::Desk;
use file::ReadGate;
use nightjar_calc::time::{Span, Timestamp};
use std::future::Future;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use tokio::sync::{mpsc, oneshot, watch};
use writer::{Group, Request};

/// Name of the database in its folder.
pub const FILE_NAME: &str = "nightjar.sqlite";

/// Groups of readings waiting for the writer. At 48 readings a second, one a group, 85 s.
pub const SAMPLE_QUEUE: usize = 4_096;
/// Requests waiting for the writer. A flood of 24 jars raises fewer.
pub const TRANSITION_QUEUE: usize = 256;

/// Messages that a broker has under way at most unless told otherwise (Debian's default).
pub const USUAL_WINDOW: u16 = 20;

/// How long a transition may take before the caller is told to do without.
const COMMIT_LIMIT: Span = Span::from_secs(5);

/// How to keep the store.
#[derive(Clone, Debug)]
pub struct StoreOptions {
    /// The database file. Its folder must exist.
    pub path: PathBuf,
    /// Sensors in the order of the rack: positions are the `SensorIx` of the readings.
    pub sensors: Vec<SensorId>,
    /// Readings are committed this long after the first of a group came in.
    pub commit_interval: Span,
    /// A group is committed early once this many receipts wait: the number of messages the broker
    /// has under way at most.
    pub receipt_window: usize,
    /// How often closed hours are moved into chunks.
    pub compact_interval: Span,
    /// Raw readings older than this are dropped; `None` keeps all.
    pub keep_readings: Option<Span>,
    /// Size of the file kept to be given up when the disk is full; 0 for none.
    pub ballast_bytes: u64,
    /// Most pages of 4,096 bytes the file may have; `None` for no limit.
    pub max_pages: Option<u32>,
    /// Refuse to start when the file cannot be opened, instead of starting in memory.
    pub must_open: bool,
}

impl StoreOptions {
    /// The usual: commits every 10 s, window 20, moving every 6 h, all kept, 32 MiB of ballast.
    #[must_use]
    pub fn new(path: PathBuf, sensors: Vec<SensorId>) -> Self {
        Self {
            path,
            sensors,
            commit_interval: Span::from_secs(10),
            receipt_window: USUAL_WINDOW.into(),
            compact_interval: Span::from_hours(6),
            keep_readings: None,
            ballast_bytes: 32 * 1024 * 1024,
            max_pages: None,
            must_open: false,
        }
    }
}

/// The queue to the store is full: these readings will not be stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the store lags: {readings} reading(s) dropped")]
pub struct Dropped {
    /// How many.
    pub readings: usize,
}

/// The store, for everybody who needs it. Cheap to clone. The writer ends after [`Self::close`] or
/// when the last handle is gone.
#[derive(Clone, Debug)]
pub struct StoreHandle {
    samples: mpsc::Sender<Group>,
    requests: mpsc::Sender<Request>,
    clock: SharedClock,
    gate: Arc<ReadGate>,
    health: watch::Receiver<StoreHealth>,
    outbox_changed: watch::Receiver<u64>,
    dropped_readings: Arc<AtomicU64>,
    dropped_transitions: Arc<AtomicU64>,
    run: Arc<AtomicI64>,
}

#[derive(Clone)]
struct SharedClock(Arc<dyn Clock>);

impl std::fmt::Debug for SharedClock {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Clock")
    }
}

/// Opens the store and starts its writer. Blocks while the file is opened and brought up to date.
///
/// A file that cannot be opened does not keep the station from watching: the store then starts in
/// memory, says so in its health and goes on trying. A damaged file is moved aside.
///
/// # Errors
/// When the file was written by a newer program, when the thread cannot be started, or, with
/// `must_open`, when the file cannot be opened.
pub fn open(options: StoreOptions, clock: Arc<dyn Clock>) -> Result<StoreHandle, StoreError> {
    let gate = Arc::new(ReadGate::new(options.path.clone()));
    let (samples, sample_queue) = mpsc::channel(SAMPLE_QUEUE);
    let (requests, request_queue) = mpsc::channel(TRANSITION_QUEUE);
    let (health_sender, health) = watch::channel(StoreHealth::default());
    let (outbox_sender, outbox_changed) = watch::channel(0);
    let (opened, was_opened) = std::sync::mpsc::sync_channel(1);
    let path = options.path.clone();
    let run = Arc::new(AtomicI64::new(0));
    let writer = writer::Start {
        options,
        clock: Arc::clone(&clock),
        gate: Arc::clone(&gate),
        health: health_sender,
        outbox_changed: outbox_sender,
        run: Arc::clone(&run),
        samples: sample_queue,
        requests: request_queue,
    };
    std::thread::Builder::new()
        .name("store".into())
        .spawn(move || writer::run(writer, &opened))
        .map_err(|source| StoreError::File { action: "start the writer of", path, source })?;
    was_opened.recv().map_err(|_| StoreError::Closed)??;
    Ok(StoreHandle {
        samples,
        requests,
        clock: SharedClock(clock),
        gate,
        health,
        outbox_changed,
        dropped_readings: Arc::default(),
        dropped_transitions: Arc::default(),
        run,
    })
}

impl StoreHandle {
    /// Hands readings over to be stored with the next group; the receipt is sent back once they
    /// are on disk. Never waits. The same sensor and moment twice counts once.
    ///
    /// # Errors
    /// When the queue is full or the store closed: the readings are dropped and counted, the
    /// receipt is never sent.
    pub fn append(&self, readings: Vec<Reading>, receipt: Option<Receipt>) -> Result<(), Dropped> {
        let number = readings.len();
        self.samples.try_send(Group { readings, receipt }).map_err(|_| {
            self.dropped_readings.fetch_add(number as u64, Ordering::Relaxed);
            Dropped { readings: number }
        })
    }

    /// Writes a transition at once and answers, once it is on disk, the numbers of its messages in
    /// the order given (`None` for one whose key was there already). It is on its way when this
    /// returns; the future only waits for the answer, 5 s at most.
    ///
    /// # Errors
    /// (of the future) With the messages, so that they can be sent directly: when the store is
    /// failing, lagging, closed or does not answer in time. A failing store keeps the transition in
    /// memory and writes it later, its messages marked as sent directly. After
    /// [`StoreError::Stalled`] the messages may yet be queued: a repeat is possible, a loss not.
    pub fn commit(
        &self,
        transition: Transition,
    ) -> impl Future<Output = Result<Vec<Option<MessageId>>, Refused>> + Send + 'static {
        let (reply, answer) = oneshot::channel();
        let messages = transition.outbox.clone();
        let sent = self.requests.try_send(Request::Commit { transition: Box::new(transition), reply });
        let (clock, dropped) = (self.clock.0.clone(), Arc::clone(&self.dropped_transitions));
        async move {
            let why = match sent {
                Ok(()) => {
                    let limit = clock.sleep_until(clock.now().up.after(COMMIT_LIMIT));
                    let result = tokio::select! {
                        biased;
                        result = answer => result.unwrap_or(Err(StoreError::Closed)),
                        () = limit => Err(StoreError::Stalled { seconds: COMMIT_LIMIT.ms() / 1000 }),
                    };
                    match result {
                        Ok(ids) => return Ok(ids),
                        Err(why) => why,
                    }
                }
                Err(error) => {
                    dropped.fetch_add(1, Ordering::Relaxed);
                    queue_error(&error)
                }
            };
            Err(Refused { why, messages })
        }
    }

    /// Writes an entry of the logbook at once.
    ///
    /// # Errors
    /// When the id was used for something else, or the store cannot write; nothing is kept then.
    pub async fn append_entry(&self, entry: Entry) -> Result<Appended, StoreError> {
        self.work(move |db, _| entries::append(db, &entry)).await
    }

    /// Writes entry and transition together, at once or not at all; a repeated entry writes
    /// neither.
    ///
    /// # Errors
    /// As [`Self::append_entry`].
    pub async fn append_entry_with(
        &self,
        entry: Entry,
        transition: Transition,
    ) -> Result<Appended, StoreError> {
        let (reply, answer) = oneshot::channel();
        let job = Box::new(move |desk: &mut Desk| {
            let result = desk.write(&mut |db, at| {
                let appended = entries::append(db, &entry)?;
                if appended == Appended::Stored {
                    journal::write(db, &transition, MessageState::Queued, at.run, at.now)?;
                }
                Ok(appended)
            });
            desk.outbox_moved();
            drop(reply.send(result));
        });
        self.ask(Request::Work(job), answer).await
    }

    /// Writes what became of a message. False when that can no longer happen, as when a newer
    /// message took its place just before.
    ///
    /// # Errors
    /// When there is no such message or the store cannot write.
    pub async fn mark(&self, id: MessageId, outcome: Outcome) -> Result<bool, StoreError> {
        self.work(move |db, at| outbox::mark(db, id, &outcome, at.run, at.now)).await
    }

    /// Marks messages as expired that have outlived their use; answers how many. Also done by the
    /// writer itself once a minute.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn expire_messages(&self) -> Result<usize, StoreError> {
        self.work(|db, at| outbox::expire(db, at.now)).await
    }

    /// A route carries messages again: what failed on it is due now, not at its next turn. Answers
    /// how many messages that moved.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn bring_forward(&self, route: &'static str) -> Result<usize, StoreError> {
        self.work(move |db, at| outbox::bring_forward(db, route, at.now)).await
    }

    /// Gives unsent messages about an event this much longer at most.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn shorten_messages(&self, event: EventId, life: Span) -> Result<(), StoreError> {
        self.work(move |db, at| outbox::shorten(db, event, life, at.now)).await
    }

    /// Takes in a text message. False when the same one had come before.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn take_incoming(&self, text: IncomingText) -> Result<bool, StoreError> {
        self.work(move |db, _| meta::take_incoming(db, &text)).await
    }

    /// Writes down that the wall clock stepped from `old_at` to `now.utc`, or, with both the same,
    /// that it is trusted from now on. Readings with [`crate::reading::Reason::UntrustedClock`] are
    /// kept apart while the clock is not trusted; the step moves their times along, and once it is
    /// trusted they take their place in the record. Answers how many did: their hours have changed.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn record_clock_step(&self, old_at: Timestamp, now: Now) -> Result<u64, StoreError> {
        let (reply, answer) = oneshot::channel();
        self.ask(Request::ClockStep { old_at, now, reply }, answer).await
    }

    /// Keeps a setting; `None` takes it away.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn set_setting(&self, key: String, body: Option<serde_json::Value>) -> Result<(), StoreError> {
        self.work(move |db, _| meta::set_setting(db, &key, body.as_ref())).await
    }

    /// Keeps a new session under the hash of its token.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn put_session(&self, token_hash: Vec<u8>, session: Session) -> Result<(), StoreError> {
        self.work(move |db, _| meta::put_session(db, &token_hash, &session)).await
    }

    /// Writes down that a session was used. Costs a commit: once in a few minutes is enough.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn touch_session(&self, token_hash: Vec<u8>, at: Timestamp) -> Result<(), StoreError> {
        self.work(move |db, _| meta::touch_session(db, &token_hash, at)).await
    }

    /// Ends one session.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn end_session(&self, token_hash: Vec<u8>) -> Result<(), StoreError> {
        self.work(move |db, _| meta::end_session(db, &token_hash)).await
    }

    /// Ends all sessions of a person.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn end_sessions_of(&self, person: PersonId) -> Result<usize, StoreError> {
        self.work(move |db, _| meta::end_sessions_of(db, &person)).await
    }

    /// Ends sessions unused for `idle` or older than `oldest`.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn end_old_sessions(&self, idle: Span, oldest: Span) -> Result<usize, StoreError> {
        self.work(move |db, at| meta::end_sessions(db, at.now, idle, oldest)).await
    }

    /// Keeps how far a follower has come.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn set_cursor(&self, name: String, position: i64) -> Result<(), StoreError> {
        self.work(move |db, _| meta::set_cursor(db, &name, position)).await
    }

    /// Keeps something unusable for a person to look at; the newest 1,000 are kept.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn set_aside(&self, line: SetAside) -> Result<(), StoreError> {
        self.work(move |db, _| meta::set_aside(db, &line)).await
    }

    /// Stores a past record of one sensor, configured or not, in one transaction. Order and repeats
    /// do not matter. Answers how many hours of it were new or changed.
    ///
    /// # Errors
    /// When a time lies before 1970 or after 9999, or the store cannot write.
    pub async fn import(&self, sensor: SensorId, samples: Vec<Sample>) -> Result<u64, StoreError> {
        if let Some(bad) = samples.iter().find(|s| !sample::STORABLE_MS.contains(&s.at.ms())) {
            return Err(StoreError::Missing { what: "place in the record for", id: bad.at.to_string() });
        }
        let (reply, answer) = oneshot::channel();
        let job = Box::new(move |desk: &mut Desk| drop(reply.send(desk.import(&sensor, &samples))));
        self.ask(Request::Work(job), answer).await
    }

    /// Commits what waits and answers when it is on disk.
    ///
    /// # Errors
    /// When the store cannot write; the readings go on waiting.
    pub async fn flush(&self) -> Result<(), StoreError> {
        let (reply, answer) = oneshot::channel();
        self.ask(Request::Flush { reply }, answer).await
    }

    /// Moves readings of closed hours into chunks without waiting for the next time it is due.
    ///
    /// # Errors
    /// When the store cannot write.
    pub async fn compact(&self) -> Result<Moved, StoreError> {
        let (reply, answer) = oneshot::channel();
        self.ask(Request::Compact { reply }, answer).await
    }

    /// Looks the whole file over and moves it aside when it is damaged. Takes minutes on a large
    /// file and holds the writer up: for quiet hours.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn quick_check(&self) -> Result<(), StoreError> {
        let (reply, answer) = oneshot::channel();
        self.ask(Request::QuickCheck { reply }, answer).await
    }

    /// Commits what waits, closes the file and ends the writer.
    ///
    /// # Errors
    /// When something could not be written.
    pub async fn close(&self) -> Result<(), StoreError> {
        let (reply, answer) = oneshot::channel();
        self.ask(Request::Close { reply }, answer).await
    }

    /// Reads, off the async threads. Everything read in `look` is of the same moment.
    ///
    /// # Errors
    /// Those of `look`; and when the file cannot be opened.
    pub async fn read<T: Send + 'static>(
        &self,
        look: impl FnOnce(&Reader<'_>) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        let this = self.clone();
        tokio::task::spawn_blocking(move || this.read_blocking(look)).await.map_err(|_| StoreError::Closed)?
    }

    /// Reads on this thread.
    ///
    /// # Errors
    /// Those of `look`; and when the file cannot be opened.
    pub fn read_blocking<T>(
        &self,
        look: impl FnOnce(&Reader<'_>) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let result = self.gate.read(|db| look(&Reader::new(db)));
        if matches!(result, Err(StoreError::Failing(Trouble::Corrupt(_)))) {
            // The writer looks the file over; when its queue is full the next reader will say so.
            let (reply, _nobody) = oneshot::channel();
            drop(self.requests.try_send(Request::QuickCheck { reply }));
        }
        result
    }

    /// Writes a checked copy into a folder, off the async threads, and keeps the newest `keep`
    /// there; see [`backup`].
    ///
    /// # Errors
    /// When the copy cannot be written or does not pass its check; older copies are then all kept.
    pub async fn backup(
        &self,
        folder: PathBuf,
        stamp: String,
        keep: usize,
    ) -> Result<(PathBuf, BackupReport), StoreError> {
        let gate = Arc::clone(&self.gate);
        tokio::task::spawn_blocking(move || gate.inside(|path| backup(path, &folder, &stamp, keep)))
            .await
            .map_err(|_| StoreError::Closed)?
    }

    /// How the store is.
    #[must_use]
    pub fn health(&self) -> StoreHealth {
        let mut health = self.health.borrow().clone();
        health.dropped_readings += self.dropped_readings.load(Ordering::Relaxed);
        health.dropped_transitions += self.dropped_transitions.load(Ordering::Relaxed);
        health
    }

    /// Changes whenever the store's health does.
    #[must_use]
    pub fn health_changes(&self) -> watch::Receiver<StoreHealth> {
        self.health.clone()
    }

    /// Changes whenever a message may have been queued, so that a sender can wait for work. A sender
    /// that puts its own message back knows so itself.
    #[must_use]
    pub fn outbox_changes(&self) -> watch::Receiver<u64> {
        self.outbox_changed.clone()
    }

    /// Number of this run of the program; counts the starts. 0 while the file could not be opened
    /// yet.
    #[must_use]
    pub fn run(&self) -> i64 {
        self.run.load(Ordering::Relaxed)
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        self.gate.path()
    }

    /// Waiting in the queues now: groups of readings, requests.
    #[must_use]
    pub fn queued(&self) -> (usize, usize) {
        (SAMPLE_QUEUE - self.samples.capacity(), TRANSITION_QUEUE - self.requests.capacity())
    }

    async fn work<T: Send + 'static>(
        &self,
        work: impl FnMut(&rusqlite::Connection, writer::At) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        let (reply, answer) = oneshot::channel();
        self.ask(Request::Work(writer::job(work, reply)), answer).await
    }

    async fn ask<T>(
        &self,
        request: Request,
        answer: oneshot::Receiver<Result<T, StoreError>>,
    ) -> Result<T, StoreError> {
        self.requests.send(request).await.map_err(|_| StoreError::Closed)?;
        answer.await.unwrap_or(Err(StoreError::Closed))
    }
}

/// Bytes that readings take when they are packed into one row, their channels numbered like their
/// sensors.
#[must_use]
pub fn packed_bytes(readings: &[Reading]) -> usize {
    let row = |reading: &Reading| {
        let Reading { sensor, at, value, quality, reason } = *reading;
        (sample::ChannelId(u32::from(sensor.0) + 1), Sample { at, value, quality, reason })
    };
    pack::pack(&readings.iter().map(row).collect::<Vec<_>>()).len()
}

fn queue_error(error: &mpsc::error::TrySendError<Request>) -> StoreError {
    match error {
        mpsc::error::TrySendError::Full(_) => StoreError::Lagging,
        mpsc::error::TrySendError::Closed(_) => StoreError::Closed,
    }
}
