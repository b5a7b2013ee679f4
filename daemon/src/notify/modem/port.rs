//! The task of the modem's port. Opens it by its path and again when the device has gone; everything that is decided is decided in [`Machine`].

use super::ModemHealth;
use super::inbox::{Inbox, Whole};
use super::machine::{JobId, Machine, Output, Verdict};
use super::route::{Ask, ModemRoute, name};
use crate::clock::{Clock, Uptime, sleep_or_never};
use crate::config::checked::Sms;
use crate::notify::TEXT;
use crate::notify::gsm::{Address, Arrival, CentreTime, Received, StatusReport};
use crate::notify::worker::{Fate, Report};
use crate::store::{Outcome, StoreHandle};
use futures_util::StreamExt;
use futures_util::stream::FuturesUnordered;
use nightjar_calc::time::Span;
use std::collections::{BTreeMap, VecDeque};
use std::io;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::{mpsc, oneshot, watch};
use tokio_serial::{SerialPortBuilderExt, SerialStream};
use tokio_util::sync::CancellationToken;

/// Texts of people that may wait to be taken.
const TEXTS: usize = 64;
/// Longest time for the driver to open the port or to take bytes.
const DRIVER_LIMIT: Duration = Duration::from_secs(20);
/// Power stays away from the modem for this long.
const POWER_OFF: Span = Span::from_secs(10);
/// Reports on texts that nobody here knows yet, and how often they are looked up.
const MOST_LOOKUPS: usize = 64;
const LOOKUPS: u8 = 6;
const LOOKUP_EVERY: Span = Span::from_secs(5);
/// References come back after 256 texts: a report counts for a text of the last day only.
const REPORT_COUNTS: Span = Span::from_hours(24);

/// A text somebody sent us.
#[derive(Debug)]
pub struct TextIn {
    /// Number it came from, as the network wrote it.
    pub from: Address,
    /// When the service centre took it.
    pub at: CentreTime,
    /// Its words.
    pub body: String,
    /// To be told when it has been acted upon and written down: only then is it deleted from the
    /// modem. Dropped untold, it comes again.
    pub done: oneshot::Sender<()>,
}

/// The task of the port.
pub struct Modem {
    path: PathBuf,
    baud: u32,
    pin_file: Option<PathBuf>,
    power_file: Option<PathBuf>,
    store: StoreHandle,
    clock: Arc<dyn Clock>,
    asks: mpsc::Receiver<Ask>,
    texts: mpsc::Sender<TextIn>,
    reports: mpsc::Sender<Report>,
    health: watch::Sender<ModemHealth>,
}

/// The route, its task, what people send, and how the modem fares.
#[must_use]
pub fn open(
    sms: &Sms,
    store: StoreHandle,
    clock: Arc<dyn Clock>,
    reports: mpsc::Sender<Report>,
) -> (ModemRoute, Modem, mpsc::Receiver<TextIn>, watch::Receiver<ModemHealth>) {
    let (ask, asks) = mpsc::channel(1);
    let (texts, incoming) = mpsc::channel(TEXTS);
    let (health, watched) = watch::channel(ModemHealth::default());
    let route = ModemRoute::new(ask);
    let modem = Modem {
        path: sms.port.clone(),
        baud: sms.baud,
        pin_file: sms.pin_file.clone(),
        power_file: sms.power_file.clone(),
        store,
        clock,
        asks,
        texts,
        reports,
        health,
    };
    (route, modem, incoming, watched)
}

type Handed = Pin<Box<dyn Future<Output = Option<Vec<u16>>> + Send + Sync>>;

struct Driver {
    modem: Modem,
    machine: Machine,
    port: Option<SerialStream>,
    answers: BTreeMap<JobId, oneshot::Sender<Verdict>>,
    inbox: Inbox,
    handed: FuturesUnordered<Handed>,
    lookups: VecDeque<(StatusReport, u8)>,
    lookup_at: Option<Uptime>,
    power_at: Option<Uptime>,
}

