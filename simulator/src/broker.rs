//! Readings to an MQTT broker, QoS 1, not retained, until each is acknowledged.
//!
//! The connection has a thread of its own. After a failure a new connection is made and everything
//! that was not acknowledged is sent again, so a reading is in the acknowledged log only if the
//! broker has really taken it, and all readings are in it at the end.

use crate::pace;
use anyhow::{Context, bail};
use nightjar_simulator::frame::Message;
use rumqttc::{Client, Connection, Event, MqttOptions, Outgoing, Packet, QoS};
use std::collections::{BTreeMap, VecDeque};
use std::io::Write;
use std::path::Path;
use std::sync::mpsc::{Receiver, SyncSender, TryRecvError, sync_channel};
use std::time::Duration;

/// Messages under way at once. Mosquitto takes twenty from a client by default and queues the rest.
const WINDOW: usize = 64;

/// What the connection's thread tells.
enum News {
    Connected,
    /// The oldest message not yet seen going out went out under this packet id.
    Sent(u16),
    Acknowledged(u16),
    Lost(String),
}

/// Carries messages to a broker.
pub struct Courier {
    host: String,
    port: u16,
    client_id: String,
    line: Option<Line>,
    /// Handed to the client, not yet seen going out, in order.
    waiting: VecDeque<Message>,
    /// Gone out under a packet id, not yet acknowledged.
    flying: BTreeMap<u16, Message>,
    log: Option<std::io::BufWriter<std::fs::File>>,
    acknowledged: u64,
    reconnects: u64,
}

struct Line {
    client: Client,
    news: Receiver<News>,
}

impl Courier {
    /// Connects; a broker that cannot be reached now is an error, one that goes away later is
    /// waited for.
    pub fn connect(address: &str, client_id: &str, log: Option<&Path>) -> anyhow::Result<Self> {
        let (host, port) = address.rsplit_once(':').unwrap_or((address, "1883"));
        let port = port.parse().with_context(|| format!("\"{port}\" is not a port; write HOST:PORT"))?;
        let log = log
            .map(|path| {
                let file = std::fs::File::create(path)
                    .with_context(|| format!("cannot create {}", path.display()))?;
                Ok::<_, anyhow::Error>(std::io::BufWriter::new(file))
            })
            .transpose()?;
        let mut courier = Self {
            host: host.into(),
            port,
            client_id: client_id.into(),
            line: None,
            waiting: VecDeque::new(),
            flying: BTreeMap::new(),
            log,
            acknowledged: 0,
            reconnects: 0,
        };
        if let Err(problem) = courier.dial() {
            bail!("cannot reach the broker at {address}: {problem}");
        }
        Ok(courier)
    }

    /// Takes a message over; waits while the window is full.
    pub fn send(&mut self, message: Message) -> anyhow::Result<()> {
        while self.waiting.len() + self.flying.len() >= WINDOW {
            self.wait_for_news()?;
        }
        self.hand_over(&message);
        self.waiting.push_back(message);
        self.look_for_news()
    }

    /// Waits until everything is acknowledged. Gives the number of messages that were, and of
    /// connections made again.
    pub fn close(mut self) -> anyhow::Result<(u64, u64)> {
        while self.waiting.len() + self.flying.len() > 0 {
            self.wait_for_news()?;
        }
        if let Some(line) = &self.line {
            // The broker notices a closed connection as well.
            drop(line.client.try_disconnect());
        }
        if let Some(log) = &mut self.log {
            log.flush().context("cannot write the log of acknowledged readings")?;
        }
        Ok((self.acknowledged, self.reconnects))
    }

    fn dial(&mut self) -> Result<(), String> {
        let mut options = MqttOptions::new(&self.client_id, &self.host, self.port);
        options.set_keep_alive(Duration::from_secs(10)).set_clean_session(true);
        options.set_inflight(u16::try_from(WINDOW).unwrap_or(u16::MAX));
        // Room for every message of the window: handing one over never waits.
        let (client, connection) = Client::new(options, WINDOW + 2);
        let (tell, news) = sync_channel(4 * WINDOW);
        std::thread::spawn(move || listen(connection, &tell));
        loop {
            match news.recv() {
                Ok(News::Connected) => break,
                Ok(News::Lost(problem)) => return Err(problem),
                Ok(News::Sent(_) | News::Acknowledged(_)) => {}
                Err(_) => return Err("the connection ended".into()),
            }
        }
        self.line = Some(Line { client, news });
        let again: VecDeque<Message> =
            std::mem::take(&mut self.flying).into_values().chain(std::mem::take(&mut self.waiting)).collect();
        again.iter().for_each(|message| self.hand_over(message));
        self.waiting = again;
        Ok(())
    }

    fn hand_over(&self, message: &Message) {
        if let Some(line) = &self.line {
            // A client whose connection has just ended refuses; the message stays in `waiting`
            // and goes out again once the loss has been read from the news.
            drop(line.client.try_publish(&message.topic, QoS::AtLeastOnce, false, message.payload.as_str()));
        }
    }

    fn look_for_news(&mut self) -> anyhow::Result<()> {
        while let Some(line) = &self.line {
            match line.news.try_recv() {
                Ok(news) => self.take(news)?,
                Err(TryRecvError::Empty) => break,
                Err(TryRecvError::Disconnected) => self.redial(),
            }
        }
        Ok(())
    }

    fn wait_for_news(&mut self) -> anyhow::Result<()> {
        let news = self.line.as_ref().map(|line| line.news.recv());
        match news {
            Some(Ok(news)) => self.take(news),
            Some(Err(_)) | None => {
                self.redial();
                Ok(())
            }
        }
    }

    fn take(&mut self, news: News) -> anyhow::Result<()> {
        match news {
            News::Connected => {}
            News::Sent(id) => {
                if let Some(message) = self.waiting.pop_front() {
                    self.flying.insert(id, message);
                }
            }
            News::Acknowledged(id) => {
                if let Some(message) = self.flying.remove(&id) {
                    self.acknowledged += 1;
                    self.note(&message)?;
                }
            }
            News::Lost(_) => self.redial(),
        }
        Ok(())
    }

    fn note(&mut self, message: &Message) -> anyhow::Result<()> {
        let Some(log) = &mut self.log else { return Ok(()) };
        writeln!(log, "{},{},{}", message.sensor, message.at.rfc3339(), message.value)
            .and_then(|()| if self.flying.is_empty() { log.flush() } else { Ok(()) })
            .context("cannot write the log of acknowledged readings")
    }

    /// Tries until there is a connection again.
    fn redial(&mut self) {
        self.line = None;
        let mut wait = Duration::from_millis(100);
        while self.dial().is_err() {
            pace::pause(wait);
            wait = (wait * 2).min(Duration::from_secs(5));
        }
        self.reconnects += 1;
    }
}

/// Moves the connection until it fails or nobody listens any more.
fn listen(mut connection: Connection, tell: &SyncSender<News>) {
    for event in connection.iter() {
        let news = if let Ok(Event::Incoming(Packet::ConnAck(_))) = event {
            News::Connected
        } else if let Ok(Event::Incoming(Packet::PubAck(ack))) = event {
            News::Acknowledged(ack.pkid)
        } else if let Ok(Event::Outgoing(Outgoing::Publish(id))) = event {
            News::Sent(id)
        } else if let Err(problem) = event {
            News::Lost(problem.to_string())
        } else {
            // Pings and the like.
            continue;
        };
        let over = matches!(news, News::Lost(_));
        if tell.send(news).is_err() || over {
            return;
        }
    }
}
