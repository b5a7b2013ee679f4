//! The loop around [`State`]: inputs from sources and the page, outputs to store, messages and
//! snapshot.

use super::picture::snapshot;
use super::state::{FromRoute, Output, State};
use super::wall::WallWatch;
use crate::alarm::engine::Fact;
use crate::clock::{Clock, Now, Uptime};
use crate::ids::SensorId;
use crate::ingest::SourceCounters;
use crate::logbook::Entry;
use crate::reading::{FromSource, Reading, Receipt, SensorIx};
use crate::snapshot::Snapshot;
use crate::store::{Appended, NewMessage, Refused, StoreError, StoreHandle, Transition};
use crate::web::backend::{Asked, COMMANDS_WAITING, Command, Reply};
use futures_util::StreamExt;
use futures_util::stream::FuturesUnordered;
use nightjar_calc::thermal::{Sample, begin_of_hour};
use nightjar_calc::time::Span;
use std::collections::{BTreeMap, VecDeque};
use std::ops::RangeInclusive;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use tokio::sync::{mpsc, oneshot, watch};
use tokio_util::sync::CancellationToken;

/// Longest wait between two rounds, so that a beat and a picture come also while nothing happens.
const PULSE: Span = Span::from_secs(10);
/// Shortest wait between two pictures while readings stream in.
const PICTURE_EVERY: Span = Span::from_secs(1);
/// Messages of sources dealt with in one round: a babbling node shares the cost of a round, and what
/// comes from people and routes waits for a fraction of a millisecond.
const MESSAGES_A_ROUND: usize = 64;
/// Hours of one sensor that are read back at once.
const HOURS_AT_ONCE: i64 = 48;
/// Wait before hours that could not be read are tried again.
const FILL_AGAIN: Span = Span::from_secs(60);
/// Readings that were not stored are spoken of this often at most.
const SAY_AGAIN: Span = Span::from_secs(60);
/// Reports of routes waiting for the core.
pub const ROUTE_QUEUE: usize = 256;
/// Facts about site and monitor waiting for the core.
pub const FACT_QUEUE: usize = 32;
/// Messages handed to a route while the store cannot take them.
pub const DIRECT_QUEUE: usize = 64;

/// What the core is connected to.
#[derive(Debug)]
pub struct CoreParts {
    /// From the sources.
    pub inbox: mpsc::Receiver<FromSource>,
    /// From the page.
    pub commands: mpsc::Receiver<Asked>,
    /// To the disk.
    pub store: StoreHandle,
    /// To everybody who looks.
    pub picture: watch::Sender<Arc<Snapshot>>,
    /// From those who tell people.
    pub routes: mpsc::Receiver<FromRoute>,
    /// About site and monitor.
    pub facts: mpsc::Receiver<Fact>,
    /// To each route by name, for when the outbox cannot be written.
    pub direct: BTreeMap<String, mpsc::Sender<NewMessage>>,
    /// What the sources counted.
    pub counters: Vec<Arc<SourceCounters>>,
    /// Up-time of the last useful work, in milliseconds.
    pub beat: Arc<AtomicU64>,
    /// Readings dealt with to the end.
    pub done: Arc<AtomicU64>,
    /// Transitions and entries on their way to the disk.
    pub under_way: Arc<AtomicUsize>,
}

/// Something on its way to the disk, and what to do when it is there or cannot be.
type UnderWay = Pin<Box<dyn Future<Output = Arrived> + Send>>;

/// What came of something on its way to the disk.
enum Arrived {
    /// A transition; who waits for it is answered.
    Transition(Result<(), Refused>, Option<(oneshot::Sender<Reply>, Reply)>),
    /// An entry.
    Entry(Box<Entry>, Result<Appended, StoreError>, oneshot::Sender<Reply>),
    /// Whole hours of the record.
    Hours(Vec<Stretch>),
    /// The first of the steps of the wall clock that wait; how many readings got their place by it.
    Step(Result<u64, StoreError>),
}

/// Hours of a sensor that were needed, one after the other, and their readings.
struct Stretch {
    sensor: SensorIx,
    hours: RangeInclusive<i64>,
    samples: Result<Vec<Sample>, String>,
}

