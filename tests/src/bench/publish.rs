//! A plain sender of MQTT 3.1.1 (OASIS standard, sections 3.1 to 3.4): it costs as little as a
//! sender can, so that what is measured is who receives.

use anyhow::{Context, Result, bail};
use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::Duration;

/// Messages of QoS 1 under way at once.
const WINDOW: u64 = 500;

/// A connection that only publishes.
#[derive(Debug)]
pub struct Publisher {
    stream: TcpStream,
    acknowledged: Arc<Acknowledged>,
    sent: u64,
}

#[derive(Debug, Default)]
struct Acknowledged {
    count: AtomicU64,
    changed: (Mutex<()>, Condvar),
}

/// Appends a string with its length.
fn put(out: &mut Vec<u8>, text: &str) {
    out.extend_from_slice(&u16::try_from(text.len()).unwrap_or(u16::MAX).to_be_bytes());
    out.extend_from_slice(text.as_bytes());
}

fn packet(kind: u8, body: &[u8]) -> Vec<u8> {
    let mut out = vec![kind];
    let mut left = body.len();
    loop {
        let low = u8::try_from(left % 128).unwrap_or(0);
        left /= 128;
        out.push(if left > 0 { low | 0x80 } else { low });
        if left == 0 {
            break;
        }
    }
    out.extend_from_slice(body);
    out
}

/// A message as it goes over the line; with a number for QoS 1.
#[must_use]
pub fn message(topic: &str, payload: &str, number: Option<u16>) -> Vec<u8> {
    let mut body = Vec::with_capacity(topic.len() + payload.len() + 4);
    put(&mut body, topic);
    body.extend(number.into_iter().flat_map(u16::to_be_bytes));
    body.extend_from_slice(payload.as_bytes());
    packet(if number.is_some() { 0x32 } else { 0x30 }, &body)
}

impl Publisher {
    /// Connects, with a session that ends with the connection.
    ///
    /// # Errors
    /// When the broker refuses.
    pub fn connect(port: u16, client_id: &str) -> Result<Self> {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).context("cannot reach the broker")?;
        stream.set_nodelay(true)?;
        let mut body = Vec::new();
        put(&mut body, "MQTT");
        // Level 4, clean session, no keep-alive.
        body.extend_from_slice(&[4, 2, 0, 0]);
        put(&mut body, client_id);
        stream.write_all(&packet(0x10, &body))?;
        let mut answer = [0; 4];
        stream.read_exact(&mut answer).context("the broker says nothing")?;
        if answer[0] != 0x20 || answer[3] != 0 {
            bail!("the broker refuses: {answer:?}");
        }
        let acknowledged = Arc::new(Acknowledged::default());
        let (mut reading, counted) = (stream.try_clone()?, Arc::clone(&acknowledged));
        std::thread::spawn(move || {
            let mut bytes = [0; 4_096];
            let mut seen = 0_u64;
            // Nothing but acknowledgments of four bytes comes back.
            while let Ok(length @ 1..) = reading.read(&mut bytes) {
                seen += length as u64;
                counted.count.store(seen / 4, Ordering::Release);
                let _held = counted.changed.0.lock().unwrap_or_else(PoisonError::into_inner);
                counted.changed.1.notify_all();
            }
        });
        Ok(Self { stream, acknowledged, sent: 0 })
    }

    /// Sends packets made by [`message`] without a number.
    ///
    /// # Errors
    /// When the connection is lost.
    pub fn send(&mut self, packets: &[u8]) -> Result<()> {
        self.stream.write_all(packets).context("the broker hung up")
    }

    /// Sends messages as QoS 1, so many under way at once, and waits until all are acknowledged.
    ///
    /// # Errors
    /// When the connection is lost, or an acknowledgment does not come within ten seconds.
    pub fn send_surely<'a>(&mut self, messages: impl Iterator<Item = (&'a str, &'a str)>) -> Result<()> {
        let mut batch = Vec::new();
        for (topic, payload) in messages {
            let number = u16::try_from(self.sent % 65_535).unwrap_or(0) + 1;
            batch.extend_from_slice(&message(topic, payload, Some(number)));
            self.sent += 1;
            if batch.len() >= 4_096 {
                self.send(&batch)?;
                batch.clear();
                self.wait_until(self.sent.saturating_sub(WINDOW))?;
            }
        }
        self.send(&batch)?;
        self.wait_until(self.sent)
    }

    fn wait_until(&self, count: u64) -> Result<()> {
        let (lock, changed) = &self.acknowledged.changed;
        let held = lock.lock().unwrap_or_else(PoisonError::into_inner);
        let missing = |_: &mut ()| self.acknowledged.count.load(Ordering::Acquire) < count;
        let (_held, late) = changed
            .wait_timeout_while(held, Duration::from_secs(10), missing)
            .unwrap_or_else(PoisonError::into_inner);
        if late.timed_out() { bail!("the broker acknowledges no more") } else { Ok(()) }
    }
}

impl Drop for Publisher {
    fn drop(&mut self) {
        // A disconnect, so that the broker does not take it for a failure.
        drop(self.stream.write_all(&[0xe0, 0]));
        drop(self.stream.shutdown(Shutdown::Both));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked out by hand from section 3.3 of the standard.
    #[test]
    fn a_message_is_laid_out_as_the_standard_says() {
        assert_eq!(message("a/b", "10", None), [0x30, 7, 0, 3, b'a', b'/', b'b', b'1', b'0']);
        assert_eq!(message("a/b", "10", Some(10)), [0x32, 9, 0, 3, b'a', b'/', b'b', 0, 10, b'1', b'0']);
        // 321 bytes take two bytes of length: the standard's own example, 193 then 2.
        assert_eq!(message("a", &"x".repeat(318), None)[..3], [0x30, 193, 2]);
    }
}
