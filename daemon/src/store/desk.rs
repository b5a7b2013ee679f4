//! The writer's desk: its connection, what waits to be written, and what to do when writing fails.

use super::ballast::{Ballast, free_bytes};
use super::carry::carry_over;
use super::error::{StoreError, Trouble};
use super::file::{self, ReadGate};
use super::health::{Failing, StoreHealth};
use super::journal::{self, Transition};
use super::meta::{self, ClockStep};
use super::outbox::{self, MessageId, MessageState};
use super::sample::{ChannelId, STORABLE_MS, Sample};
use super::schema;
use super::tail::{self, Moved};
use super::unplaced;
use super::writer::{At, Group};
use super::{StoreOptions, USUAL_WINDOW};
use crate::clock::{Clock, Now, Uptime};
use crate::ids::SensorId;
use crate::reading::{Quality, Reading, Reason, Receipt};
use nightjar_calc::time::{Span, Timestamp};
use rusqlite::{Connection, TransactionBehavior};
use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use tokio::sync::watch;

/// A broker may have only the usual number of messages under way whatever our configuration says, and sends no more
/// until these are acknowledged. So a group of so many receipts that grew no more for this long is committed at
/// once: what is held back there would be late, and more so with every second.
const HELD_BACK: Span = Span::from_secs(1);

/// A group is committed early when it has grown to this: a burst of old readings.
const GROUP_MOST: usize = 4_096;

/// Readings wait this long for a failing store, and no more of them than this.
const READINGS_WAIT: Span = Span::from_hours(1);
const READINGS_MOST: usize = 200_000;
/// Receipts waiting; as many as a broker may have under way.
const RECEIPTS_MOST: usize = 65_535;

/// Transitions wait this long for a failing store, and no more of them than this.
const TRANSITIONS_WAIT: Span = Span::from_hours(24);
const TRANSITIONS_MOST: usize = 10_000;

/// A failing store holds receipts back for this long. After that the broker would have stopped
/// delivering and the station would be blind, which is worse than a gap in the record.
const RECEIPTS_HELD: Span = Span::from_secs(30);

/// When a failing store is tried again, counted from the failure before; the last goes on.
const RETRIES: [Span; 3] = [Span::from_secs(5), Span::from_secs(15), Span::from_secs(60)];

/// Sizes, free space, expired messages and old readings are looked after this often.
const HOUSEKEEPING: Span = Span::from_secs(60);
/// Chunks dropped in one go when readings are kept for a limited time.
const DROP_CHUNKS: u32 = 500;

/// A reading that waits to be written.
#[derive(Clone, Copy, Debug)]
struct Waiting {
    since: Uptime,
    reading: Reading,
    /// Taken while the clock could not be trusted: its time is no more than a guess.
    unplaced: bool,
}

#[derive(Debug)]
pub(super) struct Desk {
    options: StoreOptions,
    clock: SharedClock,
    gate: Arc<ReadGate>,
    health: watch::Sender<StoreHealth>,
    outbox_changed: watch::Sender<u64>,
    ballast: Ballast,
    db: Option<Connection>,
    run: Arc<AtomicI64>,
    channels: Vec<ChannelId>,
    next_row: i64,
    readings: VecDeque<Waiting>,
    receipts: VecDeque<Receipt>,
    /// When the oldest of what waits came in.
    waiting_since: Option<Uptime>,
    /// When the newest of what waits came in.
    taken_at: Uptime,
    transitions: VecDeque<(Now, Transition)>,
    failing: Option<Failing>,
    failures: usize,
    /// The file must be looked over before it is trusted again.
    suspect: bool,
    next_compaction: Uptime,
    compacted_to: i64,
    next_housekeeping: Uptime,
}

struct SharedClock(Arc<dyn Clock>);

impl std::fmt::Debug for SharedClock {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Clock")
    }
}

impl Desk {
    pub(super) fn new(
        options: StoreOptions,
        clock: Arc<dyn Clock>,
        gate: Arc<ReadGate>,
        health: watch::Sender<StoreHealth>,
        outbox_changed: watch::Sender<u64>,
        run: Arc<AtomicI64>,
    ) -> Self {
        let now = clock.now();
        let ballast = Ballast::beside(&options.path, options.ballast_bytes);
        Self {
            next_compaction: now.up.after(options.compact_interval),
            next_housekeeping: now.up,
            options,
            clock: SharedClock(clock),
            gate,
            health,
            outbox_changed,
            ballast,
            db: None,
            run,
            channels: Vec::new(),
            next_row: 1,
            readings: VecDeque::new(),
            receipts: VecDeque::new(),
            waiting_since: None,
            taken_at: now.up,
            transitions: VecDeque::new(),
            failing: None,
            failures: 0,
            suspect: false,
            compacted_to: 0,
        }
    }