impl Modem {
    /// Works until told to stop.
    pub async fn run(self, stop: CancellationToken) {
        let pin = match &self.pin_file {
            Some(file) => match tokio::fs::read_to_string(file).await {
                Ok(pin) => Some(pin.trim().to_owned()),
                Err(error) => {
                    tracing::error!(file = %file.display(), %error, "the PIN of the card cannot be read");
                    None
                }
            },
            None => None,
        };
        let machine = Machine::new(pin, self.power_file.is_some(), self.clock.now().up);
        let driver = Driver {
            modem: self,
            machine,
            port: None,
            answers: BTreeMap::new(),
            inbox: Inbox::default(),
            handed: FuturesUnordered::new(),
            lookups: VecDeque::new(),
            lookup_at: None,
            power_at: None,
        };
        driver.run(stop).await;
    }
}

impl Driver {
    async fn run(mut self, stop: CancellationToken) {
        let mut bytes = [0; 512];
        loop {
            self.carry_out().await;
            let clock = Arc::clone(&self.modem.clock);
            let wake = [self.machine.poll_timeout(), self.inbox.next_due(), self.lookup_at, self.power_at];
            let wake = wake.into_iter().flatten().min();
            tokio::select! {
                biased;
                () = stop.cancelled() => return,
                read = read(self.port.as_mut(), &mut bytes) => self.take_bytes(&bytes, read),
                Some(handed) = self.handed.next(), if !self.handed.is_empty() => {
                    let now = clock.now().up;
                    for index in handed.unwrap_or_default() {
                        self.machine.committed(index, now);
                    }
                }
                Some(ask) = self.modem.asks.recv() => {
                    self.answers.insert(ask.job.id, ask.answer);
                    self.machine.send(ask.job, clock.now().up);
                }
                () = sleep_or_never(&*clock, wake) => self.wake().await,
            }
        }
    }

    fn take_bytes(&mut self, bytes: &[u8], read: io::Result<usize>) {
        let now = self.modem.clock.now().up;
        match read {
            Ok(0) => self.lose("end of file", now),
            Ok(count) => bytes.iter().take(count).for_each(|byte| self.machine.handle_byte(*byte, now)),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => self.lose(&error.to_string(), now),
        }
    }

    fn lose(&mut self, why: &str, now: Uptime) {
        self.port = None;
        self.machine.lost(why, now);
    }

    async fn wake(&mut self) {
        let now = self.modem.clock.now().up;
        self.machine.handle_timeout(now);
        for whole in self.inbox.overdue(now) {
            self.hand_over(whole);
        }
        if self.lookup_at.is_some_and(|at| at <= now) {
            self.lookup_at = None;
            for (report, tries) in std::mem::take(&mut self.lookups) {
                self.look_up(report, tries).await;
            }
        }
        if self.power_at.is_some_and(|at| at <= now) {
            self.power_at = None;
            self.power("1").await;
        }
    }

    async fn carry_out(&mut self) {
        while let Some(output) = self.machine.poll_output() {
            let now = self.modem.clock.now().up;
            match output {
                Output::Write(bytes) => {
                    if let Err(error) = write(self.port.as_mut(), &bytes).await {
                        self.lose(&error.to_string(), now);
                    }
                }
                Output::Open => match open_port(&self.modem.path, self.modem.baud).await {
                    Ok(port) => {
                        self.port = Some(port);
                        self.machine.opened(now);
                    }
                    Err(error) => self.lose(&error.to_string(), now),
                },
                Output::Close => self.port = None,
                Output::CutPower => {
                    self.power("0").await;
                    self.power_at = Some(now.after(POWER_OFF));
                }
                Output::Done(id, verdict) => {
                    // Nobody waits any more when the program is stopping.
                    if let Some(answer) = self.answers.remove(&id) {
                        let _gone = answer.send(verdict);
                    }
                }
                Output::Arrived { index, what: Received::Text(text) } => {
                    if let Some(whole) = self.inbox.take(index, text, now) {
                        self.hand_over(whole);
                    }
                }
                Output::Arrived { index, what: Received::Report(report) } => {
                    self.look_up(report, 0).await;
                    if let Some(index) = index {
                        self.machine.committed(index, now);
                    }
                }
                Output::Note(words) => tracing::info!(port = %self.modem.path.display(), "modem: {words}"),
            }
        }
        self.modem.health.send_if_modified(|health| {
            let changed = health != self.machine.health();
            if changed {
                health.clone_from(self.machine.health());
            }
            changed
        });
    }

