//! Transmitters polled over Modbus RTU or TCP.
//!
//! One task a bus asks all its devices in turn, one request at a time with a rest between them.
//! After a request that was not answered in time the connection is opened anew: an RTU answer
//! carries no number, and a late one would be taken for the answer to the next request.
//!
//! Rounds follow the injected clock; time limits are real, because the devices are.

pub mod patience;
pub mod register;

use super::backoff::Backoff;
use super::counters::Refusal;
use super::feed::{Feed, Link};
use super::serial::Parity;
use crate::reading::{FromSource, RawReading};
use nightjar_calc::time::Span;
use patience::{Patience, next_round};
pub use register::{Coding, Register, Table};
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_modbus::client::{Client, Context, rtu, tcp};
use tokio_modbus::slave::{Slave, SlaveContext};
use tokio_modbus::{ExceptionCode, Request, Response};
use tokio_serial::{ClearBuffer, SerialPort, SerialPortBuilderExt};
use tokio_util::sync::CancellationToken;

/// Where a bus is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Bus {
    /// RTU over a serial port.
    Rtu {
        /// Stable path of the device.
        path: PathBuf,
        /// Bits a second.
        baud: u32,
        /// The standard has even parity.
        parity: Parity,
    },
    /// TCP.
    Tcp {
        /// Address and port, usually 502.
        address: SocketAddr,
    },
}

/// A bus and what is read from it.
#[derive(Clone, Debug, PartialEq)]
pub struct ModbusSettings {
    /// Where it is.
    pub bus: Bus,
    /// How often every register is read.
    pub interval: Span,
    /// Longest wait for one answer.
    pub timeout: Duration,
    /// Rest between two requests. On RTU never less than 3.5 characters.
    pub pause: Duration,
    /// What is read.
    pub registers: Vec<Register>,
}

/// Runs until `stop` is cancelled.
pub async fn run(settings: ModbusSettings, feed: Feed, stop: CancellationToken) {
    let mut units: BTreeMap<u8, (Patience, Vec<Register>)> = BTreeMap::new();
    for register in &settings.registers {
        units.entry(register.unit).or_default().1.push(register.clone());
    }
    let counters = feed.counters.clone();
    let mut poller = Poller {
        pause: settings.pause.max(settings.bus.silence()),
        backoff: Backoff::new(u64::from(feed.source.0).wrapping_add(0x6d62)),
        settings,
        feed,
        link: Link::default(),
        context: None,
    };
    tokio::select! {
        biased;
        () = stop.cancelled() => {}
        () = poller.poll_for_ever(&mut units) => {}
    }
    counters.set_up(false);
}

struct Poller {
    settings: ModbusSettings,
    feed: Feed,
    pause: Duration,
    link: Link,
    backoff: Backoff,
    context: Option<Context>,
}

/// What came of one request.
enum Answer {
    Words(Vec<u16>),
    Exception(ExceptionCode),
    Silence,
    Lost(String),
}

impl Poller {
    async fn poll_for_ever(&mut self, units: &mut BTreeMap<u8, (Patience, Vec<Register>)>) {
        let mut round = self.feed.clock.now().up;
        loop {
            self.feed.clock.sleep_until(round).await;
            for (unit, (patience, registers)) in &mut *units {
                if patience.is_due(self.feed.clock.now().up) {
                    self.ask(*unit, patience, registers).await;
                }
            }
            round = next_round(round, self.settings.interval, self.feed.clock.now().up);
        }
    }

    /// Reads all registers of one device and hands them over.
    async fn ask(&mut self, unit: u8, patience: &mut Patience, registers: &[Register]) {
        let mut readings = Vec::with_capacity(registers.len());
        for register in registers {
            match self.request(unit, register).await {
                Answer::Words(words) => {
                    patience.handle_answer();
                    match register.value(&words) {
                        Ok(value) => readings.push(RawReading {
                            name: register.sensor.clone(),
                            value,
                            at: None,
                            retained: false,
                        }),
                        Err(why) => self.refuse(why, register, "answered with another length"),
                    }
                }
                Answer::Exception(code) => {
                    self.refuse(Refusal::Device, register, &code.to_string());
                    // A gateway says so that the device behind it is silent.
                    if matches!(
                        code,
                        ExceptionCode::GatewayPathUnavailable | ExceptionCode::GatewayTargetDevice
                    ) {
                        patience.handle_silence(self.settings.interval, self.feed.clock.now().up);
                        break;
                    }
                    patience.handle_answer();
                }
                Answer::Silence => {
                    self.refuse(Refusal::Device, register, "no answer in time");
                    self.context = None;
                    if matches!(self.settings.bus, Bus::Rtu { .. }) {
                        // The answer may still come, and opening the port anew drops it.
                        tokio::time::sleep(self.settings.timeout).await;
                    }
                    patience.handle_silence(self.settings.interval, self.feed.clock.now().up);
                    break;
                }
                Answer::Lost(why) => {
                    self.refuse(Refusal::Device, register, &why);
                    self.context = None;
                    break;
                }
            }
            tokio::time::sleep(self.pause).await;
        }
        self.hand_over(readings).await;
        self.feed.counters.frame_taken();
    }

