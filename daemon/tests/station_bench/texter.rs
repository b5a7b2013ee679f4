//! A modem on a pseudo-terminal that keeps what was sent, and lets people write.

#[path = "../notify_modem/fake.rs"]
mod fake;

use super::LIMIT;
use fake::FakeModem;
use nightjar::notify::gsm::{Address, CentreTime, Deliver, Submit, UserData};
use nightjar_calc::time::Timestamp;
use serialport::{SerialPort, TTYPort};
use std::io::{Read, Write};
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// A modem on a pseudo-terminal.
pub struct Plugged {
    pub modem: Arc<Mutex<FakeModem>>,
    say: std::sync::mpsc::Sender<Vec<u8>>,
    next: u16,
    /// Times the modem waited for something to do and nothing came.
    idle: Arc<AtomicU64>,
}

/// A modem behind this name, until it is unplugged.
pub fn plug(name: &Path, unplug: CancellationToken) -> Plugged {
    let (mut board, port) = TTYPort::pair().unwrap();
    std::os::unix::fs::symlink(port.name().unwrap(), name).unwrap();
    drop(port);
    let modem = Arc::new(Mutex::new(FakeModem::new()));
    let (say, to_say) = std::sync::mpsc::channel::<Vec<u8>>();
    let fake = Arc::clone(&modem);
    let idle = Arc::new(AtomicU64::new(0));
    let waited = Arc::clone(&idle);
    std::thread::spawn(move || {
        board.set_timeout(Duration::from_millis(5)).unwrap();
        let mut byte = [0];
        while !unplug.is_cancelled() {
            let mut said = to_say.try_recv().unwrap_or_default();
            // An error is silence, or nobody on the other side yet.
            if matches!(board.read(&mut byte), Ok(1)) {
                said.extend(fake.lock().unwrap().hear(byte[0]));
            } else {
                waited.fetch_add(1, Ordering::Relaxed);
            }
            let _nobody_there = board.write_all(&said);
        }
    });
    Plugged { modem, say, next: 1, idle }
}

impl Plugged {
    /// Gives the modem and its user the real time to finish what they are at: their limits run on
    /// the clock of the test.
    pub async fn rest(&self) {
        let before = self.idle.load(Ordering::Relaxed);
        let wait = async {
            while self.idle.load(Ordering::Relaxed) < before + 2 {
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
        };
        tokio::time::timeout(LIMIT, wait).await.expect("the modem rests");
    }

    /// What was sent to whom.
    pub fn sent(&self) -> Vec<(String, String)> {
        let units = self.modem.lock().unwrap().sent.clone();
        let read = |unit: &String| {
            let submit = Submit::from_hex(unit).unwrap();
            (submit.to.number(), submit.data.text)
        };
        units.iter().map(read).collect()
    }

    /// Somebody writes.
    pub fn write(&mut self, from: &str, words: &str, at: Timestamp) {
        let text = Deliver {
            centre: None,
            from: Address::from_number(from).unwrap(),
            at: CentreTime { at, quarters: -20 },
            last: true,
            report: false,
            data: UserData::whole(words),
        };
        let index = self.next;
        self.next += 1;
        self.modem.lock().unwrap().stored.insert(index, text.hex().unwrap());
        self.say.send(format!("\r\n+CMTI: \"ME\",{index}\r\n").into_bytes()).unwrap();
    }

    pub async fn until(&self, what: &str, mut so: impl FnMut(&FakeModem) -> bool) {
        let wait = async {
            while !so(&self.modem.lock().unwrap()) {
                tokio::time::sleep(Duration::from_millis(2)).await;
            }
        };
        tokio::time::timeout(LIMIT, wait).await.unwrap_or_else(|_| panic!("never {what}"));
    }
}
