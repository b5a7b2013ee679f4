//! Files of water temperatures: `time,temp_c` or `date,temp_c`.
//!
//! Comments start with `#`, an empty value is missing. Times are RFC 3339 with an offset, or local when a zone is
//! known; a column of plain dates holds daily means of local days. What cannot be the temperature of water (a logger's
//! mark such as `-9999`, a probe in the sun, not a number) is left out and counted.

use super::failure::Failure;
use nightjar_calc::time::{Day, Timestamp, Zone};
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// Names a column of times goes by when none is given.
const TIME_COLUMNS: [&str; 3] = ["time", "timestamp", "date"];
/// Names a column of temperatures goes by when none is given.
const TEMP_COLUMNS: [&str; 2] = ["temp_c", "temp_f"];
/// Lowest and highest temperature taken for water, °C.
const WATER_C: std::ops::RangeInclusive<f64> = -3.0..=40.0;
/// Most rows of one file: twenty years at one a minute are ten million.
const MOST_ROWS: usize = 12_000_000;

/// Which columns to read, and in which zone local times are.
#[derive(Clone, Copy, Debug, Default)]
pub struct Columns<'a> {
    /// Name of the column of times or dates, if not one of the usual names.
    pub time: Option<&'a str>,
    /// Name of the column of temperatures, if not one of the usual names; `…_f` holds °F.
    pub temp: Option<&'a str>,
    /// Zone of times without an offset.
    pub zone: Option<Zone>,
}

/// What a file holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Values {
    /// Readings, °C, in the order of the file.
    Readings(Vec<(Timestamp, f64)>),
    /// Daily means of local days, °C, in the order of the file.
    Daily(Vec<(Day, f64)>),
}

/// A file of temperatures.
#[derive(Clone, Debug, PartialEq)]
pub struct Temperatures {
    /// Its values.
    pub values: Values,
    /// Rows whose value cannot be the temperature of water.
    pub impossible: usize,
    /// Line of the first of them.
    pub first_impossible: u64,
}

impl Temperatures {
    /// Number of values.
    #[must_use]
    pub fn len(&self) -> usize {
        match &self.values {
            Values::Readings(readings) => readings.len(),
            Values::Daily(days) => days.len(),
        }
    }

    /// Whether there is no value at all.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// Reads a file.
///
/// # Errors
/// Exit 74 when it cannot be read; 65, with the line, when it makes no sense.
pub fn read(path: &Path, columns: &Columns<'_>) -> Result<Temperatures, Failure> {
    let name = path.display().to_string();
    let file = File::open(path)
        .map_err(|error| Failure::input_output(format!("cannot read {name}: {error}; check the path")))?;
    parse(file, &name, columns)
}

/// Reads from anything; `name` is what errors call it.
///
/// # Errors
/// As [`read`].
pub fn parse(source: impl Read, name: &str, columns: &Columns<'_>) -> Result<Temperatures, Failure> {
    let mut reader =
        csv::ReaderBuilder::new().comment(Some(b'#')).trim(csv::Trim::All).flexible(true).from_reader(source);
    let header = reader.headers().map_err(|error| broken(name, &error))?.clone();
    let places = Places::find(&header, name, columns)?;
    let mut rows = Rows { name, columns, fahrenheit: places.fahrenheit, daily: None, read: Vec::new() };
    let mut found = Temperatures { values: Values::Daily(Vec::new()), impossible: 0, first_impossible: 0 };
    let mut record = csv::StringRecord::new();
    while reader.read_record(&mut record).map_err(|error| broken(name, &error))? {
        // The reader stands at the line after the record; the record's own position is that of the
        // comments before it.
        let line = reader.position().line().saturating_sub(1);
        if record.iter().all(str::is_empty) {
            continue;
        }
        let (time, temp) = (record.get(places.time).unwrap_or(""), record.get(places.temp).unwrap_or(""));
        if !rows.take(line, time, temp)? {
            found.impossible += 1;
            if found.first_impossible == 0 {
                found.first_impossible = line;
            }
        }
        if rows.read.len() > MOST_ROWS {
            return Err(Failure::data(format!(
                "{name} has more than {MOST_ROWS} rows; give only the seasons needed"
            )));
        }
    }
    found.values = rows.values();
    Ok(found)
}

fn broken(name: &str, error: &csv::Error) -> Failure {
    let line = error.position().map_or(String::new(), |p| format!(" line {}", p.line()));
    if let csv::ErrorKind::Io(error) = error.kind() {
        return Failure::input_output(format!("cannot read {name}: {error}; check that it is a file"));
    }
    if matches!(error.kind(), csv::ErrorKind::Utf8 { .. }) {
        return Failure::data(format!("{name}{line} is not text in UTF-8; save it as plain CSV"));
    }
    Failure::data(format!("{name}{line} is not CSV ({error}); save it as plain CSV"))
}

/// Where in a row the two values are.
struct Places {
    time: usize,
    temp: usize,
    fahrenheit: bool,
}

impl Places {
    fn find(header: &csv::StringRecord, name: &str, columns: &Columns<'_>) -> Result<Self, Failure> {
        let plain = |text: &str| text.trim_start_matches('\u{feff}').trim().to_lowercase();
        let names: Vec<String> = header.iter().map(plain).collect();
        let line = header.position().map_or(1, csv::Position::line);
        let one = |given: Option<&str>, usual: &[&str], option: &str| {
            let wanted: Vec<String> =
                given.map_or_else(|| usual.iter().map(|n| (*n).to_owned()).collect(), |n| vec![plain(n)]);
            wanted.iter().find_map(|w| names.iter().position(|n| n == w)).ok_or_else(|| {
                let columns = names.join(", ").chars().take(120).collect::<String>();
                Failure::data(format!(
                    "{name} line {line}: no column is named {} (there is: {columns}); name it with {option}",
                    wanted.join(" or ")
                ))
            })
        };
        let time = one(columns.time, &TIME_COLUMNS, "--time-column")?;
        let temp = one(columns.temp, &TEMP_COLUMNS, "--temp-column")?;
        Ok(Self { time, temp, fahrenheit: names.get(temp).is_some_and(|n| n.ends_with("_f")) })
    }
}

/// Rows so far; the first one decides between readings and daily means.
struct Rows<'a> {
    name: &'a str,
    columns: &'a Columns<'a>,
    fahrenheit: bool,
    daily: Option<bool>,
    read: Vec<(Moment, f64)>,
}

