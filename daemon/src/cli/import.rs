//! `nightjar import`: temperatures of past springs into the station's database, where outlooks find
//! them. All or nothing; a repeat changes nothing.

use super::CommandResult;
use super::failure::Failure;
use super::outlook::water::daily_means;
use super::output::{Format, Output};
use super::records;
use super::temperatures::{self, Columns, Values};
use crate::clock::{Clock, NotBeforeBuild, SystemClock};
use crate::config::{self, overrides::Overrides};
use crate::store::{FILE_NAME, ImportRules, PastImport, StoreError, import_past_water};

use clap::{Args, Subcommand};
use nightjar_calc::time::{Day, Zone};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Oldest and newest year that is taken for a record of water.
const OLDEST_YEAR: i32 = 1900;

/// What to take over.
#[derive(Debug, Args)]
#[command(
    allow_negative_numbers = true,
    args_conflicts_with_subcommands = true,
    subcommand_negates_reqs = true
)]
pub struct Arguments {
    #[command(subcommand)]
    other: Option<Other>,
    /// Temperatures of past springs: time,temp_c or date,temp_c, one or more files
    #[arg(long, value_name = "FILE", num_args = 1.., required = true)]
    temps: Vec<PathBuf>,
    /// Configuration file of the station
    #[arg(long, value_name = "FILE", default_value = "/etc/nightjar/nightjar.toml")]
    config: PathBuf,
    /// Time zone of times without an offset (default: the station's)
    #[arg(long, value_name = "ZONE", allow_hyphen_values = true)]
    tz: Option<String>,
    /// Name of the column of times or dates
    #[arg(long, value_name = "NAME")]
    time_column: Option<String>,
    /// Name of the column of temperatures; …_f holds °F
    #[arg(long, value_name = "NAME")]
    temp_column: Option<String>,
    /// Only tell what would be done
    #[arg(long)]
    dry_run: bool,
    /// Days that are there with another mean take the one of the file
    #[arg(long)]
    replace: bool,
    /// Leave rows out that hold no temperature of water, such as a logger's -9999, instead of refusing
    #[arg(long)]
    leave_out_bad: bool,
    /// Form of the result
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// What else there is to take over.
#[derive(Debug, Subcommand)]
enum Other {
    /// Entries of past years from a CSV file, by a mapping file
    Records(records::Arguments),
}

/// What the files hold.
#[derive(Default)]
struct Found {
    days: BTreeMap<Day, (f64, String)>,
    values: usize,
    left_out: usize,
}

/// Imports.
///
/// # Errors
/// Exit 64 for an unknown zone, 65 when a file makes no sense, 74 when a file or the database cannot be used, 78
/// when the configuration is refused. Nothing is written then.
pub fn run(arguments: &Arguments, output: &mut Output) -> CommandResult {
    if let Some(Other::Records(records)) = &arguments.other {
        return records::run(records, output);
    }
    let config =
        config::load(&arguments.config, &Overrides::from_environment()).map_err(Failure::configuration)?;
    let station = config.rack.zone;
    let written_in = match &arguments.tz {
        Some(name) => Zone::named(name).map_err(|error| Failure::usage(format!("--tz: {error}")))?,
        None => station,
    };
    let clock = SystemClock::new(Box::new(NotBeforeBuild));
    let today = station.day_of(clock.now().utc);
    let mut found = Found::default();
    for path in &arguments.temps {
        found.read(path, arguments, written_in, station, today)?;
    }
    let days: Vec<(Day, f64, String)> =
        found.days.iter().map(|(day, (celsius, origin))| (*day, *celsius, origin.clone())).collect();
    if days.is_empty() {
        return Err(Failure::data(
            "the files hold no day of which three quarters were measured; nothing is imported",
        ));
    }
    let database = config.store.folder.join(FILE_NAME);
    let rules = ImportRules { replace: arguments.replace, dry_run: arguments.dry_run };
    let report = import_past_water(&database, &days, rules).map_err(|error| unusable(&database, &error))?;
    if let Some((day, there, given)) = report.conflicts.first() {
        return Err(Failure::data(format!(
            "{} days are in the database with another mean, the first {day} with {there:.2} °C, now {given:.2} °C; nothing is imported; --replace takes the files'",
            report.conflicts.len()
        )));
    }
    tell(arguments, &found, &report, output)
}

fn unusable(path: &Path, error: &StoreError) -> Failure {
    Failure::input_output(format!(
        "{}: {error}; check that store.folder exists and may be written",
        path.display()
    ))
}

impl Found {
    fn read(
        &mut self,
        path: &Path,
        arguments: &Arguments,
        written_in: Zone,
        station: Zone,
        today: Day,
    ) -> CommandResult {
        let columns = Columns {
            time: arguments.time_column.as_deref(),
            temp: arguments.temp_column.as_deref(),
            zone: Some(written_in),
        };
        let name = path.display().to_string();
        let file = temperatures::read(path, &columns)?;
        if file.impossible > 0 && !arguments.leave_out_bad {
            return Err(Failure::data(format!(
                "{name} line {}: no temperature of water ({} such rows); nothing is imported; --leave-out-bad goes on without them",
                file.first_impossible, file.impossible
            )));
        }
        if let Values::Daily(days) = &file.values {
            twice(&name, days)?;
        }
        self.values += file.len();
        self.left_out += file.impossible;
        for (day, celsius) in daily_means(&file, station)?.iter() {
            if day >= today || day.year() < OLDEST_YEAR {
                return Err(Failure::data(format!(
                    "{name}: {day} is no day of a past spring; check the year; nothing is imported"
                )));
            }
            let before = self.days.insert(day, (celsius, origin(path)));
            if let Some((other, from)) = before.filter(|(other, _)| (other - celsius).abs() > 1e-6) {
                return Err(Failure::data(format!(
                    "{day} has {other:.2} °C in {from} and {celsius:.2} °C in {name}; leave one of the files out"
                )));
            }
        }
        Ok(())
    }
}

fn twice(name: &str, days: &[(Day, f64)]) -> CommandResult {
    let mut known: BTreeMap<Day, f64> = BTreeMap::new();
    for (day, celsius) in days {
        if let Some(other) = known.insert(*day, *celsius).filter(|other| (other - celsius).abs() > 1e-6) {
            return Err(Failure::data(format!(
                "{name}: {day} has both {other} and {celsius} °C; keep one; nothing is imported"
            )));
        }
    }
    Ok(())
}

/// Name of a file without its folder: folders are nobody's business later.
fn origin(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned())
}

