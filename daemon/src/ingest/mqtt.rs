//! Readings from an MQTT 3.1.1 broker, acknowledged once they are on disk.
//!
//! One task polls the connection. The session is persistent, so that the broker keeps what it may
//! not deliver; every message of QoS 1 is acknowledged only after the core has sent its receipt
//! back, in the order of arrival, over the connection it came over. Subscriptions are renewed on
//! every connection, because a broker that has lost the session stays connected and silent.
//! *Connected* is said once the broker has confirmed the subscriptions, and is a fact about the
//! broker, not about sensors.
//!
//! When the core does not keep up, this task stops reading and the broker keeps the messages.
//! Publishing the station's own state is done elsewhere, by a client of its own.

pub mod arrival;
pub mod poison;

use super::backoff::Backoff;
use super::counters::{EXAMPLE_LENGTH, Refusal};
use super::decode::message::{self, Topic};
use super::feed::{Feed, Link};
use crate::reading::{FromSource, RawReading, Receipt};
use arrival::{Backlog, Unacknowledged};
use poison::{Connect, Poison};
use rumqttc::{
    AsyncClient, ConnectionError, Event, EventLoop, MqttOptions, Packet, Publish, QoS, StateError,
    SubscribeFilter, SubscribeReasonCode,
};
use std::collections::VecDeque;
use std::path::PathBuf;
use std::pin::{Pin, pin};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::Sleep;
use tokio_util::sync::CancellationToken;

/// Messages held here for a core whose inbox is full; beyond it the connection is not read.
const HELD: usize = 256;
/// Receipts under way back to this task; more than any sensible window.
const RECEIPTS: usize = 4096;
/// A broker that does not confirm a subscription in this time is left and tried again.
const SUBSCRIBE_TIMEOUT: Duration = Duration::from_secs(15);
/// How long a single subscription is watched for a bad packet. Retained messages follow their
/// subscription at once.
const PROOF: Duration = Duration::from_millis(500);
/// When topics that were left out are tried again.
const RETRY: Duration = Duration::from_secs(3600);
/// Largest packet sent: a subscription to a topic for each of 500 sensors.
const LARGEST_OUTGOING: usize = 128 * 1024;
const CORE_GONE: &str = "the core has gone";
/// Largest packet read by default. A payload over 4 KiB is refused, but it must be read to be
/// acknowledged, or the broker sends it for ever; a packet larger than this breaks the connection.
pub const LARGEST_PACKET: usize = 2 * 1024 * 1024;
/// Unacknowledged messages that mosquitto has under way by default.
pub const DEFAULT_WINDOW: u16 = 20;

/// A broker and what comes from it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MqttSettings {
    /// Name or address of the broker.
    pub host: String,
    /// Its port, usually 1883.
    pub port: u16,
    /// Fixed, and unique among all clients of the broker: two clients of one name throw each other
    /// out for ever. Not empty.
    pub client_id: String,
    /// Name and password file, if the broker wants them. The file is read at each connection; its
    /// last line end is not part of the password.
    pub login: Option<(String, PathBuf)>,
    /// Not under 1 s; usually 20.
    pub keep_alive: Duration,
    /// Messages the broker sends before it waits for acknowledgments. Must be that of the broker.
    pub window: u16,
    /// Largest packet read, in bytes; [`LARGEST_PACKET`].
    pub largest_packet: usize,
    /// What messages mean; every one that matches counts.
    pub topics: Vec<Topic>,
}

/// Runs until `stop` is cancelled.
pub async fn run(settings: MqttSettings, feed: Feed, stop: CancellationToken) {
    let (receipts, receipts_in) = mpsc::channel(RECEIPTS);
    let poison = Poison::new(&settings.topics, &feed.sensors);
    let counters = feed.counters.clone();
    let mut task = Task {
        settings,
        feed,
        receipts,
        receipts_in,
        held: VecDeque::new(),
        unacknowledged: Unacknowledged::default(),
        backlog: Backlog::Empty,
        link: Link::default(),
        poison,
        timer: None,
    };
    tokio::select! {
        biased;
        () = stop.cancelled() => {}
        () = task.reconnect_for_ever() => {}
    }
    counters.set_up(false);
}

