//! Readings as the boards send them.
//!
//! * **XDR**: NMEA 0183 transducer sentences, `$NJXDR,C,11.42,C,J07T,R,0.0533,L,J07F*hh`:
//!   quadruples of type, value, unit and name, checksum the exclusive or of the characters
//!   between `$` and `*`. Temperatures in °C, flow rates in litres per second (type R).
//! * **JSON lines**: `{"J07T":11.42,"J07F":3.2,"at":"2026-04-18T14:00:00Z"}`, °C and L/min.
//! * **Columns**: raw counts with commas between, one line a scan, in the order of
//!   [`crate::station::Station::sensors`]: divider counts for thermometers (16 bit, see
//!   [`crate::probe::thermistor_counts`]), pulses since the last line for meters. A silent sensor
//!   leaves its column empty.
//! * **MQTT**: topic `<prefix>/<sensor>`, payload a number or `{"value":11.42,"at":"…"}`.

use crate::chance::Chance;
use crate::probe::{Measure, thermistor_counts};
use nightjar_calc::time::Timestamp;
use std::fmt::Write as _;

/// One sensor's reading in a scan.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Name of the sensor, as `J07T`.
    pub sensor: String,
    /// What it measures.
    pub measure: Measure,
    /// In °C or L/min; nothing from a dead sensor.
    pub value: Option<f64>,
    /// Pulses since the last scan, for meters.
    pub pulses: Option<u32>,
}

/// One round over all sensors.
#[derive(Clone, Debug, PartialEq)]
pub struct Scan {
    /// When.
    pub at: Timestamp,
    /// What was read; empty while the board is silent.
    pub readings: Vec<Reading>,
    /// Share of lines that get spoilt on the wire.
    pub garbage_share: f64,
}

/// Form of the lines on a serial port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// NMEA 0183 XDR sentences.
    Xdr,
    /// JSON lines.
    Json,
    /// Raw counts in columns.
    Columns,
}

/// Longest line sent, bytes with its end.
pub const LINE_LIMIT: usize = 400;

/// Turns scans into bytes.
#[derive(Clone, Debug)]
pub struct Encoder {
    format: Format,
    stamped: bool,
    chance: Chance,
}

impl Encoder {
    /// `stamped` JSON lines carry their own time; the other forms have no place for it.
    #[must_use]
    pub fn new(format: Format, stamped: bool, seed: u64) -> Self {
        Self { format, stamped, chance: Chance::new(seed, "wire") }
    }

    /// The lines of a scan, each with its end, as they arrive at the other side of the wire.
    pub fn lines(&mut self, scan: &Scan) -> Vec<Vec<u8>> {
        let lines = match self.format {
            Format::Xdr => xdr_lines(&scan.readings),
            Format::Json => json_lines(&scan.readings, self.stamped.then_some(scan.at)),
            Format::Columns => column_lines(&scan.readings),
        };
        let mut sent = Vec::with_capacity(lines.len());
        for line in lines {
            let mut bytes = line.into_bytes();
            if scan.garbage_share > 0.0 && self.chance.happens(scan.garbage_share) {
                spoil(&mut bytes, self.format, &mut self.chance);
            }
            sent.push(bytes);
        }
        sent
    }

    /// The same as one piece.
    pub fn bytes(&mut self, scan: &Scan) -> Vec<u8> {
        self.lines(scan).concat()
    }
}

/// Checksum of NMEA 0183: exclusive or of all bytes between `$` and `*`.
#[must_use]
pub fn checksum(body: &str) -> u8 {
    body.bytes().fold(0, |sum, byte| sum ^ byte)
}

fn sentence(body: &str) -> String {
    format!("${body}*{:02X}\r\n", checksum(body))
}

/// XDR sentences, each at most [`LINE_LIMIT`] bytes.
#[must_use]
pub fn xdr_lines(readings: &[Reading]) -> Vec<String> {
    const HEAD: &str = "NJXDR";
    // `$`, `*hh` and the line end.
    const AROUND: usize = 6;
    let mut lines = Vec::new();
    let mut body = String::from(HEAD);
    for reading in readings {
        let Some(value) = reading.value else { continue };
        let quadruple = match reading.measure {
            Measure::Temperature => format!(",C,{value:.2},C,{}", reading.sensor),
            Measure::Flow => format!(",R,{:.4},L,{}", value / 60.0, reading.sensor),
        };
        if body.len() + quadruple.len() + AROUND > LINE_LIMIT {
            lines.push(sentence(&body));
            body.truncate(HEAD.len());
        }
        body.push_str(&quadruple);
    }
    if body.len() > HEAD.len() {
        lines.push(sentence(&body));
    }
    lines
}

/// JSON lines, each at most [`LINE_LIMIT`] bytes, with their own time when given.
#[must_use]
pub fn json_lines(readings: &[Reading], at: Option<Timestamp>) -> Vec<String> {
    let tail = at.map_or_else(String::new, |at| format!("\"at\":\"{}\"", at.rfc3339()));
    let mut lines = Vec::new();
    let mut body = String::new();
    let close = |body: &str| {
        let comma = if tail.is_empty() || body.is_empty() { "" } else { "," };
        format!("{{{body}{comma}{tail}}}\n")
    };
    for reading in readings {
        let Some(value) = reading.value else { continue };
        let pair = format!("\"{}\":{}", reading.sensor, plain_number(reading.measure, value));
        if body.len() + pair.len() + tail.len() + 5 > LINE_LIMIT {
            lines.push(close(&body));
            body.clear();
        }
        if !body.is_empty() {
            body.push(',');
        }
        body.push_str(&pair);
    }
    if !body.is_empty() {
        lines.push(close(&body));
    }
    lines
}

