//! `[[source.serial]]`, `[[source.mqtt]]`, `[[source.modbus]]`

use super::value;
use crate::config::checked::{Bus, LineFormat, Parity, Register, RegisterKind, Source, SourceKind, Topic};
use crate::config::raw;
use crate::config::report::{Problem, nearest};
use crate::ids::{SensorId, SourceId};
use crate::rack::Sensor;
use crate::store::USUAL_WINDOW;
use nightjar_calc::time::Span;
use std::path::PathBuf;

const INTERVALS: (Span, Span) = (Span::from_ms(100), Span::from_hours(24));
const USUAL_INTERVAL: Span = Span::from_secs(10);

/// Checked sources with the path each was written at.
pub fn check(raw: &raw::Sources, problems: &mut Vec<Problem>) -> Vec<(Source, String)> {
    let mut sources = Vec::new();
    for (at, serial) in raw.serial.iter().enumerate() {
        let path = format!("source.serial[{at}]");
        let kind = serial_kind(serial, &path, problems);
        push(&mut sources, serial.id.as_ref(), serial.interval.as_ref(), kind, path, problems);
    }
    for (at, mqtt) in raw.mqtt.iter().enumerate() {
        let path = format!("source.mqtt[{at}]");
        let kind = mqtt_kind(mqtt, &path, problems);
        push(&mut sources, mqtt.id.as_ref(), mqtt.interval.as_ref(), kind, path, problems);
    }
    for (at, modbus) in raw.modbus.iter().enumerate() {
        let path = format!("source.modbus[{at}]");
        let kind = modbus_kind(modbus, &path, problems);
        push(&mut sources, modbus.id.as_ref(), modbus.interval.as_ref(), kind, path, problems);
    }
    if sources.is_empty() && problems.is_empty() {
        problems
            .push(Problem::at("source", "no source of readings is described").hint(
                "add [[source.serial]] port = \"/dev/serial/by-id/…\" or [[source.mqtt]] host = \"…\"",
            ));
    }
    sources
}

fn push(
    sources: &mut Vec<(Source, String)>,
    id: Option<&String>,
    interval: Option<&String>,
    kind: SourceKind,
    path: String,
    problems: &mut Vec<Problem>,
) {
    let name = value::required(id, &format!("{path}.id"), "give the source a name of its own", problems);
    let interval =
        value::duration(interval, USUAL_INTERVAL, INTERVALS, &format!("{path}.interval"), problems);
    match SourceId::new(&name) {
        Ok(id) if sources.iter().any(|(other, _)| other.id == id) => {
            problems.push(Problem::at(format!("{path}.id"), format!("two sources are called \"{id}\"")));
        }
        Ok(id) => sources.push((Source { id, interval, kind }, path)),
        Err(error) if !name.is_empty() => problems.push(Problem::at(format!("{path}.id"), error.to_string())),
        Err(_) => {}
    }
}

fn serial_kind(raw: &raw::Serial, path: &str, problems: &mut Vec<Problem>) -> SourceKind {
    let port = value::required(
        raw.port.as_ref(),
        &format!("{path}.port"),
        "use the stable name under /dev/serial/by-id/",
        problems,
    );
    let baud = value::whole(raw.baud, 115_200, (300, 4_000_000), &format!("{path}.baud"), problems);
    let format = match raw.format.as_deref() {
        None | Some("xdr") => LineFormat::Xdr,
        Some("json") => LineFormat::Json,
        Some("columns") => {
            if raw.columns.is_empty() {
                problems.push(
                    Problem::at(format!("{path}.columns"), "is missing")
                        .hint("name the sensor of each column; \"\" skips one"),
                );
            }
            let separator = raw.separator.as_deref().unwrap_or(",");
            let mut characters = separator.chars();
            let (first, rest) = (characters.next(), characters.next());
            if first.is_none() || rest.is_some() {
                problems.push(Problem::at(format!("{path}.separator"), "must be one character"));
            }
            LineFormat::Columns { names: raw.columns.clone(), separator: first.unwrap_or(',') }
        }
        Some(other) => {
            problems.push(
                Problem::at(format!("{path}.format"), format!("\"{other}\" is not a format"))
                    .hint("known: xdr, json, columns"),
            );
            LineFormat::Xdr
        }
    };
    SourceKind::Serial { port: PathBuf::from(port), baud, format }
}