struct Task {
    settings: MqttSettings,
    feed: Feed,
    receipts: mpsc::Sender<(u64, u16)>,
    receipts_in: mpsc::Receiver<(u64, u16)>,
    /// Messages for the core.
    held: VecDeque<FromSource>,
    unacknowledged: Unacknowledged,
    backlog: Backlog,
    link: Link,
    poison: Poison,
    timer: Option<(Pin<Box<Sleep>>, Timer)>,
}

/// What the time limit of a connection is for.
#[derive(Clone, Copy)]
enum Timer {
    /// The broker has to confirm a subscription.
    Confirmation,
    /// A subscription has to prove that it brings no bad packet.
    Proof,
    /// Topics left out are tried again.
    Retry,
}

impl Task {
    async fn reconnect_for_ever(&mut self) {
        let mut backoff = Backoff::new(u64::from(self.feed.source.0).wrapping_add(0x6d71));
        loop {
            let connections = self.feed.counters.connections();
            let lost = self.connection().await;
            if self.feed.counters.connections() != connections {
                backoff.reset();
            }
            // Leaving on purpose is no loss of the broker.
            if let Lost::Because(why) = lost {
                self.link.set(&self.feed, false, || format!("{}: {why}", self.settings.broker()));
                self.wait(backoff.next_wait(false)).await;
            }
        }
    }

    /// Waits in real time; meanwhile hands over what the core has room for.
    async fn wait(&mut self, length: Duration) {
        let mut over = pin!(tokio::time::sleep(length));
        loop {
            self.held.extend(self.link.take(self.feed.source));
            tokio::select! {
                () = &mut over => return,
                Some((epoch, packet)) = self.receipts_in.recv() => self.unacknowledged.make_safe(epoch, packet),
                Ok(room) = self.feed.to_core.reserve(), if !self.held.is_empty() => {
                    hand_over(&self.feed, room, &mut self.held);
                }
            }
        }
    }

    /// One connection from its beginning to its loss.
    async fn connection(&mut self) -> Lost {
        let options = match self.options().await {
            Ok(options) => options,
            Err(why) => return Lost::Because(why),
        };
        // Room for an acknowledgment of each message under way and for the subscriptions.
        let requests = usize::from(self.settings.window) * 2 + 64;
        let (client, mut events) = AsyncClient::new(options, requests);
        self.timer = None;
        loop {
            let event = match self.next_event(&client, &mut events).await {
                Ok(event) => event,
                Err(lost) => return lost,
            };
            let step = match event {
                Event::Incoming(Packet::ConnAck(answer)) => self.begin(&client, answer.session_present),
                Event::Incoming(Packet::SubAck(answer)) => {
                    self.confirmed(answer.return_codes.contains(&SubscribeReasonCode::Failure));
                    Ok(())
                }
                Event::Incoming(Packet::Publish(publish)) => {
                    self.take(&publish);
                    Ok(())
                }
                Event::Incoming(Packet::Disconnect) => Err(Lost::Because("it hung up".to_owned())),
                Event::Incoming(_) | Event::Outgoing(_) => Ok(()),
            };
            if let Err(lost) = step {
                return lost;
            }
            self.acknowledge(&client);
        }
    }

