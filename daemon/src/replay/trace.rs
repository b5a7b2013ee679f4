//! Files of readings: long (`time,sensor,value`, as the export writes them) or wide
//! (`time,<sensor>,<sensor>…`, one row a moment).
//!
//! Comments start with `#`; an empty value is a reading that never came, `nan` a sensor that spoke
//! without one. Times carry an offset or are local. Rows may come in any order.

use nightjar_calc::time::{NotATime, Timestamp, Zone};
use std::collections::BTreeMap;
use std::io::Read;

/// Most readings of one file: a month of 48 channels every 30 s is four million.
const MOST: usize = 12_000_000;
/// Names shown in a message.
const SHOWN: usize = 8;

/// Why a file is no trace.
#[derive(Debug, thiserror::Error)]
pub enum NotATrace {
    /// The file cannot be read.
    #[error("{0}")]
    Unreadable(#[source] std::io::Error),
    /// Not a CSV file.
    #[error("line {line}: not CSV in UTF-8 ({why}); save it as plain CSV")]
    NotCsv {
        /// Where.
        line: u64,
        /// What the reader says.
        why: String,
    },
    /// No column of times.
    #[error(
        "line {line}: no column is named time (there is: {columns}); the first line must name the columns, like time,sensor,value or time,J01T,J01F"
    )]
    NoTime {
        /// Where.
        line: u64,
        /// The names there are.
        columns: String,
    },
    /// Nothing to replay in the columns.
    #[error("line {line}: there is a column of sensors and none of values; name it value")]
    NoValue {
        /// Where.
        line: u64,
    },
    /// A time that is none.
    #[error("line {line}: {why}")]
    Time {
        /// Where.
        line: u64,
        /// What is wrong.
        why: NotATime,
    },
    /// A value that is none.
    #[error("line {line}: \"{text}\" is not a value; write a number, nan, or nothing")]
    Value {
        /// Where.
        line: u64,
        /// What stands there.
        text: String,
    },
    /// No sensor of the station is in it.
    #[error(
        "no sensor of the configuration is in it (it has: {found}); use the names of the configuration, like {known}"
    )]
    Strangers {
        /// Names in the file.
        found: String,
        /// Names of the station.
        known: String,
    },
    /// Nothing in it.
    #[error("holds no reading; it needs rows below the names of the columns")]
    Empty,
    /// Too much in it.
    #[error("has more than {MOST} readings; give a shorter stretch")]
    TooLong,
}

/// One reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// When.
    pub at: Timestamp,
    /// Position of the sensor in [`Trace::sensors`].
    pub sensor: u16,
    /// The number; not finite when the sensor spoke without one.
    pub value: f64,
    /// Marked as uncertain.
    pub doubtful: bool,
}

/// A trace in order of time.
#[derive(Clone, Debug, PartialEq)]
pub struct Trace {
    /// Names of the sensors with readings, all of the station.
    pub sensors: Vec<String>,
    /// Readings, by time.
    pub rows: Vec<Row>,
    /// Names in the file that the station does not have.
    pub strangers: Vec<String>,
}

/// Reads a trace; `known` are the sensors of the station.
///
/// # Errors
/// When the file makes no sense, with the line and the next step.
pub fn read(source: impl Read, known: &[String], zone: Zone) -> Result<Trace, NotATrace> {
    let mut reader =
        csv::ReaderBuilder::new().comment(Some(b'#')).trim(csv::Trim::All).flexible(true).from_reader(source);
    let header = reader.headers().map_err(broken)?.clone();
    let form = Form::of(&header)?;
    let mut names = Names { known, places: BTreeMap::new(), sensors: Vec::new(), strangers: Vec::new() };
    let wide: Vec<(usize, Option<u16>)> = match &form {
        Form::Wide { columns, .. } => columns.iter().map(|(at, name)| (*at, names.place(name))).collect(),
        Form::Long { .. } => Vec::new(),
    };
    let mut rows = Vec::new();
    let mut record = csv::StringRecord::new();
    while reader.read_record(&mut record).map_err(broken)? {
        // The reader stands at the line after the record; the record's own position is that of
        // the comments before it.
        let line = reader.position().line().saturating_sub(1);
        if record.iter().all(str::is_empty) {
            continue;
        }
        let field = |at: usize| record.get(at).unwrap_or("");
        let at = |text: &str| zone.parse(text).map_err(|why| NotATrace::Time { line, why });
        match &form {
            Form::Long { time, sensor, value, quality } => {
                let at = at(field(*time))?;
                let (value, doubtful) = match quality.map_or("", field) {
                    "bad" => (Some(f64::NAN), false),
                    marked => (number(field(*value), line)?, marked == "uncertain"),
                };
                if let (Some(value), Some(sensor)) = (value, names.place(field(*sensor))) {
                    rows.push(Row { at, sensor, value, doubtful });
                }
            }
            Form::Wide { time, .. } => {
                let at = at(field(*time))?;
                for (column, sensor) in &wide {
                    if let (Some(value), Some(sensor)) = (number(field(*column), line)?, *sensor) {
                        rows.push(Row { at, sensor, value, doubtful: false });
                    }
                }
            }
        }
        if rows.len() > MOST {
            return Err(NotATrace::TooLong);
        }
    }
    if names.sensors.is_empty() && !names.strangers.is_empty() {
        let known: Vec<String> = known.iter().take(3).cloned().collect();
        return Err(NotATrace::Strangers { found: list(&names.strangers), known: known.join(", ") });
    }
    if rows.is_empty() {
        return Err(NotATrace::Empty);
    }
    rows.sort_by_key(|row| row.at);
    Ok(Trace { sensors: names.sensors, rows, strangers: names.strangers })
}

