//! A broker for one subscriber (MQTT 3.1.1) that remembers what it was told is safe: the test is in
//! between, so that it knows of each reading whether the station has acknowledged it. Debian's
//! broker stands there in `tests/broker_kills.rs`.

use crate::pace::{self, Stopwatch};
use std::collections::VecDeque;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// Messages under way at once; the station is told the same number.
pub const WINDOW: usize = 200;

/// A reading on its way.
#[derive(Clone, Debug)]
struct Message {
    packet: u16,
    topic: String,
    payload: String,
    /// `sensor,time`
    key: String,
    sent: Option<Stopwatch>,
}

/// A reading the station said is safe.
#[derive(Clone, Debug)]
pub struct Safe {
    /// `sensor,time`
    pub key: String,
    /// When it was sent last.
    pub sent: Stopwatch,
    /// What the marker said when the acknowledgment came.
    pub mark: u64,
}

/// Asked at each acknowledgment: how far something else had come by then.
pub type Marker = Arc<dyn Fn() -> u64 + Send + Sync>;

#[derive(Default)]
struct State {
    waiting: VecDeque<Message>,
    under_way: VecDeque<Message>,
    safe: Vec<Safe>,
    last_packet: u16,
    sessions: u32,
    published: u64,
}

/// The broker. Its threads end with it.
pub struct OwnBroker {
    /// Where it listens.
    pub port: u16,
    state: Arc<Mutex<State>>,
    stop: Arc<AtomicBool>,
}

fn locked(state: &Mutex<State>) -> MutexGuard<'_, State> {
    state.lock().unwrap_or_else(PoisonError::into_inner)
}

impl OwnBroker {
    /// Listens on a free port.
    ///
    /// # Errors
    /// When there is none.
    pub fn start(marker: Marker) -> std::io::Result<Self> {
        let listener = TcpListener::bind(("127.0.0.1", 0))?;
        let port = listener.local_addr()?.port();
        let (state, stop) = (Arc::<Mutex<State>>::default(), Arc::<AtomicBool>::default());
        let (shared, stopped) = (Arc::clone(&state), Arc::clone(&stop));
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                if stopped.load(Ordering::Relaxed) {
                    return;
                }
                let (shared, stopped) = (Arc::clone(&shared), Arc::clone(&stopped));
                let marker = Arc::clone(&marker);
                // A connection that breaks is one the station makes anew.
                std::thread::spawn(move || stream.map(|stream| serve(stream, &shared, &stopped, &marker)));
            }
        });
        Ok(Self { port, state, stop })
    }

    /// Queues a message, to be sent until it is acknowledged.
    pub fn publish(&self, topic: String, payload: String, key: String) {
        let mut state = locked(&self.state);
        state.last_packet = state.last_packet.checked_add(1).unwrap_or(1);
        state.published += 1;
        let packet = state.last_packet;
        state.waiting.push_back(Message { packet, topic, payload, key, sent: None });
    }

    /// What has been acknowledged since the last time.
    #[must_use]
    pub fn take_safe(&self) -> Vec<Safe> {
        std::mem::take(&mut locked(&self.state).safe)
    }

    /// Messages queued or under way.
    #[must_use]
    pub fn backlog(&self) -> usize {
        let state = locked(&self.state);
        state.waiting.len() + state.under_way.len()
    }
}

impl Drop for OwnBroker {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        // Wakes the listener up.
        drop(TcpStream::connect(("127.0.0.1", self.port)));
    }
}