    /// The next event of the connection. The future that polls it is never dropped half-way, since
    /// a packet on its way out would be lost with it.
    async fn next_event(&mut self, client: &AsyncClient, events: &mut EventLoop) -> Result<Event, Lost> {
        while self.held.len() >= HELD {
            let room = self.feed.to_core.reserve().await.map_err(|_| Lost::because(CORE_GONE))?;
            hand_over(&self.feed, room, &mut self.held);
        }
        // A handle of its own, so that its permit does not keep the rest of this task borrowed.
        let to_core = self.feed.to_core.clone();
        let mut poll = pin!(events.poll());
        loop {
            self.held.extend(self.link.take(self.feed.source));
            tokio::select! {
                event = &mut poll => return event.map_err(|error| self.lost(&error)),
                Some((epoch, packet)) = self.receipts_in.recv() => {
                    self.unacknowledged.make_safe(epoch, packet);
                    self.acknowledge(client);
                }
                room = to_core.reserve(), if !self.held.is_empty() => {
                    let room = room.map_err(|_| Lost::because(CORE_GONE))?;
                    hand_over(&self.feed, room, &mut self.held);
                }
                timer = elapsed(&mut self.timer) => self.time_is_up(client, timer)?,
            }
        }
    }

    fn begin(&mut self, client: &AsyncClient, session_present: bool) -> Result<(), Lost> {
        self.unacknowledged.begin();
        self.backlog = Backlog::begin(session_present, self.feed.clock.now().up);
        if self.poison.purpose() == Connect::ToForget {
            self.poison.forgotten();
            return Err(Lost::OnPurpose);
        }
        self.subscribe(client)
    }

    fn subscribe(&mut self, client: &AsyncClient) -> Result<(), Lost> {
        let filters = self.poison.filters();
        if filters.is_empty() {
            self.confirmed(false);
            return Ok(());
        }
        let filters = filters.into_iter().map(|filter| SubscribeFilter::new(filter, QoS::AtLeastOnce));
        // Only what does not wait may be used in the task that polls.
        client.try_subscribe_many(filters).map_err(|error| Lost::Because(error.to_string()))?;
        self.start(SUBSCRIBE_TIMEOUT, Timer::Confirmation);
        Ok(())
    }

    fn confirmed(&mut self, refused: bool) {
        if self.poison.is_searching() {
            self.start(PROOF, Timer::Proof);
            return;
        }
        let left_out = self.poison.left_out().join(", ");
        if left_out.is_empty() {
            self.timer = None;
        } else {
            self.start(RETRY, Timer::Retry);
        }
        self.link.set(&self.feed, true, || {
            let broker = self.settings.broker();
            match (refused, left_out.is_empty()) {
                (true, _) => {
                    format!("{broker}: connected, but it refused a subscription; check its access list")
                }
                (false, true) => format!("{broker}: connected"),
                (false, false) => {
                    format!("{broker}: connected without {left_out}: a message there is too large")
                }
            }
        });
    }

    fn start(&mut self, length: Duration, timer: Timer) {
        self.timer = Some((Box::pin(tokio::time::sleep(length)), timer));
    }

    fn time_is_up(&mut self, client: &AsyncClient, timer: Timer) -> Result<(), Lost> {
        self.timer = None;
        match timer {
            Timer::Confirmation => Err(Lost::because("it did not confirm the subscriptions")),
            Timer::Proof if self.poison.settled() => self.subscribe(client),
            Timer::Proof => {
                self.confirmed(false);
                Ok(())
            }
            Timer::Retry => {
                self.poison.try_all_again();
                Err(Lost::OnPurpose)
            }
        }
    }

    /// One message: decoded, counted, held for the core.
    fn take(&mut self, publish: &Publish) {
        let arrived = self.feed.clock.now();
        let queued = self.backlog.handle_message(self.unacknowledged.len(), self.settings.window, arrived.up);
        let old = queued || publish.retain || publish.dup;
        let mut readings = self.decode(publish);
        self.feed.keep_known(&mut readings);
        for reading in &mut readings {
            reading.retained = old;
        }
        let nothing = readings.is_empty();
        let wants_answer = publish.qos != QoS::AtMostOnce;
        if wants_answer {
            self.unacknowledged.arrive(publish.pkid, nothing);
        }
        if nothing {
            self.feed.counters.frame_taken();
            return;
        }
        let receipt = wants_answer.then(|| Receipt {
            epoch: self.unacknowledged.epoch(),
            packet: publish.pkid,
            to: self.receipts.clone(),
        });
        self.held.push_back(FromSource::Readings { source: self.feed.source, arrived, readings, receipt });
    }