    async fn request(&mut self, unit: u8, register: &Register) -> Answer {
        let limit = self.settings.timeout;
        let context = self.connected().await;
        context.set_slave(Slave(unit));
        let count = register.coding.registers();
        let request = match register.table {
            Table::Holding => Request::ReadHoldingRegisters(register.address, count),
            Table::Input => Request::ReadInputRegisters(register.address, count),
        };
        // `call`, because the library's own reading functions take an answer of the right length
        // for granted.
        match timeout(limit, context.call(request)).await {
            Err(_) => Answer::Silence,
            Ok(Err(error)) => Answer::Lost(error.to_string()),
            Ok(Ok(Err(code))) => Answer::Exception(code),
            Ok(Ok(Ok(Response::ReadHoldingRegisters(words) | Response::ReadInputRegisters(words)))) => {
                self.backoff.reset();
                Answer::Words(words)
            }
            Ok(Ok(Ok(_other))) => Answer::Lost("an answer to another question".to_owned()),
        }
    }

    /// The open connection; opens it as often as it takes. An answer to an earlier request that
    /// comes late is dropped with the old connection or the port's buffer.
    async fn connected(&mut self) -> &mut Context {
        while self.context.is_none() {
            match self.settings.bus.open(self.settings.timeout).await {
                Ok(context) => {
                    self.link.set(&self.feed, true, || format!("{} opened", self.settings.bus));
                    self.context = Some(context);
                }
                Err(error) => {
                    self.link
                        .set(&self.feed, false, || format!("failed to open {}: {error}", self.settings.bus));
                }
            }
            if let Some(said) = self.link.take(self.feed.source)
                && self.feed.to_core.send(said).await.is_err()
            {
                std::future::pending::<()>().await; // the core has gone; only the stop ends a source
            }
            if self.context.is_none() {
                tokio::time::sleep(self.backoff.next_wait(true)).await;
            }
        }
        self.context.as_mut().expect("the loop above ends with a connection")
    }

    async fn hand_over(&mut self, mut readings: Vec<RawReading>) {
        self.feed.keep_known(&mut readings);
        if readings.is_empty() {
            return;
        }
        let count = readings.len();
        let arrived = self.feed.clock.now();
        let message = FromSource::Readings { source: self.feed.source, arrived, readings, receipt: None };
        match self.feed.to_core.send(message).await {
            Ok(()) => self.feed.counters.handed_over(count),
            Err(_) => self.feed.counters.drop_frame(),
        }
    }

    fn refuse(&self, why: Refusal, register: &Register, what: &str) {
        let Register { sensor, unit, table, address, .. } = register;
        let example = format!("{sensor}: unit {unit}, {table:?} {address}: {what}");
        self.feed.counters.refuse(why, example.as_bytes());
    }
}

impl Bus {
    async fn open(&self, limit: Duration) -> std::io::Result<Context> {
        match self {
            Self::Rtu { path, baud, parity } => {
                let stream = tokio_serial::new(path.to_string_lossy(), *baud)
                    .parity((*parity).into())
                    .open_native_async()?;
                stream.clear(ClearBuffer::All)?;
                Ok(rtu::attach(stream))
            }
            Self::Tcp { address } => {
                let stream = timeout(limit, TcpStream::connect(address))
                    .await
                    .map_err(|_| std::io::Error::from(std::io::ErrorKind::TimedOut))??;
                stream.set_nodelay(true)?;
                Ok(tcp::attach(stream))
            }
        }
    }

    /// Silence that ends a frame: 3.5 characters of 11 bits, 1.75 ms from 19,200 baud up (Modbus
    /// over serial line V1.02, 2.5.1.1, from memory).
    fn silence(&self) -> Duration {
        match self {
            Self::Rtu { baud, .. } if *baud > 19_200 => Duration::from_micros(1750),
            Self::Rtu { baud, .. } => Duration::from_secs_f64(38.5 / f64::from((*baud).max(1))),
            Self::Tcp { .. } => Duration::ZERO,
        }
    }
}

impl std::fmt::Display for Bus {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Rtu { path, baud, .. } => write!(f, "{} at {baud} baud", path.display()),
            Self::Tcp { address } => write!(f, "{address}"),
        }
    }
}
