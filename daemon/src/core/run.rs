//! The loop around [`State`]: inputs from sources and the page, outputs to store, messages and
//! snapshot.

use super::picture::snapshot;
use super::state::{Output, State};
use crate::alarm::event::AlarmEvent;
use crate::clock::{Clock, Now, Uptime};
use crate::ingest::SourceCounters;
use crate::logbook::Entry;
use crate::reading::FromSource;
use crate::snapshot::Snapshot;
use crate::store::Appended;
use crate::store::StoreHandle;
use crate::store::Transition;
use crate::web::backend::{Asked, Command, Reply};
use nightjar_calc::thermal::Sample;
use nightjar_calc::time::{Span, Timestamp};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

/// Shortest wait between two pictures while readings stream in.
const PICTURE_EVERY: Span = Span::from_secs(1);
/// Events waiting for the messages task. A flood raises fewer.
pub const TELL_QUEUE: usize = 256;

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
    /// To those who tell people.
    pub tell: mpsc::Sender<Box<AlarmEvent>>,
    /// What the sources counted.
    pub counters: Vec<Arc<SourceCounters>>,
    /// When somebody was last told, and what.
    pub last_told: watch::Receiver<Option<(Timestamp, String)>>,
    /// Up-time of the last useful work, in milliseconds.
    pub beat: Arc<AtomicU64>,
    /// Readings dealt with to the end.
    pub done: Arc<AtomicU64>,
}

/// The task that owns all live state.
pub struct Core {
    state: State,
    parts: CoreParts,
    clock: Arc<dyn Clock>,
    version: u64,
    pictured: Option<Uptime>,
}

impl Core {
    /// Ready to run.
    #[must_use]
    pub fn new(state: State, parts: CoreParts, clock: Arc<dyn Clock>) -> Self {
        Self { state, parts, clock, version: 0, pictured: None }
    }

    /// Runs until told to stop. Ends by itself only when every source is gone.
    pub async fn run(mut self, stop: CancellationToken) {
        let now = self.clock.now();
        self.state.refresh(now);
        self.state.handle_timeout(now);
        self.carry_out().await;
        self.take_picture(now, true);
        loop {
            let sleep = self.clock.sleep_until(self.state.poll_timeout());
            tokio::select! {
                biased;
                () = stop.cancelled() => break,
                message = self.parts.inbox.recv() => {
                    let Some(message) = message else { break };
                    let readings = match &message {
                        FromSource::Readings { readings, .. } => readings.len() as u64,
                        FromSource::Link { .. } => 0,
                    };
                    self.state.handle_source(message);
                    self.carry_out().await;
                    self.parts.done.fetch_add(readings, Ordering::Release);
                }
                asked = self.parts.commands.recv() => {
                    if let Some(asked) = asked {
                        self.answer(asked).await;
                        self.pictured = None;
                    }
                }
                () = sleep => {}
            }
            let now = self.clock.now();
            self.state.handle_timeout(now);
            self.carry_out().await;
            self.fill_hours().await;
            self.take_picture(now, false);
            self.parts.beat.store(now.up.ms(), Ordering::Relaxed);
        }
        while let Ok(message) = self.parts.inbox.try_recv() {
            self.state.handle_source(message);
            self.carry_out().await;
        }
    }

    async fn carry_out(&mut self) {
        while let Some(output) = self.state.poll_output() {
            match output {
                Output::Readings(readings, receipt) => {
                    if let Err(dropped) = self.parts.store.append(readings, receipt) {
                        tracing::warn!(%dropped, "readings are not stored");
                    }
                }
                Output::Commit(transition) => self.commit(*transition).await,
                Output::Tell(event) => {
                    if self.parts.tell.send(event).await.is_err() {
                        tracing::error!("nobody is there to tell people about an alarm");
                    }
                }
            }
        }
    }

    async fn commit(&mut self, transition: Transition) {
        if let Err(refused) = self.parts.store.commit(transition).await {
            tracing::error!(error = %refused.why, "an alarm transition is not on disk yet");
        }
    }

    async fn answer(&mut self, asked: Asked) {
        let reply = match asked.command {
            Command::Entry(entry) => self.write(*entry).await,
            command @ (Command::Acknowledge { .. }
            | Command::Confirm { .. }
            | Command::Shelve { .. }
            | Command::Unshelve { .. }
            | Command::OutOfService { .. }
            | Command::BackInService { .. }) => {
                let now = self.clock.now();
                match self.state.handle_command(&command, now) {
                    Ok(()) => Reply::Done,
                    Err(why) => Reply::Refused(why),
                }
            }
        };
        self.carry_out().await;
        // Who asked may have gone away meanwhile; what was done stays done.
        drop(asked.reply.send(reply));
    }

    async fn write(&mut self, mut entry: Entry) -> Reply {
        let now = self.clock.now();
        entry.written_at = now.utc;
        if let Some(known) = self.state.progress.entry(&entry.id) {
            let same = Entry { written_at: known.written_at, ..entry.clone() } == *known;
            return if same {
                Reply::Already
            } else {
                Reply::Refused("this entry number was used for something else".to_owned())
            };
        }
        if entry.happened_at > now.utc + Span::from_minutes(2) {
            return Reply::Refused("the time given has not come yet".to_owned());
        }
        if let Err(why) = self.state.check_entry(&entry) {
            return Reply::Refused(why);
        }
        match self.parts.store.append_entry(entry.clone()).await {
            Ok(Appended::Stored) => {
                self.state.entry_written(entry, now);
                Reply::Done
            }
            Ok(Appended::AlreadyHave) => Reply::Already,
            Err(error) => Reply::Refused(format!("not written: {error}")),
        }
    }

    /// Late readings fell into hours already condensed: those hours are read back whole.
    async fn fill_hours(&mut self) {
        let needed = self.state.progress.take_needed_hours();
        if needed.is_empty() {
            return;
        }
        if let Err(error) = self.parts.store.flush().await {
            tracing::warn!(%error, "late readings are not in the sum yet");
            return;
        }
        for (sensor, hour) in needed {
            let id = self.state.rack.sensor(sensor).id.clone();
            let (from, to) =
                (Timestamp::from_ms(hour * 3_600_000), Timestamp::from_ms((hour + 1) * 3_600_000));
            match self.parts.store.read(move |r| r.samples_between(&id, from, to)).await {
                Ok(samples) => {
                    let samples: Vec<Sample> = usable(&samples);
                    self.state.progress.set_hour(sensor, hour, &samples);
                }
                Err(error) => tracing::warn!(%error, "an hour of the record cannot be read back"),
            }
        }
    }

    fn take_picture(&mut self, now: Now, force: bool) {
        if !force && self.pictured.is_some_and(|last| now.up < last.after(PICTURE_EVERY)) {
            return;
        }
        self.pictured = Some(now.up);
        self.version += 1;
        let last_told = self.parts.last_told.borrow().clone();
        let picture = snapshot(&self.state, &self.parts.counters, last_told, self.version, now);
        self.parts.picture.send_replace(Arc::new(picture));
    }
}

/// Stored samples that count for sums.
#[must_use]
pub fn usable(samples: &[crate::store::Sample]) -> Vec<Sample> {
    samples
        .iter()
        .filter(|s| s.is_usable() && s.reason != crate::reading::Reason::UntrustedClock)
        .map(|s| Sample { at: s.at, ten_thousandths: s.value.0 })
        .collect()
}