#[derive(Clone, Copy)]
enum Moment {
    At(Timestamp),
    On(Day),
}

impl Rows<'_> {
    /// Takes one row; says no to a value that cannot be water.
    fn take(&mut self, line: u64, time: &str, temp: &str) -> Result<bool, Failure> {
        let moment = self.moment(line, time)?;
        let number = temp.to_ascii_lowercase();
        if number.is_empty() {
            return Ok(true);
        }
        if matches!(number.as_str(), "na" | "n/a" | "null" | "none") {
            return Ok(false);
        }
        let value: f64 = number.parse().map_err(|_| {
            let shown: String = temp.chars().take(40).collect();
            Failure::data(format!(
                "{} line {line}: \"{shown}\" is not a temperature; write a number, or nothing for a missing reading",
                self.name
            ))
        })?;
        let celsius = if self.fahrenheit { (value - 32.0) / 1.8 } else { value };
        if !WATER_C.contains(&celsius) {
            return Ok(false);
        }
        self.read.push((moment, celsius));
        Ok(true)
    }

    fn moment(&mut self, line: u64, text: &str) -> Result<Moment, Failure> {
        let day = Day::parse(text).ok();
        let daily = *self.daily.get_or_insert(day.is_some());
        let wrong = |what: String| Failure::data(format!("{} line {line}: {what}", self.name));
        if let Some(day) = day {
            return if daily {
                Ok(Moment::On(day))
            } else {
                Err(wrong(format!("the date {day} among times; keep daily means in a file of their own")))
            };
        }
        if daily {
            let shown: String = text.chars().take(40).collect();
            return Err(wrong(format!(
                "\"{shown}\" is not a date like the rows before it; write it like 2026-04-18"
            )));
        }
        match self.columns.zone {
            Some(zone) => zone.parse(text).map(Moment::At).map_err(|error| wrong(error.to_string())),
            None => Timestamp::parse(text).map(Moment::At).map_err(|error| match Zone::UTC.parse(text) {
                Ok(_) => wrong(format!(
                    "\"{text}\" has no offset from UTC; give the zone with --tz, like --tz America/Chicago"
                )),
                Err(_) => wrong(error.to_string()),
            }),
        }
    }

    fn values(self) -> Values {
        if self.daily == Some(false) {
            let at = |(moment, celsius)| match moment {
                Moment::At(at) => Some((at, celsius)),
                Moment::On(_) => None,
            };
            Values::Readings(self.read.into_iter().filter_map(at).collect())
        } else {
            let on = |(moment, celsius)| match moment {
                Moment::On(day) => Some((day, celsius)),
                Moment::At(_) => None,
            };
            Values::Daily(self.read.into_iter().filter_map(on).collect())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parsed(text: &str) -> Result<Temperatures, Failure> {
        parse(text.as_bytes(), "t.csv", &Columns::default())
    }

    #[test]
    fn the_usual_forms_are_read() {
        let file = parsed(
            "# a lake\n\u{feff}timestamp,temp_f\n2026-04-18T00:00:00-05:00,50\n2026-04-18T01:00:00-05:00,\n",
        )
        .unwrap();
        let at = Timestamp::parse("2026-04-18T05:00:00Z").unwrap();
        assert_eq!(file.values, Values::Readings(vec![(at, 10.0)]));
        let file =
            parsed("date,temp_c\n2026-04-18,8.5\n# pause\n2026-04-19,-9999\n2026-04-20,NaN\n").unwrap();
        assert_eq!(file.values, Values::Daily(vec![(Day::parse("2026-04-18").unwrap(), 8.5)]));
        assert_eq!((file.impossible, file.first_impossible), (2, 4));
    }

    #[test]
    fn errors_name_the_line_and_the_next_step() {
        for (text, expected) in [
            ("when,warm\n", "--time-column"),
            ("time,warm\n", "--temp-column"),
            (
                "time,temp_c\n2026-04-18 10:00,8\n",
                "line 2: \"2026-04-18 10:00\" has no offset from UTC; give the zone with --tz",
            ),
            (
                "# c\ntime,temp_c\n2026-04-18T10:00:00Z,8\n2026-04-18T11:00:00Z,warm\n",
                "line 4: \"warm\" is not a temperature",
            ),
            ("date,temp_c\n2026-04-18,8\nyesterday,8\n", "line 3: \"yesterday\" is not a date"),
            (
                "time,temp_c\n2026-04-18T10:00:00Z,8\n2026-04-18,8\n",
                "line 3: the date 2026-04-18 among times",
            ),
        ] {
            let failure = parsed(text).unwrap_err();
            assert_eq!(failure.code, super::super::failure::DATA);
            assert!(failure.message.contains(expected), "{}", failure.message);
            assert!(!failure.message.contains('\n'));
        }
    }
}
