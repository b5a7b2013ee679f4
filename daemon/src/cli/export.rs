//! `nightjar export`: what is stored, as CSV. Reads the database beside a running daemon.

use super::failure::Failure;
use super::output::Output;
use crate::reading::{Quality, Reason};
use crate::store::{FILE_NAME, StoreError, look_at};
use clap::{Args, Subcommand};
use nightjar_calc::time::Timestamp;
use std::path::PathBuf;

/// What to export.
#[derive(Debug, Args)]
pub struct Arguments {
    /// Folder of the database
    #[arg(long, value_name = "FOLDER", default_value = "/var/lib/nightjar")]
    data: PathBuf,
    /// Only from this time on
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Only before this time
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    #[command(subcommand)]
    what: Option<What>,
}

#[derive(Clone, Copy, Debug, Default, Subcommand)]
enum What {
    /// Every reading: sensor,time,value,quality,reason
    #[default]
    Readings,
}

/// Writes the readings.
///
/// # Errors
/// Exit 64 for times that make no sense, 74 when the database cannot be read.
pub fn run(arguments: &Arguments, output: &mut Output) -> Result<(), Failure> {
    let What::Readings = arguments.what.unwrap_or_default();
    let moment = |name: &str, text: &Option<String>, other: Timestamp| match text {
        None => Ok(other),
        Some(text) => Timestamp::parse(text).map_err(|error| {
            Failure::usage(format!("--{name}: {error}; write it like 2026-04-16T06:00:00-05:00"))
        }),
    };
    let from = moment("from", &arguments.from, Timestamp::from_ms(0))?;
    let to = moment("to", &arguments.to, LAST)?;
    if from >= to {
        return Err(Failure::usage("--from must lie before --to"));
    }
    let path = arguments.data.join(FILE_NAME);
    if !path.is_file() {
        return Err(Failure::input_output(format!(
            "{} does not exist: name the folder of the database with --data",
            path.display()
        )));
    }
    output.line("sensor,time,value,quality,reason")?;
    let written = look_at(&path, |reader| {
        Ok(reader.each_reading(from, to, |sensor, sample| {
            let (at, value) = (sample.at.rfc3339(), sample.value.get());
            let (quality, reason) = (quality(sample.quality), reason(sample.reason));
            output.line(format_args!("{sensor},{at},{value},{quality},{reason}")).map_err(Ended::Output)
        }))
    });
    written.unwrap_or_else(|error| Err(Ended::Store(error))).map_err(|ended| match ended {
        Ended::Output(failure) => failure,
        Ended::Store(error) => Failure::input_output(format!("cannot read {}: {error}", path.display())),
    })
}

/// Why the readings were not written to the end.
enum Ended {
    /// The database.
    Store(StoreError),
    /// Whoever reads what we write.
    Output(Failure),
}

impl From<StoreError> for Ended {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

/// No reading is later (9999-12-31).
const LAST: Timestamp = Timestamp::from_ms(253_402_300_799_999);

const fn quality(quality: Quality) -> &'static str {
    match quality {
        Quality::Good => "good",
        Quality::Uncertain => "uncertain",
        Quality::Bad => "bad",
    }
}

const fn reason(reason: Reason) -> &'static str {
    match reason {
        Reason::None => "",
        Reason::NotFinite => "not a number",
        Reason::Sentinel => "sentinel",
        Reason::Range => "range",
        Reason::Spike => "spike",
        Reason::Stuck => "stuck",
        Reason::OutOfWater => "out of water",
        Reason::SiteVisit => "site visit",
        Reason::Disagrees => "disagrees",
        Reason::Stale => "stale",
        Reason::FutureTime => "future time",
        Reason::UntrustedClock => "clock not trusted",
        Reason::Retained => "retained",
        Reason::Device => "device fault",
    }
}