fn broken(error: csv::Error) -> NotATrace {
    let line = error.position().map_or(1, csv::Position::line);
    let why = error.to_string();
    if let csv::ErrorKind::Io(error) = error.into_kind() {
        return NotATrace::Unreadable(error);
    }
    NotATrace::NotCsv { line, why }
}

fn number(text: &str, line: u64) -> Result<Option<f64>, NotATrace> {
    if text.is_empty() {
        return Ok(None);
    }
    text.parse().map(Some).map_err(|_| NotATrace::Value { line, text: text.chars().take(40).collect() })
}

fn list(names: &[String]) -> String {
    let shown: Vec<&str> = names.iter().take(SHOWN).map(String::as_str).collect();
    let more = if names.len() > SHOWN { format!(" and {} more", names.len() - SHOWN) } else { String::new() };
    format!("{}{more}", shown.join(", "))
}

enum Form {
    Long { time: usize, sensor: usize, value: usize, quality: Option<usize> },
    Wide { time: usize, columns: Vec<(usize, String)> },
}

impl Form {
    fn of(header: &csv::StringRecord) -> Result<Self, NotATrace> {
        let line = header.position().map_or(1, csv::Position::line);
        let names: Vec<&str> = header.iter().map(|name| name.trim_start_matches('\u{feff}').trim()).collect();
        let find = |wanted: &str| names.iter().position(|name| name.eq_ignore_ascii_case(wanted));
        let time = find("time").or_else(|| find("timestamp")).ok_or_else(|| NotATrace::NoTime {
            line,
            columns: names.join(", ").chars().take(120).collect(),
        })?;
        if let Some(sensor) = find("sensor") {
            let value = find("value").ok_or(NotATrace::NoValue { line })?;
            return Ok(Self::Long { time, sensor, value, quality: find("quality") });
        }
        let columns = names
            .iter()
            .enumerate()
            .filter(|(at, name)| *at != time && !name.is_empty())
            .map(|(at, name)| (at, (*name).to_owned()))
            .collect();
        Ok(Self::Wide { time, columns })
    }
}

struct Names<'a> {
    known: &'a [String],
    places: BTreeMap<String, Option<u16>>,
    sensors: Vec<String>,
    strangers: Vec<String>,
}

impl Names<'_> {
    fn place(&mut self, name: &str) -> Option<u16> {
        if let Some(place) = self.places.get(name) {
            return *place;
        }
        let place = if self.known.iter().any(|known| known == name) {
            self.sensors.push(name.to_owned());
            u16::try_from(self.sensors.len() - 1).ok()
        } else {
            self.strangers.push(name.chars().take(40).collect());
            None
        };
        self.places.insert(name.to_owned(), place);
        place
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parsed(text: &str) -> Result<Trace, NotATrace> {
        let known = ["J01T".to_owned(), "J01F".to_owned()];
        read(text.as_bytes(), &known, Zone::named("America/Chicago").unwrap())
    }

    #[test]
    fn both_forms_hold_the_same() {
        let long = parsed(
            "sensor,time,value,quality,reason\nJ01T,2026-04-18T00:00:10Z,9.5,good,\n\
             J01F,2026-04-18T00:00:00Z,4,good,\nJ01T,2026-04-18T00:00:00Z,9,good,\n",
        )
        .unwrap();
        let wide =
            parsed("# a night\ntime,J01F,J01T\n2026-04-17 19:00,4,9\n2026-04-17T19:00:10,,9.5\n").unwrap();
        let plain = |trace: &Trace| {
            let mut rows: Vec<(i64, String, f64)> = trace
                .rows
                .iter()
                .map(|row| (row.at.ms(), trace.sensors[usize::from(row.sensor)].clone(), row.value))
                .collect();
            rows.sort_by(|a, b| (a.0, &a.1).cmp(&(b.0, &b.1)));
            rows
        };
        assert_eq!(plain(&long), plain(&wide));
        assert_eq!(wide.rows.len(), 3);
    }

    #[test]
    fn marks_are_kept_and_strangers_named() {
        let trace = parsed(
            "time,sensor,value,quality\n2026-04-18T00:00:00Z,J01T,80,bad\n\
             2026-04-18T00:00:01Z,J01T,9,uncertain\n2026-04-18T00:00:01Z,J99T,9,good\n",
        )
        .unwrap();
        assert!(trace.rows[0].value.is_nan() && trace.rows[1].doubtful);
        assert_eq!((trace.rows.len(), trace.strangers), (2, vec!["J99T".to_owned()]));
    }

    #[test]
    fn what_is_wrong_is_named_with_its_line_and_the_next_step() {
        for (text, expected) in [
            ("when,J01T\n", "line 1: no column is named time"),
            ("time,sensor\n", "line 1: there is a column of sensors and none of values"),
            ("# x\ntime,J01T\n2026-04-18T00:00:00Z,8\nnoon,8\n", "line 4: \"noon\" is not a time"),
            ("time,J01T\n2026-04-18T00:00:00Z,cold\n", "line 2: \"cold\" is not a value; write a number"),
            ("time,J1\n2026-04-18T00:00:00Z,8\n", "no sensor of the configuration is in it (it has: J1)"),
            ("time,J01T\n", "holds no reading"),
        ] {
            let error = parsed(text).unwrap_err().to_string();
            assert!(error.contains(expected), "{error}");
        }
    }
}
