//! Gathers what the judge needs, and posts the sign of life: three tries within its time, no
//! redirects.

use super::document::{Beat, Status};
use super::judge::{Evidence, Judge, UNPROVEN};
use super::seal::{self, Key};
use crate::alarm::event::{EventId, Priority};
use crate::clock::{Clock, Now, Uptime};
use crate::config::checked::Heartbeat;
use crate::export::sender::client;
use crate::export::state::{alarms_on, is_good};
use crate::health::Beats;
use crate::notify::FOLDER;
use crate::rack::Rack;
use crate::snapshot::{AlarmView, Snapshot};
use crate::store::{Message, MessageState, Reader, StoreError, StoreHandle};
use nightjar_calc::time::{Span, Timestamp};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// Longest wait for the watcher's answer.
const ANSWER: Duration = Duration::from_secs(10);
/// Tries within the time of one sign of life.
const TRIES: i64 = 3;
/// Longest the store's writer may take to answer.
const STORE_ANSWER: Span = Span::from_secs(10);
/// The first sign of life comes this soon: the alarm stage has made its first pass.
const FIRST: Span = Span::from_secs(5);
/// After a start a modem may take this long until it is registered.
const REGISTERING: Span = Span::from_secs(90);
/// Messages looked through for the last one a route took.
const MESSAGES: u32 = 200;

/// Went out: a folder on the same machine is no way out.
fn taken(message: &Message) -> bool {
    matches!(message.state, MessageState::Accepted | MessageState::Delivered) && message.key.route != FOLDER
}

/// How the heartbeat is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct HeartbeatHealth {
    /// What was last said of silence.
    pub reasons: Vec<String>,
    /// When the watcher last took one.
    pub taken_at: Option<Timestamp>,
    /// Why the last one was not taken.
    pub last_error: Option<String>,
    /// Signs of life so far.
    pub seq: u64,
}

/// Sends signs of life until told to stop.
pub struct Heart {
    settings: Heartbeat,
    station: String,
    rack: Arc<Rack>,
    store: StoreHandle,
    picture: watch::Receiver<Arc<Snapshot>>,
    beats: Beats,
    clock: Arc<dyn Clock>,
    client: reqwest::Client,
    judge: Judge,
    health: watch::Sender<HeartbeatHealth>,
    run: String,
    boot: String,
    /// A route proved itself, as a modem that is registered.
    route_ready: watch::Receiver<bool>,
}

/// A heartbeat that cannot be set up.
#[derive(Debug, thiserror::Error)]
pub enum NoHeart {
    /// No TLS.
    #[error("cannot set up a web client: {0}")]
    Client(#[from] reqwest::Error),
    /// No random numbers.
    #[error("the system gives no random numbers")]
    Random,
}

impl Heart {
    /// Ready to run. `route_ready` tells whether a route is known to work without having sent
    /// anything.
    ///
    /// # Errors
    /// When TLS cannot be set up or there are no random numbers.
    pub fn new(
        settings: Heartbeat,
        rack: Arc<Rack>,
        store: StoreHandle,
        picture: watch::Receiver<Arc<Snapshot>>,
        beats: Beats,
        route_ready: watch::Receiver<bool>,
        clock: Arc<dyn Clock>,
    ) -> Result<(Self, watch::Receiver<HeartbeatHealth>), NoHeart> {
        let (health, seen) = watch::channel(HeartbeatHealth::default());
        let mut name = [0_u8; 8];
        getrandom::fill(&mut name).map_err(|_| NoHeart::Random)?;
        let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default();
        let heart = Self {
            station: crate::export::slug(&rack.station),
            settings,
            rack,
            store,
            picture,
            beats,
            clock,
            client: client(ANSWER, ANSWER)?,
            judge: Judge::default(),
            health,
            run: name.iter().map(|byte| format!("{byte:02x}")).collect(),
            boot: boot.trim().to_owned(),
            route_ready,
        };
        Ok((heart, seen))
    }

    /// Runs until told to stop; then tells the watcher so.
    pub async fn run(mut self, stop: CancellationToken) {
        let start = self.clock.now().up;
        let mut next = start.after(FIRST.min(self.settings.every));
        let mut seq = 0;
        loop {
            tokio::select! {
                biased;
                () = stop.cancelled() => break,
                () = self.clock.sleep_until(next) => {}
            }
            let began = self.clock.now().up;
            next = began.after(self.settings.every);
            let judged = tokio::select! {
                biased;
                () = stop.cancelled() => break,
                judged = self.judge() => judged,
            };
            if seq == 0 && judged.0 == [UNPROVEN] && began.since(start) < REGISTERING {
                // Nobody is woken because a modem takes its time after a start; nor is it called well.
                next = began.after(FIRST);
                continue;
            }
            seq += 1;
            tokio::select! {
                biased;
                () = stop.cancelled() => break,
                () = self.one(seq, began, judged) => {}
            }
        }
        let now = self.clock.now();
        let beat = self.beat(seq + 1, now, Status::Stopping, Vec::new(), None);
        if let Err(why) = self.post(&beat, now).await {
            tracing::warn!(why, "the watcher was not told of the stop");
        }
    }

    /// What speaks against *ok* now, and how long an urgent message has been waiting.
    async fn judge(&mut self) -> (Vec<String>, Option<Span>) {
        let evidence = self.gather().await;
        let picture = self.picture.borrow().clone();
        let reasons = self.judge.reasons(&self.rack, &picture, &evidence, self.clock.now());
        (reasons, evidence.oldest_unsent_p1)
    }

