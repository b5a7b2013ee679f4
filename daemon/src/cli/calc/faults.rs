//! `nightjar calc faults`: which readings of a file can be trusted, one judgement for each row.

use super::Form;
use crate::cli::CommandResult;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use clap::Args;
use nightjar_calc::series::{Mark, Quality, Reason, Settings, mark_all};
use nightjar_calc::time::{Day, Span, Timestamp, Zone};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;
use std::path::PathBuf;

/// Most rows of one file: twenty years at one a minute are ten million.
const MOST_ROWS: usize = 12_000_000;

/// Which file, and where in it.
#[derive(Debug, Args)]
pub struct Arguments {
    /// File of readings, CSV with one header line; lines that start with # are comments
    #[arg(long, value_name = "FILE")]
    readings: PathBuf,
    /// Column of times: RFC 3339, or local time in the zone given
    #[arg(long, value_name = "NAME")]
    time_column: String,
    /// Column of temperatures, °C; °F when its name ends in _f. Empty is missing
    #[arg(long, value_name = "NAME")]
    value_column: String,
    /// Zone of times without an offset, like America/Denver; UTC-7 for a logger whose clock never changes
    #[arg(long, value_name = "ZONE", default_value = "UTC", allow_hyphen_values = true)]
    tz: String,
}

/// A row of the file.
struct Row {
    at: Timestamp,
    /// As in the file, for the output.
    given: Option<f64>,
    celsius: Option<f64>,
}

/// Marks a file of readings.
///
/// # Errors
/// Exit 64 for an unknown zone, 65 with the line when the file makes no sense, 74 when it cannot be
/// read. Nothing is printed then.
pub fn run(arguments: &Arguments, form: Form, output: &mut Output) -> CommandResult {
    let zone = Zone::named(&arguments.tz).map_err(|error| Failure::usage(format!("--tz: {error}")))?;
    let name = arguments.readings.display().to_string();
    let file = File::open(&arguments.readings)
        .map_err(|error| Failure::input_output(format!("cannot read {name}: {error}; check the path")))?;
    let rows = read(file, &name, arguments, zone)?;
    let given: Vec<Option<f64>> = rows.iter().map(|row| row.given).collect();
    let mut marks = mark_all(rows.into_iter().map(|row| (row.at, row.celsius)), Settings::default());
    for (mark, given) in marks.iter_mut().zip(given) {
        mark.value = given;
    }
    match form {
        Form::Csv => csv_rows(&marks, zone, output),
        Form::Json => json(&marks, zone, output),
        Form::Text => text(&marks, zone, output),
    }
}

fn read(source: impl Read, name: &str, arguments: &Arguments, zone: Zone) -> Result<Vec<Row>, Failure> {
    let mut reader =
        csv::ReaderBuilder::new().comment(Some(b'#')).trim(csv::Trim::All).flexible(true).from_reader(source);
    let header = reader.headers().map_err(|error| broken(name, &error))?.clone();
    let time = column(&header, name, &arguments.time_column, "--time-column")?;
    let value = column(&header, name, &arguments.value_column, "--value-column")?;
    let fahrenheit = arguments.value_column.to_lowercase().ends_with("_f");
    let mut rows = Vec::new();
    let mut record = csv::StringRecord::new();
    while reader.read_record(&mut record).map_err(|error| broken(name, &error))? {
        // The record's own position is that of the comments before it.
        let line = reader.position().line().saturating_sub(1);
        if record.iter().all(str::is_empty) {
            continue;
        }
        let (Some(time), Some(value)) = (record.get(time), record.get(value)) else {
            return Err(Failure::data(format!(
                "{name} line {line} has {} columns, the header {}; complete the line or remove it",
                record.len(),
                header.len()
            )));
        };
        let at = instant(time, zone).ok_or_else(|| {
            Failure::data(format!(
                "{name} line {line}: \"{}\" is not a time in {}; write it like 2026-04-18T14:00:00-05:00",
                shortened(time),
                arguments.tz
            ))
        })?;
        let given = number(value).map_err(|()| {
            Failure::data(format!(
                "{name} line {line}: \"{}\" is not a number; leave the value empty where it is missing",
                shortened(value)
            ))
        })?;
        rows.push(Row { at, given, celsius: given.map(|v| if fahrenheit { celsius(v) } else { v }) });
        if rows.len() > MOST_ROWS {
            return Err(Failure::data(format!("{name} has more than {MOST_ROWS} rows; split it by year")));
        }
    }
    if rows.is_empty() {
        return Err(Failure::data(format!(
            "{name} has a header and no readings; check that it is the right file"
        )));
    }
    Ok(rows)
}