    fn decode(&self, publish: &Publish) -> Vec<RawReading> {
        let counters = &self.feed.counters;
        let example = || {
            let payload = &publish.payload[..publish.payload.len().min(EXAMPLE_LENGTH)];
            [publish.topic.as_bytes(), b" ", payload].concat()
        };
        match message::decode(&self.settings.topics, &publish.topic, &publish.payload) {
            Ok(decoded) => {
                for why in decoded.refused {
                    counters.refuse(why, &example());
                }
                decoded.readings
            }
            Err(why) => {
                counters.refuse(why, &example());
                Vec::new()
            }
        }
    }

    /// Sends the acknowledgments that are due. When the client's queue is full the rest follows
    /// after the next event, of which each one sent makes one.
    fn acknowledge(&mut self, client: &AsyncClient) {
        while let Some(packet) = self.unacknowledged.next() {
            let mut publish = Publish::new("", QoS::AtLeastOnce, "");
            publish.pkid = packet;
            if client.try_ack(&publish).is_err() {
                return;
            }
            self.unacknowledged.acknowledged();
            self.backlog.handle_acknowledgment(self.feed.clock.now().up);
        }
    }

    async fn options(&self) -> Result<MqttOptions, String> {
        let settings = &self.settings;
        if settings.client_id.is_empty() {
            return Err("a client id is needed for a session that lasts".to_owned());
        }
        let mut options = MqttOptions::new(&settings.client_id, &settings.host, settings.port);
        options
            .set_clean_session(self.poison.purpose() == Connect::ToForget)
            .set_manual_acks(true)
            .set_keep_alive(settings.keep_alive.max(Duration::from_secs(1)))
            .set_max_packet_size(settings.largest_packet, LARGEST_OUTGOING);
        if let Some((user, password_file)) = &settings.login {
            let password = tokio::fs::read_to_string(password_file)
                .await
                .map_err(|error| format!("failed to read {}: {error}", password_file.display()))?;
            options.set_credentials(user, password.trim_end_matches(['\r', '\n']));
        }
        Ok(options)
    }

    /// What the loss of a connection means.
    fn lost(&mut self, error: &ConnectionError) -> Lost {
        if let ConnectionError::MqttState(StateError::Deserialization(error)) = error {
            let why = format!("a packet that cannot be read: {error}");
            self.feed.counters.refuse(Refusal::Overlong, why.as_bytes());
            self.poison.handle_bad_packet();
            return Lost::Because(why);
        }
        Lost::Because(error.to_string())
    }
}

impl MqttSettings {
    fn broker(&self) -> String {
        format!("broker {}:{}", self.host, self.port)
    }
}

/// Why a connection ended.
enum Lost {
    OnPurpose,
    Because(String),
}

impl Lost {
    fn because(why: &str) -> Self {
        Self::Because(why.to_owned())
    }
}

/// Completes when the timer does, and never without one.
async fn elapsed(timer: &mut Option<(Pin<Box<Sleep>>, Timer)>) -> Timer {
    match timer {
        Some((sleep, what)) => {
            sleep.await;
            *what
        }
        None => std::future::pending().await,
    }
}

fn hand_over(feed: &Feed, room: mpsc::Permit<'_, FromSource>, held: &mut VecDeque<FromSource>) {
    let Some(message) = held.pop_front() else { return };
    let readings = match &message {
        FromSource::Readings { readings, .. } => Some(readings.len()),
        FromSource::Link { .. } => None,
    };
    room.send(message);
    if let Some(readings) = readings {
        feed.counters.handed_over(readings);
        feed.counters.frame_taken();
    }
}
