//! `nightjar season`: the season report as a page to print and as CSV files.

use super::CommandResult;
use super::failure::{Failure, OrFail};
use super::output::{Format, Output};
use crate::clock::{Clock, NotBeforeBuild, SystemClock};
use crate::config::{self, Config, overrides::Overrides};
use crate::core::run::usable;
use crate::logbook::{Act, Entry, standing};
use crate::progress::Progress;
use crate::rack::{Measure, Place};
use crate::reading::SensorIx;
use crate::season::{DayMean, Material, Way, answered, csv, html, tables};
use crate::store::{JournalFilter, JournalKind, look_at};
use crate::supervise::restore;
use clap::Args;
use nightjar_calc::time::{Day, Span, Timestamp};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What to report.
#[derive(Debug, Args)]
pub struct Arguments {
    /// Configuration file of the station
    #[arg(long, value_name = "FILE", default_value = "/etc/nightjar/nightjar.toml")]
    config: PathBuf,
    /// Database, when it is not where the configuration says
    #[arg(long, value_name = "FILE")]
    database: Option<PathBuf>,
    /// Season to report: the year of its takes (default: the latest in the logbook)
    #[arg(long, value_name = "YEAR")]
    year: Option<i32>,
    /// Folder for the files; made when it is not there
    #[arg(long, value_name = "FOLDER")]
    out: PathBuf,
    /// Form of the summary
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Days in jars after which the early forecast is made.
const EARLY: Span = Span::from_hours(24 * 5);
/// Longest season of temperatures read.
const LONGEST: Span = Span::from_hours(24 * 300);
/// Entries and alarm events looked at.
const MOST: u32 = 200_000;

/// Writes the report.
///
/// # Errors
/// Exit 65 when there is no take of that year, 74 when the database cannot be read or a file cannot be
/// written, 78 when the configuration is refused.
pub fn run(arguments: &Arguments, output: &mut Output) -> CommandResult {
    let config =
        config::load(&arguments.config, &Overrides::from_environment()).map_err(Failure::configuration)?;
    let path =
        arguments.database.clone().unwrap_or_else(|| config.store.folder.join(crate::store::FILE_NAME));
    let all = look_at(&path, |r| r.entries_after(0, MOST)).map_err(|error| cannot_read(&path, &error))?;
    let all: Vec<Entry> = all.into_iter().map(|(_, entry)| entry).collect();
    let (year, entries) = of_year(&all, arguments.year, &config)?;
    let clock = SystemClock::new(Box::new(NotBeforeBuild));
    let now = clock.now().utc;
    let species = restore::species(&config).map_err(|e| Failure::configuration(format!("{e:#}")))?;
    let mut progress = Progress::new(config.rack.clone(), species);
    progress.set_entries(entries.clone());
    let (from, to) = stretch(&entries, now);
    read_temperatures(&mut progress, &config, &path, from, to)?;
    let (done, _) = standing(&entries);
    let filter = JournalFilter { kind: Some(JournalKind::Alarm), ..JournalFilter::default() };
    let lines = look_at(&path, |r| r.journal(&filter, MOST)).map_err(|error| cannot_read(&path, &error))?;
    let events: Vec<crate::alarm::event::AlarmEvent> = lines
        .into_iter()
        .filter_map(|line| serde_json::from_value(line.body.get("event")?.clone()).ok())
        .filter(|event: &crate::alarm::event::AlarmEvent| from <= event.at && event.at <= to)
        .collect();
    let (ways, alarms, days) = (ways(&progress, to), answered(&events), days(&progress, &config, from, to));
    let material = Material {
        rack: &config.rack,
        books: progress.books(),
        done: &done,
        ways: &ways,
        alarms: &alarms,
        days: &days,
        now,
    };
    let tables = tables(&material);
    std::fs::create_dir_all(&arguments.out).or_fail(&format!("create {}", arguments.out.display()))?;
    let write = |name: &str, text: String| {
        let file = arguments.out.join(name);
        std::fs::write(&file, text).or_fail(&format!("write {}", file.display()))
    };
    write("season.html", html::document(&material, &tables))?;
    write("columns.csv", csv::meanings(&tables))?;
    for table in &tables {
        write(&format!("{}.csv", table.name), csv::file(table, config.rack.zone))?;
    }
    match arguments.format {
        Format::Json => output.json(&serde_json::json!({
            "season": year, "folder": arguments.out.display().to_string(),
            "tables": tables.iter().map(|t| serde_json::json!({"file": format!("{}.csv", t.name), "rows": t.rows.len()})).collect::<Vec<_>>(),
            "entries_left_out": progress.books().left_out().len(),
        })),
        Format::Text => {
            output.line(format_args!("season {year} of {} in {}:", config.rack.station, arguments.out.display()))?;
            output.line("  season.html   to read and print")?;
            for table in &tables {
                output.line(format_args!("  {:24} {} rows", format!("{}.csv", table.name), table.rows.len()))?;
            }
            output.line("  columns.csv   what the columns mean")
        }
    }
}

fn cannot_read(path: &Path, error: &crate::store::StoreError) -> Failure {
    Failure::input_output(format!("cannot read {}: {error}", path.display()))
}

/// The entries of one season: everything from its first take to the first take of the next.
fn of_year(all: &[Entry], wanted: Option<i32>, config: &Config) -> Result<(i32, Vec<Entry>), Failure> {
    let (done, _) = standing(all);
    let mut first: BTreeMap<i32, Timestamp> = BTreeMap::new();
    for done in &done {
        if let Act::Take(take) = done.act {
            let year = config.rack.zone.day_of(take.fertilized_at).year();
            let at = first.entry(year).or_insert(take.fertilized_at);
            *at = take.fertilized_at.min(*at);
        }
    }
    let year = match wanted.or_else(|| first.keys().next_back().copied()) {
        Some(year) if first.contains_key(&year) => year,
        Some(year) => return Err(Failure::data(format!("the logbook has no take of {year}"))),
        None => return Err(Failure::data("the logbook has no take yet")),
    };
    // What was made ready before the first take belongs to it: the season begins with its calendar year.
    let begin =
        Day::from_ymd(year, 1, 1).map_or(first[&year], |day| day.start(config.rack.zone)).min(first[&year]);
    let end = first.range(year + 1..).next().map(|(_, at)| *at);
    let within = |at: Timestamp| at >= begin && end.is_none_or(|end| at < end);
    let kept: std::collections::BTreeSet<_> =
        all.iter().filter(|entry| within(entry.happened_at)).map(|entry| entry.id.clone()).collect();
    // A taking back goes with what it takes back, whenever it was written.
    let entries = all
        .iter()
        .filter(|entry| {
            if let Act::Void(void) = &entry.act {
                kept.contains(&void.entry)
            } else {
                kept.contains(&entry.id)
            }
        })
        .cloned()
        .collect();
    Ok((year, entries))
}

/// From the first to the last moment that matters.
fn stretch(entries: &[Entry], now: Timestamp) -> (Timestamp, Timestamp) {
    let first = entries.iter().map(|entry| entry.happened_at).min().unwrap_or(now);
    let last = entries.iter().map(|entry| entry.happened_at).max().unwrap_or(now);
    let to = (last + Span::from_hours(48)).min(now).max(first);
    (first.max(to - LONGEST), to)
}

fn read_temperatures(
    progress: &mut Progress,
    config: &Config,
    path: &Path,
    from: Timestamp,
    to: Timestamp,
) -> CommandResult {
    for (at, sensor) in config.rack.sensors.iter().enumerate() {
        let Ok(ix) = u16::try_from(at).map(SensorIx) else { continue };
        if sensor.measure != Measure::Temperature {
            continue;
        }
        let mut start = from;
        while start < to {
            let end = (start + Span::from_hours(24)).min(to);
            let samples = look_at(path, |r| r.samples_between(&sensor.id, start, end))
                .map_err(|error| cannot_read(path, &error))?;
            progress.set_hours(ix, [], usable(&samples));
            start = end;
        }
        progress.settle();
    }
    Ok(())
}

/// Thermal histories of all eggs that are or were in jars.
fn ways(progress: &Progress, end: Timestamp) -> Vec<Way> {
    let rack = progress.rack();
    let mut ways: Vec<Way> = progress
        .books()
        .contents()
        .filter_map(|content| {
            let (first, last) = (content.segments.first()?, content.segments.last()?);
            let as_of = last.to.unwrap_or(end);
            Some(Way {
                jar: rack.jar(last.jar).id.to_string(),
                lot: content.lot.to_string(),
                loaded_at: first.from,
                left_at: last.to,
                progress: progress.view_of(content, as_of),
                forecast: progress.early_forecast(content, EARLY),
            })
        })
        .collect();
    ways.sort_by(|a, b| (a.loaded_at, &a.jar, &a.lot).cmp(&(b.loaded_at, &b.jar, &b.lot)));
    ways
}

fn days(progress: &Progress, config: &Config, from: Timestamp, to: Timestamp) -> Vec<DayMean> {
    let zone = config.rack.zone;
    let mut means = Vec::new();
    for (at, sensor) in config.rack.sensors.iter().enumerate() {
        let place = match sensor.place {
            Place::Jar(jar) => format!("jar {}", config.rack.jar(jar).id),
            Place::Header(header) => format!("header {}", config.rack.header(header).id),
            Place::Site => continue,
        };
        let Ok(ix) = u16::try_from(at).map(SensorIx) else { continue };
        let mut day = zone.day_of(from);
        while day <= zone.day_of(to) {
            if let Some((mean_c, coverage)) = progress.mean_between(ix, day.start(zone), day.end(zone)) {
                means.push(DayMean { place: place.clone(), day, mean_c, coverage });
            }
            day = day.plus(1);
        }
    }
    means
}