fn column(header: &csv::StringRecord, name: &str, wanted: &str, option: &str) -> Result<usize, Failure> {
    let plain = |text: &str| text.trim_start_matches('\u{feff}').trim().to_lowercase();
    header.iter().position(|found| plain(found) == plain(wanted)).ok_or_else(|| {
        let known: Vec<&str> = header.iter().map(|c| c.trim_start_matches('\u{feff}')).take(20).collect();
        Failure::data(format!(
            "{name} has no column \"{}\"; give {option} one of: {}",
            shortened(wanted),
            known.join(", ")
        ))
    })
}

/// A time, or a plain date taken as the start of its local day. An hour that the zone's clocks jump over in
/// spring was written by a logger that knows no summer time; it goes on from the hour before.
fn instant(text: &str, zone: Zone) -> Option<Timestamp> {
    let hour = Span::from_hours(1);
    let skipped = || {
        let before = Zone::UTC.local(Zone::UTC.parse(text).ok()? - hour);
        zone.instant(before).ok().map(|at| at + hour)
    };
    let day = || Day::parse(text).ok().map(|day| day.start(zone));
    zone.parse(text).ok().or_else(skipped).or_else(day)
}

fn number(text: &str) -> Result<Option<f64>, ()> {
    if text.is_empty() { Ok(None) } else { text.parse().map(Some).map_err(|_| ()) }
}

/// Codes such as −9999 stay what they are: they have no unit.
fn celsius(fahrenheit: f64) -> f64 {
    if (-100.0..200.0).contains(&fahrenheit) { (fahrenheit - 32.0) / 1.8 } else { fahrenheit }
}

fn shortened(text: &str) -> String {
    text.chars().take(60).collect()
}

fn broken(name: &str, error: &csv::Error) -> Failure {
    if let csv::ErrorKind::Io(error) = error.kind() {
        return Failure::input_output(format!("cannot read {name}: {error}; check that it is a file"));
    }
    let line = error.position().map_or(String::new(), |p| format!(" line {}", p.line()));
    Failure::data(format!("{name}{line} is not CSV in UTF-8; save it as plain CSV"))
}

fn csv_rows(marks: &[Mark], zone: Zone, output: &mut Output) -> CommandResult {
    output.line("time,value,quality,reason")?;
    for mark in marks {
        let value = mark.value.map_or(String::new(), |v| v.to_string());
        output.line(format_args!("{},{value},{},{}", zone.rfc3339(mark.at), mark.quality, mark.reason))?;
    }
    Ok(())
}

fn json(marks: &[Mark], zone: Zone, output: &mut Output) -> CommandResult {
    let rows: Vec<_> = marks
        .iter()
        .map(|mark| {
            serde_json::json!({"time": zone.rfc3339(mark.at), "value": mark.value,
                "quality": mark.quality.word(), "reason": mark.reason.word()})
        })
        .collect();
    let count = |quality| marks.iter().filter(|m| m.quality == quality).count();
    output.json(&serde_json::json!({
        "rows": marks.len(), "good": count(Quality::Good), "uncertain": count(Quality::Uncertain),
        "bad": count(Quality::Bad), "marks": rows,
    }))
}

