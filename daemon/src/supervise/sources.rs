//! Starts what brings readings in.

use crate::clock::Clock;
use crate::config::Config;
use crate::config::checked::{self, Bus, LineFormat, RegisterKind, SourceKind};
use crate::ingest::decode::message::{CAPTURE, Pick, Topic, TopicFilter};
use crate::ingest::decode::{self, Columns, Sentences, columns::Column};
use crate::ingest::modbus::{self, ModbusSettings};
use crate::ingest::modbus::{Coding, Register, Table};
use crate::ingest::{Feed, MqttSettings, SerialSettings, SourceCounters, mqtt, serial};
use crate::rack::Rack;
use crate::reading::{FromSource, SourceIx};
use anyhow::{Context, Result};
use nightjar_calc::time::Span;
use std::collections::BTreeSet;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

/// Connection kept alive to the broker.
const KEEP_ALIVE: Duration = Duration::from_secs(20);

/// Starts every source of the configuration.
pub fn start(
    config: &Config,
    rack: &Arc<Rack>,
    clock: &Arc<dyn Clock>,
    to_core: &mpsc::Sender<FromSource>,
    counters: &[Arc<SourceCounters>],
    tasks: &mut JoinSet<&'static str>,
    stop: &CancellationToken,
) -> Result<Vec<JoinHandle<()>>> {
    let mut threads = Vec::new();
    for (at, source) in config.sources.iter().enumerate() {
        let ix = SourceIx(u16::try_from(at).context("too many sources")?);
        let own = rack.sensors.iter().filter(|sensor| sensor.source == ix);
        let feed = Feed {
            source: ix,
            clock: Arc::clone(clock),
            to_core: to_core.clone(),
            counters: Arc::clone(&counters[at]),
            sensors: Arc::new(own.map(|sensor| sensor.id.to_string()).collect::<BTreeSet<_>>()),
        };
        match &source.kind {
            SourceKind::Serial { port, baud, format } => {
                let settings = SerialSettings {
                    path: port.clone(),
                    baud: *baud,
                    parity: serial::Parity::None,
                    format: line_format(format),
                };
                threads.push(serial::spawn(settings, feed, stop.clone()).context("cannot start a thread")?);
            }
            SourceKind::Mqtt { host, port, client_id, sign_in, topics, in_flight } => {
                let settings = MqttSettings {
                    host: host.clone(),
                    port: *port,
                    client_id: client_id.clone(),
                    login: sign_in.clone(),
                    keep_alive: KEEP_ALIVE,
                    window: *in_flight,
                    largest_packet: mqtt::LARGEST_PACKET,
                    topics: topics.iter().map(topic).collect::<Result<_>>()?,
                };
                let stop = stop.clone();
                tasks.spawn(async move {
                    mqtt::run(settings, feed, stop).await;
                    "mqtt"
                });
            }
            SourceKind::Modbus { bus, timeout, pause, registers } => {
                let settings = bus_settings(bus, source.interval, *timeout, *pause, registers);
                let stop = stop.clone();
                tasks.spawn(async move {
                    crate::ingest::modbus::run(settings, feed, stop).await;
                    "modbus"
                });
            }
        }
    }
    Ok(threads)
}

fn line_format(format: &LineFormat) -> decode::LineFormat {
    match format {
        LineFormat::Xdr => decode::LineFormat::Sentences(Sentences::default()),
        LineFormat::Json => decode::LineFormat::JsonLines,
        LineFormat::Columns { names, separator } => decode::LineFormat::Columns(Columns {
            separator: *separator,
            columns: names
                .iter()
                .map(|name| match name.as_str() {
                    "" => Column::Ignored,
                    "time" => Column::Time,
                    name => Column::Sensor(name.to_owned()),
                })
                .collect(),
            checksum_required: false,
        }),
    }
}

fn topic(topic: &checked::Topic) -> Result<Topic> {
    let filter = TopicFilter::parse(&topic.filter).with_context(|| format!("topic {}", topic.filter))?;
    let sensor = topic.sensor.as_ref().map_or_else(|| CAPTURE.to_owned(), ToString::to_string);
    Ok(Topic {
        filter,
        picks: vec![Pick { sensor, pointer: topic.pointer.clone() }],
        at: topic.time_pointer.clone(),
    })
}

fn bus_settings(
    bus: &Bus,
    interval: Span,
    timeout: Span,
    pause: Span,
    registers: &[checked::Register],
) -> ModbusSettings {
    let length = |span: Span| Duration::from_millis(span.ms().unsigned_abs());
    ModbusSettings {
        bus: match bus {
            Bus::Rtu { device, baud, parity } => modbus::Bus::Rtu {
                path: device.clone(),
                baud: *baud,
                parity: match parity {
                    checked::Parity::None => serial::Parity::None,
                    checked::Parity::Even => serial::Parity::Even,
                    checked::Parity::Odd => serial::Parity::Odd,
                },
            },
            Bus::Tcp { address } => modbus::Bus::Tcp { address: *address },
        },
        interval,
        timeout: length(timeout),
        pause: length(pause),
        registers: registers.iter().map(register).collect(),
    }
}

fn register(register: &checked::Register) -> Register {
    Register {
        sensor: register.sensor.to_string(),
        unit: register.unit,
        table: if register.holding { Table::Holding } else { Table::Input },
        address: register.address,
        coding: match register.kind {
            RegisterKind::U16 => Coding::U16,
            RegisterKind::I16 => Coding::I16,
            RegisterKind::U32 => Coding::U32,
            RegisterKind::I32 => Coding::I32,
            RegisterKind::F32 => Coding::F32,
        },
        low_word_first: register.low_word_first,
        low_byte_first: register.swapped_bytes,
        scale: register.scale,
        offset: register.offset,
    }
}