    async fn one(&mut self, seq: u64, began: Uptime, (reasons, unsent): (Vec<String>, Option<Span>)) {
        let now = self.clock.now();
        let status = if reasons.is_empty() { Status::Ok } else { Status::Fail };
        let beat = self.beat(seq, now, status, reasons.clone(), unsent);
        let changed = self.health.borrow().reasons != reasons;
        if changed {
            tracing::info!(?reasons, "what the outside watcher is told");
        }
        let mut result = Err("not tried".to_owned());
        for n in 0..TRIES {
            self.clock.sleep_until(began.after(Span::from_ms(self.settings.every.ms() / TRIES * n))).await;
            result = self.post(&beat, self.clock.now()).await;
            if result.is_ok() {
                break;
            }
        }
        self.health.send_modify(|health| {
            health.seq = seq;
            health.reasons = reasons;
            if let Err(why) = &result
                && health.last_error.is_none()
            {
                tracing::warn!(why, "the outside watcher does not answer");
            }
            match result {
                Ok(()) => (health.taken_at, health.last_error) = (Some(now.utc), None),
                Err(why) => health.last_error = Some(why),
            }
        });
    }

    async fn gather(&self) -> Evidence {
        let limit = self.clock.sleep_until(self.clock.now().up.after(STORE_ANSWER));
        let urgent = self.urgent();
        let store = async {
            let flushed = self.store.flush().await;
            let now = self.clock.now();
            let look = move |r: &Reader| {
                let mut untold = Vec::new();
                for (event, code) in urgent {
                    if !r.messages_about(event)?.iter().any(taken) {
                        untold.push((event, code));
                    }
                }
                Ok((r.outbox_counts(now)?, r.messages(None, MESSAGES)?, untold))
            };
            (flushed, self.store.read(look).await)
        };
        let (flushed, found) = tokio::select! {
            answer = store => answer,
            () = limit => (Err(StoreError::Stalled { seconds: STORE_ANSWER.ms() / 1000 }), Err(StoreError::Closed)),
        };
        let trouble = flushed
            .err()
            .or_else(|| found.as_ref().err().map(|error| StoreError::Database(error.to_string())));
        let failing = self.store.health().failing.map(|failing| failing.trouble.to_string());
        let (counts, messages, untold) = found
            .map_or((None, Vec::new(), Vec::new()), |(counts, messages, untold)| {
                (Some(counts), messages, untold)
            });
        let accepted_at =
            messages.iter().filter(|message| taken(message)).map(|message| message.changed_at).max();
        let late = self.beats.late(self.clock.now().up);
        Evidence {
            late_tasks: late.into_iter().map(|age| age.name.to_owned()).collect(),
            store_trouble: failing.or_else(|| trouble.map(|error| error.to_string())),
            oldest_unsent_p1: counts.and_then(|counts| counts.oldest_unsent_p1),
            untold,
            accepted_at,
            route_ready: *self.route_ready.borrow(),
        }
    }

    /// Urgent alarms that nobody has acknowledged, with their answer words.
    fn urgent(&self) -> Vec<(EventId, String)> {
        let picture = self.picture.borrow();
        let waits = |alarm: &&AlarmView| {
            let known = alarm.acknowledged.is_some() || alarm.suppressed.is_some();
            alarm.on && alarm.priority == Priority::P1 && !known
        };
        picture.alarms.iter().filter(waits).map(|alarm| (alarm.event, alarm.code.0.clone())).collect()
    }

    fn beat(&self, seq: u64, now: Now, status: Status, reasons: Vec<String>, unsent: Option<Span>) -> Beat {
        let picture = self.picture.borrow();
        Beat {
            station: self.station.clone(),
            status,
            reasons,
            seq,
            run: self.run.clone(),
            boot: self.boot.clone(),
            uptime_s: now.up.ms() / 1000,
            every_s: self.settings.every.secs(),
            at: now.utc.rfc3339(),
            clock_trusted: now.trusted,
            channels_good: picture.sensors.iter().filter(|sensor| is_good(sensor)).count(),
            channels_total: picture.sensors.len(),
            alarms: alarms_on(&picture),
            suppressed: picture.alarms.iter().filter(|alarm| alarm.suppressed.is_some()).count(),
            oldest_unsent_p1_s: unsent.map(Span::secs),
        }
    }

    async fn post(&self, beat: &Beat, now: Now) -> Result<(), String> {
        let body = serde_json::to_vec(beat).map_err(|error| error.to_string())?;
        let mut request =
            self.client.post(self.settings.url.clone()).header("content-type", "application/json");
        if let Some(file) = &self.settings.secret_file {
            let text = tokio::fs::read_to_string(file)
                .await
                .map_err(|error| format!("cannot read {}: {error}", file.display()))?;
            let key = Key::parse(&text).map_err(|error| format!("{}: {error}", file.display()))?;
            let id = format!("{}-{}-{}", self.station, self.run, beat.seq);
            let moment = now.utc.ms().div_euclid(1000).to_string();
            request = request
                .header(seal::SIGNATURE, key.sign(&id, &moment, &body))
                .header(seal::ID, id)
                .header(seal::MOMENT, moment);
        }
        let response = request.body(body).send().await.map_err(|error| error.without_url().to_string())?;
        let status = response.status();
        if status.is_success() { Ok(()) } else { Err(format!("the watcher answers {status}")) }
    }
}