fn text(marks: &[Mark], zone: Zone, output: &mut Output) -> CommandResult {
    let mut reasons: BTreeMap<(Quality, Reason), usize> = BTreeMap::new();
    for mark in marks {
        *reasons.entry((mark.quality, mark.reason)).or_default() += 1;
    }
    output.line(format_args!("{} readings", marks.len()))?;
    for ((quality, reason), n) in &reasons {
        match quality {
            Quality::Good => output.line(format_args!("{n:>9} good"))?,
            Quality::Uncertain | Quality::Bad => output.line(format_args!("{n:>9} {quality}, {reason}"))?,
        }
    }
    let alike = |a: &Mark, b: &Mark| a.quality == b.quality && a.reason == b.reason;
    for run in marks.chunk_by(alike) {
        let (Some(first), Some(last)) = (run.first(), run.last()) else { continue };
        if first.quality != Quality::Good {
            output.line(format_args!(
                "{} to {}: {} {}, {}",
                zone.rfc3339(first.at),
                zone.rfc3339(last.at),
                run.len(),
                first.quality,
                first.reason
            ))?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::{Arguments, Form, run};
    use crate::cli::failure::Failure;
    use crate::cli::output::Output;
    use std::io::Write;
    use std::sync::{Arc, Mutex};

    #[derive(Clone, Default)]
    struct Page(Arc<Mutex<Vec<u8>>>);

    impl Write for Page {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            self.0.lock().unwrap().extend_from_slice(bytes);
            Ok(bytes.len())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    fn printed(file: &str, value_column: &str, tz: &str, format: Form) -> Result<String, Failure> {
        let mut readings = tempfile::NamedTempFile::new().unwrap();
        readings.write_all(file.as_bytes()).unwrap();
        let arguments = Arguments {
            readings: readings.path().to_path_buf(),
            time_column: "timestamp".into(),
            value_column: value_column.into(),
            tz: tz.into(),
        };
        let page = Page::default();
        let mut output = Output::into(page.clone());
        run(&arguments, format, &mut output)?;
        drop(output);
        let bytes = page.0.lock().unwrap().clone();
        Ok(String::from_utf8(bytes).unwrap())
    }

    const FILE: &str = "# invented water\ntimestamp,raw_c,note\n2026-04-18T00:00,8.1,\n2026-04-18T00:15,-9999,\n\
                        # in between\n2026-04-18T00:30,,\n2026-04-18T00:45,8.12,\n";

    #[test]
    fn one_row_for_each_row() {
        let text = printed(FILE, "raw_c", "America/Chicago", Form::Csv).unwrap();
        assert_eq!(
            text,
            "time,value,quality,reason\n2026-04-18T00:00:00-05:00,8.1,good,none\n\
             2026-04-18T00:15:00-05:00,-9999,bad,sentinel\n2026-04-18T00:30:00-05:00,,bad,missing\n\
             2026-04-18T00:45:00-05:00,8.12,uncertain,site-visit\n"
        );
        let json: serde_json::Value =
            serde_json::from_str(&printed(FILE, "raw_c", "UTC", Form::Json).unwrap()).unwrap();
        assert_eq!(json["bad"], 2);
        assert_eq!(json["marks"][1]["reason"], "sentinel");
        assert!(printed(FILE, "raw_c", "UTC", Form::Text).unwrap().contains("1 bad, missing"));
    }

    #[test]
    fn nonsense_is_refused_with_its_line() {
        let refused = |file: &str, column: &str, tz: &str| printed(file, column, tz, Form::Csv).unwrap_err();
        for (cell, line) in [("2026-04-18T01:00,warm", 9), ("yesterday,8.1", 9), ("2026-04-18T01:00", 9)] {
            let failure = refused(&format!("{FILE}\n{cell}\n"), "raw_c", "UTC");
            assert_eq!(failure.code, 65, "{failure}");
            assert!(failure.message.contains(&format!("line {line}")), "{failure}");
        }
        assert!(refused(FILE, "temp", "UTC").message.contains("timestamp, raw_c, note"));
        assert_eq!(refused(FILE, "raw_c", "Mars/Base").code, 64);
        assert_eq!(refused("timestamp,raw_c\n", "raw_c", "UTC").code, 65);
    }
}