    fn now(&self) -> Now {
        self.clock.0.now()
    }

    fn at(&self) -> At {
        At { run: self.run.load(Ordering::Relaxed), now: self.now() }
    }

    // ---- opening ----

    pub(super) fn first_open(&mut self) -> Result<(), StoreError> {
        self.open().inspect_err(|error| {
            self.fail(as_trouble(error));
        })
    }

    /// Opens the file; a damaged one is moved aside and a fresh one begun.
    fn open(&mut self) -> Result<(), StoreError> {
        match self.open_once() {
            Err(StoreError::Failing(Trouble::Corrupt(text))) => {
                self.move_aside(&text)?;
                self.open_once()
            }
            result => result,
        }
    }

    fn open_once(&mut self) -> Result<(), StoreError> {
        let mut db = schema::open_writer(&self.options.path, self.options.max_pages)?;
        if self.suspect {
            look_over(&db)?;
            self.suspect = false;
        }
        let At { run, now } = self.at();
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let run = if run == 0 {
            meta::start_run(&tx, &boot_id(), now)?
        } else {
            meta::continue_run(&tx, run, &boot_id(), now)?;
            run
        };
        let repeats = outbox::take_over(&tx, run, now)?;
        self.channels = self
            .options
            .sensors
            .iter()
            .map(|sensor| tail::channel(&tx, sensor.as_str()))
            .collect::<Result<_, _>>()?;
        self.next_row = tail::next_number(&tx)?;
        tx.commit()?;
        self.run.store(run, Ordering::Relaxed);
        self.db = Some(db);
        if repeats > 0 {
            tracing::warn!(
                messages = repeats,
                "messages were on their way when the program ended; sent once more"
            );
        }
        Ok(())
    }

    fn move_aside(&mut self, why: &str) -> Result<(), StoreError> {
        self.db = None;
        let (path, stamp) = (self.options.path.clone(), self.now().utc.ms());
        let aside = self.gate.alone(|| file::move_aside(&path, stamp))?;
        tracing::error!(reason = why, moved_to = %aside.display(), "the database is damaged: moved aside, a fresh one begun");
        self.suspect = false;
        let carried = {
            let mut fresh = schema::open_writer(&path, self.options.max_pages)?;
            carry_over(&aside, &mut fresh)?
        };
        tracing::warn!(carried, "carried over from the damaged database");
        self.health.send_modify(|health| {
            health.moved_aside.push(aside);
            health.carried_over = Some(carried);
        });
        Ok(())
    }

    // ---- writing ----

    /// Does work in one transaction.
    pub(super) fn write<T>(
        &mut self,
        work: &mut dyn FnMut(&Connection, At) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        if let Some(failing) = &self.failing {
            return Err(StoreError::Failing(failing.trouble.clone()));
        }
        let result = match self.attempt(work) {
            Err(StoreError::Failing(Trouble::Full(text))) if self.ballast.free() => {
                tracing::error!(error = text, "the disk is full: the ballast file is given up");
                self.attempt(work)
            }
            result => result,
        };
        match &result {
            Ok(_) => {
                let now = self.now();
                self.health.send_modify(|health| {
                    health.last_commit = Some(now);
                    health.commits += 1;
                });
            }
            Err(StoreError::Failing(trouble)) => self.fail(trouble.clone()),
            Err(_) => {}
        }
        result
    }

    fn attempt<T>(
        &mut self,
        work: &mut dyn FnMut(&Connection, At) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let at = self.at();
        let db = self.db.as_mut().ok_or(StoreError::Closed)?;
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let done = work(&tx, at)?;
        tx.commit()?;
        Ok(done)
    }

    /// There may be a message to send that nobody was told of.
    pub(super) fn outbox_moved(&self) {
        self.outbox_changed.send_modify(|n| *n = n.wrapping_add(1));
    }

    /// Writes a transition, or keeps it in memory when the store is failing.
    pub(super) fn commit(&mut self, transition: Transition) -> Result<Vec<Option<MessageId>>, StoreError> {
        let result =
            self.write(&mut |db, at| journal::write(db, &transition, MessageState::Queued, at.run, at.now));
        if result.is_ok() && !(transition.outbox.is_empty() && transition.shorten.is_empty()) {
            self.outbox_moved();
        }
        if matches!(result, Err(StoreError::Failing(_))) {
            self.transitions.push_back((self.now(), transition));
            self.bound();
            self.tell_waiting();
        }
        result
    }