/// The task that owns all live state.
pub struct Core {
    state: State,
    parts: CoreParts,
    clock: Arc<dyn Clock>,
    version: u64,
    pictured: Option<Uptime>,
    under_way: FuturesUnordered<UnderWay>,
    /// One entry at a time is checked against the books and written; the others wait their turn.
    writing: bool,
    waiting: VecDeque<(Entry, oneshot::Sender<Reply>)>,
    /// Hours of the record are being read, or could not be: not before this moment again.
    filling: bool,
    fill_after: Uptime,
    /// Readings the store had no room for since it was last said, and when that was.
    dropped: usize,
    said_dropped: Option<Uptime>,
    wall: WallWatch,
}

impl Core {
    /// Ready to run.
    #[must_use]
    pub fn new(state: State, parts: CoreParts, clock: Arc<dyn Clock>) -> Self {
        Self {
            wall: WallWatch::new(clock.now()),
            state,
            parts,
            clock,
            version: 0,
            pictured: None,
            under_way: FuturesUnordered::new(),
            writing: false,
            waiting: VecDeque::new(),
            filling: false,
            fill_after: Uptime::from_ms(0),
            dropped: 0,
            said_dropped: None,
        }
    }

    /// Runs until told to stop. Ends by itself only when every source is gone.
    pub async fn run(mut self, stop: CancellationToken) {
        let now = self.clock.now();
        self.state.refresh(now);
        self.state.handle_timeout(now);
        self.carry_out();
        self.take_picture(now, true);
        let mut messages = Vec::with_capacity(MESSAGES_A_ROUND);
        loop {
            // A core with nothing to do still shows that it could.
            let pulse = self.clock.now().up.after(PULSE);
            let sleep = self.clock.sleep_until(self.state.poll_timeout().min(pulse));
            tokio::select! {
                biased;
                () = stop.cancelled() => break,
                Some(arrived) = self.under_way.next() => self.arrived(arrived),
                Some(said) = self.parts.routes.recv() => {
                    self.state.handle_route(&said, self.clock.now());
                    self.pictured = None;
                }
                Some(fact) = self.parts.facts.recv() => {
                    self.state.handle_fact(&fact, self.clock.now());
                }
                Some(asked) = self.parts.commands.recv() => {
                    self.answer(asked);
                    self.pictured = None;
                }
                taken = self.parts.inbox.recv_many(&mut messages, MESSAGES_A_ROUND) => {
                    if taken == 0 {
                        break;
                    }
                    for message in messages.drain(..) {
                        let readings = match &message {
                            FromSource::Readings { readings, .. } => readings.len() as u64,
                            FromSource::Link { .. } => 0,
                        };
                        self.state.handle_source(message);
                        self.carry_out();
                        self.parts.done.fetch_add(readings, Ordering::Release);
                    }
                }
                () = sleep => {}
            }
            let now = self.clock.now();
            self.state.handle_timeout(now);
            self.carry_out();
            self.watch_wall(now);
            self.fill_hours(now);
            self.take_picture(now, false);
            self.parts.beat.store(now.up.ms(), Ordering::Relaxed);
        }
        while let Ok(message) = self.parts.inbox.try_recv() {
            self.state.handle_source(message);
        }
        self.carry_out();
        while let Some(arrived) = self.under_way.next().await {
            self.arrived(arrived);
        }
    }

    /// Hands over what is to be done. Never waits: a stalled disk delays no alarm.
    fn carry_out(&mut self) {
        while let Some(output) = self.state.poll_output() {
            match output {
                Output::Readings(readings, receipt) => self.keep(readings, receipt),
                Output::Commit(transition) => self.commit(*transition, None),
            }
        }
        self.parts.under_way.store(self.under_way.len(), Ordering::Release);
    }

    fn keep(&mut self, readings: Vec<Reading>, receipt: Option<Receipt>) {
        let Err(dropped) = self.parts.store.append(readings, receipt) else { return };
        self.dropped += dropped.readings;
        let up = self.clock.now().up;
        // A flood of readings must not become a flood of lines.
        if self.said_dropped.is_none_or(|at| up >= at.after(SAY_AGAIN)) {
            self.said_dropped = Some(up);
            let readings = std::mem::take(&mut self.dropped);
            tracing::warn!(readings, "the store lags: readings were not stored");
        }
    }

