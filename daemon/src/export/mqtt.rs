//! Publishes the state of each jar and of the monitor itself on a broker, retained.
//!
//! Nothing is read from the broker. Each connection begins anew: everything is published again, so
//! a broker that lost its memory has it back. See [`super::state`] for topics and documents.

use super::state::{self, Itself};
use crate::clock::{Clock, Uptime};
use crate::config::checked::MqttOut;
use crate::ingest::backoff::Backoff;
use crate::rack::{JarIx, Rack};
use crate::snapshot::{JarView, Snapshot};
use crate::store::StoreHandle;
use nightjar_calc::time::Span;
use rumqttc::{AsyncClient, Event, EventLoop, LastWill, MqttOptions, Packet, QoS};
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// With it the broker misses us after 30 s.
const KEEP_ALIVE: Duration = Duration::from_secs(20);
/// Longest a farewell may take.
const FAREWELL: Duration = Duration::from_secs(5);
/// Largest document sent; one of a jar with every stage and ten alarms has under 4 KiB.
const LARGEST: usize = 64 * 1024;

/// How often what is published.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    /// The monitor's status with its sequence number.
    pub status_every: Span,
    /// How often jars are looked at; a changed alarm or stage goes out then.
    pub look_every: Span,
    /// Shortest time between two documents of one jar that differ in numbers only.
    pub numbers_every: Span,
}

impl Default for Pace {
    fn default() -> Self {
        Self {
            status_every: Span::from_secs(30),
            look_every: Span::from_secs(2),
            numbers_every: Span::from_secs(10),
        }
    }
}

/// How the publisher is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct MqttOutHealth {
    /// The broker has confirmed the connection.
    pub connected: bool,
    /// Why the last connection ended.
    pub last_error: Option<String>,
    /// Documents handed to the connection.
    pub published: u64,
}

/// Publishes until told to stop.
pub struct Publisher {
    settings: MqttOut,
    rack: Arc<Rack>,
    store: StoreHandle,
    picture: watch::Receiver<Arc<Snapshot>>,
    clock: Arc<dyn Clock>,
    pace: Pace,
    health: watch::Sender<MqttOutHealth>,
    seq: u64,
    status_due: Uptime,
    look_due: Uptime,
    jars: Vec<Published>,
}

/// What was last published of a jar.
#[derive(Clone, Debug, Default)]
struct Published {
    document: String,
    marks: String,
    at: Option<Uptime>,
}

enum Ended {
    Told,
    Lost(String),
}

impl Publisher {
    /// Ready to run; the receiver tells how it is.
    #[must_use]
    pub fn new(
        settings: MqttOut,
        rack: Arc<Rack>,
        store: StoreHandle,
        picture: watch::Receiver<Arc<Snapshot>>,
        clock: Arc<dyn Clock>,
    ) -> (Self, watch::Receiver<MqttOutHealth>) {
        let (health, seen) = watch::channel(MqttOutHealth::default());
        let now = clock.now().up;
        let jars = vec![Published::default(); rack.jars.len()];
        let pace = Pace::default();
        let this = Self {
            settings,
            rack,
            store,
            picture,
            clock,
            pace,
            health,
            seq: 0,
            status_due: now,
            look_due: now,
            jars,
        };
        (this, seen)
    }

    /// With other times.
    #[must_use]
    pub const fn at_pace(mut self, pace: Pace) -> Self {
        self.pace = pace;
        self
    }

    /// Runs until told to stop.
    pub async fn run(mut self, stop: CancellationToken) {
        let mut backoff = Backoff::new(0x6f75_7400);
        loop {
            let why = match self.connection(&stop).await {
                Ended::Told => return,
                Ended::Lost(why) => why,
            };
            let was_connected = self.health.borrow().connected;
            if was_connected {
                backoff.reset();
            }
            if was_connected || self.health.borrow().last_error.is_none() {
                tracing::warn!(broker = self.settings.host, why, "the broker for our own state is away");
            }
            self.health.send_modify(|health| {
                health.connected = false;
                health.last_error = Some(why);
            });
            tokio::select! {
                biased;
                () = stop.cancelled() => return,
                // In real time, as for every device: a broker comes back in the real world.
                () = tokio::time::sleep(backoff.next_wait(false)) => {}
            }
        }
    }

    fn topic(&self, rest: &str) -> String {
        format!("nightjar/{}/{rest}", self.settings.station_id)
    }

    async fn options(&self) -> Result<MqttOptions, String> {
        let settings = &self.settings;
        let mut options = MqttOptions::new(settings.client_id.clone(), settings.host.clone(), settings.port);
        options.set_keep_alive(KEEP_ALIVE);
        options.set_clean_session(true);
        options.set_max_packet_size(10 * 1024, LARGEST);
        // Nothing may wait for an answer of the broker to be sent, least of all the farewell.
        options.set_inflight(u16::try_from(self.room()).unwrap_or(u16::MAX));
        let will = state::offline(&self.rack.station).to_string();
        options.set_last_will(LastWill::new(self.topic("monitor/status"), will, QoS::AtLeastOnce, true));
        if let Some((name, file)) = &settings.sign_in {
            let password = tokio::fs::read_to_string(file)
                .await
                .map_err(|error| format!("cannot read {}: {error}", file.display()))?;
            options.set_credentials(name.clone(), password.trim_end_matches(['\r', '\n']));
        }
        Ok(options)
    }

