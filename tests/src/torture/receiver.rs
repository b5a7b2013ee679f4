//! Takes the station's signed web calls and remembers each.

use serde_json::Value;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// One call.
#[derive(Clone, Debug)]
pub struct Call {
    /// What makes it the same message as another call.
    pub id: String,
    /// `alarm.active`, `alarm.cleared` and so on.
    pub kind: String,
    /// Number of the event.
    pub event: String,
    /// Name of the alarm.
    pub alarm: String,
    /// What it is about, as `jar/03`.
    pub asset: String,
}

/// The receiver. Its threads end with it.
pub struct Receiver {
    /// Where it listens.
    pub port: u16,
    calls: Arc<Mutex<Vec<Call>>>,
    stop: Arc<AtomicBool>,
}

fn locked(calls: &Mutex<Vec<Call>>) -> MutexGuard<'_, Vec<Call>> {
    calls.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Receiver {
    /// Listens on a free port.
    ///
    /// # Errors
    /// When there is none.
    pub fn start() -> std::io::Result<Self> {
        let listener = TcpListener::bind(("127.0.0.1", 0))?;
        let port = listener.local_addr()?.port();
        let (calls, stop) = (Arc::<Mutex<Vec<Call>>>::default(), Arc::<AtomicBool>::default());
        let (shared, stopped) = (Arc::clone(&calls), Arc::clone(&stop));
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                if stopped.load(Ordering::Relaxed) {
                    return;
                }
                let shared = Arc::clone(&shared);
                // A call that breaks off half-way was not taken.
                std::thread::spawn(move || drop(take(&stream, &shared)));
            }
        });
        Ok(Self { port, calls, stop })
    }

    /// Calls so far.
    #[must_use]
    pub fn calls(&self) -> Vec<Call> {
        locked(&self.calls).clone()
    }

    /// The first call from number `from` on that fits.
    #[must_use]
    pub fn find(&self, from: usize, fits: impl Fn(&Call) -> bool) -> Option<Call> {
        locked(&self.calls).iter().skip(from).find(|call| fits(call)).cloned()
    }

    /// Number of calls so far.
    #[must_use]
    pub fn count(&self) -> usize {
        locked(&self.calls).len()
    }

    /// Calls that were a repeat of an earlier one.
    #[must_use]
    pub fn repeats(&self) -> usize {
        let calls = locked(&self.calls);
        let mut times: BTreeMap<&str, usize> = BTreeMap::new();
        for call in calls.iter() {
            *times.entry(&call.id).or_default() += 1;
        }
        times.values().map(|times| times - 1).sum()
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        // Wakes the listener up.
        drop(TcpStream::connect(("127.0.0.1", self.port)));
    }
}

/// Takes one call: noted first, answered then, so that a repeat is never taken for news.
fn take(stream: &TcpStream, calls: &Mutex<Vec<Call>>) -> std::io::Result<()> {
    stream.set_read_timeout(Some(Duration::from_secs(10)))?;
    let mut reader = BufReader::new(stream);
    let (mut length, mut id) = (0, String::new());
    loop {
        let mut line = String::new();
        if reader.read_line(&mut line)? == 0 {
            return Ok(());
        }
        let line = line.trim_end();
        if line.is_empty() {
            break;
        }
        if let Some((name, value)) = line.split_once(':') {
            match name.to_ascii_lowercase().as_str() {
                "content-length" => length = value.trim().parse().unwrap_or(0),
                "webhook-id" => value.trim().clone_into(&mut id),
                _ => {}
            }
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body)?;
    let body: Value = serde_json::from_slice(&body).unwrap_or_default();
    let text = |key: &str| body[key].as_str().unwrap_or_default().to_owned();
    let call =
        Call { id, kind: text("type"), event: text("event"), alarm: text("kind"), asset: text("asset") };
    locked(calls).push(call);
    (&*stream).write_all(b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n")
}