fn tell(arguments: &Arguments, found: &Found, report: &PastImport, output: &mut Output) -> CommandResult {
    let (first, last) = (found.days.keys().next(), found.days.keys().next_back());
    let years: std::collections::BTreeSet<i32> = found.days.keys().map(|day| day.year()).collect();
    match arguments.format {
        Format::Json => output.json(&serde_json::json!({
            "dry_run": arguments.dry_run, "values": found.values, "left_out": found.left_out,
            "days": found.days.len(), "years": years, "added": report.added, "same": report.same,
            "replaced": report.replaced, "days_in_database": report.total,
        })),
        Format::Text => {
            let doing = if arguments.dry_run { "would be added" } else { "added" };
            output.line(format_args!(
                "{} days {doing}, {} were there already, {} replaced",
                report.added, report.same, report.replaced
            ))?;
            if let (Some(first), Some(last)) = (first, last) {
                output.line(format_args!(
                    "{} daily means of {} years, {first} to {last}, from {} values; {} rows left out",
                    found.days.len(),
                    years.len(),
                    found.values,
                    found.left_out
                ))?;
            }
            output.line(if arguments.dry_run {
                "nothing was written (--dry-run)"
            } else {
                "a running daemon takes them over when it starts the next time"
            })
        }
    }
}