    // ---- readings ----

    /// Takes readings in; they wait for the group to close.
    pub(super) fn take(&mut self, group: Group) {
        let now = self.now();
        let up = now.up;
        let mut refused = 0_u64;
        for reading in group.readings {
            if STORABLE_MS.contains(&reading.at.ms())
                && usize::from(reading.sensor.0) < self.options.sensors.len()
            {
                // Also when the clock was set since: its step comes after them and moves them along. A bad
                // one says that its sender's clock is wrong, not ours.
                let unplaced = reading.reason == Reason::UntrustedClock
                    && (!now.trusted || reading.quality == Quality::Uncertain);
                self.readings.push_back(Waiting { since: up, reading, unplaced });
            } else {
                refused += 1;
            }
        }
        if refused > 0 {
            self.health.send_modify(|health| health.unstorable_readings += refused);
        }
        self.receipts.extend(group.receipt);
        self.waiting_since.get_or_insert(up);
        self.taken_at = up;
        if self.failing.is_some() {
            self.bound();
        }
    }

    fn group_is_full(&self) -> bool {
        self.receipts.len() >= self.options.receipt_window.max(1) || self.readings.len() >= GROUP_MOST
    }

    /// When the group that waits is committed, unless it is full before.
    fn group_ends_at(&self) -> Option<Uptime> {
        let usual = self.waiting_since?.after(self.options.commit_interval);
        let held_back = self.receipts.len() >= usize::from(USUAL_WINDOW);
        Some(if held_back { usual.min(self.taken_at.after(HELD_BACK)) } else { usual })
    }

    /// Commits the readings that wait, then sends their receipts.
    pub(super) fn flush(&mut self) -> Result<(), StoreError> {
        if let Some(failing) = &self.failing {
            return Err(StoreError::Failing(failing.trouble.clone()));
        }
        if !self.readings.is_empty() {
            let number = self.readings.len() as u64;
            let (unplaced, placed): (Vec<Waiting>, Vec<Waiting>) =
                self.readings.iter().copied().partition(|waiting| waiting.unplaced);
            let rows = |all: &[Waiting]| all.iter().map(|w| self.row(&w.reading)).collect::<Vec<_>>();
            let (unplaced, placed) = (rows(&unplaced), rows(&placed));
            let next = self.next_row;
            self.next_row = self.write(&mut |db, at| {
                unplaced::append(db, at.run, &unplaced)?;
                tail::append(db, next, &placed)
            })?;
            self.readings.clear();
            self.health.send_modify(|health| health.readings += number);
        }
        self.waiting_since = None;
        self.send_receipts();
        Ok(())
    }

    /// The wall clock was set, or found to be right. Readings that waited for it get their place.
    pub(super) fn step_clock(&mut self, old_at: Timestamp, stepped: Now) -> Result<u64, StoreError> {
        // What was taken before the step must not be taken for what comes after it.
        self.flush()?;
        let next = self.next_row;
        let by = stepped.utc.since(old_at);
        let (placed, next) = self.write(&mut |db, At { run, .. }| {
            meta::record_step(db, &ClockStep { run, up: stepped.up, old_at, new_at: stepped.utc })?;
            unplaced::shift(db, run, by)?;
            if stepped.trusted { unplaced::place(db, run, next) } else { Ok((0, next)) }
        })?;
        self.next_row = next;
        Ok(placed)
    }

    /// Stores a past record of one sensor straight into chunks.
    pub(super) fn import(&mut self, sensor: &SensorId, samples: &[Sample]) -> Result<u64, StoreError> {
        let number = self.next_row;
        let changed = self.write(&mut |db, _| {
            let channel = tail::channel(db, sensor.as_str())?;
            tail::import(db, channel, samples, number)
        })?;
        self.next_row += 1;
        Ok(changed)
    }

    fn row(&self, reading: &Reading) -> (ChannelId, Sample) {
        let Reading { sensor, at, value, quality, reason } = *reading;
        (self.channels[usize::from(sensor.0)], Sample { at, value, quality, reason })
    }

    fn send_receipts(&mut self) -> u64 {
        let (mut sent, mut lost) = (0, 0);
        for receipt in self.receipts.drain(..) {
            // A source that has gone or does not keep up gets its message delivered once more.
            match receipt.to.try_send((receipt.epoch, receipt.packet)) {
                Ok(()) => sent += 1,
                Err(_) => lost += 1,
            }
        }
        if lost > 0 {
            self.health.send_modify(|health| health.lost_receipts += lost);
        }
        sent
    }