    /// Documents that may be under way: two of each jar and some of the monitor.
    fn room(&self) -> usize {
        self.jars.len() * 2 + 16
    }

    async fn connection(&mut self, stop: &CancellationToken) -> Ended {
        let options = match self.options().await {
            Ok(options) => options,
            Err(why) => return Ended::Lost(why),
        };
        let (client, mut events) = AsyncClient::new(options, self.room());
        let mut connected = false;
        loop {
            let event = {
                // The poll is never dropped half-way: a document on its way out would be lost with it.
                let mut poll = pin!(events.poll());
                let event = loop {
                    let wake = self.clock.sleep_until(self.status_due.min(self.look_due));
                    tokio::select! {
                        biased;
                        () = stop.cancelled() => break None,
                        event = &mut poll => break Some(event),
                        () = wake, if connected => {
                            if let Err(why) = self.publish_due(&client) {
                                return Ended::Lost(why);
                            }
                        }
                    }
                };
                match event {
                    Some(event) => event,
                    None if !connected || !self.say_farewell(&client) => return Ended::Told,
                    None => match tokio::time::timeout(FAREWELL, poll).await {
                        Ok(event @ Ok(_)) => event,
                        Ok(Err(_)) | Err(_) => return Ended::Told,
                    },
                }
            };
            if stop.is_cancelled() {
                drop(tokio::time::timeout(FAREWELL, leave(&mut events)).await);
                return Ended::Told;
            }
            match event {
                Ok(Event::Incoming(Packet::ConnAck(_))) => {
                    connected = true;
                    self.begin();
                }
                Ok(Event::Incoming(Packet::Disconnect)) => return Ended::Lost("it hung up".to_owned()),
                Ok(Event::Incoming(_) | Event::Outgoing(_)) => {}
                Err(error) => return Ended::Lost(error.to_string()),
            }
        }
    }

    /// A new connection: everything anew.
    fn begin(&mut self) {
        self.jars.fill(Published::default());
        let now = self.clock.now().up;
        (self.status_due, self.look_due) = (now, now);
        self.health.send_modify(|health| health.connected = true);
        tracing::info!(broker = self.settings.host, "publishing our own state");
    }

    fn publish_due(&mut self, client: &AsyncClient) -> Result<(), String> {
        let now = self.clock.now();
        let picture = self.picture.borrow().clone();
        if now.up >= self.status_due {
            self.status_due = now.up.after(self.pace.status_every);
            self.seq += 1;
            let itself = Itself {
                name: &self.rack.station,
                seq: self.seq,
                every_s: self.pace.status_every.secs(),
                storage_ok: self.store.health().failing.is_none(),
            };
            let document = state::online(itself, &picture, now).to_string();
            self.publish(client, &self.topic("monitor/status"), document)?;
        }
        if now.up >= self.look_due {
            self.look_due = now.up.after(self.pace.look_every);
            for at in 0..self.jars.len() {
                self.publish_jar(client, at, &picture, now.up)?;
            }
        }
        Ok(())
    }

    fn publish_jar(
        &mut self,
        client: &AsyncClient,
        at: usize,
        picture: &Snapshot,
        now: Uptime,
    ) -> Result<(), String> {
        let Some(ix) = u16::try_from(at).ok().map(JarIx) else { return Ok(()) };
        let (Some(document), Some(view)) =
            (state::jar(&self.settings.station_id, &self.rack, ix, picture), picture.jars.get(at))
        else {
            return Ok(());
        };
        let (document, marks) = (document.to_string(), marks(view, picture));
        let last = &self.jars[at];
        let due = last.at.is_none_or(|last| now >= last.after(self.pace.numbers_every));
        if last.document == document || !(due || last.marks != marks) {
            return Ok(());
        }
        let topic = self.topic(&format!("jar/{}/state", self.rack.jar(ix).id));
        self.publish(client, &topic, document.clone())?;
        self.jars[at] = Published { document, marks, at: Some(now) };
        Ok(())
    }

    /// Only what does not wait may be used in the task that polls.
    fn publish(&self, client: &AsyncClient, topic: &str, document: String) -> Result<(), String> {
        client
            .try_publish(topic, QoS::AtLeastOnce, true, document)
            .map_err(|error| format!("the broker does not keep up: {error}"))?;
        self.health.send_modify(|health| health.published += 1);
        Ok(())
    }

    fn say_farewell(&self, client: &AsyncClient) -> bool {
        let document = state::stopped(&self.rack.station, self.clock.now()).to_string();
        self.publish(client, &self.topic("monitor/status"), document).is_ok()
            && client.try_disconnect().is_ok()
    }
}

/// What makes a jar's document urgent when it changes.
fn marks(jar: &JarView, picture: &Snapshot) -> String {
    let of = |event| picture.alarms.iter().find(|alarm| alarm.event == event);
    let alarms: Vec<_> = jar
        .alarms
        .iter()
        .filter_map(|event| of(*event))
        .map(|alarm| (alarm.event, alarm.on, alarm.acknowledged.is_some(), alarm.suppressed.is_some()))
        .collect();
    format!("{:?} {:?} {alarms:?}", jar.state, jar.lot)
}

/// Until the broker hangs up, as it does once it has read that we leave. Closing with its last
/// answers unread would reset the connection, and it would tell everybody our will.
async fn leave(events: &mut EventLoop) {
    while events.poll().await.is_ok() {}
}
