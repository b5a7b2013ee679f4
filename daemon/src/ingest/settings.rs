//! From a source as configured to one that runs.

use super::Feed;
use super::decode::columns::{Column, Columns};
use super::decode::message::{NotAFilter, Pick, Topic, TopicFilter};
use super::decode::{LineFormat, Sentences};
use super::modbus::{self, Bus, Coding, ModbusSettings, Register, Table};
use super::mqtt::{self, LARGEST_PACKET, MqttSettings};
use super::serial::{self, Parity, SerialSettings};
use crate::config::checked;
use crate::rack::Rack;
use crate::reading::SourceIx;
use nightjar_calc::time::Span;
use std::collections::BTreeSet;
use std::io;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// A broker that says nothing for twice as long is lost.
const KEEP_ALIVE: Duration = Duration::from_secs(20);

/// What any source needs to run.
#[derive(Clone, Debug, PartialEq)]
pub enum SourceSettings {
    /// A serial port.
    Serial(SerialSettings),
    /// A broker.
    Mqtt(MqttSettings),
    /// A bus.
    Modbus(ModbusSettings),
}

/// A source that runs until its stop token is cancelled.
#[derive(Debug)]
pub enum Started {
    /// In a thread of its own.
    Thread(std::thread::JoinHandle<()>),
    /// In a task.
    Task(tokio::task::JoinHandle<()>),
}

impl SourceSettings {
    /// From the configuration.
    ///
    /// # Errors
    /// When a topic filter is none.
    pub fn of(source: &checked::Source) -> Result<Self, NotAFilter> {
        Ok(match &source.kind {
            checked::SourceKind::Serial { port, baud, format } => Self::Serial(SerialSettings {
                path: port.clone(),
                baud: *baud,
                parity: Parity::None,
                format: line_format(format),
            }),
            checked::SourceKind::Mqtt { host, port, client_id, sign_in, topics, in_flight } => {
                Self::Mqtt(MqttSettings {
                    host: host.clone(),
                    port: *port,
                    client_id: client_id.clone(),
                    login: sign_in.clone(),
                    keep_alive: KEEP_ALIVE,
                    window: *in_flight,
                    largest_packet: LARGEST_PACKET,
                    topics: topics.iter().map(topic).collect::<Result<_, _>>()?,
                })
            }
            checked::SourceKind::Modbus { bus, timeout, pause, registers } => Self::Modbus(ModbusSettings {
                bus: bus_of(bus),
                interval: source.interval,
                timeout: real(*timeout),
                pause: real(*pause),
                registers: registers.iter().map(register).collect(),
            }),
        })
    }

    /// Starts the source. To be called inside the runtime.
    ///
    /// # Errors
    /// When the system cannot start a thread.
    pub fn start(self, feed: Feed, stop: CancellationToken) -> io::Result<Started> {
        Ok(match self {
            Self::Serial(settings) => Started::Thread(serial::spawn(settings, feed, stop)?),
            Self::Mqtt(settings) => Started::Task(tokio::spawn(mqtt::run(settings, feed, stop))),
            Self::Modbus(settings) => Started::Task(tokio::spawn(modbus::run(settings, feed, stop))),
        })
    }
}

/// Names of the sensors that a source brings.
#[must_use]
pub fn sensors_of(rack: &Rack, source: SourceIx) -> BTreeSet<String> {
    rack.sensors.iter().filter(|s| s.source == source).map(|s| s.id.as_str().to_owned()).collect()
}

fn line_format(format: &checked::LineFormat) -> LineFormat {
    match format {
        checked::LineFormat::Xdr => LineFormat::Sentences(Sentences::default()),
        checked::LineFormat::Json => LineFormat::JsonLines,
        checked::LineFormat::Columns { names, separator } => LineFormat::Columns(Columns {
            separator: *separator,
            columns: names
                .iter()
                .map(|name| if name.is_empty() { Column::Ignored } else { Column::Sensor(name.clone()) })
                .collect(),
            checksum_required: false,
        }),
    }
}

fn topic(topic: &checked::Topic) -> Result<Topic, NotAFilter> {
    let sensor = topic.sensor.as_ref().map_or("{sensor}", |id| id.as_str());
    Ok(Topic {
        filter: TopicFilter::parse(&topic.filter)?,
        picks: vec![Pick { sensor: sensor.to_owned(), pointer: topic.pointer.clone() }],
        at: topic.time_pointer.clone(),
    })
}

fn bus_of(bus: &checked::Bus) -> Bus {
    match bus {
        checked::Bus::Rtu { device, baud, parity } => Bus::Rtu {
            path: device.clone(),
            baud: *baud,
            parity: match parity {
                checked::Parity::None => Parity::None,
                checked::Parity::Even => Parity::Even,
                checked::Parity::Odd => Parity::Odd,
            },
        },
        checked::Bus::Tcp { address } => Bus::Tcp { address: *address },
    }
}

fn register(register: &checked::Register) -> Register {
    Register {
        sensor: register.sensor.as_str().to_owned(),
        unit: register.unit,
        table: if register.holding { Table::Holding } else { Table::Input },
        address: register.address,
        coding: match register.kind {
            checked::RegisterKind::U16 => Coding::U16,
            checked::RegisterKind::I16 => Coding::I16,
            checked::RegisterKind::U32 => Coding::U32,
            checked::RegisterKind::I32 => Coding::I32,
            checked::RegisterKind::F32 => Coding::F32,
        },
        low_word_first: register.low_word_first,
        low_byte_first: register.swapped_bytes,
        scale: register.scale,
        offset: register.offset,
    }
}

fn real(span: Span) -> Duration {
    Duration::from_millis(span.ms().max(0).unsigned_abs())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::SourceId;

    fn source(kind: checked::SourceKind) -> checked::Source {
        checked::Source { id: SourceId::new("a").unwrap(), interval: Span::from_secs(5), kind }
    }

    #[test]
    fn columns_without_a_name_are_passed_over() {
        let names = vec!["J01T".to_owned(), String::new()];
        let format = line_format(&checked::LineFormat::Columns { names, separator: ';' });
        let decoded = format.decode(b"812;boot").unwrap();
        assert_eq!((decoded.readings.len(), decoded.readings[0].name.as_str()), (1, "J01T"));
    }

    #[test]
    fn a_filter_that_is_none_is_refused() {
        let topics = vec![checked::Topic {
            filter: "shed/#/x".to_owned(),
            sensor: None,
            pointer: None,
            time_pointer: None,
        }];
        let kind = checked::SourceKind::Mqtt {
            host: "localhost".to_owned(),
            port: 1883,
            client_id: "nightjar".to_owned(),
            sign_in: None,
            topics,
            in_flight: 20,
        };
        assert_eq!(SourceSettings::of(&source(kind)), Err(NotAFilter::HashInside));
    }

    #[test]
    fn a_bus_keeps_its_interval_and_limits() {
        let kind = checked::SourceKind::Modbus {
            bus: checked::Bus::Tcp { address: ([127, 0, 0, 1], 502).into() },
            timeout: Span::from_secs(1),
            pause: Span::from_ms(20),
            registers: Vec::new(),
        };
        let Ok(SourceSettings::Modbus(settings)) = SourceSettings::of(&source(kind)) else { panic!() };
        assert_eq!(settings.interval, Span::from_secs(5));
        assert_eq!((settings.timeout, settings.pause), (Duration::from_secs(1), Duration::from_millis(20)));
    }
}