/// One line of raw counts, none while the board is silent.
#[must_use]
pub fn column_lines(readings: &[Reading]) -> Vec<String> {
    if readings.is_empty() {
        return Vec::new();
    }
    let mut line = String::new();
    for (place, reading) in readings.iter().enumerate() {
        if place > 0 {
            line.push(',');
        }
        // Writing to a string cannot fail.
        let _ = match (reading.measure, reading.value, reading.pulses) {
            (Measure::Temperature, Some(value), _) if value <= -100.0 => write!(line, "{}", u16::MAX),
            (Measure::Temperature, Some(value), _) => write!(line, "{}", thermistor_counts(value)),
            (Measure::Flow, Some(_), Some(pulses)) => write!(line, "{pulses}"),
            (Measure::Temperature | Measure::Flow, ..) => Ok(()),
        };
    }
    line.push_str("\r\n");
    vec![line]
}

/// A value with the digits its sensor has.
#[must_use]
pub fn plain_number(measure: Measure, value: f64) -> String {
    match measure {
        Measure::Temperature => format!("{value:.2}"),
        Measure::Flow => format!("{value:.3}"),
    }
}

/// A message for a broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// Topic.
    pub topic: String,
    /// Payload.
    pub payload: String,
    /// The sensor it is of.
    pub sensor: String,
    /// When it was read.
    pub at: Timestamp,
    /// The value as sent.
    pub value: String,
}

/// One message a reading.
#[must_use]
pub fn messages(scan: &Scan, prefix: &str, stamped: bool) -> Vec<Message> {
    scan.readings
        .iter()
        .filter_map(|reading| {
            let value = plain_number(reading.measure, reading.value?);
            let payload = if stamped {
                format!("{{\"value\":{value},\"at\":\"{}\"}}", scan.at.rfc3339())
            } else {
                value.clone()
            };
            let sensor = reading.sensor.clone();
            Some(Message { topic: format!("{prefix}/{sensor}"), payload, sensor, at: scan.at, value })
        })
        .collect()
}

/// What electricity, loose plugs and lightning do to a line. A flipped bit is only done to forms
/// with a checksum: without one it could become another valid number.
fn spoil(line: &mut Vec<u8>, format: Format, chance: &mut Chance) {
    let kinds = if format == Format::Xdr { 4 } else { 3 };
    let place = 1 + chance.below(line.len().saturating_sub(3));
    match chance.below(kinds) {
        0 => line.truncate(place),
        1 => {
            let noise: Vec<u8> =
                (0..1 + chance.below(24)).map(|_| chance.bits().to_le_bytes()[0] | 0x80).collect();
            line.splice(place..place, noise);
        }
        2 => {
            line.drain(..place);
        }
        _ => {
            if let Some(byte) = line.get_mut(place) {
                *byte ^= 1 << chance.below(7);
            }
        }
    }
}

#[cfg(test)]
#[path = "frame_fixture.rs"]
mod fixture;

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(sensor: &str, measure: Measure, value: f64) -> Reading {
        Reading { sensor: sensor.into(), measure, value: Some(value), pulses: Some(10) }
    }

    #[test]
    fn lines_stay_under_their_limit_and_lose_no_reading() {
        let readings: Vec<Reading> = (1..=60)
            .flat_map(|jar| {
                [
                    reading(&format!("J{jar:02}T"), Measure::Temperature, -10.25),
                    reading(&format!("J{jar:02}F"), Measure::Flow, 12.345),
                ]
            })
            .collect();
        let at = Some(Timestamp::from_ms(1_776_520_800_123));
        for lines in [xdr_lines(&readings), json_lines(&readings, at), json_lines(&readings, None)] {
            assert!(lines.len() > 1);
            assert!(lines.iter().all(|line| line.len() <= LINE_LIMIT), "{lines:?}");
            for reading in &readings {
                let name = &reading.sensor;
                assert_eq!(lines.iter().filter(|line| line.contains(name.as_str())).count(), 1, "{name}");
            }
        }
        for line in json_lines(&readings, at) {
            let parsed: serde_json::Value = serde_json::from_str(&line).unwrap();
            assert_eq!(parsed["at"], "2026-04-18T14:00:00.123Z");
        }
    }

    #[test]
    fn a_spoilt_sentence_never_passes_its_checksum_by_accident_of_our_making() {
        let clean = xdr_lines(&[reading("J01T", Measure::Temperature, 11.0)]).remove(0);
        let mut chance = Chance::new(1, "test");
        for _ in 0..500 {
            let mut line = clean.clone().into_bytes();
            spoil(&mut line, Format::Xdr, &mut chance);
            assert_ne!(line, clean.as_bytes());
        }
    }
}