    // ---- trouble ----

    fn fail(&mut self, trouble: Trouble) {
        let now = self.now();
        let wait = RETRIES[self.failures.min(RETRIES.len() - 1)];
        self.failures += 1;
        self.suspect |= matches!(trouble, Trouble::Corrupt(_) | Trouble::Io(_));
        if !matches!(trouble, Trouble::Full(_)) {
            self.db = None;
        }
        let since = self.failing.as_ref().map_or(now, |failing| failing.since);
        if self.failing.as_ref().is_none_or(|before| before.trouble != trouble) {
            tracing::error!(error = %trouble, "storage is failing; readings and alarms are kept in memory");
        }
        let failing = Failing { since, trouble, retry_at: now.up.after(wait) };
        self.failing = Some(failing.clone());
        self.health.send_modify(|health| health.failing = Some(failing));
        self.tell_waiting();
    }

    /// Tries to go on where it failed: opens, then writes what waits.
    fn recover(&mut self) {
        let Some(failing) = self.failing.take() else { return };
        let result = if self.db.is_some() { Ok(()) } else { self.open() };
        let result = result.and_then(|()| self.write_transitions()).and_then(|()| self.flush());
        match result {
            Ok(()) => {
                let length_s = self.now().up.since(failing.since.up).secs();
                tracing::warn!(duration_s = length_s, "storage works again");
                self.failures = 0;
                self.health.send_modify(|health| health.failing = None);
                self.tell_waiting();
                self.outbox_moved();
            }
            Err(error) => {
                // `write` may have noted it already; the first moment counts.
                if self.failing.is_none() {
                    self.fail(as_trouble(&error));
                }
                if let Some(noted) = &mut self.failing {
                    noted.since = failing.since;
                    let noted = noted.clone();
                    self.health.send_modify(|health| health.failing = Some(noted));
                }
            }
        }
    }

    /// Their messages were handed to the notifier when they could not be written: for the record.
    fn write_transitions(&mut self) -> Result<(), StoreError> {
        let waiting = std::mem::take(&mut self.transitions);
        let result = self.write(&mut |db, at| {
            for (then, transition) in &waiting {
                journal::write(db, transition, MessageState::Direct, at.run, *then)?;
            }
            Ok(())
        });
        if result.is_err() {
            self.transitions = waiting;
        }
        result
    }

    /// Keeps what waits within its bounds, the oldest going first.
    fn bound(&mut self) {
        let up = self.now().up;
        let mut readings = 0;
        while self.readings.len() > READINGS_MOST
            || self.readings.front().is_some_and(|waiting| up.since(waiting.since) > READINGS_WAIT)
        {
            self.readings.pop_front();
            readings += 1;
        }
        let mut transitions = 0;
        while self.transitions.len() > TRANSITIONS_MOST
            || self.transitions.front().is_some_and(|(then, _)| up.since(then.up) > TRANSITIONS_WAIT)
        {
            self.transitions.pop_front();
            transitions += 1;
        }
        let mut receipts = 0;
        while self.receipts.len() > RECEIPTS_MOST {
            self.receipts.pop_front();
            receipts += 1;
        }
        if readings + transitions + receipts > 0 {
            self.health.send_modify(|health| {
                health.dropped_readings += readings;
                health.dropped_transitions += transitions;
                health.lost_receipts += receipts;
            });
        }
    }

    fn release_receipts(&mut self) {
        let early = self.send_receipts();
        if early > 0 {
            self.health.send_modify(|health| health.early_receipts += early);
        }
    }

    fn tell_waiting(&self) {
        let (readings, transitions) = (self.readings.len() as u64, self.transitions.len() as u64);
        self.health.send_if_modified(|health| {
            let changed = (health.waiting_readings, health.waiting_transitions) != (readings, transitions);
            (health.waiting_readings, health.waiting_transitions) = (readings, transitions);
            changed
        });
    }

    // ---- time ----

    /// When to wake next.
    pub(super) fn wake_at(&self) -> Option<Uptime> {
        let mut wake = self.next_housekeeping;
        if let Some(failing) = &self.failing {
            wake = wake.min(failing.retry_at);
            if !self.receipts.is_empty() {
                wake = wake.min(failing.since.up.after(RECEIPTS_HELD));
            }
        } else {
            wake = wake.min(self.next_compaction);
            if let Some(end) = self.group_ends_at() {
                wake = wake.min(end);
            }
        }
        Some(wake)
    }