fn mqtt_kind(raw: &raw::Mqtt, path: &str, problems: &mut Vec<Problem>) -> SourceKind {
    let host = value::required(
        raw.host.as_ref(),
        &format!("{path}.host"),
        "name the broker, as \"localhost\"",
        problems,
    );
    let port = value::whole(raw.port, 1883, (1, 65_535), &format!("{path}.port"), problems);
    let client_id = raw.client_id.clone().unwrap_or_else(|| "nightjar".into());
    let in_flight =
        value::whole(raw.in_flight, USUAL_WINDOW, (1, 1_000), &format!("{path}.in-flight"), problems);
    let sign_in = value::sign_in(raw.username.as_ref(), raw.password_file.as_ref(), path, problems);
    let mut topics = Vec::new();
    for (at, topic) in raw.topic.iter().enumerate() {
        topics.extend(mqtt_topic(topic, &format!("{path}.topic[{at}]"), problems));
    }
    if raw.topic.is_empty() {
        problems.push(
            Problem::at(format!("{path}.topic"), "no topic is described")
                .hint("add [[source.mqtt.topic]] filter = \"hatchery/{sensor}\""),
        );
    }
    SourceKind::Mqtt { host, port, client_id, sign_in, topics, in_flight }
}

fn mqtt_topic(raw: &raw::Topic, path: &str, problems: &mut Vec<Problem>) -> Option<Topic> {
    let filter =
        value::required(raw.filter.as_ref(), &format!("{path}.filter"), "as \"hatchery/{sensor}\"", problems);
    if filter.is_empty() {
        return None;
    }
    let captures = filter.split('/').filter(|level| *level == "{sensor}").count();
    if filter.matches("{sensor}").count() != captures || captures > 1 {
        problems.push(
            Problem::at(format!("{path}.filter"), "{sensor} must be one whole level of the topic")
                .hint("as \"hatchery/{sensor}/value\""),
        );
    }
    let sensor = raw.sensor.as_deref().and_then(|name| match SensorId::new(name) {
        Ok(id) => Some(id),
        Err(error) => {
            problems.push(Problem::at(format!("{path}.sensor"), error.to_string()));
            None
        }
    });
    if captures == 0 && raw.sensor.is_none() {
        problems.push(
            Problem::at(format!("{path}.filter"), "does not say which sensor it carries")
                .hint("put {sensor} into the topic, or add sensor = \"…\""),
        );
    }
    for (key, pointer) in [("pointer", &raw.pointer), ("time-pointer", &raw.time_pointer)] {
        if pointer.as_deref().is_some_and(|pointer| !pointer.is_empty() && !pointer.starts_with('/')) {
            problems.push(
                Problem::at(format!("{path}.{key}"), "is not a JSON pointer")
                    .hint("it begins with /, as \"/value\""),
            );
        }
    }
    Some(Topic { filter, sensor, pointer: raw.pointer.clone(), time_pointer: raw.time_pointer.clone() })
}

fn modbus_kind(raw: &raw::Modbus, path: &str, problems: &mut Vec<Problem>) -> SourceKind {
    let bus = match (&raw.device, &raw.address) {
        (Some(device), None) => Bus::Rtu {
            device: PathBuf::from(device),
            baud: value::whole(raw.baud, 9_600, (300, 1_000_000), &format!("{path}.baud"), problems),
            parity: value::word(
                raw.parity.as_ref(),
                Parity::Even,
                &[("none", Parity::None), ("even", Parity::Even), ("odd", Parity::Odd)],
                &format!("{path}.parity"),
                problems,
            ),
        },
        (None, Some(address)) => match address.parse() {
            Ok(address) => Bus::Tcp { address },
            Err(_) => {
                problems.push(
                    Problem::at(
                        format!("{path}.address"),
                        format!("\"{address}\" is not an address with a port"),
                    )
                    .hint("write it like 192.168.1.20:502"),
                );
                Bus::Tcp { address: ([127, 0, 0, 1], 502).into() }
            }
        },
        _ => {
            problems.push(
                Problem::at(path, "needs either device (RTU) or address (TCP)")
                    .hint("device = \"/dev/serial/by-id/…\" or address = \"192.168.1.20:502\""),
            );
            Bus::Tcp { address: ([127, 0, 0, 1], 502).into() }
        }
    };
    let limits = (Span::from_ms(20), Span::from_minutes(1));
    let timeout = value::duration(
        raw.timeout.as_ref(),
        Span::from_secs(1),
        limits,
        &format!("{path}.timeout"),
        problems,
    );
    let pause = value::duration(
        raw.pause.as_ref(),
        Span::from_ms(20),
        (Span::ZERO, Span::from_secs(10)),
        &format!("{path}.pause"),
        problems,
    );
    let mut registers = Vec::new();
    for (at, register) in raw.register.iter().enumerate() {
        registers.extend(modbus_register(register, &format!("{path}.register[{at}]"), problems));
    }
    if raw.register.is_empty() {
        problems.push(Problem::at(format!("{path}.register"), "no register is described"));
    }
    SourceKind::Modbus { bus, timeout, pause, registers }
}