/// One connection of the station.
fn serve(
    mut stream: TcpStream,
    state: &Arc<Mutex<State>>,
    stop: &AtomicBool,
    marker: &Marker,
) -> std::io::Result<()> {
    let (kind, _) = packet(&mut stream)?;
    if kind >> 4 != 1 {
        return Err(std::io::Error::other("no CONNECT"));
    }
    let session = {
        let mut state = locked(state);
        state.sessions += 1;
        // What was under way and not acknowledged is sent again, before anything new.
        let again: Vec<Message> = state.under_way.drain(..).collect();
        for message in again.into_iter().rev() {
            state.waiting.push_front(message);
        }
        state.sessions
    };
    stream.write_all(&[0x20, 2, u8::from(session > 1), 0])?;
    stream.set_nodelay(true)?;
    let mut sender = stream.try_clone()?;
    let (shared, over) = (Arc::clone(state), Arc::new(AtomicBool::new(false)));
    let ended = Arc::clone(&over);
    let ready = Arc::new(AtomicBool::new(false));
    let subscribed = Arc::clone(&ready);
    let answers = Arc::new(Mutex::new(Vec::<u8>::new()));
    let queue = Arc::clone(&answers);
    let writer = std::thread::spawn(move || {
        while !ended.load(Ordering::Relaxed) {
            let mut bytes = std::mem::take(&mut *queue.lock().unwrap_or_else(PoisonError::into_inner));
            if subscribed.load(Ordering::Relaxed) {
                next_messages(&shared, session, &mut bytes);
            }
            if bytes.is_empty() {
                pace::pause(Duration::from_millis(2));
            } else if sender.write_all(&bytes).is_err() {
                return;
            }
        }
    });
    let answer = |bytes: &[u8]| {
        answers.lock().unwrap_or_else(PoisonError::into_inner).extend_from_slice(bytes);
    };
    while let Ok((kind, body)) = packet(&mut stream) {
        if stop.load(Ordering::Relaxed) {
            break;
        }
        match kind >> 4 {
            4 if body.len() == 2 => {
                let mark = marker();
                acknowledged(state, session, u16::from_be_bytes([body[0], body[1]]), mark);
            }
            8 if body.len() > 2 => {
                let filters = filters(&body[2..]);
                let mut bytes = vec![0x90, u8::try_from(2 + filters).unwrap_or(0x7f), body[0], body[1]];
                bytes.resize(bytes.len() + filters, 1);
                answer(&bytes);
                ready.store(true, Ordering::Relaxed);
            }
            12 => answer(&[0xd0, 0]),
            14 => break,
            _ => {}
        }
    }
    over.store(true, Ordering::Relaxed);
    drop(stream.shutdown(std::net::Shutdown::Both));
    drop(writer.join());
    Ok(())
}

/// Encodes what the window has room for.
fn next_messages(state: &Mutex<State>, session: u32, bytes: &mut Vec<u8>) {
    let mut state = locked(state);
    if state.sessions != session {
        return;
    }
    while state.under_way.len() < WINDOW
        && let Some(mut message) = state.waiting.pop_front()
    {
        let again = message.sent.is_some();
        message.sent = Some(Stopwatch::start());
        let topic = message.topic.as_bytes();
        bytes.push(0x32 | if again { 8 } else { 0 });
        let mut length = 4 + topic.len() + message.payload.len();
        while length > 127 {
            bytes.push(u8::try_from(length & 127).unwrap_or(0) | 128);
            length >>= 7;
        }
        bytes.push(u8::try_from(length).unwrap_or(0));
        bytes.extend_from_slice(&u16::try_from(topic.len()).unwrap_or(0).to_be_bytes());
        bytes.extend_from_slice(topic);
        bytes.extend_from_slice(&message.packet.to_be_bytes());
        bytes.extend_from_slice(message.payload.as_bytes());
        state.under_way.push_back(message);
    }
}

fn acknowledged(state: &Mutex<State>, session: u32, packet: u16, mark: u64) {
    let mut state = locked(state);
    // An acknowledgment still in the buffers of a connection that has been replaced counts: it was
    // said. The message may have been queued again since.
    let of_old = state.sessions != session;
    let place = state.under_way.iter().position(|message| message.packet == packet);
    let message = match place {
        Some(place) => state.under_way.remove(place),
        None if of_old => {
            let place = state.waiting.iter().position(|message| message.packet == packet);
            place.and_then(|place| state.waiting.remove(place))
        }
        None => None,
    };
    if let Some(Message { key, sent: Some(sent), .. }) = message {
        state.safe.push(Safe { key, sent, mark });
    }
}

/// Filters of a SUBSCRIBE.
fn filters(mut body: &[u8]) -> usize {
    let mut number = 0;
    while body.len() > 2 {
        let length = usize::from(u16::from_be_bytes([body[0], body[1]]));
        body = body.get(3 + length..).unwrap_or_default();
        number += 1;
    }
    number
}

/// First byte and body of the next packet.
fn packet(stream: &mut TcpStream) -> std::io::Result<(u8, Vec<u8>)> {
    let mut byte = [0_u8];
    stream.read_exact(&mut byte)?;
    let kind = byte[0];
    let (mut length, mut shift) = (0_usize, 0);
    loop {
        stream.read_exact(&mut byte)?;
        length |= usize::from(byte[0] & 127) << shift;
        if byte[0] & 128 == 0 {
            break;
        }
        shift += 7;
        if shift > 21 {
            return Err(std::io::Error::other("a length of more than four bytes"));
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body)?;
    Ok((kind, body))
}