    /// Everything whose moment has come.
    pub(super) fn do_what_is_due(&mut self) {
        let up = self.now().up;
        if self.failing.as_ref().is_some_and(|failing| up >= failing.retry_at) {
            self.recover();
        }
        if let Some(failing) = &self.failing {
            if up >= failing.since.up.after(RECEIPTS_HELD) {
                self.release_receipts();
            }
        } else {
            let over = self.group_ends_at().is_some_and(|end| up >= end);
            if over || self.group_is_full() {
                // A failure is noted by `write`; the readings go on waiting.
                drop(self.flush());
            }
            if up >= self.next_compaction {
                self.compact_some(up);
            }
        }
        if up >= self.next_housekeeping {
            self.keep_house();
            self.next_housekeeping = up.after(HOUSEKEEPING);
        }
    }

    /// One pass; when there is more to move, the next one comes right after what is queued.
    fn compact_some(&mut self, up: Uptime) {
        match self.compact_pass(self.compacted_to) {
            Ok(moved) if !moved.done => self.compacted_to = moved.last,
            Ok(_) | Err(_) => {
                self.compacted_to = 0;
                self.next_compaction = up.after(self.options.compact_interval);
            }
        }
    }

    fn compact_pass(&mut self, after: i64) -> Result<Moved, StoreError> {
        let fresh = self.next_row;
        let moved = self.write(&mut |db, at| tail::compact(db, after, at.now.utc, fresh))?;
        self.next_row += 1;
        Ok(moved)
    }

    /// All passes at once.
    pub(super) fn compact_all(&mut self) -> Result<Moved, StoreError> {
        let mut all = Moved::default();
        while !all.done {
            let moved = self.compact_pass(all.last)?;
            all.rows += moved.rows;
            all.readings += moved.readings;
            all.chunks += moved.chunks;
            all.damaged += moved.damaged;
            all.last = moved.last;
            all.done = moved.done;
        }
        self.health.send_modify(|health| health.damaged_rows = all.damaged);
        Ok(all)
    }

    fn keep_house(&mut self) {
        if self.failing.is_some() {
            self.bound();
        }
        self.tell_waiting();
        if self.failing.is_none() {
            // Both are tried again in a minute; a failure is noted by `write`.
            drop(self.write_if_any(&mut |db, at| outbox::expire(db, at.now)));
            if let Some(keep) = self.options.keep_readings {
                drop(self.write_if_any(&mut |db, at| tail::drop_before(db, at.now.utc - keep, DROP_CHUNKS)));
            }
        }
        let free = free_bytes(&self.options.path);
        if self.failing.is_none() {
            self.ballast.put(free);
        }
        let database = std::fs::metadata(&self.options.path).map_or(0, |file| file.len());
        let wal = file::wal_bytes(&self.options.path);
        self.health.send_modify(|health| {
            (health.database_bytes, health.wal_bytes, health.free_bytes) = (database, wal, free);
        });
    }

    /// A transaction that changes nothing writes nothing.
    fn write_if_any(
        &mut self,
        work: &mut dyn FnMut(&Connection, At) -> Result<usize, StoreError>,
    ) -> Result<usize, StoreError> {
        self.write(work)
    }

    pub(super) fn quick_check(&mut self) -> Result<(), StoreError> {
        let result = match &self.db {
            Some(db) => look_over(db),
            None => return Ok(()),
        };
        if let Err(StoreError::Failing(trouble @ Trouble::Corrupt(_))) = &result {
            self.fail(trouble.clone());
            self.recover();
        }
        result
    }

    /// Writes what waits and closes the file.
    pub(super) fn close(&mut self) -> Result<(), StoreError> {
        if self.failing.is_some() {
            self.recover();
        }
        let flushed = self.flush();
        if let Some(db) = self.db.take() {
            self.gate.alone(|| ());
            if flushed.is_ok() {
                // The log is emptied into the file; when readers hold it up, the next start does it.
                drop(db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())));
            }
            drop(db.close());
        }
        flushed
    }
}

fn as_trouble(error: &StoreError) -> Trouble {
    if let StoreError::Failing(trouble) = error {
        trouble.clone()
    } else {
        Trouble::Unusable(error.to_string())
    }
}

fn look_over(db: &Connection) -> Result<(), StoreError> {
    let verdict: String = db.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
    if verdict == "ok" { Ok(()) } else { Err(StoreError::Failing(Trouble::Corrupt(verdict))) }
}

/// The kernel's name for the time since the machine was switched on.
fn boot_id() -> String {
    std::fs::read_to_string("/proc/sys/kernel/random/boot_id")
        .map_or_else(|_| "unknown".to_owned(), |id| id.trim().to_owned())
}