fn modbus_register(raw: &raw::Register, path: &str, problems: &mut Vec<Problem>) -> Option<Register> {
    let name =
        value::required(raw.sensor.as_ref(), &format!("{path}.sensor"), "name the sensor it is", problems);
    let unit = value::whole(raw.unit, 1, (1, 247), &format!("{path}.unit"), problems);
    if raw.address.is_none() {
        problems.push(Problem::at(format!("{path}.address"), "is missing").hint("count registers from 0"));
    }
    let address = value::whole(raw.address, 0, (0, 65_535), &format!("{path}.address"), problems);
    let holding = value::word(
        raw.table.as_ref(),
        true,
        &[("holding", true), ("input", false)],
        &format!("{path}.table"),
        problems,
    );
    let kind = value::word(
        raw.kind.as_ref(),
        RegisterKind::U16,
        &[
            ("u16", RegisterKind::U16),
            ("i16", RegisterKind::I16),
            ("u32", RegisterKind::U32),
            ("i32", RegisterKind::I32),
            ("f32", RegisterKind::F32),
        ],
        &format!("{path}.kind"),
        problems,
    );
    let order = |given: Option<&String>, key: &str, problems: &mut Vec<Problem>| {
        value::word(
            given,
            false,
            &[("high-first", false), ("low-first", true)],
            &format!("{path}.{key}"),
            problems,
        )
    };
    let low_word_first = order(raw.word_order.as_ref(), "word-order", problems);
    let swapped_bytes = order(raw.byte_order.as_ref(), "byte-order", problems);
    let scale = value::number(raw.scale, 1.0, (-1e6, 1e6), &format!("{path}.scale"), problems);
    let offset = value::number(raw.offset, 0.0, (-1e6, 1e6), &format!("{path}.offset"), problems);
    let sensor = SensorId::new(&name).ok()?;
    Some(Register { sensor, unit, holding, address, kind, low_word_first, swapped_bytes, scale, offset })
}

/// Names of sensors in columns, topics and registers must be sensors of the rack.
pub fn check_names(raw: &raw::Sources, sensors: &[Sensor], problems: &mut Vec<Problem>) {
    let known: Vec<&str> = sensors.iter().map(|sensor| sensor.id.as_str()).collect();
    let mut check = |name: &str, path: String| {
        if name.is_empty() || known.contains(&name) {
            return;
        }
        let problem = Problem::at(path, format!("no sensor is called \"{name}\""));
        problems.push(match nearest(name, known.iter().copied()) {
            Some(near) => problem.hint(format!("did you mean \"{near}\"?")),
            None => problem,
        });
    };
    for (s, serial) in raw.serial.iter().enumerate() {
        for (c, name) in serial.columns.iter().enumerate() {
            check(name, format!("source.serial[{s}].columns[{c}]"));
        }
    }
    for (m, mqtt) in raw.mqtt.iter().enumerate() {
        for (t, topic) in mqtt.topic.iter().enumerate() {
            check(topic.sensor.as_deref().unwrap_or(""), format!("source.mqtt[{m}].topic[{t}].sensor"));
        }
    }
    for (m, modbus) in raw.modbus.iter().enumerate() {
        for (r, register) in modbus.register.iter().enumerate() {
            check(
                register.sensor.as_deref().unwrap_or(""),
                format!("source.modbus[{m}].register[{r}].sensor"),
            );
        }
    }
}