    fn hand_over(&mut self, whole: Whole) {
        let (done, told) = oneshot::channel();
        let Whole { from, at, body, indices } = whole;
        let text = TextIn { from, at, body, done };
        if self.modem.texts.try_send(text).is_err() {
            // Still in the modem: the next listing finds it again.
            tracing::warn!("nobody takes the texts that people send; it stays in the modem");
            return;
        }
        self.handed.push(Box::pin(async move { told.await.ok().map(|()| indices) }));
    }

    async fn look_up(&mut self, report: StatusReport, tries: u8) {
        match self.settle(&report).await {
            Ok(true) => {}
            Ok(false) if tries < LOOKUPS && self.lookups.len() < MOST_LOOKUPS => {
                self.lookups.push_back((report, tries + 1));
                self.lookup_at.get_or_insert(self.modem.clock.now().up.after(LOOKUP_EVERY));
            }
            Ok(false) => {
                tracing::info!(reference = report.reference, "a delivery report on a text nobody knows")
            }
            Err(error) => tracing::warn!(%error, "a delivery report cannot be written down"),
        }
    }

    /// False when no text of ours goes by that name yet.
    async fn settle(&self, report: &StatusReport) -> Result<bool, crate::store::StoreError> {
        let name = name(&report.to.number(), report.reference);
        let store = &self.modem.store;
        let Some(message) = store.read(move |look| look.message_by_provider(TEXT, &name)).await? else {
            return Ok(false);
        };
        if self.modem.clock.now().utc.since(message.changed_at) > REPORT_COUNTS {
            return Ok(true);
        }
        match report.arrival() {
            Arrival::Arrived => {
                store.mark(message.id, Outcome::Delivered).await?;
            }
            Arrival::Trying => {}
            Arrival::Failed => {
                let report = Report { key: message.key, fate: Fate::Failed };
                if self.modem.reports.try_send(report).is_err() {
                    tracing::warn!("nobody took the report that a text will not arrive");
                }
            }
        }
        Ok(true)
    }

    async fn power(&self, word: &str) {
        let Some(file) = &self.modem.power_file else { return };
        if let Err(error) = tokio::fs::write(file, word).await {
            tracing::error!(file = %file.display(), %error, "the modem's power cannot be switched");
        }
    }
}

async fn read(port: Option<&mut SerialStream>, bytes: &mut [u8]) -> io::Result<usize> {
    match port {
        Some(port) => port.read(bytes).await,
        None => std::future::pending().await,
    }
}

async fn write(port: Option<&mut SerialStream>, bytes: &[u8]) -> io::Result<()> {
    let Some(port) = port else { return Ok(()) };
    match tokio::time::timeout(DRIVER_LIMIT, port.write_all(bytes)).await {
        Ok(written) => written,
        Err(_) => Err(io::Error::new(io::ErrorKind::TimedOut, "the port takes no bytes")),
    }
}

/// Opens the port for us alone. In a thread of its own: a stuck driver must not hold up the others.
async fn open_port(path: &Path, baud: u32) -> io::Result<SerialStream> {
    let path = path.to_string_lossy().into_owned();
    let opening = tokio::task::spawn_blocking(move || {
        tokio_serial::new(path, baud).open_native_async().map_err(io::Error::from)
    });
    match tokio::time::timeout(DRIVER_LIMIT, opening).await {
        Ok(opened) => opened.map_err(io::Error::other)?,
        Err(_) => Err(io::Error::new(io::ErrorKind::TimedOut, "the port does not open")),
    }
}