    fn commit(&mut self, transition: Transition, then: Option<(oneshot::Sender<Reply>, Reply)>) {
        let written = self.parts.store.commit(transition);
        self.under_way.push(Box::pin(async move { Arrived::Transition(written.await.map(drop), then) }));
    }

    fn arrived(&mut self, arrived: Arrived) {
        match arrived {
            Arrived::Transition(result, then) => {
                if let Err(refused) = result {
                    tracing::error!(error = %refused.why, "an alarm transition is not on disk yet");
                    self.send_directly(refused.messages);
                }
                if let Some((to, reply)) = then {
                    // Who asked may have gone away meanwhile; what was done stays done.
                    drop(to.send(reply));
                }
            }
            Arrived::Hours(stretches) => self.take_hours(stretches),
            Arrived::Step(Ok(placed)) => {
                if let Some(step) = self.wall.written()
                    && placed > 0
                {
                    tracing::info!(placed, "readings taken before the clock was set have their place now");
                    // The run began so long before, by the clock as it is now.
                    self.state.progress.need_again(step.utc - step.up.since(Uptime::default()), step.utc);
                }
            }
            Arrived::Step(Err(error)) => {
                self.wall.refused(self.clock.now().up);
                tracing::warn!(%error, "a step of the clock is not on disk yet");
            }
            Arrived::Entry(entry, result, to) => {
                self.writing = false;
                let reply = match result {
                    Ok(Appended::Stored) => {
                        self.state.entry_written(*entry, self.clock.now());
                        self.carry_out();
                        Reply::Done
                    }
                    Ok(Appended::AlreadyHave) => Reply::Already,
                    Err(error @ StoreError::OtherContent { .. }) => Reply::Refused(error.to_string()),
                    Err(error) => Reply::NotWritten(error.to_string()),
                };
                self.pictured = None;
                drop(to.send(reply));
                while !self.writing
                    && let Some((entry, to)) = self.waiting.pop_front()
                {
                    self.write(entry, to);
                }
            }
        }
    }

    /// The outbox cannot be written: the routes get the messages at once. A repeat is possible
    /// then, a loss is not.
    fn send_directly(&self, messages: Vec<NewMessage>) {
        for message in messages {
            let key = message.key.text();
            let route = self.parts.direct.get(&message.key.route);
            if route.is_none_or(|route| route.try_send(message).is_err()) {
                tracing::error!(message = key, "the outbox cannot be written and the route takes no more");
            }
        }
    }

    fn answer(&mut self, asked: Asked) {
        match asked.command {
            Command::Entry(entry) if self.writing => {
                if self.waiting.len() >= COMMANDS_WAITING {
                    let why = "too many entries wait to be written".to_owned();
                    drop(asked.reply.send(Reply::NotWritten(why)));
                } else {
                    self.waiting.push_back((*entry, asked.reply));
                }
            }
            Command::Entry(entry) => self.write(*entry, asked.reply),
            command @ (Command::Acknowledge { .. }
            | Command::OnCall { .. }
            | Command::Confirm { .. }
            | Command::Shelve { .. }
            | Command::Unshelve { .. }
            | Command::OutOfService { .. }
            | Command::BackInService { .. }) => {
                let done = self.state.handle_command(&command, self.clock.now());
                let mut reply = Some((asked.reply, done.map_or_else(Reply::Refused, |()| Reply::Done)));
                while let Some(output) = self.state.poll_output() {
                    match output {
                        // Said to be done once it is on disk.
                        Output::Commit(transition) => self.commit(*transition, reply.take()),
                        Output::Readings(readings, receipt) => self.keep(readings, receipt),
                    }
                }
                if let Some((to, reply)) = reply {
                    drop(to.send(reply));
                }
            }
        }
    }

    fn write(&mut self, mut entry: Entry, to: oneshot::Sender<Reply>) {
        let now = self.clock.now();
        entry.written_at = now.utc;
        if let Err(reply) = self.may_write(&entry, now) {
            drop(to.send(reply));
            return;
        }
        let store = self.parts.store.clone();
        self.writing = true;
        self.under_way.push(Box::pin(async move {
            let result = store.append_entry(entry.clone()).await;
            Arrived::Entry(Box::new(entry), result, to)
        }));
    }

    /// Whether an entry is new and fits the books.
    fn may_write(&self, entry: &Entry, now: Now) -> Result<(), Reply> {
        if let Some(known) = self.state.progress.entry(&entry.id) {
            let same = Entry { written_at: known.written_at, ..entry.clone() } == *known;
            return Err(if same {
                Reply::Already
            } else {
                Reply::Refused("this entry number was used for something else".to_owned())
            });
        }
        if entry.happened_at > now.utc + Span::from_minutes(2) {
            return Err(Reply::Refused("the time given has not come yet".to_owned()));
        }
        self.state.check_entry(entry, now).map_err(Reply::Refused)
    }

    /// Writes down that the wall clock was set. What was read before has its place in the record then.
    fn watch_wall(&mut self, now: Now) {
        self.wall.look(now);
        if let Some((old_at, step)) = self.wall.next(now.up) {
            let store = self.parts.store.clone();
            self.under_way.push(Box::pin(async move {
                // What was handed over before the step must not come after it.
                let flushed = store.flush().await;
                let written = match flushed {
                    Ok(()) => store.record_clock_step(old_at, step).await,
                    Err(error) => Err(error),
                };
                Arrived::Step(written)
            }));
        }
    }

    /// Reads hours back in which readings came late, beside the loop: the disk may take its time.
    fn fill_hours(&mut self, now: Now) {
        if self.filling || now.up < self.fill_after {
            return;
        }
        let needed = self.state.progress.take_needed_hours();
        if needed.is_empty() {
            return;
        }
        self.filling = true;
        let mut wanted: Vec<(SensorIx, SensorId, RangeInclusive<i64>)> = Vec::new();
        for (sensor, hour) in needed {
            match wanted.last_mut() {
                Some((same, _, hours))
                    if *same == sensor && hours.end() + 1 == hour && hour - hours.start() < HOURS_AT_ONCE =>
                {
                    *hours = *hours.start()..=hour;
                }
                _ => wanted.push((sensor, self.state.rack.sensor(sensor).id.clone(), hour..=hour)),
            }
        }
        let store = self.parts.store.clone();
        self.under_way.push(Box::pin(async move {
            // What waits for the end of its group belongs to the hour too.
            let flushed = store.flush().await;
            let mut stretches = Vec::with_capacity(wanted.len());
            for (sensor, id, hours) in wanted {
                let (from, to) = (begin_of_hour(*hours.start()), begin_of_hour(hours.end() + 1));
                let samples = match &flushed {
                    Ok(()) => {
                        let read = store.read(move |r| r.samples_between(&id, from, to)).await;
                        read.map(|samples| usable(&samples)).map_err(|error| error.to_string())
                    }
                    Err(error) => Err(error.to_string()),
                };
                stretches.push(Stretch { sensor, hours, samples });
            }
            Arrived::Hours(stretches)
        }));
    }

    fn take_hours(&mut self, stretches: Vec<Stretch>) {
        self.filling = false;
        for Stretch { sensor, hours, samples } in stretches {
            match samples {
                Ok(samples) => {
                    self.state.progress.set_hours(sensor, hours, samples);
                    self.state.refresh_soon(self.clock.now());
                }
                Err(error) => {
                    tracing::warn!(%error, "late readings are not in the sum yet");
                    self.fill_after = self.clock.now().up.after(FILL_AGAIN);
                    self.state.progress.need_hours(sensor, hours);
                }
            }
        }
    }

    fn take_picture(&mut self, now: Now, force: bool) {
        if !force && self.pictured.is_some_and(|last| now.up < last.after(PICTURE_EVERY)) {
            return;
        }
        self.pictured = Some(now.up);
        self.version += 1;
        let picture = snapshot(&self.state, &self.parts.counters, self.version, now);
        self.parts.picture.send_replace(Arc::new(picture));
    }
}

/// Stored samples that count for sums. Those of an untrusted clock are in the record only once they have
/// their place.
#[must_use]
pub fn usable(samples: &[crate::store::Sample]) -> Vec<Sample> {
    samples
        .iter()
        .filter(|s| s.is_usable())
        .map(|s| Sample { at: s.at, ten_thousandths: s.value.0 })
        .collect()
}
